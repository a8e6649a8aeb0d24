/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the headroom of a design takes by default: five supplies, 61 frequencies, 1 % THD from the soft
 * level up. Each frequency has two roots, clip onset and the distortion-limited level. */
#include "benchmark.h"

#include "railsag.h"

#include <math.h>

#define FREQUENCIES 61

void bench_headroom(bench *b)
{
    bench_design d;
    double frequency_hz[FREQUENCIES];
    bench_frequencies(frequency_hz, FREQUENCIES);
    sag_headroom *results[BENCH_SUPPLIES] = {0};
    sag_status status = bench_open_file(&d, b->design, bench_supplies_v, BENCH_SUPPLIES);
    double wall = bench_seconds(CLOCK_MONOTONIC);
    if (status == SAG_OK) {
        sag_headroom_request request = {.frequency_hz = frequency_hz,
                                        .frequency_count = FREQUENCIES,
                                        .thd_limit = 0.01,
                                        .soft_vpk = d.design->playing[0].vpk,
                                        .steady = sag_steady_defaults(),
                                        .threads = 2};
        status =
            sag_headroom_compute((const sag_bias *const *)d.bias, d.count, &request, results, NULL);
    }
    wall = bench_seconds(CLOCK_MONOTONIC) - wall;
    b->failed |= status != SAG_OK;
    if (status == SAG_OK) {
        sag_steady_effort effort = {0};
        long roots = 0;
        for (size_t m = 0; m < d.count; m++) {
            for (size_t f = 0; f < FREQUENCIES; f++) {
                const sag_headroom_point *point = &results[m]->points[f];
                roots += point->clip_onset_reason == SAG_HEADROOM_FOUND;
                roots += point->max_input_reason == SAG_HEADROOM_FOUND;
                effort.sweeps += point->effort.sweeps;
                effort.steps += point->effort.steps;
            }
        }
        b->figure[BENCH_HEADROOM] = (double)effort.sweeps / (double)roots;
        if (b->details) {
            fprintf(b->details,
                    "headroom of %s: %ld roots, %lld sweeps, %lld steps, %.3f s on 2 threads\n",
                    bench_base_name(b->design), roots, effort.sweeps, effort.steps, wall);
        }
    }
    for (size_t m = 0; m < BENCH_SUPPLIES; m++) {
        sag_headroom_free(results[m]);
    }
    bench_close(&d);
}
