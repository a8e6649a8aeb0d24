/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two orbits for one signal.
 *
 * A stage whose input reverses turns its feedback round, and may hold itself there: the circuit then
 * has two states, and which it is in depends on what was played before. The answer is the state
 * reached from silence by raising the level. Where orbits reverse an input, two more starts tell
 * whether it matters: the highest level without reversal from the highest orbit, and the lowest one
 * with it from the orbit below. If either ends elsewhere, the levels are climbed in steps of at most
 * 1 dB, and come down again the same way: what comes out on the way up is the answer, and where the
 * way down differs there are two states. */
#include "steady_private.h"

#include "memory.h"

#include <gsl/gsl_eigen.h>
#include <math.h>
#include <string.h>

/* Gains further apart belong to two states. */
#define SAME_DB 0.1
/* Below this share of clip onset nothing bends: levels there are not filled in between. */
#define CLEAR_SHARE 0.9
#define STEP_DB     1.0

int sag_steady_can_reverse(const sag_steady *steady)
{
    const sag_network *network = steady->bias->network;
    for (size_t k = 0; k < network->opamp_count; k++) {
        const sag_opamp_model *model = network->opamps[k].model;
        if (!isnan(model->input_low.reverses_at_v) || !isnan(model->input_high.reverses_at_v)) {
            return 1;
        }
    }
    return 0;
}

static int differ(const sag_steady_point *a, const sag_steady_point *b)
{
    return a->status == SAG_OK && b->status == SAG_OK && fabs(a->gain_db - b->gain_db) > SAME_DB;
}

/* The levels of a climb: those asked for and what lies between, each with the orbit found on the
 * way up. */
typedef struct {
    double level_vpk;
    int asked; /* index of the level asked for; -1: between */
    sag_steady_point point;
} rung;

/* Rungs up to level `top`; the first is silent enough that nothing bends. Returns their number;
 * rungs NULL: only counts. */
static size_t set_rungs(const sag_steady *steady, const double *level_vpk, size_t top, rung *rungs)
{
    double clear = CLEAR_SHARE * steady->onset_vpk;
    size_t count = 0;
    double last = 0;
    if (level_vpk[0] > clear) {
        if (rungs) {
            rungs[count] = (rung){.level_vpk = clear, .asked = -1};
        }
        count++;
        last = clear;
    }
    for (size_t i = 0; i <= top; i++) {
        double from = fmax(last, clear), span_db = 20 * log10(level_vpk[i] / from);
        int steps = last > 0 && span_db > STEP_DB ? (int)ceil(span_db / STEP_DB) : 1;
        for (int k = 1; k < steps; k++) {
            if (rungs) {
                rungs[count] =
                    (rung){.level_vpk = from * pow(10, span_db * k / steps / 20), .asked = -1};
            }
            count++;
        }
        if (rungs) {
            rungs[count] = (rung){.level_vpk = level_vpk[i], .asked = (int)i};
        }
        count++;
        last = level_vpk[i];
    }
    return count;
}

/* 1 in *holds where the last orbit solved, at this level, draws what is near it in: a state, and not
 * the watershed between two. The circuit's slow modes decide that, and of those the period map's
 * multipliers do tell. */
static sag_status holds_itself(sag_steady *steady, double level_vpk, int *holds)
{
    size_t n = steady->states, lanes = steady->kind->lanes;
    gsl_matrix *map = gsl_matrix_alloc(n, n);
    gsl_vector_complex *multiplier = gsl_vector_complex_alloc(n);
    gsl_eigen_nonsymm_workspace *work = gsl_eigen_nonsymm_alloc(n);
    sag_status status = map && multiplier && work ? SAG_OK : SAG_NO_MEMORY;
    *holds = 0;
    if (status == SAG_OK && sag_steady_run_once(steady, level_vpk)) {
        for (size_t i = 0; i < n; i++) {
            for (size_t j = 0; j < n; j++) {
                gsl_matrix_set(map, i, j, steady->period.monodromy[(i * n + j) * lanes]);
            }
        }
        *holds = gsl_eigen_nonsymm(map, multiplier, work) == GSL_SUCCESS;
        for (size_t i = 0; i < n; i++) {
            gsl_complex at = gsl_vector_complex_get(multiplier, i);
            *holds &= hypot(GSL_REAL(at), GSL_IMAG(at)) < 1;
        }
    }
    gsl_matrix_free(map);
    gsl_vector_complex_free(multiplier);
    gsl_eigen_nonsymm_free(work);
    return status;
}

