/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The circuits of the bench, as designs around the model. */
#include "memory.h"
#include "model_bench_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A load of next to nothing. */
#define NO_LOAD_OHM 1e15
/* How far inside the window and the swing a follower is kept: past the edges of the one (100 mV wide)
 * and the knee of the other (20 mV), V; at low supplies no more than this share of what there is. */
#define KEEP_V     0.1
#define KEEP_SHARE 0.05

/* In ' for ". Values are set before each use. */
#define FRAME(parts)                                                                               \
    "{'format': 'railsag design 1', 'input': {'node': 'in'}, "                                     \
    "'output': {'node': 'out', 'load': 'none'}, "                                                  \
    "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', 'nominal': '10V'}, "     \
    "'parts': {" parts ", "                                                                        \
    "'R3': {'resistor': '1M', 'between': ['out', 'foot']}, "                                       \
    "'V3': {'voltage': '0V', 'positive': 'foot', 'negative': 'ground'}, "                          \
    "'U1A': {'opamp': 'model', 'plus': 'p', 'minus': 'm', 'out': 'out', "                          \
    "'rails': ['up', 'down']}}}"

/* Diodes between the inputs let a step through to the output: R2, and in a comparator R1 as well, limit
 * what they carry, as the sheets of such parts ask for. A follower of any other part has no R2, for with
 * the capacitance of an input it delays. */
#define DIODE_OHM 2e3

static const char *const texts[SAG_BENCH_CIRCUITS] = {
    [SAG_BENCH_FOLLOWER] = FRAME("'V1': {'voltage': '0V', 'positive': 'x', 'negative': 'in'}, "
                                 "'R1': {'resistor': '1R', 'between': ['x', 'p']}, "
                                 "'R2': {'resistor': '0R', 'between': ['y', 'm']}, "
                                 "'V2': {'voltage': '0V', 'positive': 'y', 'negative': 'out'}"),
    [SAG_BENCH_COMPARATOR] =
        FRAME("'V1': {'voltage': '0V', 'positive': 'x', 'negative': 'in'}, "
              "'R1': {'resistor': '10k', 'between': ['x', 'p']}, "
              "'V2': {'voltage': '0V', 'positive': 'y', 'negative': 'ground'}, "
              "'R2': {'resistor': '10k', 'between': ['y', 'm']}"),
    [SAG_BENCH_INVERTER] = FRAME("'V1': {'voltage': '0V', 'positive': 'p', 'negative': 'ground'}, "
                                 "'R1': {'resistor': '10k', 'between': ['in', 'm']}, "
                                 "'R2': {'resistor': '10k', 'between': ['m', 'out']}"),
};

static sag_status read_circuit(const char *text, const sag_opamp_model *model, sag_design **out)
{
    size_t length = strlen(text);
    char *quoted = sag_copy_text(text, length);
    if (!quoted) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < length; i++) {
        quoted[i] = quoted[i] == '\'' ? '"' : quoted[i];
    }
    sag_status status = sag_design_read_around(quoted, length, model, out, NULL);
    sag_free(quoted);
    return status;
}

sag_status sag_model_bench_new(const sag_opamp_model *model, sag_model_bench **out)
{
    *out = NULL;
    sag_model_bench *bench = sag_new(1, sizeof *bench);
    sag_status status = bench ? SAG_OK : SAG_NO_MEMORY;
    for (size_t i = 0; i < SAG_BENCH_CIRCUITS && status == SAG_OK; i++) {
        bench->model = model;
        status = read_circuit(texts[i], model, &bench->designs[i]);
    }
    if (status != SAG_OK) {
        sag_model_bench_free(bench);
        return status;
    }
    *out = bench;
    return SAG_OK;
}

void sag_model_bench_free(sag_model_bench *bench)
{
    if (bench) {
        for (size_t i = 0; i < SAG_BENCH_CIRCUITS; i++) {
            sag_design_free(bench->designs[i]);
        }
        sag_free(bench->figures);
        sag_free(bench);
    }
}

