/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "benchmark_engine.h"

#include "benchmark.h"
#include "memory.h"
#include "steady_private.h"

#include <math.h>
#include <string.h>

typedef struct {
    const sag_stepper_kind *kind;
    void *stepper;
    sag_period period;
    sag_map_maker *maker;
    sag_map map, finer[SAG_SUBSTEP_DEPTH];
} engine;

static void engine_close(engine *e)
{
    if (e->stepper) {
        e->kind->free(e->stepper);
    }
    sag_map_maker_free(e->maker);
    sag_map_clear(&e->map);
    for (int i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        sag_map_clear(&e->finer[i]);
    }
}

static sag_status engine_open(engine *e, const sag_stepper_kind *kind, const sag_bias *bias,
                              double step_s)
{
    memset(e, 0, sizeof *e);
    e->kind = kind;
    sag_stepper_setup setup = {
        .devices = &bias->devices, .rest_observed = bias->observed, .rest_unknown = bias->unknown};
    TRY(kind->make(&setup, &e->stepper, &e->period));
    TRY(sag_map_maker_new(&bias->devices, &e->maker));
    TRY(sag_map_new(bias->network, &e->map));
    for (int i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        TRY(sag_map_new(bias->network, &e->finer[i]));
        e->finer[i].a = (double)NAN;
    }
    return sag_map_fill(e->maker, SAG_STEP_A(step_s), &e->map);
}

static sag_status refine(void *context, double a, sag_map *map)
{
    return sag_map_fill(((engine *)context)->maker, a, map);
}

/* starts: [state][lane] */
static sag_status time_engine(engine *e, int steps, const double *level_vpk, const double *starts,
                              const double *tolerance_v, bench_timing *t)
{
    unsigned char active[SAG_MOST_LANES] = {1, 1, 1, 1};
    sag_run how = {.map = &e->map,
                   .finer = e->finer,
                   .refine = refine,
                   .refine_context = e,
                   .steps = (size_t)steps,
                   .flip_halvings = SAG_SUBSTEP_DEPTH,
                   .level_vpk = level_vpk,
                   .tolerance_v = tolerance_v,
                   .active = active,
                   .start = starts};
    double begun = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
    t->second = (double)INFINITY;
    t->steps = steps;
    for (int i = 0; i < BENCH_LEAST_RUNS ||
                    bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - begun < BENCH_LEAST_SECONDS;
         i++) {
        double from = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
        e->kind->run(e->stepper, &how);
        double took = bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - from;
        t->second = fmin(t->second, took / (double)e->kind->lanes);
    }
    for (size_t i = 0; i < BENCH_OUTPUTS; i++) {
        size_t at = (i + 1) * (size_t)steps / BENCH_OUTPUTS - 1;
        t->wave_v[i] = e->period.output[at * e->kind->lanes];
    }
    for (size_t lane = 0; lane < e->kind->lanes; lane++) {
        TRY(e->period.failed[lane] ? SAG_NOT_CONVERGED : SAG_OK);
    }
    return SAG_OK;
}

sag_status bench_time_period(const sag_bias *bias, double frequency_hz, double level_vpk,
                             bench_timing *alone, bench_timing *lanes)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady = NULL;
    engine one = {0}, four = {0};
    double level[SAG_MOST_LANES], tolerance_v[SAG_MOST_LANES] = {0}, *starts = NULL;
    size_t states = bias->network->state_count + bias->network->opamp_count;
    int steps = 0;
    settings.unjudged = 1;
    sag_status status = sag_steady_new(bias, &settings, &steady);
    if (status == SAG_OK) {
        starts = sag_new((SAG_MOST_LANES + 1) * states, sizeof *starts);
        status = starts ? sag_steady_frequency(steady, frequency_hz) : SAG_NO_MEMORY;
    }
    for (size_t lane = SAG_MOST_LANES; lane-- > 0 && status == SAG_OK;) {
        sag_steady_point point = {0};
        level[lane] = level_vpk * pow(10, -(double)lane / 20);
        status = sag_steady_solve(steady, &level[lane], 1, &point, NULL);
        status = status == SAG_OK ? point.status : status;
        steps = point.steps; /* in the end those of the level itself */
        /* the tolerance that sag_steady_solve steps with, see steady_shoot.c */
        tolerance_v[lane] = 1e-9 + 1e-8 * fmin(level[lane], steady->onset_vpk);
        for (size_t i = 0; i < states; i++) {
            starts[i * SAG_MOST_LANES + lane] = steady->last_start[i];
        }
    }
    for (size_t i = 0; i < states && status == SAG_OK; i++) {
        starts[SAG_MOST_LANES * states + i] = starts[i * SAG_MOST_LANES];
    }
    double step_s = 1 / (frequency_hz * fmax(steps, 1));
    if (status == SAG_OK) {
        status = engine_open(&one, &sag_stepper_1, bias, step_s);
    }
    if (status == SAG_OK) {
        status = engine_open(&four, sag_stepper_best(), bias, step_s);
    }
    if (status == SAG_OK) {
        status =
            time_engine(&one, steps, level, starts + SAG_MOST_LANES * states, tolerance_v, alone);
    }
    if (status == SAG_OK) {
        status = time_engine(&four, steps, level, starts, tolerance_v, lanes);
    }
    engine_close(&one);
    engine_close(&four);
    sag_free(starts);
    sag_steady_free(steady);
    return status;
}