/* Up and down again; points asked for take what the way up found. */
static sag_status climb_and_come_down(sag_steady *steady, const double *level_vpk, size_t top,
                                      sag_steady_point *points, sag_opamp_swing *swings)
{
    size_t opamps = steady->bias->network->opamp_count;
    size_t count = set_rungs(steady, level_vpk, top, NULL), upper = 0, lower = count;
    rung *rungs = sag_new(count, sizeof *rungs);
    if (!rungs) {
        return SAG_NO_MEMORY;
    }
    set_rungs(steady, level_vpk, top, rungs);
    sag_status status = SAG_OK;
    steady->last_level_vpk = 0;
    for (size_t i = 0; status == SAG_OK && i < count; i++) {
        rung *at = &rungs[i];
        sag_opamp_swing *into =
            swings && at->asked >= 0 ? swings + (size_t)at->asked * opamps : NULL;
        status = sag_steady_next(steady, at->level_vpk, &at->point, into);
        if (at->asked >= 0) {
            points[at->asked] = at->point;
        }
    }
    /* From the last orbit found; the way down ends where it meets the way up outside reversal. */
    for (size_t i = count - 1; status == SAG_OK && i-- > 0;) {
        sag_steady_point down;
        status = sag_steady_next(steady, rungs[i].level_vpk, &down, NULL);
        int is_other = differ(&down, &rungs[i].point), holds = 0;
        if (status == SAG_OK && is_other) {
            status = holds_itself(steady, rungs[i].level_vpk, &holds);
        }
        if (holds) {
            upper = lower == count ? i : upper;
            lower = i;
        } else if (!is_other && down.status == SAG_OK && !down.reverses) {
            break;
        }
    }
    for (size_t i = lower; status == SAG_OK && i < count && i <= upper; i++) {
        if (rungs[i].asked >= 0) {
            points[rungs[i].asked].two_from_vpk = rungs[lower].level_vpk;
            points[rungs[i].asked].two_to_vpk = rungs[upper].level_vpk;
        }
    }
    sag_free(rungs);
    return status;
}

/* 1 in *depends where orbits that reverse an input, up to level `top`, depend on what was before:
 * shoots at the lowest of them from the level below, where none does, and at that level from the
 * highest. A circuit that holds itself in reversal is held there at the highest level, or is brought
 * there. */
static sag_status look(sag_steady *steady, const double *level_vpk, const double *starts,
                       size_t top, const sag_steady_point *points, int *depends)
{
    size_t n = steady->states, i = top;
    sag_steady_point again[2];
    unsigned char arrived[2];
    while (i > 0 && (points[i - 1].status != SAG_OK || points[i - 1].reverses)) {
        i--;
    }
    if (i > 0 && points[i].status == SAG_OK) {
        const sag_steady_probe probes[2] = {
            {level_vpk[i], level_vpk[i - 1], starts + (i - 1) * n, starts + i * n},
            {level_vpk[i - 1], level_vpk[top], starts + top * n, starts + (i - 1) * n}};
        size_t lanes = steady->kind->lanes < 2 ? steady->kind->lanes : 2;
        for (size_t k = 0; k < 2 && !*depends; k += lanes) {
            TRY(sag_steady_from(steady, probes + k, lanes, again + k, arrived + k));
            for (size_t lane = k; lane < k + lanes; lane++) {
                *depends |= !arrived[lane] && differ(&again[lane], &points[i - lane]);
            }
        }
        return SAG_OK;
    }
    i = top;
    /* None below: from clear of onset. */
    double below_vpk = CLEAR_SHARE * steady->onset_vpk;
    sag_steady_point below;
    steady->last_level_vpk = 0;
    TRY(sag_steady_next(steady, below_vpk, &below, NULL));
    steady->last_has_own = 0;
    TRY(sag_steady_next(steady, level_vpk[i], &again[0], NULL));
    *depends = differ(&again[0], &points[i]);
    if (!*depends) {
        sag_steady_probe down = {below_vpk, level_vpk[i], starts + i * n, NULL};
        TRY(sag_steady_from(steady, &down, 1, again, arrived));
        *depends = differ(&again[0], &below);
    }
    return SAG_OK;
}

sag_status sag_steady_branches(sag_steady *steady, const double *level_vpk, size_t level_count,
                               const double *starts, sag_steady_point *points,
                               sag_opamp_swing *swings)
{
    int depends = 0;
    size_t top = level_count;
    for (size_t i = 0; i < level_count; i++) {
        if (points[i].status == SAG_NOT_CONVERGED && steady->prepared) {
            top = i; /* short steps may find it */
            depends = 1;
        } else if (points[i].status == SAG_OK && points[i].reverses) {
            top = i;
        }
    }
    if (!depends && top < level_count) {
        TRY(look(steady, level_vpk, starts, top, points, &depends));
    }
    if (depends) {
        TRY(climb_and_come_down(steady, level_vpk, top, points, swings));
    }
    if (top < level_count) { /* the next solution does not start from where looking ended */
        steady->last_level_vpk = 0;
        steady->last_has_own = 0;
    }
    return SAG_OK;
}
