/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark_ida.c - a period of the library against a period of SUNDIALS IDA; run on purpose, never
 * by a test.
 *
 *     benchmark_ida [DESIGN.json]
 *
 * Twelve points, each on its periodic orbit. The library takes the steps it would take for the
 * point, one level alone and four levels in lockstep (the time is then a quarter). IDA integrates
 * the same circuit's full nodal equations (second_model.h) with a dense analytic Jacobian; its
 * start-up, a period from the orbit's start, is left out. Both give 16 outputs a period. IDA's
 * tolerance is the loosest of 1e-3, 1e-4, ... (of the output's fundamental, for every unknown)
 * whose waveform is no further from the exact one than the library's; exact is IDA at 1e-8 V. One
 * core. */
#include "railsag.h"
#include "second_run.h"
#include "steady_private.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define OUTPUTS         16
#define LEAST_SECONDS   0.05 /* each time is the least of as many runs as fit into it */
#define LEAST_RUNS      7
#define EXACT           1e-8 /* IDA's tolerance for the exact waveform, V for a level of 1 V or more */
#define LEAST_TOLERANCE 1e-9

static const struct {
    double supply_v, level_dbv, frequency_hz;
} points[] = {
    {18, -10, 100}, {18, 5, 40}, {18, 10, 2000}, {9, -20, 1000}, {9, 0, 62},    {9, 5, 400},
    {9, 0, 5000},   {7, 0, 40},  {7, 10, 1000},  {5, -20, 400},  {5, 0, 10000}, {3, -10, 100},
};

static double seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void print_report(const sag_report *report)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        fprintf(stderr, "%s\n", sag_report_get(report, i)->text);
    }
}

/* One circuit for both. */
typedef struct {
    sag_network *network;
    sag_bias *bias;
    second_model *model;
    second_run *run;
} pair;

static void pair_close(pair *p)
{
    second_run_free(p->run);
    second_model_free(p->model);
    sag_bias_free(p->bias);
    sag_network_free(p->network);
}

static sag_status pair_open(pair *p, const sag_design *design, double supply_v, sag_report *report)
{
    sag_conditions conditions = sag_conditions_defaults(design);
    conditions.supply_v = supply_v;
    memset(p, 0, sizeof *p);
    TRY(sag_network_new(design, &conditions, &p->network, report));
    TRY(sag_bias_new(p->network, &p->bias, report));
    TRY(second_model_new(design, &conditions, &p->model));
    return second_run_new(p->model, &p->run);
}

typedef struct {
    double second; /* a period takes */
    double wave_v[OUTPUTS];
    int steps;
} timing;

/* The library's stepper, alone or in lanes, on the orbits of the level and of those 1, 2 and 3 dB
 * below it. */
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
                              const double *tolerance_v, timing *t)
{
    unsigned char active[SAG_MOST_LANES] = {1, 1, 1, 1};
    double begun = seconds();
    t->second = (double)INFINITY;
    t->steps = steps;
    for (int i = 0; i < LEAST_RUNS || seconds() - begun < LEAST_SECONDS; i++) {
        double from = seconds();
        e->kind->run(e->stepper, &e->map, e->finer, refine, e, (size_t)steps, level_vpk, active,
                     starts, tolerance_v, 0);
        t->second = fmin(t->second, (seconds() - from) / (double)e->kind->lanes);
    }
    for (size_t i = 0; i < OUTPUTS; i++) {
        size_t at = (i + 1) * (size_t)steps / OUTPUTS - 1;
        t->wave_v[i] = e->period.output[at * e->kind->lanes];
    }
    for (size_t lane = 0; lane < e->kind->lanes; lane++) {
        TRY(e->period.failed[lane] ? SAG_NOT_CONVERGED : SAG_OK);
    }
    return SAG_OK;
}

