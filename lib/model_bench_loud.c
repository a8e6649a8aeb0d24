/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bench with large signals: edges, and the largest sines. */
#include "headroom.h"
#include "memory.h"
#include "model_bench_private.h"
#include "steady.h"
#include "stepper.h"

#include <math.h>
#include <string.h>

/* The step is as large as there is room for, up to this many linear ranges: a share of what the
 * follower can go to. */
#define MOST_RANGES 20
#define STEP_SHARE  0.8
/* The edge is timed between these shares of the step. Its last part is no longer slew but settles
 * over a linear range; of the first a second pole takes some. */
#define EDGE_FROM 0.2
#define EDGE_TO   0.6
/* How long the edge is watched: this many times what slewing over the step takes. */
#define WATCHED    2.0
#define EDGE_STEPS 1024

/* Of a follower's reach, what the sine for power bandwidth takes, and how many linear ranges at most
 * and at least. THD is 1 % at r times SR / (2 pi peak). Of an ideal limiter of the rate r is 1.060; of
 * tanh, for a peak of n linear ranges, the root of
 *     sqrt(sum over k = 3, 5, ... of (2/k q^k)^2) = 0.01 n,   q = r / (1 + sqrt(1 - r^2))
 * (Fourier series of atanh(r cos x), first order in the follower's error): 0.83 for 10, 0.90 for 17,
 * 0.98 for 40. Where there is no room for 17, slewing sets in softly, and SR / (2 pi peak) says little
 * of where it is heard. */
#define POWER_SHARE       0.97
#define POWER_MOST_RANGES 40
#define POWER_THD         0.01
#define MOST_OF_EXPECTED  4 /* times, or a part, of that frequency are looked at */
#define BISECTIONS        14
/* Where the headroom looks from, V peak. */
#define SOFT_VPK 1e-3

static sag_status refine(void *context, double a, sag_map *map)
{
    return sag_map_fill(context, a, map);
}

/* A follower that has rested at one input, from the moment at which its input is at another: what the
 * output does for duration_s, as deviations from where it comes to rest. The input's own step takes no
 * time. wave: EDGE_STEPS values. */
typedef struct {
    sag_map map, finer[SAG_SUBSTEP_DEPTH];
    sag_map_maker *maker;
    void *stepper;
    sag_period period;
    double *start;
} transient;

static void transient_clear(transient *t)
{
    sag_stepper_1.free(t->stepper);
    sag_map_maker_free(t->maker);
    sag_map_clear(&t->map);
    for (size_t i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        sag_map_clear(&t->finer[i]);
    }
    sag_free(t->start);
}

static sag_status transient_make(transient *t, const sag_bench_setup *after, double duration_s)
{
    const sag_network *network = after->network;
    sag_stepper_setup setup = {.devices = &after->bias->devices,
                               .rest_observed = after->bias->observed,
                               .rest_unknown = after->bias->unknown};
    memset(t, 0, sizeof *t);
    t->start = sag_new(network->state_count + network->opamp_count, sizeof *t->start);
    if (!t->start) {
        return SAG_NO_MEMORY;
    }
    TRY(sag_stepper_1.make(&setup, &t->stepper, &t->period));
    TRY(sag_map_maker_new(&after->bias->devices, &t->maker));
    for (size_t i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        TRY(sag_map_new(network, &t->finer[i]));
    }
    TRY(sag_map_new(network, &t->map));
    return sag_map_fill(t->maker, SAG_STEP_A(duration_s / EDGE_STEPS), &t->map);
}

static sag_status run_step(const sag_bench_setup *before, const sag_bench_setup *after,
                           double duration_s, double *wave)
{
    transient t;
    const sag_network *network = after->network;
    sag_status status = transient_make(&t, after, duration_s);
    if (status == SAG_OK) {
        const double level_vpk = 0, tolerance_v = 1e-9;
        const unsigned char active = 1;
        for (size_t i = 0; i < network->state_count; i++) {
            const sag_sparse *of = &network->states[i].of;
            t.start[i] = sag_sparse_dot(of, before->bias->x) - sag_sparse_dot(of, after->bias->x);
        }
        /* The gain nodes: nothing hangs on the output, so they are the EMFs behind it. */
        for (size_t k = 0; k < network->opamp_count; k++) {
            t.start[network->state_count + k] = before->bias->unknown[k] - after->bias->unknown[k];
        }
        sag_run how = {.map = &t.map,
                       .finer = t.finer,
                       .refine = refine,
                       .refine_context = t.maker,
                       .steps = EDGE_STEPS,
                       .flip_halvings = SAG_SUBSTEP_DEPTH,
                       .level_vpk = &level_vpk,
                       .tolerance_v = &tolerance_v,
                       .active = &active,
                       .start = t.start};
        sag_stepper_1.run(t.stepper, &how);
        memcpy(wave, t.period.output, EDGE_STEPS * sizeof *wave);
        status = t.period.failed[0] ? SAG_NOT_CONVERGED : SAG_OK;
    }
    transient_clear(&t);
    return status;
}

/* The time, in steps, at which the wave first passes a level, straight between samples; NAN: never. */
static double passes(const double *wave, double from, double level)
{
    double before = from;
    for (size_t n = 0; n < EDGE_STEPS; n++) {
        if ((wave[n] - level) * (from - level) <= 0) {
            return (double)n + (level - before) / (wave[n] - before);
        }
        before = wave[n];
    }
    return (double)NAN;
}

