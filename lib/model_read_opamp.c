/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_private.h"

#include "memory.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MAX_ROWS 200 /* of against_supply */

/* The reading of one op-amp file. */
typedef struct {
    sag_model_file *in;
    sag_opamp_model *opamp;
} opamp_file;

static void read_supply(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader supply;
    if (!sag_read_object(&f->in->root, "supply", SAG_REQUIRED, &supply)) {
        return;
    }
    int min =
        sag_json_quantity(&supply, "min", SAG_REQUIRED, SAG_VOLT, 0.5, 200, &opamp->supply_min_v);
    int max =
        sag_json_quantity(&supply, "max", SAG_REQUIRED, SAG_VOLT, 0.5, 200, &opamp->supply_max_v);
    int absolute = sag_json_quantity(&supply, "absolute_max", SAG_REQUIRED, SAG_VOLT, 0.5, 200,
                                     &opamp->absolute_max_v);
    int stops = sag_json_quantity(&supply, "stops_below", SAG_OPTIONAL, SAG_VOLT, 0, 200,
                                  &opamp->stops_below_v);
    if (min && max && opamp->supply_min_v > opamp->supply_max_v) {
        sag_json_error(&supply, sag_json_get(&supply, "min"), "min is the lesser of the two",
                       "min (%g V) is above max (%g V)", opamp->supply_min_v, opamp->supply_max_v);
    }
    if (max && absolute && opamp->supply_max_v > opamp->absolute_max_v) {
        sag_json_error(&supply, sag_json_get(&supply, "absolute_max"),
                       "a part is damaged above absolute_max, so max lies below it",
                       "max (%g V) is above absolute_max (%g V)", opamp->supply_max_v,
                       opamp->absolute_max_v);
    }
    if (stops && min && opamp->stops_below_v > opamp->supply_min_v) {
        sag_json_error(
            &supply, sag_json_get(&supply, "stops_below"), "a part works at its minimum supply",
            "stops_below (%g V) is above min (%g V)", opamp->stops_below_v, opamp->supply_min_v);
    }
    sag_json_close(&supply);
}

static void read_slew_rate(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader *root = &f->in->root, slew;
    const double low = 1, high = 1e11;
    const sag_json *value = sag_json_get(root, "slew_rate");
    if (!value || value->type != SAG_JSON_OBJECT) {
        sag_json_quantity(root, "slew_rate", SAG_REQUIRED, SAG_VOLT_PER_SECOND, low, high,
                          &opamp->slew_rise);
        opamp->slew_fall = opamp->slew_rise;
        return;
    }
    if (sag_read_object(root, "slew_rate", SAG_REQUIRED, &slew)) {
        sag_json_quantity(&slew, "rise", SAG_REQUIRED, SAG_VOLT_PER_SECOND, low, high,
                          &opamp->slew_rise);
        sag_json_quantity(&slew, "fall", SAG_REQUIRED, SAG_VOLT_PER_SECOND, low, high,
                          &opamp->slew_fall);
        sag_json_close(&slew);
    }
}

/* Linear ranges SR / (2 pi GBW) that parts have, V: a bipolar pair has twice the thermal voltage, 52
 * mV, and little less with any compensation; JFETs have up to a volt. Common practice, with room. */
#define LEAST_RANGE_V 0.02
#define MOST_RANGE_V  5.0

/* Op-amps have a DC gain of 1000 or more: common practice. */
#define LEAST_DC_GAIN 1000

static void check_linear_range(opamp_file *f)
{
    const sag_opamp_model *opamp = f->opamp;
    sag_json_reader *root = &f->in->root;
    double slew = fmin(opamp->slew_rise, opamp->slew_fall);
    double range_v = slew / (2 * M_PI * opamp->gain_bandwidth_hz);
    if (f->in->errors == 0 && (range_v < LEAST_RANGE_V || range_v > MOST_RANGE_V)) {
        sag_json_warn(
            root, sag_json_get(root, "slew_rate"),
            "look at the units: 5 V/us is written 5V/us, 3 MHz 3MHz",
            "with a gain-bandwidth of %.3g MHz a slew rate of %.3g V/us means that inputs "
            "%.3g mV apart already slew; parts have 50 mV to 1 V",
            1e-6 * opamp->gain_bandwidth_hz, 1e-6 * slew, 1e3 * range_v);
    }
}

