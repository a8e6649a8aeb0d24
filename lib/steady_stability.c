/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whether an orbit that repeats itself also holds itself.
 *
 * The integrator cannot tell: it is there to damp what is far quicker than its steps, growing or
 * not, and so are the multipliers of its period map. Therefore the network is frozen at instants of
 * the orbit, and natural frequencies say what a small deviation would do there.
 *
 * - Something grows at every instant: an oscillation on top of the signal.
 * - A pair grows in a part of the period: a burst there, if the part is long enough for it to turn
 *   once and to become LEAST_GROWTH times as large. What grows without turning is a stage on its
 * way from one limit to the other, and the orbit itself shows it.
 * - An op-amp has lost so much gain that it is past what makes its loop oscillate
 * (stability_loss.c): the loop, as good as open by now, went through the oscillation to get there,
 * and such a one goes on once it is there. The orbit is then as likely as not the oscillation
 * itself, cut to pieces by steps that are too long for it.
 *
 * Frozen coefficients are an approximation, good where what grows is much quicker than the signal.
 */
#include "steady_private.h"

#include <math.h>

/* A burst is worth a warning when it can grow tenfold. The signal's own corners set it off, with
 * anything from microvolts to volts. */
#define LEAST_GROWTH 10.0

/* What the instants of an orbit say. */
typedef struct {
    sag_mode grows[SAG_FROZEN];
    const sag_mode *lost; /* what an op-amp's loop does that has lost its gain; NULL: none has */
} instants;

static sag_status judge_instants(const sag_steady *steady, size_t lane, instants *found)
{
    const sag_network *network = steady->bias->network;
    const sag_gain_loss *losses = steady->settings.losses;
    size_t lanes = steady->kind->lanes, unknowns = network->source_count;
    size_t seen = network->row_count;
    double *unknown = steady->instant, *observed = unknown + unknowns;
    found->lost = NULL;
    for (size_t i = 0; i < SAG_FROZEN; i++) {
        for (size_t k = 0; k < unknowns; k++) {
            unknown[k] = steady->period.frozen_unknown[(i * unknowns + k) * lanes + lane];
        }
        for (size_t k = 0; k < seen; k++) {
            observed[k] = steady->period.frozen_observed[(i * seen + k) * lanes + lane];
        }
        TRY(sag_judge_near(steady->judge, unknown, observed, &found->grows[i]));
        int calm = !(found->grows[i].growth_per_s > 0);
        for (size_t k = 0; losses && calm && k < network->opamp_count; k++) {
            if (losses[k].share > 0 && sag_judge_gain_left(steady->judge, k) < losses[k].share) {
                found->lost = &losses[k].grows;
            }
        }
    }
    return SAG_OK;
}

/* What grows in `count` instants on end from `first`, the period closed to a ring; each stands for
 * `seconds`. */
typedef struct {
    double growth, turns; /* natural logarithm of what it grows by; how often it turns */
    const sag_mode *fastest;
} stretch;

static stretch add_up(const sag_mode *mode, size_t first, size_t count, double seconds)
{
    stretch sum = {.fastest = &mode[first % SAG_FROZEN]};
    for (size_t i = first; i < first + count; i++) {
        const sag_mode *at = &mode[i % SAG_FROZEN];
        sum.growth += at->growth_per_s * seconds;
        sum.turns += at->frequency_hz * seconds;
        sum.fastest = at->growth_per_s > sum.fastest->growth_per_s ? at : sum.fastest;
    }
    return sum;
}

static void note(sag_burst *burst, const stretch *found)
{
    double growth_db = 20 / log(10) * found->growth;
    if (burst->opamp < 0 || growth_db > burst->growth_db) {
        *burst = (sag_burst){.opamp = found->fastest->opamp,
                             .frequency_hz = found->fastest->frequency_hz,
                             .growth_db = growth_db};
    }
}

static int turns_and_grows(const sag_mode *mode)
{
    return mode->growth_per_s > 0 && mode->frequency_hz > 0;
}

/* The longest stretch in which a pair grows that could come to a burst; calm: an instant at which
 * none does. */
static void find_burst(const sag_mode *mode, size_t calm, double seconds, sag_burst *burst)
{
    for (size_t from = calm + 1; from < calm + SAG_FROZEN;) {
        size_t count = 0;
        while (turns_and_grows(&mode[(from + count) % SAG_FROZEN])) { /* ends at `calm` */
            count++;
        }
        if (count > 0) {
            stretch part = add_up(mode, from, count, seconds);
            if (part.growth >= log(LEAST_GROWTH) && part.turns >= 1) {
                note(burst, &part);
            }
        }
        from += count + 1;
    }
}

sag_status sag_steady_judge(const sag_steady *steady, size_t lane, sag_burst *burst)
{
    instants found;
    double seconds = 1 / (steady->frequency_hz * SAG_FROZEN);
    size_t growing = 0, calm = SAG_FROZEN;
    *burst = (sag_burst){.opamp = -1};
    TRY(judge_instants(steady, lane, &found));
    for (size_t i = 0; i < SAG_FROZEN; i++) {
        growing += found.grows[i].growth_per_s > 0;
        calm = turns_and_grows(&found.grows[i]) ? calm : i;
    }
    if (growing == SAG_FROZEN) {
        stretch whole = add_up(found.grows, 0, SAG_FROZEN, seconds);
        note(burst, &whole);
        return SAG_OSCILLATES;
    }
    if (found.lost) {
        stretch whole = {.growth = found.lost->growth_per_s * SAG_FROZEN * seconds,
                         .fastest = found.lost};
        note(burst, &whole);
        return SAG_OSCILLATES;
    }
    if (growing > 0) {
        find_burst(found.grows, calm, seconds, burst);
    }
    return SAG_OK;
}