static sag_status time_edge(sag_model_bench *bench, double supply_v, double from_v, double to_v,
                            double duration_s, double *slew)
{
    double wave[EDGE_STEPS];
    sag_bench_setup before, after;
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &(sag_bench_wiring){.input_v = from_v},
                       &before));
    sag_status status = sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v,
                                       &(sag_bench_wiring){.input_v = to_v}, &after);
    if (status == SAG_OK) {
        status = run_step(&before, &after, duration_s, wave);
    }
    double step_v = to_v - from_v; /* the wave goes from -step_v to 0 */
    double took = status == SAG_OK ? passes(wave, -step_v, (EDGE_TO - 1) * step_v) -
                                         passes(wave, -step_v, (EDGE_FROM - 1) * step_v)
                                   : (double)NAN;
    *slew = (EDGE_TO - EDGE_FROM) * fabs(step_v) / (took * duration_s / EDGE_STEPS);
    sag_bench_clear(&before);
    sag_bench_clear(&after);
    return status;
}

/* What a follower's large signals have to do with at a supply. */
typedef struct {
    sag_bench_span span;
    double range_v, slew; /* linear range, slower slew rate */
} loud_room;

static sag_status find_room(sag_model_bench *bench, double supply_v, loud_room *room)
{
    sag_bench_setup setup;
    TRY(sag_bench_follows(bench, supply_v, 0, &room->span));
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &(sag_bench_wiring){0}, &setup));
    room->range_v = sag_bench_range_v(&setup);
    room->slew = sag_bench_slew(&setup);
    sag_bench_clear(&setup);
    return SAG_OK;
}

sag_status sag_bench_slew_rate(sag_model_bench *bench, int rise, double supply_v, double *slew)
{
    loud_room room;
    *slew = (double)NAN;
    TRY(find_room(bench, supply_v, &room));
    double reach_v = room.span.high_v - room.span.low_v;
    if (!(reach_v > SAG_BENCH_STEP_RANGES * room.range_v)) {
        return SAG_OK;
    }
    double step_v = fmax(fmin(STEP_SHARE * reach_v, MOST_RANGES * room.range_v),
                         SAG_BENCH_STEP_RANGES * room.range_v);
    double centre_v = (room.span.low_v + room.span.high_v) / 2;
    double half_v = rise ? step_v / 2 : -step_v / 2;
    return time_edge(bench, supply_v, centre_v - half_v, centre_v + half_v,
                     WATCHED * step_v / room.slew, slew);
}

/* THD of a follower at a frequency and level. */
static sag_status thd_at(sag_steady *steady, double hz, double level_vpk, double *thd)
{
    sag_steady_point point;
    TRY(sag_steady_frequency(steady, hz));
    TRY(sag_steady_solve(steady, &level_vpk, 1, &point, NULL));
    *thd = point.thd;
    return point.status;
}

sag_status sag_bench_power_bandwidth(sag_model_bench *bench, double supply_v, double *hz,
                                     double *level_vpk, double *ranges)
{
    loud_room room;
    sag_bench_setup setup;
    sag_steady *steady = NULL;
    *hz = (double)NAN;
    TRY(find_room(bench, supply_v, &room));
    *level_vpk = fmin(POWER_SHARE * (room.span.high_v - room.span.low_v) / 2,
                      POWER_MOST_RANGES * room.range_v);
    *ranges = 0;
    if (!(*level_vpk > 0)) { /* the output cannot be moved at all */
        *level_vpk = (double)NAN;
        return SAG_OK;
    }
    sag_bench_wiring wiring = {.input_v = (room.span.low_v + room.span.high_v) / 2};
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &wiring, &setup));
    sag_steady_settings settings = sag_steady_defaults();
    settings.unjudged = 1;
    sag_status status = sag_steady_new(setup.bias, &settings, &steady);
    *ranges = *level_vpk / room.range_v;
    double expected_hz = room.slew / (2 * M_PI * *level_vpk);
    double low = log(expected_hz / MOST_OF_EXPECTED), high = log(expected_hz * MOST_OF_EXPECTED);
    for (int i = 0; i < BISECTIONS && status == SAG_OK; i++) {
        double thd = 0;
        *hz = exp((low + high) / 2);
        status = thd_at(steady, *hz, *level_vpk, &thd);
        *(thd < POWER_THD ? &low : &high) = log(*hz);
    }
    if (*hz > MOST_OF_EXPECTED * 0.99 * expected_hz ||
        *hz < expected_hz / MOST_OF_EXPECTED / 0.99) {
        *hz = (double)NAN; /* at an end of what was looked at */
    }
    sag_steady_free(steady);
    sag_bench_clear(&setup);
    return status;
}

sag_status sag_model_bench_power(sag_model_bench *bench, double supply_v, double load_ohm,
                                 double frequency_hz, double thd_limit, double *peak_v)
{
    /* The inverter's own feedback resistor is part of the load. */
    const double feedback_ohm = 10e3;
    sag_bench_wiring wiring = {.load_siemens = fmax(1 / load_ohm - 1 / feedback_ohm, 0)};
    sag_bench_setup setup;
    TRY(sag_bench_wire(bench, SAG_BENCH_INVERTER, supply_v, &wiring, &setup));
    const sag_bias *bias = setup.bias;
    sag_headroom *headroom = NULL;
    sag_headroom_request request = {.frequency_hz = &frequency_hz,
                                    .frequency_count = 1,
                                    .thd_limit = thd_limit,
                                    .soft_vpk = SOFT_VPK,
                                    .steady = sag_steady_defaults(),
                                    .threads = 1};
    sag_status status = sag_headroom_compute(&bias, 1, &request, &headroom, NULL);
    *peak_v = status == SAG_OK ? headroom->points[0].max_output_vpk : (double)NAN;
    sag_headroom_free(headroom);
    sag_bench_clear(&setup);
    return status;
}