static void read_short_circuit(opamp_file *f, sag_json_reader *output)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader limit;
    const double low = 1e-6, high = 10;
    const sag_json *value = sag_json_get(output, "short_circuit");
    if (!value || value->type != SAG_JSON_OBJECT) {
        sag_json_quantity(output, "short_circuit", SAG_OPTIONAL, SAG_AMPERE, low, high,
                          &opamp->short_source_a);
        opamp->short_sink_a = opamp->short_source_a;
        return;
    }
    if (sag_read_object(output, "short_circuit", SAG_OPTIONAL, &limit)) {
        sag_json_quantity(&limit, "source", SAG_REQUIRED, SAG_AMPERE, low, high,
                          &opamp->short_source_a);
        sag_json_quantity(&limit, "sink", SAG_REQUIRED, SAG_AMPERE, low, high,
                          &opamp->short_sink_a);
        sag_json_close(&limit);
    }
}

static void read_output(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader output, crossover;
    if (!sag_read_object(&f->in->root, "output", SAG_REQUIRED, &output)) {
        return;
    }
    size_t before = f->in->errors;
    sag_model_read_drops(f->in, &output, "high", &opamp->high, &opamp->high_count);
    sag_model_read_drops(f->in, &output, "low", &opamp->low, &opamp->low_count);
    if (f->in->errors == before && opamp->supply_min_v > 0 && opamp->high_count &&
        opamp->low_count && !f->in->no_memory) {
        double high = sag_model_lightest_drop(opamp->high, opamp->high_count, opamp->supply_min_v);
        double low = sag_model_lightest_drop(opamp->low, opamp->low_count, opamp->supply_min_v);
        if (high + low >= opamp->supply_min_v) {
            sag_json_warn(&output, output.object, "add points at a low supply",
                          "drops of %g V and %g V leave no swing at the minimum supply of %g V",
                          high, low, opamp->supply_min_v);
        }
    }
    sag_json_quantity(&output, "resistance", SAG_OPTIONAL, SAG_OHM, 0, 1e5, &opamp->output_ohm);
    read_short_circuit(f, &output);
    if (sag_read_object(&output, "crossover", SAG_OPTIONAL, &crossover)) {
        sag_json_quantity(&crossover, "class_a_source", SAG_REQUIRED, SAG_AMPERE, 0, 1,
                          &opamp->class_a_source_a);
        sag_json_quantity(&crossover, "class_a_sink", SAG_REQUIRED, SAG_AMPERE, 0, 1,
                          &opamp->class_a_sink_a);
        sag_json_quantity(&crossover, "dead_band", SAG_REQUIRED, SAG_VOLT, 0, 5,
                          &opamp->dead_band_v);
        sag_json_close(&crossover);
    }
    sag_json_close(&output);
}

/* The three figures are distances inside the rail, so each reaches no less far out than the one
 * before. */
static void read_input_side(sag_json_reader *input, const char *key, sag_input_side *side)
{
    static const char *const keys[] = {"specified", "works_to", "reverses_at"};
    double *figures[] = {&side->specified_v, &side->works_to_v, &side->reverses_at_v};
    sag_json_reader reader;
    int last = -1; /* the figure before that is given */
    if (!sag_read_object(input, key, SAG_OPTIONAL, &reader)) {
        return;
    }
    for (int i = 0; i < 3; i++) {
        if (!sag_json_quantity(&reader, keys[i], SAG_OPTIONAL, SAG_VOLT, -100, 100, figures[i])) {
            continue;
        }
        if (last >= 0 && *figures[i] > *figures[last]) {
            sag_json_error(&reader, sag_json_get(&reader, keys[i]),
                           "distances inside the rail: specified is the greatest, reverses_at the "
                           "least; beyond the rail they are negative",
                           "%s (%g V) is further inside the rail than %s (%g V)", keys[i],
                           *figures[i], keys[last], *figures[last]);
        }
        last = i;
    }
    sag_json_close(&reader);
}

