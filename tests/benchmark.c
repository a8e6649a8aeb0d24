/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark.c - times the levels map of a design; run on purpose, never by a test.
 *
 *     benchmark [DESIGN.json]
 *
 * The map: 5 supplies (18, 9, 7, 5, 3 V) x 8 levels (-40 to +15 dBV) x 61 frequencies = 2440
 * periodic solutions. Prints processor time on one thread, wall time on two, and what the points
 * took. */
#include "railsag.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define FREQUENCIES 61

static const double supplies_v[] = {18, 9, 7, 5, 3};
static const double levels_dbv[] = {-40, -30, -20, -10, 0, 5, 10, 15};
#define SUPPLIES (sizeof supplies_v / sizeof supplies_v[0])
#define LEVELS   (sizeof levels_dbv / sizeof levels_dbv[0])

static double seconds(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void print_report(const sag_report *report)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        fprintf(stderr, "%s\n", sag_report_get(report, i)->text);
    }
}

typedef struct {
    sag_design *design;
    sag_network *network[SUPPLIES];
    sag_bias *bias[SUPPLIES];
    size_t count;
} bench;

static int open_design(bench *b, const char *file, const sag_model_path *path, sag_report *report)
{
    char *text = NULL;
    size_t length;
    sag_status status = sag_json_load(file, &text, &length, report);
    if (status == SAG_OK) {
        status = sag_design_read(text, length, file, path, &b->design, report);
    }
    sag_free(text);
    for (size_t i = 0; status == SAG_OK && i < SUPPLIES; i++) {
        sag_conditions conditions = sag_conditions_defaults(b->design);
        conditions.supply_v = supplies_v[i];
        if (sag_network_new(b->design, &conditions, &b->network[b->count], report) == SAG_OK) {
            if (sag_bias_new(b->network[b->count], &b->bias[b->count], report) == SAG_OK) {
                b->count++;
            } else {
                sag_network_free(b->network[b->count]);
            }
        }
    }
    return status == SAG_OK && b->count > 0;
}

static void close_design(bench *b)
{
    for (size_t i = 0; i < b->count; i++) {
        sag_bias_free(b->bias[i]);
        sag_network_free(b->network[i]);
    }
    sag_design_free(b->design);
}

/* One map; prints its line when label is given. Returns the number of failed points, -1 when it
 * could not be run. */
static long run_map(const bench *b, int threads, const char *label)
{
    double frequency_hz[FREQUENCIES], level_vpk[LEVELS];
    for (int i = 0; i < FREQUENCIES; i++) {
        frequency_hz[i] = 20 * pow(1000, i / (FREQUENCIES - 1.0));
    }
    for (size_t i = 0; i < LEVELS; i++) {
        level_vpk[i] = sag_level_peak(levels_dbv[i]);
    }
    sag_levels_request request = {.frequency_hz = frequency_hz,
                                  .frequency_count = FREQUENCIES,
                                  .level_vpk = level_vpk,
                                  .level_count = LEVELS,
                                  .steady = sag_steady_defaults(),
                                  .threads = threads};
    sag_levels *maps[SUPPLIES] = {0};
    double wall = seconds(CLOCK_MONOTONIC), processor = seconds(CLOCK_PROCESS_CPUTIME_ID);
    if (sag_levels_compute((const sag_bias *const *)b->bias, b->count, &request, maps, NULL) !=
        SAG_OK) {
        return -1;
    }
    wall = seconds(CLOCK_MONOTONIC) - wall;
    processor = seconds(CLOCK_PROCESS_CPUTIME_ID) - processor;
    size_t points = LEVELS * FREQUENCIES * b->count;
    long failed = 0, clipped = 0, sweeps = 0, steps = 0;
    for (size_t m = 0; m < b->count; m++) {
        for (size_t i = 0; i < LEVELS * FREQUENCIES; i++) {
            const sag_steady_point *point = &maps[m]->points[i];
            failed += point->status != SAG_OK;
            clipped += point->limited_by.opamp >= 0;
            sweeps += point->sweeps;
            steps += point->steps_taken;
        }
        sag_levels_free(maps[m]);
    }
    if (label) {
        double n = (double)points;
        printf("%-10s %6zu points  %7.3f s wall  %7.3f s processor  %6.3f ms a point\n", label,
               points, wall, processor, 1e3 * processor / n);
        printf("%-10s %6ld failed  %6ld limited  %5.2f sweeps a point  %6.0f steps a point\n", "",
               failed, clipped, (double)sweeps / n, (double)steps / n);
    }
    return failed;
}

int main(int argc, char **argv)
{
    const char *file = argc > 1 ? argv[1] : RAILSAG_SOURCE_DIR "/examples/heron.json";
    const char *folders[] = {RAILSAG_SOURCE_DIR "/models"};
    sag_model_path path = {folders, 1};
    bench b = {0};
    sag_report *report;
    gsl_set_error_handler_off();
    if (sag_report_new(&report) != SAG_OK) {
        return 1;
    }
    int opened = open_design(&b, file, &path, report);
    print_report(report);
    long failed = -1;
    if (opened) {
        const char *name = strrchr(file, '/');
        printf("levels map of %s, %zu supplies\n", name ? name + 1 : file, b.count);
        failed = run_map(&b, 1, "1 thread");
        run_map(&b, 2, "2 threads");
    }
    close_design(&b);
    sag_report_free(report);
    return failed == 0 ? 0 : 1;
}
