/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A period of the library against a period of SUNDIALS IDA.
 *
 * Twelve points, each on its periodic orbit. The library takes the steps it would take for the
 * point, one level alone and four levels in lockstep (the time is then a quarter). IDA integrates
 * the same circuit's full nodal equations (second_model.h) with a dense analytic Jacobian; its
 * start-up, a period from the orbit's start, is left out. Both give 16 outputs a period. IDA's
 * tolerance is the loosest of 1e-3, 1e-4, ... (of the output's fundamental, for every unknown)
 * whose waveform is no further from the exact one than the library's; exact is IDA at 1e-8 V. One
 * core. */
#include "benchmark.h"
#include "benchmark_engine.h"

#include "railsag.h"
#include "second_run.h"

#include <math.h>

#define EXACT           1e-8 /* IDA's tolerance for the exact waveform, V for a level of 1 V or more */
#define LEAST_TOLERANCE 1e-9

static const struct {
    double supply_v, level_dbv, frequency_hz;
} points[] = {
    {18, -10, 100}, {18, 5, 40}, {18, 10, 2000}, {9, -20, 1000}, {9, 0, 62},    {9, 5, 400},
    {9, 0, 5000},   {7, 0, 40},  {7, 10, 1000},  {5, -20, 400},  {5, 0, 10000}, {3, -10, 100},
};

static sag_status time_ida(second_run *run, double error_v, bench_timing *t)
{
    double begun = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
    t->second = (double)INFINITY;
    for (int i = 0; i < BENCH_LEAST_RUNS ||
                    bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - begun < BENCH_LEAST_SECONDS;
         i++) {
        TRY(second_run_begin(run, error_v));
        long before = second_run_steps(run);
        double from = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
        TRY(second_run_period(run, BENCH_OUTPUTS, t->wave_v));
        t->second = fmin(t->second, bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - from);
        t->steps = (int)(second_run_steps(run) - before);
    }
    return SAG_OK;
}

/* The largest distance of two waveforms over the fundamental. */
static double distance(const bench_timing *a, const bench_timing *b, double fundamental_v)
{
    double largest = 0;
    for (size_t i = 0; i < BENCH_OUTPUTS; i++) {
        largest = fmax(largest, fabs(a->wave_v[i] - b->wave_v[i]));
    }
    return largest / fundamental_v;
}

/* IDA at the loosest tolerance that is no worse than `ours`. */
static sag_status time_equal(second_run *run, double ours, const bench_timing *exact,
                             double fundamental_v, bench_timing *ida, double *tolerance,
                             double *error)
{
    for (*tolerance = 1e-3; *tolerance > LEAST_TOLERANCE; *tolerance /= 10) {
        if (time_ida(run, *tolerance * fundamental_v, ida) == SAG_OK) {
            *error = distance(ida, exact, fundamental_v);
            if (*error <= ours) {
                return SAG_OK;
            }
        }
    }
    return SAG_NOT_CONVERGED;
}

/* One point; adds the logarithms of the two ratios. */
static sag_status compare(const bench *b, const bench_design *d, second_run *run, size_t index,
                          double sum[2])
{
    double level_vpk = sag_level_peak(points[index].level_dbv), f = points[index].frequency_hz;
    double scale_v = fmin(level_vpk, 1), tolerance, error;
    bench_timing alone, lanes, exact, ida;
    second_figures figures;
    TRY(bench_time_period(d->bias[0], f, level_vpk, &alone, &lanes));
    TRY(second_run_orbit(run, f, level_vpk, EXACT * scale_v, 1e-6 * scale_v, 40, &figures));
    TRY(time_ida(run, EXACT * scale_v, &exact));
    double fundamental_v = figures.harmonic_vpk[1], ours = distance(&alone, &exact, fundamental_v);
    TRY(time_equal(run, ours, &exact, fundamental_v, &ida, &tolerance, &error));
    double ratio[2] = {ida.second / alone.second, ida.second / lanes.second};
    sum[0] += log(ratio[0]);
    sum[1] += log(ratio[1]);
    if (b->details) {
        fprintf(b->details,
                "  %4g V %4g dBV %6g Hz  %4d %8.1e %8.1f %8.1f   %.0e %5d %8.1e %8.1f   %6.1f "
                "%6.1f\n",
                points[index].supply_v, points[index].level_dbv, f, alone.steps, ours,
                1e6 * alone.second, 1e6 * lanes.second, tolerance, ida.steps, error,
                1e6 * ida.second, ratio[0], ratio[1]);
    }
    return SAG_OK;
}

static sag_status compare_at(const bench *b, size_t index, double sum[2])
{
    bench_design d;
    second_model *model = NULL;
    second_run *run = NULL;
    sag_status status = bench_open_file(&d, b->design, &points[index].supply_v, 1);
    if (status == SAG_OK) {
        sag_conditions conditions = sag_conditions_defaults(d.design);
        conditions.supply_v = points[index].supply_v;
        status = second_model_new(d.design, &conditions, &model);
    }
    if (status == SAG_OK) {
        status = second_run_new(model, &run);
    }
    if (status == SAG_OK) {
        status = compare(b, &d, run, index, sum);
    }
    second_run_free(run);
    second_model_free(model);
    bench_close(&d);
    return status;
}

void bench_ida(bench *b)
{
    const size_t count = sizeof points / sizeof *points;
    double sum[2] = {0};
    int failed = 0;
    if (b->details) {
        fprintf(b->details,
                "a period of %s: microseconds, largest error over the fundamental\n"
                "  %-24s %21s %8s %24s %17s\n",
                bench_base_name(b->design), "", "library  error   one", "in lanes",
                "IDA: tolerance, error", "ratio one  lanes");
    }
    for (size_t i = 0; i < count; i++) {
        sag_status status = compare_at(b, i, sum);
        if (status != SAG_OK) {
            fprintf(stderr, "%g V %g dBV %g Hz: %s\n", points[i].supply_v, points[i].level_dbv,
                    points[i].frequency_hz, sag_status_text(status));
            failed = 1;
        }
    }
    b->failed |= failed;
    if (!failed) {
        b->figure[BENCH_IDA] = exp(sum[0] / (double)count);
        b->figure[BENCH_IDA_LANES] = exp(sum[1] / (double)count);
    }
}
