/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark.h - the parts of the benchmark: its rows, and what several of its measurements need. */
#ifndef RAILSAG_BENCHMARK_H
#define RAILSAG_BENCHMARK_H

#include "bias.h"
#include "design.h"

#include <stdio.h>
#include <time.h>

typedef enum {
    BENCH_LEVELS,
    BENCH_LEVELS_MB,
    BENCH_RESPONSE,
    BENCH_MAP,
    BENCH_FAILED,
    BENCH_RECURSION,
    BENCH_IDA,
    BENCH_IDA_LANES,
    BENCH_CASCADE,
    BENCH_PARALLEL,
    BENCH_CASCADE_ORBIT,
    BENCH_PARALLEL_ORBIT,
    BENCH_HEADROOM,
    BENCH_ROWS
} bench_row;

typedef struct {
    const char *program;       /* of the command line, for whole commands */
    const char *design;        /* file of the design that most rows are about */
    const char *points_file;   /* where to put the map's points; NULL: nowhere */
    FILE *details;             /* what the figures are made of; NULL: nobody wants to know */
    double figure[BENCH_ROWS]; /* NAN: not measured */
    int failed;                /* a measurement could not be made */
} bench;

/* Each measures one or more rows. */
void bench_commands(bench *b);
void bench_map(bench *b);
void bench_ida(bench *b);
void bench_ladder(bench *b);
void bench_headroom(bench *b);

/* One small map on one thread and nothing else: for counting instructions. 0 when it was computed. */
int bench_count(const bench *b);

/* A design under up to five supplies. */
enum { BENCH_SUPPLIES = 5 };
typedef struct {
    sag_design *design;
    sag_network *network[BENCH_SUPPLIES];
    sag_bias *bias[BENCH_SUPPLIES];
    size_t count;
} bench_design;

extern const double bench_supplies_v[BENCH_SUPPLIES];

/* Prints what is wrong; SAG_OK when the design has a bias point at each supply. Closed in any case by
 * bench_close. */
sag_status bench_open_file(bench_design *d, const char *file, const double *supply_v, size_t count);
sag_status bench_open_text(bench_design *d, const char *text, const double *supply_v, size_t count);
void bench_close(bench_design *d);

/* count frequencies from 20 Hz to 20 kHz, even on a log axis. */
void bench_frequencies(double *frequency_hz, size_t count);

double bench_seconds(clockid_t clock);

/* The file's name without its folders. */
const char *bench_base_name(const char *file);

#endif
