/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Compiled as the stepper is that runs on this machine, see CMakeLists.txt. */
#define LANE_WIDTH 4
#include "benchmark_recursion.h"

#include "benchmark.h"
#include "benchmark_engine.h"
#include "lane.h"
#include "memory.h"

#include <string.h>

#define STEPS 4096

/* A leaky shift by a state, so that nothing grows, vanishes or is known beforehand. */
static void fill(double *m, size_t states)
{
    for (size_t i = 0; i < states; i++) {
        for (size_t j = 0; j <= states; j++) {
            m[i * (states + 1) + j] = j == states ? 0.1 : (i + 1) % states == j ? 0.9 : 1e-3;
        }
    }
}

static void run(const double *m, size_t states, lane *z, lane *next)
{
    for (int n = 0; n < STEPS; n++) {
        z[states] = lane_of(n % 64 < 32 ? 1 : -1);
        memset(next, 0, states * sizeof *next);
        lane_add_product(m, states + 1, states, states + 1, z, next);
        lane *held = z;
        z = next;
        next = held;
    }
}

double bench_recursion_step(size_t states)
{
    double *m = sag_new(states * (states + 1), sizeof *m), least = (double)INFINITY;
    lane *z = sag_new(2 * (states + 1), sizeof *z);
    if (m && z) {
        fill(m, states);
        double begun = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
        for (int i = 0; i < BENCH_LEAST_RUNS ||
                        bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - begun < BENCH_LEAST_SECONDS;
             i++) {
            double from = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
            run(m, states, z, z + states + 1);
            double took = bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - from;
            least = took < least ? took : least;
        }
    }
    sag_free(m);
    sag_free(z);
    return least / STEPS / LANE_WIDTH;
}