static void read_input(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader input;
    if (!sag_read_object(&f->in->root, "input", SAG_OPTIONAL, &input)) {
        return;
    }
    read_input_side(&input, "low_side", &opamp->input_low);
    read_input_side(&input, "high_side", &opamp->input_high);
    sag_json_quantity(&input, "offset", SAG_OPTIONAL, SAG_VOLT, -1, 1, &opamp->offset_v);
    sag_json_quantity(&input, "bias_current", SAG_OPTIONAL, SAG_AMPERE, -1e-3, 1e-3,
                      &opamp->bias_a);
    sag_json_quantity(&input, "resistance", SAG_OPTIONAL, SAG_OHM, 1e3, 1e16, &opamp->input_ohm);
    sag_json_quantity(&input, "capacitance", SAG_OPTIONAL, SAG_FARAD, 0, 1e-6, &opamp->input_farad);
    sag_json_bool(&input, "differential_diodes", SAG_OPTIONAL, &opamp->differential_diodes);
    sag_json_close(&input);
}

static void read_noise(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader noise;
    if (!sag_read_object(&f->in->root, "noise", SAG_OPTIONAL, &noise)) {
        return;
    }
    sag_json_quantity(&noise, "voltage", SAG_OPTIONAL, SAG_VOLT_PER_ROOT_HZ, 0, 1e-3,
                      &opamp->noise_voltage);
    sag_json_quantity(&noise, "voltage_corner", SAG_OPTIONAL, SAG_HERTZ, 0, 1e8,
                      &opamp->noise_voltage_corner_hz);
    sag_json_quantity(&noise, "current", SAG_OPTIONAL, SAG_AMPERE_PER_ROOT_HZ, 0, 1e-3,
                      &opamp->noise_current);
    sag_json_quantity(&noise, "current_corner", SAG_OPTIONAL, SAG_HERTZ, 0, 1e8,
                      &opamp->noise_current_corner_hz);
    sag_json_close(&noise);
}

typedef struct {
    sag_against_supply figures;
    const sag_json *row;
} against_row;

static int compare_against(const void *left, const void *right)
{
    const against_row *a = left, *b = right;
    if (a->figures.supply_v != b->figures.supply_v) {
        return a->figures.supply_v < b->figures.supply_v ? -1 : 1;
    }
    return a->row->index < b->row->index ? -1 : 1;
}

static void read_against_row(opamp_file *f, const sag_json *row, sag_against_supply *to)
{
    sag_json_reader *root = &f->in->root;
    sag_json_reader reader = sag_json_open(row, root->file, root->report, root->errors);
    const char *estimate;
    const double low = 1e-3, high = 10;
    to->gain_bandwidth = to->slew_rate = to->supply_current = (double)NAN;
    sag_json_quantity(&reader, "supply", SAG_REQUIRED, SAG_VOLT, 0.5, 200, &to->supply_v);
    sag_json_quantity(&reader, "gain_bandwidth", SAG_OPTIONAL, SAG_RATIO, low, high,
                      &to->gain_bandwidth);
    sag_json_quantity(&reader, "slew_rate", SAG_OPTIONAL, SAG_RATIO, low, high, &to->slew_rate);
    sag_json_quantity(&reader, "supply_current", SAG_OPTIONAL, SAG_RATIO, low, high,
                      &to->supply_current);
    if (sag_json_text(&reader, "estimate", SAG_OPTIONAL, &estimate)) {
        to->estimate = sag_copy_text(estimate, strlen(estimate));
        f->in->no_memory |= !to->estimate;
    }
    if (reader.object && !sag_json_get(&reader, "gain_bandwidth") &&
        !sag_json_get(&reader, "slew_rate") && !sag_json_get(&reader, "supply_current")) {
        sag_json_error(&reader, row, "give gain_bandwidth, slew_rate or supply_current as a ratio",
                       "the row scales no figure");
    }
    sag_json_close(&reader);
}

/* rows in rising supply */
static void check_against(sag_json_reader *root, const against_row *rows, size_t count)
{
    double current_before = (double)NAN, supply_before = (double)NAN;
    for (size_t i = 0; i < count; i++) {
        const sag_against_supply *row = &rows[i].figures;
        if (i > 0 && row->supply_v == rows[i - 1].figures.supply_v) {
            sag_json_error(root, rows[i].row, "give one row for each supply",
                           "there are two rows at %g V", row->supply_v);
        }
        if (isnan(row->supply_current)) {
            continue;
        }
        if (row->supply_current < current_before) {
            sag_json_error(root, rows[i].row, "the supply current grows with the supply, or stays",
                           "the supply current falls with supply: from %g %% at %g V to %g %% at "
                           "%g V",
                           100 * current_before, supply_before, 100 * row->supply_current,
                           row->supply_v);
        }
        current_before = row->supply_current;
        supply_before = row->supply_v;
    }
}