/* One level alone, and four in lanes; the waveform is that of the level itself in both. */
static sag_status time_library(const pair *p, double frequency_hz, double level_vpk, timing *alone,
                               timing *lanes)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady = NULL;
    engine one = {0}, four = {0};
    double level[SAG_MOST_LANES], tolerance_v[SAG_MOST_LANES] = {0}, *starts = NULL;
    size_t states = p->network->state_count + p->network->opamp_count;
    int steps = 0;
    sag_status status = sag_steady_new(p->bias, &settings, &steady);
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
        status = engine_open(&one, &sag_stepper_1, p->bias, step_s);
    }
    if (status == SAG_OK) {
        status = engine_open(&four, sag_stepper_best(), p->bias, step_s);
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

static sag_status time_ida(second_run *run, double error_v, timing *t)
{
    double begun = seconds();
    t->second = (double)INFINITY;
    for (int i = 0; i < LEAST_RUNS || seconds() - begun < LEAST_SECONDS; i++) {
        TRY(second_run_begin(run, error_v));
        long before = second_run_steps(run);
        double from = seconds();
        TRY(second_run_period(run, OUTPUTS, t->wave_v));
        t->second = fmin(t->second, seconds() - from);
        t->steps = (int)(second_run_steps(run) - before);
    }
    return SAG_OK;
}

/* The largest distance of two waveforms over the fundamental. */
static double distance(const timing *a, const timing *b, double fundamental_v)
{
    double largest = 0;
    for (size_t i = 0; i < OUTPUTS; i++) {
        largest = fmax(largest, fabs(a->wave_v[i] - b->wave_v[i]));
    }
    return largest / fundamental_v;
}

/* One line; adds the logarithms of the two ratios. */
static sag_status compare(const sag_design *design, size_t index, double sum[2], sag_report *report)
{
    double level_vpk = sag_level_peak(points[index].level_dbv), f = points[index].frequency_hz;
    pair p;
    timing alone = {0}, lanes = {0}, exact = {0}, ida = {0};
    second_figures figures = {0};
    sag_status status = pair_open(&p, design, points[index].supply_v, report);
    if (status == SAG_OK) {
        status = time_library(&p, f, level_vpk, &alone, &lanes);
    }
    double scale_v = fmin(level_vpk, 1);
    if (status == SAG_OK) {
        status =
            second_run_orbit(p.run, f, level_vpk, EXACT * scale_v, 1e-6 * scale_v, 40, &figures);
    }
    double fundamental_v = figures.harmonic_vpk[1];
    if (status == SAG_OK) {
        status = time_ida(p.run, EXACT * scale_v, &exact);
    }
    double tolerance = 1e-3, error = (double)INFINITY, ours = 0;
    if (status == SAG_OK) {
        ours = distance(&alone, &exact, fundamental_v);
        for (; tolerance > LEAST_TOLERANCE; tolerance /= 10) {
            if (time_ida(p.run, tolerance * fundamental_v, &ida) == SAG_OK) {
                error = distance(&ida, &exact, fundamental_v);
                if (error <= ours) {
                    break;
                }
            }
        }
        status = error <= ours ? SAG_OK : SAG_NOT_CONVERGED;
    }
    printf("%4g V %4g dBV %6g Hz  ", points[index].supply_v, points[index].level_dbv, f);
    if (status == SAG_OK) {
        double ratio[2] = {ida.second / alone.second, ida.second / lanes.second};
        printf("%4d %8.1e %8.1f %8.1f   %.0e %5d %8.1e %8.1f   %6.1f %6.1f\n", alone.steps, ours,
               1e6 * alone.second, 1e6 * lanes.second, tolerance, ida.steps, error,
               1e6 * ida.second, ratio[0], ratio[1]);
        sum[0] += log(ratio[0]);
        sum[1] += log(ratio[1]);
    } else {
        printf("%s\n", sag_status_text(status));
    }
    pair_close(&p);
    return status;
}

static sag_status open_design(const char *file, const sag_model_path *path, sag_design **design,
                              sag_report *report)
{
    char *text = NULL;
    size_t length;
    sag_status status = sag_json_load(file, &text, &length, report);
    if (status == SAG_OK) {
        status = sag_design_read(text, length, file, path, design, report);
    }
    sag_free(text);
    return status;
}

int main(int argc, char **argv)
{
    const char *file = argc > 1 ? argv[1] : RAILSAG_SOURCE_DIR "/examples/heron.json";
    const char *folders[] = {RAILSAG_SOURCE_DIR "/models"};
    sag_model_path path = {folders, 1};
    sag_report *report;
    gsl_set_error_handler_off();
    if (sag_report_new(&report) != SAG_OK) {
        return 1;
    }
    sag_design *design = NULL;
    int failed = open_design(file, &path, &design, report) != SAG_OK;
    double sum[2] = {0};
    size_t count = sizeof points / sizeof *points, compared = 0;
    if (!failed) {
        const char *name = strrchr(file, '/');
        printf("a period of %s: microseconds, largest error over the fundamental\n",
               name ? name + 1 : file);
        printf("%-24s %21s %8s %24s %17s\n", "", "library  error   one", "in lanes",
               "IDA: tolerance, error", "ratio one  lanes");
        for (size_t i = 0; i < count; i++) {
            compared += compare(design, i, sum, report) == SAG_OK;
        }
        double of = fmax((double)compared, 1);
        printf("geometric mean of %zu: %.1f one at a time, %.1f in lanes\n", compared,
               exp(sum[0] / of), exp(sum[1] / of));
    }
    print_report(report);
    sag_design_free(design);
    sag_report_free(report);
    return failed || compared < count;
}
