/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_bench_private.h - circuits on the bench, and what is measured with each.
 *
 * All stand between rails at +-half the supply, with ground half way. What a circuit is set to comes
 * with each measurement. */
#ifndef RAILSAG_MODEL_BENCH_PRIVATE_H
#define RAILSAG_MODEL_BENCH_PRIVATE_H

#include "bias_private.h"
#include "model_bench.h"
#include "response.h"

typedef enum {
    SAG_BENCH_FOLLOWER, /* its input also direct; a voltage may be put between output and minus pin */
    SAG_BENCH_COMPARATOR, /* no feedback, a direct voltage at each input */
    SAG_BENCH_INVERTER,   /* gain of -1: the inputs stay where they are */
    SAG_BENCH_CIRCUITS
} sag_bench_circuit;

/* What a circuit is set to; zero is: inputs at ground, nothing on the output. */
typedef struct {
    double input_v; /* direct, at the plus pin */
    double
        minus_v; /* comparator: direct, at the minus pin; follower: the minus pin over the output,
                       so that the output can rest at ground with the inputs elsewhere */
    double input_ohm;    /* follower: in series with the plus pin */
    double load_siemens; /* from the output; INFINITY: shorted */
    double foot_v;       /* where the load ends */
} sag_bench_wiring;

struct sag_model_bench {
    const sag_opamp_model *model;
    sag_design *designs[SAG_BENCH_CIRCUITS];
    sag_bench_figure *figures;
    size_t count, capacity;
};

/* A circuit wired up at a supply. */
typedef struct {
    sag_design *design; /* the bench's */
    sag_network *network;
    sag_bias *bias;
} sag_bench_setup;

/* The setup is zeroed on failure, and may be cleared again. */
sag_status sag_bench_wire(sag_model_bench *bench, sag_bench_circuit circuit, double supply_v,
                          const sag_bench_wiring *wiring, sag_bench_setup *setup);
void sag_bench_clear(sag_bench_setup *setup);
double sag_bench_node_v(const sag_bench_setup *setup, const char *node);
/* Into the load, from the output. */
double sag_bench_load_a(const sag_bench_setup *setup);
/* The linear range of the input stage, SR / (2 pi GBW), V, and the slower slew rate, V/s. */
double sag_bench_range_v(const sag_bench_setup *setup);
double sag_bench_slew(const sag_bench_setup *setup);

/* Volts against ground; low above high: empty. */
typedef struct {
    double low_v, high_v;
} sag_bench_span;

/* Where the inputs have their gain, by the file; a side without limit ends at its rail. */
sag_bench_span sag_bench_window(const sag_opamp_model *model, double supply_v);
/* Where a follower can go: inside the window and the swing into a load, both taken some way in. */
sag_status sag_bench_follows(sag_model_bench *bench, double supply_v, double load_siemens,
                             sag_bench_span *span);

/* model_bench_rest.c: at direct voltages. */
sag_status sag_bench_swing(sag_model_bench *bench, int high, double supply_v,
                           const sag_bench_wiring *load, double *output_v, double *load_a);
sag_status sag_bench_drop_row(sag_model_bench *bench, int high, double supply_v,
                              const sag_drop_point *row, double *drop_v);
sag_status sag_bench_short(sag_model_bench *bench, int source, double supply_v, double *short_a);
sag_status sag_bench_offset(sag_model_bench *bench, double supply_v, double *offset_v);
sag_status sag_bench_bias_current(sag_model_bench *bench, double supply_v, double *bias_a);
sag_status sag_bench_reverses(sag_model_bench *bench, int high, double supply_v, int *reverses);

/* model_bench_small.c: small signals. The open-loop gain is that from the difference of the input
 * pins to the output, read in a follower. */
sag_status sag_bench_open_loop(sag_model_bench *bench, double supply_v, double hz,
                               double complex *gain);
sag_status sag_bench_dc_gain(sag_model_bench *bench, double supply_v, double *gain);
sag_status sag_bench_gain_bandwidth(sag_model_bench *bench, double supply_v, double *hz);
sag_status sag_bench_phase_margin(sag_model_bench *bench, double supply_v, double *margin_deg);
sag_status sag_bench_tracking(sag_model_bench *bench, double supply_v, double *gain);
sag_status sag_bench_works_to(sag_model_bench *bench, int high, double supply_v, double *inside_v);

/* model_bench_loud.c: edges and large sines. */
/* *slew NAN when no step of SAG_BENCH_STEP_RANGES linear ranges fits. */
#define SAG_BENCH_STEP_RANGES 5
sag_status sag_bench_slew_rate(sag_model_bench *bench, int rise, double supply_v, double *slew);
/* Of a sine of *level_vpk, which is so many linear ranges. */
#define SAG_BENCH_POWER_RANGES 17
sag_status sag_bench_power_bandwidth(sag_model_bench *bench, double supply_v, double *hz,
                                     double *level_vpk, double *ranges);

#endif
