/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The levels map: 5 supplies (18, 9, 7, 5, 3 V) x 8 levels (-40 to +15 dBV) x 61 frequencies = 2440
 * periodic solutions; and a time step of it over one of the linear recursion of the same circuit. */
#include "benchmark.h"
#include "benchmark_recursion.h"

#include "railsag.h"

#include <math.h>
#include <string.h>

#define FREQUENCIES 61
/* The small map, for counting instructions. */
#define COUNT_FREQUENCIES 6
/* Shared machines wander: a time is the least of so many. */
#define RUNS 3

static const double levels_dbv[] = {-40, -30, -20, -10, 0, 5, 10, 15};
#define LEVELS (sizeof levels_dbv / sizeof levels_dbv[0])

typedef struct {
    double wall_s, processor_s;
    long points, failed, limited;
    sag_steady_effort effort;
} map_run;

static void add_up(const sag_levels *map, map_run *run)
{
    for (size_t i = 0; i < map->level_count * map->frequency_count; i++) {
        run->points++;
        run->failed += map->points[i].status != SAG_OK;
        run->limited += map->points[i].limited_by.opamp >= 0;
    }
    for (size_t f = 0; f < map->frequency_count; f++) {
        run->effort.sweeps += map->effort[f].sweeps;
        run->effort.steps += map->effort[f].steps;
    }
}

/* One line a point, with digits enough to compare two versions of the program. */
static int write_points(const char *file, const bench_design *d, sag_levels *const *maps,
                        const double *frequency_hz)
{
    FILE *f = fopen(file, "w");
    if (!f) {
        return 0;
    }
    fprintf(f, "supply_v,level_dbv,frequency_hz,gain_db,thd_f_percent\n");
    for (size_t m = 0; m < d->count; m++) {
        size_t count = maps[m]->frequency_count;
        for (size_t i = 0; i < LEVELS * count; i++) {
            const sag_steady_point *point = &maps[m]->points[i];
            fprintf(f, "%g,%g,%.5f,%.9f,%.9f\n", bench_supplies_v[m], levels_dbv[i / count],
                    frequency_hz[i % count], point->gain_db, 100 * point->thd);
        }
    }
    return fclose(f) == 0;
}

static sag_status run_map(const bench_design *d, size_t frequencies, int threads,
                          const char *points_file, map_run *run)
{
    double frequency_hz[FREQUENCIES], level_vpk[LEVELS];
    bench_frequencies(frequency_hz, frequencies);
    for (size_t i = 0; i < LEVELS; i++) {
        level_vpk[i] = sag_level_peak(levels_dbv[i]);
    }
    sag_levels_request request = {.frequency_hz = frequency_hz,
                                  .frequency_count = frequencies,
                                  .level_vpk = level_vpk,
                                  .level_count = LEVELS,
                                  .steady = sag_steady_defaults(),
                                  .threads = threads};
    sag_levels *maps[BENCH_SUPPLIES] = {0};
    double wall = bench_seconds(CLOCK_MONOTONIC),
           processor = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
    memset(run, 0, sizeof *run);
    TRY(sag_levels_compute((const sag_bias *const *)d->bias, d->count, &request, maps, NULL));
    run->wall_s = bench_seconds(CLOCK_MONOTONIC) - wall;
    run->processor_s = bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - processor;
    int written = !points_file || write_points(points_file, d, maps, frequency_hz);
    for (size_t m = 0; m < d->count; m++) {
        add_up(maps[m], run);
        sag_levels_free(maps[m]);
    }
    return written ? SAG_OK : SAG_BAD_ARGUMENT;
}

static void print_run(FILE *to, const char *label, const map_run *run)
{
    double n = (double)run->points;
    fprintf(to, "  %-9s %6ld points  %7.3f s  processor %7.3f s, %6.3f ms a point\n", label,
            run->points, run->wall_s, run->processor_s, 1e3 * run->processor_s / n);
    fprintf(to, "  %-9s %6ld failed  %ld limited  %.2f sweeps, %.0f steps a point\n", "",
            run->failed, run->limited, (double)run->effort.sweeps / n,
            (double)run->effort.steps / n);
}

void bench_map(bench *b)
{
    bench_design d;
    map_run one, best = {.wall_s = (double)INFINITY};
    sag_status status = bench_open_file(&d, b->design, bench_supplies_v, BENCH_SUPPLIES);
    if (status == SAG_OK) {
        status = run_map(&d, FREQUENCIES, 1, b->points_file, &one);
    }
    for (int i = 0; i < RUNS && status == SAG_OK; i++) {
        map_run run;
        status = run_map(&d, FREQUENCIES, 2, NULL, &run);
        best = status == SAG_OK && run.wall_s < best.wall_s ? run : best;
    }
    b->failed |= status != SAG_OK;
    if (status == SAG_OK) {
        /* the network's states and a gain node an op-amp */
        size_t states =
            sag_network_state_count(d.network[0]) + sag_network_opamp_count(d.network[0]);
        double step_s = one.processor_s / (double)one.effort.steps;
        double recursion_s = bench_recursion_step(states);
        b->figure[BENCH_MAP] = best.wall_s;
        b->figure[BENCH_FAILED] = (double)one.failed;
        b->figure[BENCH_RECURSION] = step_s / recursion_s;
        if (b->details) {
            fprintf(b->details, "levels map of %s, %zu supplies\n", bench_base_name(b->design),
                    d.count);
            print_run(b->details, "1 thread", &one);
            print_run(b->details, "2 threads", &best);
            fprintf(
                b->details,
                "  a step of one level: %.0f ns, of the linear recursion of %zu states: %.1f ns\n",
                1e9 * step_s, states, 1e9 * recursion_s);
        }
    }
    bench_close(&d);
}

int bench_count(const bench *b)
{
    bench_design d;
    map_run run;
    sag_status status = bench_open_file(&d, b->design, bench_supplies_v, BENCH_SUPPLIES);
    if (status == SAG_OK) {
        status = run_map(&d, COUNT_FREQUENCIES, 1, b->points_file, &run);
    }
    if (status == SAG_OK) {
        printf("%ld points, %ld failed, %lld sweeps, %lld steps\n", run.points, run.failed,
               run.effort.sweeps, run.effort.steps);
    }
    bench_close(&d);
    return status == SAG_OK;
}
