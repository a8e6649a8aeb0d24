/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_bench.h - an op-amp model on a simulated bench.
 *
 * Small circuits are built around one amplifier of the model and go the way of every design: read,
 * network, bias point, then response, steady state or steps in time. What is measured at their nodes
 * is held against the figures of the model's file. Of the model only what a bench has to know is used
 * to set a circuit up: at which supply a figure holds, into which load, how large a step, how far the
 * inputs may go. */
#ifndef RAILSAG_MODEL_BENCH_H
#define RAILSAG_MODEL_BENCH_H

#include "levels.h"
#include "model.h"

/* What is measured, in the order of the list. */
typedef enum {
    SAG_BENCH_GAIN_BANDWIDTH, /* Hz: open-loop gain times frequency where it is 40 dB */
    SAG_BENCH_PHASE_MARGIN,   /* degrees: 180 less the lag where the open-loop gain is 1 */
    SAG_BENCH_SLEW_RISE,      /* V/s: of a follower's edge, from 20 to 60 % of it; the step is at
                                 least five linear ranges SR / (2 pi GBW) */
    SAG_BENCH_SLEW_FALL,
    SAG_BENCH_OPEN_LOOP_GAIN, /* ratio, at DC, nothing on the output */
    SAG_BENCH_DROP_HIGH,      /* V: overdriven, into the load of each row of the table */
    SAG_BENCH_DROP_LOW,
    SAG_BENCH_SHORT_SOURCE, /* A: overdriven, output shorted to half the supply */
    SAG_BENCH_SHORT_SINK,
    SAG_BENCH_SUPPLY_CURRENT, /* A: of one amplifier, the output at half the supply */
    SAG_BENCH_TRACKING,       /* ratio: a follower's gain, the poorest inside its input range */
    SAG_BENCH_WORKS_TO_LOW,   /* V inside the rail: where 3 dB of open-loop gain are lost */
    SAG_BENCH_WORKS_TO_HIGH,
    SAG_BENCH_REVERSES_LOW, /* 1 when a follower's output reverses with its input beyond */
    SAG_BENCH_REVERSES_HIGH,
    SAG_BENCH_POWER_BANDWIDTH, /* Hz: where a follower has 1 % of THD, driven by a sine of 17 to 40
                                  linear ranges */
    SAG_BENCH_OFFSET,          /* V */
    SAG_BENCH_BIAS_CURRENT,    /* A, into the plus pin */
    SAG_BENCH_KINDS
} sag_bench_kind;

typedef enum {
    SAG_BENCH_WITHIN,
    SAG_BENCH_OUTSIDE,
    SAG_BENCH_NOT_GIVEN, /* measured, but the file has no figure to hold it against */
    SAG_BENCH_NOT_TESTED /* not measured; why says it */
} sag_bench_verdict;

typedef struct {
    sag_bench_kind kind;
    const char *path;     /* of the figure in the file, as "output.high" */
    double supply_v;      /* between the rails */
    double load_a;        /* drops: load current of the table's row; else NAN */
    double level_vpk;     /* power bandwidth: peak of the sine; else NAN */
    double found;         /* NAN: not measured */
    double sheet;         /* the file's; NAN: not given. Of a power bandwidth: SR / (2 pi peak) */
    double least, most;   /* what counts as within; NAN where sheet is */
    const char *estimate; /* why the file's figure is an estimate there; NULL when it is not */
    sag_bench_verdict verdict;
    const char *why; /* it was not tested; NULL else. Both texts: static, or of the model */
} sag_bench_figure;

typedef struct sag_model_bench sag_model_bench;

/* Holds on to model. *out is NULL unless SAG_OK. */
sag_status sag_model_bench_new(const sag_opamp_model *model, sag_model_bench **out);
void sag_model_bench_free(sag_model_bench *bench); /* NULL is fine */

/* Measures everything; a circuit that has no solution makes a figure that is not tested. progress may
 * be NULL. */
sag_status sag_model_bench_run(sag_model_bench *bench, sag_progress progress, void *context);

/* What the last run came to, by kind, then rising supply and load. */
const sag_bench_figure *sag_model_bench_figures(const sag_model_bench *bench, size_t *count);

/* The supply at which the figures hold that the file gives without one: of the rows of
 * against_supply the highest one at which all figures are 100 %; else the highest at which most are;
 * in a file without such rows the highest supply of the tables of drops, or the largest rated one. */
double sag_model_bench_supply_v(const sag_opamp_model *model);
/* The same for the output: the highest supply of the tables of drops, where there is most room for a
 * current limit to show; the one above where no row has one. */
double sag_model_bench_output_v(const sag_opamp_model *model);

/* For curves. The drop below the positive rail (high 1) or above the negative one, overdriven, into a
 * load to the other rail that takes about load_a; *found_a is what it takes. 0 for load_a: no load. */
sag_status sag_model_bench_drop(sag_model_bench *bench, int high, double supply_v, double load_a,
                                double *found_a, double *drop_v);
/* The quiescent current of one amplifier. */
sag_status sag_model_bench_supply_a(sag_model_bench *bench, double supply_v, double *supply_a);
/* The largest sine, volts peak, that a follower passes at a frequency with a THD up to thd_limit
 * into a load to half the supply; beyond what its rails and its input range leave, none. */
sag_status sag_model_bench_power(sag_model_bench *bench, double supply_v, double load_ohm,
                                 double frequency_hz, double thd_limit, double *peak_v);

#endif
