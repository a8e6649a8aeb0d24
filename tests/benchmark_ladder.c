/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cost over the number of op-amps: 2, 4, 8, 16 and 32 shelving stages one after the other, and as many
 * bands side by side whose outputs are added. */
#include "benchmark.h"
#include "benchmark_engine.h"

#include "railsag.h"

#include <math.h>
#include <stdarg.h>

#define MOST_OPAMPS  32
#define FREQUENCY_HZ 1000.0
#define LEVEL_VPK    0.1
#define LEVELS       4

typedef struct {
    char text[32768];
    size_t length;
} writing;

static void write(writing *w, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int more = vsnprintf(w->text + w->length, sizeof w->text - w->length, format, arguments);
    va_end(arguments);
    w->length += more > 0 ? (size_t)more : 0;
    w->length = w->length < sizeof w->text ? w->length : sizeof w->text - 1;
}

static void write_opamp(writing *w, int i)
{
    write(w,
          "\"U%d%c\": {\"opamp\": \"tl072\", \"plus\": \"ref\", \"minus\": \"s%d\", \"out\": "
          "\"o%d\", "
          "\"rails\": [\"bat\", \"ground\"]}, ",
          i / 2 + 1, i % 2 ? 'B' : 'A', i, i);
}

/* Inverting stages of gain 1 with a corner each in the treble and in the bass. */
static void write_cascade(writing *w, int opamps)
{
    for (int i = 0; i < opamps; i++) {
        write(w, "\"C%d\": {\"capacitor\": \"1u\", \"between\": [\"%s", 2 * i + 1, i ? "o" : "in");
        i ? write(w, "%d", i - 1) : (void)0;
        write(w, "\", \"c%d\"]}, ", i);
        write(w, "\"R%d\": {\"resistor\": \"10k\", \"between\": [\"c%d\", \"s%d\"]}, ", 2 * i + 1,
              i, i);
        write(w, "\"R%d\": {\"resistor\": \"10k\", \"between\": [\"s%d\", \"o%d\"]}, ", 2 * i + 2,
              i, i);
        write(w, "\"C%d\": {\"capacitor\": \"330p\", \"between\": [\"s%d\", \"o%d\"]}, ", 2 * i + 2,
              i, i);
        write_opamp(w, i);
    }
    write(w, "\"R98\": {\"resistor\": \"1k\", \"between\": [\"o%d\", \"out\"]}, ", opamps - 1);
}

/* Bands from 50 Hz up, each a capacitor and a resistor in, and both once more across. */
static void write_parallel(writing *w, int opamps)
{
    for (int i = 0; i < opamps; i++) {
        double centre_hz = 50 * pow(200, (double)i / (opamps - 1));
        write(w, "\"C%d\": {\"capacitor\": %.4g, \"between\": [\"in\", \"c%d\"]}, ", 2 * i + 1,
              1 / (2 * M_PI * centre_hz * 20e3), i);
        write(w, "\"R%d\": {\"resistor\": \"20k\", \"between\": [\"c%d\", \"s%d\"]}, ", 3 * i + 1,
              i, i);
        write(w, "\"R%d\": {\"resistor\": \"20k\", \"between\": [\"s%d\", \"o%d\"]}, ", 3 * i + 2,
              i, i);
        write(w, "\"C%d\": {\"capacitor\": %.4g, \"between\": [\"s%d\", \"o%d\"]}, ", 2 * i + 2,
              1 / (2 * M_PI * centre_hz * 20e3), i, i);
        write(w, "\"R%d\": {\"resistor\": \"10k\", \"between\": [\"o%d\", \"out\"]}, ", 3 * i + 3,
              i);
        write_opamp(w, i);
    }
}

