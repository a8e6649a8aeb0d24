/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bench at direct voltages: swing, short-circuit and supply current, offset, bias current,
 * reversal. */
#include "model_bench_private.h"

#include <math.h>

/* How far apart a comparator's inputs are held, in linear ranges: tanh(5) is 0.9999. */
#define OVERDRIVE_RANGES 5
/* Inputs are kept this far inside their window, V. */
#define INSIDE_V 0.1
/* Where less of the supply than this is left across a load to its middle, the load ends at the other
 * rail instead. */
#define LEAST_SHARE 0.1
/* A load that is to take a current is looked for by trial. */
#define LOAD_ROUNDS 8
#define LOAD_WITHIN 1e-3
/* What the bias current may drop in its series resistor, V: too little for the input resistance to
 * matter, a million times what a bias point leaves undone. */
#define BIAS_DROP_V 1e-3
/* How far beyond where it reverses, or beyond the rail and its window, an input is taken, V. */
#define BEYOND_V 0.15
/* An output this far, as a share of the supply, from the middle towards the other rail is reversed. */
#define REVERSED_SHARE 0.2

/* A comparator whose output is pressed towards a rail, inputs inside their window. */
sag_status sag_bench_swing(sag_model_bench *bench, int high, double supply_v,
                           const sag_bench_wiring *load, double *output_v, double *load_a)
{
    sag_bench_setup setup;
    sag_bench_wiring wiring = *load;
    sag_bench_span window = sag_bench_window(bench->model, supply_v);
    const sag_opamp_model *m = bench->model;
    double apart_v =
        OVERDRIVE_RANGES * fmax(m->slew_rise, m->slew_fall) / (2 * M_PI * m->gain_bandwidth_hz);
    double room_v = window.high_v - window.low_v - 2 * INSIDE_V;
    apart_v = room_v > 0 && room_v < apart_v ? room_v : apart_v;
    double centre_v = (window.low_v + window.high_v) / 2;
    wiring.input_v = centre_v + (high ? apart_v : -apart_v) / 2;
    wiring.minus_v = centre_v - (high ? apart_v : -apart_v) / 2;
    TRY(sag_bench_wire(bench, SAG_BENCH_COMPARATOR, supply_v, &wiring, &setup));
    *output_v = sag_bench_node_v(&setup, "out");
    *load_a = sag_bench_load_a(&setup);
    sag_bench_clear(&setup);
    return SAG_OK;
}

/* The load that takes load_a with the output drop_v inside its rail. */
static sag_bench_wiring load_of(int high, double supply_v, double load_a, double drop_v)
{
    double across_v = supply_v / 2 - drop_v;
    sag_bench_wiring load = {.foot_v = 0};
    if (load_a > 0 && across_v < LEAST_SHARE * supply_v) {
        load.foot_v = high ? -supply_v / 2 : supply_v / 2;
        across_v = fmax(supply_v - drop_v, 0);
    }
    load.load_siemens = load_a > 0 ? load_a / across_v : 0;
    return load;
}

sag_status sag_bench_drop_row(sag_model_bench *bench, int high, double supply_v,
                              const sag_drop_point *row, double *drop_v)
{
    sag_bench_wiring load = load_of(high, supply_v, row->current_a, row->drop_v);
    double output_v, load_a;
    TRY(sag_bench_swing(bench, high, supply_v, &load, &output_v, &load_a));
    *drop_v = supply_v / 2 - (high ? output_v : -output_v);
    return SAG_OK;
}

sag_status sag_model_bench_drop(sag_model_bench *bench, int high, double supply_v, double load_a,
                                double *found_a, double *drop_v)
{
    sag_bench_wiring load = {.foot_v = high ? -supply_v / 2 : supply_v / 2};
    double output_v;
    TRY(sag_bench_swing(bench, high, supply_v, &load, &output_v, found_a));
    for (int round = 0; load_a > 0 && round < LOAD_ROUNDS; round++) { /* by the drop before */
        load.load_siemens = load_a / fabs(output_v - load.foot_v);
        TRY(sag_bench_swing(bench, high, supply_v, &load, &output_v, found_a));
        if (fabs(fabs(*found_a) / load_a - 1) < LOAD_WITHIN) {
            break;
        }
    }
    *found_a = fabs(*found_a);
    *drop_v = supply_v / 2 - (high ? output_v : -output_v);
    return SAG_OK;
}

sag_status sag_bench_short(sag_model_bench *bench, int source, double supply_v, double *short_a)
{
    sag_bench_wiring load = {.load_siemens = (double)INFINITY};
    double output_v, load_a;
    TRY(sag_bench_swing(bench, source, supply_v, &load, &output_v, &load_a));
    *short_a = source ? load_a : -load_a;
    return SAG_OK;
}

sag_status sag_model_bench_supply_a(sag_model_bench *bench, double supply_v, double *supply_a)
{
    sag_bench_setup setup;
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &(sag_bench_wiring){0}, &setup));
    *supply_a = sag_bias_drain_a(setup.bias) / bench->model->amplifiers;
    sag_bench_clear(&setup);
    return SAG_OK;
}

/* The middle of the window, with the output at ground. */
static sag_bench_wiring at_centre(const sag_model_bench *bench, double supply_v)
{
    sag_bench_span window = sag_bench_window(bench->model, supply_v);
    double centre_v = (window.low_v + window.high_v) / 2;
    return (sag_bench_wiring){.input_v = centre_v, .minus_v = centre_v};
}

sag_status sag_bench_offset(sag_model_bench *bench, double supply_v, double *offset_v)
{
    sag_bench_setup setup;
    sag_bench_wiring wiring = at_centre(bench, supply_v);
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &wiring, &setup));
    *offset_v = sag_bench_node_v(&setup, "m") - sag_bench_node_v(&setup, "p");
    sag_bench_clear(&setup);
    return SAG_OK;
}

sag_status sag_bench_bias_current(sag_model_bench *bench, double supply_v, double *bias_a)
{
    sag_bench_setup setup;
    sag_bench_wiring wiring = {.input_ohm = BIAS_DROP_V / fmax(fabs(bench->model->bias_a), 1e-15)};
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &wiring, &setup));
    double across_v = sag_bench_node_v(&setup, "x") - sag_bench_node_v(&setup, "p");
    *bias_a = across_v / sag_design_part(setup.design, "R1")->value;
    sag_bench_clear(&setup);
    return SAG_OK;
}

sag_status sag_bench_reverses(sag_model_bench *bench, int high, double supply_v, int *reverses)
{
    const sag_input_side *side = high ? &bench->model->input_high : &bench->model->input_low;
    double inside_v = isnan(side->reverses_at_v)
                          ? fmin(0, isnan(side->works_to_v) ? 0 : side->works_to_v)
                          : side->reverses_at_v;
    double input_v = supply_v / 2 - inside_v + BEYOND_V;
    sag_bench_wiring wiring = {.input_v = high ? input_v : -input_v};
    sag_bench_setup setup;
    TRY(sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &wiring, &setup));
    double output_v = sag_bench_node_v(&setup, "out");
    *reverses = (high ? -output_v : output_v) > REVERSED_SHARE * supply_v;
    sag_bench_clear(&setup);
    return SAG_OK;
}