static void read_against(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    const sag_json *table =
        sag_read_array(&f->in->root, "against_supply", SAG_OPTIONAL, 1, MAX_ROWS);
    if (!table) {
        return;
    }
    against_row *rows = sag_new(table->count, sizeof *rows);
    opamp->against = sag_new(table->count, sizeof *opamp->against);
    if (!rows || !opamp->against) {
        f->in->no_memory = 1;
        sag_free(rows);
        return;
    }
    size_t before = f->in->errors;
    for (const sag_json *row = table->first; row; row = row->next) {
        rows[opamp->against_count].row = row;
        read_against_row(f, row, &rows[opamp->against_count++].figures);
    }
    if (f->in->errors == before) {
        qsort(rows, opamp->against_count, sizeof *rows, compare_against);
        check_against(&f->in->root, rows, opamp->against_count);
    }
    for (size_t i = 0; i < opamp->against_count; i++) {
        opamp->against[i] = rows[i].figures;
    }
    sag_free(rows);
}

/* One limit: min, max or both. lowest and highest typical figure: NAN when the file leaves the
 * figure out. */
static void read_limit(sag_json_reader *limits, const char *key, sag_unit unit, double lowest,
                       double highest, sag_figure_limit *to)
{
    sag_json_reader reader;
    const double most = 1e12;
    if (!sag_read_object(limits, key, SAG_OPTIONAL, &reader)) {
        return;
    }
    int sound = *limits->errors == 0; /* else comparing would only repeat an error */
    int min = sag_json_quantity(&reader, "min", SAG_OPTIONAL, unit, 0, most, &to->min);
    int max = sag_json_quantity(&reader, "max", SAG_OPTIONAL, unit, 0, most, &to->max);
    if (!sag_json_get(&reader, "min") && !sag_json_get(&reader, "max")) {
        sag_json_error(&reader, reader.object, "give min, max or both", "the limit has no figure");
    } else if (sound && isnan(lowest)) {
        sag_json_error(&reader, reader.object, "give the typical figure as well",
                       "there is a limit for a figure that is left out");
    } else if (sound && min && to->min > lowest * (1 + 1e-9)) {
        sag_json_error(&reader, sag_json_get(&reader, "min"),
                       "a typical part lies inside the limits",
                       "min (%g) is above the typical figure (%g)", to->min, lowest);
    } else if (sound && max && to->max < highest * (1 - 1e-9)) {
        sag_json_error(&reader, sag_json_get(&reader, "max"),
                       "a typical part lies inside the limits",
                       "max (%g) is below the typical figure (%g)", to->max, highest);
    }
    sag_json_close(&reader);
}

/* A figure that is 0 or infinite when it is left out. */
static double given(double value)
{
    return value > 0 && isfinite(value) ? value : (double)NAN;
}

static void read_limits(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_opamp_limits *to = &opamp->limits;
    sag_json_reader limits;
    if (!sag_read_object(&f->in->root, "limits", SAG_OPTIONAL, &limits)) {
        return;
    }
    const struct {
        const char *key;
        sag_unit unit;
        double lowest, highest;
        sag_figure_limit *to;
    } all[] = {
        {"gain_bandwidth", SAG_HERTZ, opamp->gain_bandwidth_hz, opamp->gain_bandwidth_hz,
         &to->gain_bandwidth_hz},
        {"slew_rate", SAG_VOLT_PER_SECOND, fmin(opamp->slew_rise, opamp->slew_fall),
         fmax(opamp->slew_rise, opamp->slew_fall), &to->slew_rate},
        {"open_loop_gain", SAG_GAIN, given(opamp->open_loop_gain), given(opamp->open_loop_gain),
         &to->open_loop_gain},
        {"supply_current", SAG_AMPERE, opamp->supply_current_a, opamp->supply_current_a,
         &to->supply_current_a},
        {"short_circuit", SAG_AMPERE, given(fmin(opamp->short_source_a, opamp->short_sink_a)),
         given(fmax(opamp->short_source_a, opamp->short_sink_a)), &to->short_circuit_a},
        {"offset", SAG_VOLT, given(fabs(opamp->offset_v)), given(fabs(opamp->offset_v)),
         &to->offset_v},
        {"bias_current", SAG_AMPERE, given(fabs(opamp->bias_a)), given(fabs(opamp->bias_a)),
         &to->bias_a},
        {"drop", SAG_RATIO, 1, 1, &to->drop},
    };
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        read_limit(&limits, all[i].key, all[i].unit, all[i].lowest, all[i].highest, all[i].to);
    }
    sag_json_close(&limits);
}