static void set_part(sag_design *design, const char *designator, double value)
{
    for (size_t i = 0; i < design->part_count; i++) {
        if (!strcmp(design->parts[i].designator, designator)) {
            design->parts[i].value = value;
        }
    }
}

sag_status sag_bench_wire(sag_model_bench *bench, sag_bench_circuit circuit, double supply_v,
                          const sag_bench_wiring *wiring, sag_bench_setup *setup)
{
    sag_design *design = bench->designs[circuit];
    *setup = (sag_bench_setup){.design = design};
    set_part(design, "V1", wiring->input_v);
    set_part(design, "V2", wiring->minus_v);
    if (circuit == SAG_BENCH_FOLLOWER) {
        set_part(design, "R1", wiring->input_ohm);
        set_part(design, "R2", bench->model->differential_diodes ? DIODE_OHM : 0);
    }
    double load_ohm = wiring->load_siemens > 0 ? 1 / wiring->load_siemens : NO_LOAD_OHM;
    set_part(design, "R3", isfinite(wiring->load_siemens) ? load_ohm : 0);
    set_part(design, "V3", wiring->foot_v);
    sag_conditions conditions = sag_conditions_defaults(design);
    conditions.supply_v = supply_v;
    conditions.stiff = 1;
    sag_status status = sag_network_new(design, &conditions, &setup->network, NULL);
    if (status == SAG_OK) {
        status = sag_bias_new(setup->network, &setup->bias, NULL);
    }
    if (status != SAG_OK) {
        sag_bench_clear(setup);
    }
    return status;
}

void sag_bench_clear(sag_bench_setup *setup)
{
    sag_bias_free(setup->bias);
    sag_network_free(setup->network);
    *setup = (sag_bench_setup){0};
}

double sag_bench_node_v(const sag_bench_setup *setup, const char *node)
{
    for (size_t i = 0; i < setup->design->node_count; i++) {
        if (!strcmp(setup->design->nodes[i], node)) {
            return sag_bias_node_v(setup->bias, (int)i);
        }
    }
    return (double)NAN;
}

double sag_bench_load_a(const sag_bench_setup *setup)
{
    const sag_part *load = sag_design_part(setup->design, "R3");
    return sag_bias_part_current_a(setup->bias, (size_t)(load - setup->design->parts));
}

double sag_bench_slew(const sag_bench_setup *setup)
{
    sag_bias_opamp opamp = sag_bias_opamp_get(setup->bias, 0);
    return fmin(opamp.slew_rise, opamp.slew_fall);
}

double sag_bench_range_v(const sag_bench_setup *setup)
{
    sag_bias_opamp opamp = sag_bias_opamp_get(setup->bias, 0);
    return fmax(opamp.slew_rise, opamp.slew_fall) / (2 * M_PI * opamp.gain_bandwidth_hz);
}

sag_bench_span sag_bench_window(const sag_opamp_model *model, double supply_v)
{
    double low_v = model->input_low.works_to_v, high_v = model->input_high.works_to_v;
    return (sag_bench_span){-supply_v / 2 + (isnan(low_v) ? 0 : low_v),
                            supply_v / 2 - (isnan(high_v) ? 0 : high_v)};
}

sag_status sag_bench_follows(sag_model_bench *bench, double supply_v, double load_siemens,
                             sag_bench_span *span)
{
    sag_bench_wiring load = {.load_siemens = load_siemens};
    double low_v, high_v, load_a;
    TRY(sag_bench_swing(bench, 1, supply_v, &load, &high_v, &load_a));
    TRY(sag_bench_swing(bench, 0, supply_v, &load, &low_v, &load_a));
    *span = sag_bench_window(bench->model, supply_v);
    span->low_v = fmax(span->low_v, low_v);
    span->high_v = fmin(span->high_v, high_v);
    double keep_v = fmin(KEEP_V, KEEP_SHARE * (span->high_v - span->low_v));
    span->low_v += keep_v;
    span->high_v -= keep_v;
    return SAG_OK;
}