static sag_status open_ladder(bench_design *d, int opamps, int parallel)
{
    static const double supply_v[] = {9};
    writing w = {.length = 0};
    write(
        &w,
        "{\"format\": \"railsag design 1\", \"title\": \"ladder\", \"input\": {\"node\": \"in\"}, "
        "\"output\": {\"node\": \"out\", \"load\": \"100k\"}, \"supply\": {\"positive\": \"bat\", "
        "\"negative\": \"ground\", \"nominal\": \"9V\"}, \"parts\": {");
    (parallel ? write_parallel : write_cascade)(&w, opamps);
    write(&w, "\"R99\": {\"resistor\": \"10k\", \"between\": [\"bat\", \"ref\"]}, "
              "\"R100\": {\"resistor\": \"10k\", \"between\": [\"ref\", \"ground\"]}, "
              "\"C99\": {\"capacitor\": \"100u\", \"between\": [\"ref\", \"ground\"]}}}");
    return bench_open_text(d, w.text, supply_v, 1);
}

/* Seconds for the four levels' orbits from nothing but the bias point. */
static sag_status time_orbits(const sag_bias *bias, double *second)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady = NULL;
    sag_status status = sag_steady_new(bias, &settings, &steady);
    double begun = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
    *second = (double)INFINITY;
    for (int i = 0; status == SAG_OK && (i < 3 || bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - begun <
                                                      BENCH_LEAST_SECONDS);
         i++) {
        sag_steady_point points[LEVELS];
        double level_vpk[LEVELS];
        for (int l = 0; l < LEVELS; l++) {
            level_vpk[l] = LEVEL_VPK * pow(10, (l - 3) / 20.0);
        }
        double from = bench_seconds(CLOCK_PROCESS_CPUTIME_ID);
        status = sag_steady_frequency(steady, FREQUENCY_HZ);
        if (status == SAG_OK) {
            status = sag_steady_solve(steady, level_vpk, LEVELS, points, NULL);
        }
        *second = fmin(*second, (bench_seconds(CLOCK_PROCESS_CPUTIME_ID) - from) / LEVELS);
        for (int l = 0; l < LEVELS && status == SAG_OK; l++) {
            status = points[l].status;
        }
    }
    sag_steady_free(steady);
    return status;
}

static void climb(bench *b, int parallel)
{
    double first_s = (double)NAN, first_orbit_s = (double)NAN;
    if (b->details) {
        fprintf(b->details,
                "%s: op-amps, states, microseconds a step in lanes, milliseconds an orbit\n",
                parallel ? "bands side by side" : "cascade");
    }
    for (int opamps = 2; opamps <= MOST_OPAMPS; opamps *= 2) {
        bench_design d;
        bench_timing alone, lanes;
        double orbit_s = (double)NAN;
        sag_status status = open_ladder(&d, opamps, parallel);
        if (status == SAG_OK) {
            status = bench_time_period(d.bias[0], FREQUENCY_HZ, LEVEL_VPK, &alone, &lanes);
        }
        if (status == SAG_OK) {
            status = time_orbits(d.bias[0], &orbit_s);
        }
        if (status != SAG_OK) {
            fprintf(stderr, "%d op-amps: %s\n", opamps, sag_status_text(status));
            b->failed = 1;
            bench_close(&d);
            return;
        }
        double step_s = lanes.second / lanes.steps;
        if (opamps == 2) {
            first_s = step_s;
            first_orbit_s = orbit_s;
        }
        if (b->details) {
            fprintf(b->details, "  %2d %3zu %8.3f %8.3f\n", opamps,
                    sag_network_state_count(d.network[0]) + (size_t)opamps, 1e6 * step_s,
                    1e3 * orbit_s);
        }
        if (opamps == MOST_OPAMPS) { /* over that of two, an op-amp each */
            double share = 2.0 / MOST_OPAMPS;
            b->figure[parallel ? BENCH_PARALLEL : BENCH_CASCADE] = share * step_s / first_s;
            b->figure[parallel ? BENCH_PARALLEL_ORBIT : BENCH_CASCADE_ORBIT] =
                share * orbit_s / first_orbit_s;
        }
        bench_close(&d);
    }
}

void bench_ladder(bench *b)
{
    climb(b, 0);
    climb(b, 1);
}