/* What a file leaves out is ideal. */
static void set_ideal(sag_opamp_model *opamp)
{
    const sag_input_side unlimited = {(double)NAN, (double)NAN, (double)NAN};
    opamp->amplifiers = 1;
    opamp->phase_margin_deg = (double)NAN;
    opamp->open_loop_gain = (double)INFINITY;
    opamp->thd_floor = (double)NAN;
    opamp->output_ohm = (double)NAN;
    opamp->short_source_a = opamp->short_sink_a = (double)INFINITY;
    opamp->input_low = opamp->input_high = unlimited;
    opamp->input_ohm = (double)INFINITY;
    const sag_figure_limit none = {(double)NAN, (double)NAN};
    opamp->limits = (sag_opamp_limits){none, none, none, none, none, none, none, none};
}

static void read_opamp(opamp_file *f)
{
    sag_opamp_model *opamp = f->opamp;
    sag_json_reader *root = &f->in->root;
    double amplifiers;
    set_ideal(opamp);
    if (sag_json_quantity(root, "amplifiers", SAG_OPTIONAL, SAG_COUNT, 1, 8, &amplifiers)) {
        opamp->amplifiers = (int)amplifiers;
    }
    read_supply(f);
    sag_json_quantity(root, "gain_bandwidth", SAG_REQUIRED, SAG_HERTZ, 100, 1e10,
                      &opamp->gain_bandwidth_hz);
    /* At 90 degrees there is no second pole; a sheet that says so leaves the key out. */
    sag_json_quantity(root, "phase_margin", SAG_OPTIONAL, SAG_DEGREE, 5, 89,
                      &opamp->phase_margin_deg);
    read_slew_rate(f);
    check_linear_range(f);
    if (sag_json_quantity(root, "open_loop_gain", SAG_OPTIONAL, SAG_GAIN, 10, 1e12,
                          &opamp->open_loop_gain) &&
        opamp->open_loop_gain < LEAST_DC_GAIN) {
        sag_json_warn(root, sag_json_get(root, "open_loop_gain"),
                      "a number alone is a ratio: 110 dB is written 110dB, 200 V/mV 200V/mV",
                      "a gain of %.4g is %.3g dB; op-amps have 60 dB or more",
                      opamp->open_loop_gain, 20 * log10(opamp->open_loop_gain));
    }
    sag_json_quantity(root, "supply_current", SAG_REQUIRED, SAG_AMPERE, 0, 1,
                      &opamp->supply_current_a);
    sag_json_quantity(root, "thd_floor", SAG_OPTIONAL, SAG_RATIO, 0, 1, &opamp->thd_floor);
    read_output(f);
    read_input(f);
    read_noise(f);
    read_against(f);
    read_limits(f);
}

sag_status sag_opamp_model_read(const char *text, size_t length, const char *file,
                                sag_opamp_model **out, sag_report *report)
{
    sag_model_file in;
    *out = NULL;
    sag_opamp_model *opamp = sag_new(1, sizeof *opamp);
    if (!opamp) {
        return SAG_NO_MEMORY;
    }
    sag_status status = sag_model_file_open(&in, text, length, file, "opamp", &opamp->head, report);
    if (status == SAG_OK) {
        opamp_file f = {&in, opamp};
        read_opamp(&f);
        status = sag_model_file_close(&in);
    }
    if (status == SAG_OK) {
        *out = opamp;
    } else {
        sag_opamp_model_free(opamp);
    }
    return status;
}

void sag_opamp_model_free(sag_opamp_model *model)
{
    if (model) {
        sag_model_head_clear(&model->head);
        sag_model_drops_free(model->high, model->high_count);
        sag_model_drops_free(model->low, model->low_count);
        for (size_t i = 0; i < model->against_count; i++) {
            sag_free((void *)model->against[i].estimate);
        }
        sag_free(model->against);
        sag_free(model);
    }
}
