/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark_engine.h - times the library's stepper alone, on periodic orbits. */
#ifndef RAILSAG_BENCHMARK_ENGINE_H
#define RAILSAG_BENCHMARK_ENGINE_H

#include "bias.h"

#define BENCH_OUTPUTS 16

typedef struct {
    double second; /* a period takes */
    double wave_v[BENCH_OUTPUTS];
    int steps;
} bench_timing;

/* A time is the least of as many runs as fit into so many seconds, and of at least so many. */
#define BENCH_LEAST_SECONDS 0.05
#define BENCH_LEAST_RUNS    7

/* A period of one level alone, and of four in lanes: those 1, 2 and 3 dB below it are the others. Takes
 * the steps that a point of the map would take; the time in lanes is a quarter of that of all four; the
 * waveform is that of the level itself in both. */
sag_status bench_time_period(const sag_bias *bias, double frequency_hz, double level_vpk,
                             bench_timing *alone, bench_timing *lanes);

#endif
