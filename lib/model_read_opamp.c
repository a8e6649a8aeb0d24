/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_private.h"

#include "memory.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MAX_POINTS 200 /* of one output side, and of against_supply */

/* The reading of one op-amp file. */
typedef struct {
    sag_model_file *in;
    sag_opamp_model *opamp;
} opamp_file;

/* A point of the output table, with the place it came from. supply_v is NAN where it holds at all
 * supplies. */
typedef struct {
    sag_drop_point point;
    const sag_json *row;
} drop_row;

/* By supply, then current; the order in the file decides between equals. */
static int compare_drops(const void *left, const void *right)
{
    const drop_row *a = left, *b = right;
    double difference = 0;
    if (!isnan(a->point.supply_v) && !isnan(b->point.supply_v)) {
        difference = a->point.supply_v - b->point.supply_v;
    }
    if (difference == 0) { /* exact: both were read from the same kind of text */
        difference = a->point.current_a - b->point.current_a;
    }
    if (difference != 0) {
        return difference < 0 ? -1 : 1;
    }
    return a->row->index < b->row->index ? -1 : 1;
}

static int same_supply(const drop_row *a, const drop_row *b)
{
    return isnan(a->point.supply_v) || a->point.supply_v == b->point.supply_v;
}

/* The drop at a current, from the `count` points of one supply in rising current: held below the
 * first, straight between two and on beyond the last. */
static double drop_at(const drop_row *rows, size_t count, double current_a)
{
    if (count == 1 || current_a <= rows[0].point.current_a) {
        return rows[0].point.drop_v;
    }
    size_t i = 1;
    while (i + 1 < count && rows[i].point.current_a < current_a) {
        i++;
    }
    const sag_drop_point *a = &rows[i - 1].point, *b = &rows[i].point;
    return a->drop_v +
           (b->drop_v - a->drop_v) * (current_a - a->current_a) / (b->current_a - a->current_a);
}

/* Between two supplies, at each current of the table, the drop may not grow by more than the supply
 * does: the swing would shrink as the supply rises. */
static void check_supplies(sag_json_reader *reader, const drop_row *rows, size_t count,
                           const drop_row *low, size_t low_count, const drop_row *high,
                           size_t high_count)
{
    double rise_v = high->point.supply_v - low->point.supply_v;
    for (size_t i = 0; i < count; i++) {
        double current_a = rows[i].point.current_a;
        double low_v = drop_at(low, low_count, current_a);
        double high_v = drop_at(high, high_count, current_a);
        if (high_v - low_v > rise_v * (1 + 1e-9)) {
            sag_json_error(reader, high->row, "the swing must not shrink as the supply rises",
                           "at %g mA the drop rises faster than the supply: from %g V at %g V to "
                           "%g V at %g V",
                           1e3 * current_a, low_v, low->point.supply_v, high_v,
                           high->point.supply_v);
            return;
        }
    }
}

static void check_drops(sag_json_reader *reader, const drop_row *rows, size_t count)
{
    size_t low = 0, low_count = 0, high = 0; /* the groups of the supply before and of this one */
    for (size_t i = 1; i <= count; i++) {
        if (i < count && same_supply(&rows[i], &rows[i - 1])) {
            const sag_drop_point *a = &rows[i - 1].point, *b = &rows[i].point;
            if (a->current_a == b->current_a) {
                sag_json_error(reader, rows[i].row, "give one drop for each supply and current",
                               "there are two points at %g mA%s", 1e3 * b->current_a,
                               isnan(b->supply_v) ? "" : " at this supply");
            } else if (b->drop_v < a->drop_v) {
                sag_json_error(reader, rows[i].row, "the drop grows with the load current",
                               "the drop falls with current: from %g V at %g mA to %g V at %g mA",
                               a->drop_v, 1e3 * a->current_a, b->drop_v, 1e3 * b->current_a);
            }
            continue;
        }
        if (low_count) {
            check_supplies(reader, rows, count, rows + low, low_count, rows + high, i - high);
        }
        low = high;
        low_count = i - high;
        high = i;
    }
}

static void read_drops(opamp_file *f, sag_json_reader *output, const char *side,
                       sag_drop_point **points, size_t *count)
{
    const sag_json *table = sag_read_array(output, side, SAG_REQUIRED, 1, MAX_POINTS);
    if (!table) {
        return;
    }
    drop_row *rows = sag_new(table->count, sizeof *rows);
    *points = sag_new(table->count, sizeof **points);
    if (!rows || !*points) {
        f->in->no_memory = 1;
        sag_free(rows);
        return;
    }
    size_t before = f->in->errors, with_supply = 0;
    for (const sag_json *row = table->first; row; row = row->next) {
        sag_json_reader reader = sag_json_open(row, output->file, output->report, output->errors);
        drop_row *to = &rows[(*count)++];
        to->row = row;
        to->point.supply_v = (double)NAN;
        with_supply += (size_t)sag_json_quantity(&reader, "supply", SAG_OPTIONAL, SAG_VOLT, 0.5,
                                                 200, &to->point.supply_v);
        sag_json_quantity(&reader, "current", SAG_REQUIRED, SAG_AMPERE, 0, 10,
                          &to->point.current_a);
        /* No stage reaches a rail; and a knee of half the drop needs a drop. */
        sag_json_quantity(&reader, "drop", SAG_REQUIRED, SAG_VOLT, 1e-3, 100, &to->point.drop_v);
        sag_json_close(&reader);
    }
    if (f->in->errors == before && with_supply != 0 && with_supply != *count) {
        sag_json_error(output, table, "give every point of a side its supply, or none of them",
                       "%zu of %zu points have a supply", with_supply, *count);
    }
    if (f->in->errors == before) {
        qsort(rows, *count, sizeof *rows, compare_drops);
        check_drops(output, rows, *count);
        for (size_t i = 0; i < *count; i++) {
            (*points)[i] = rows[i].point;
        }
    }
    sag_free(rows);
}

/* The drop of the lightest load at the minimum supply: between supplies in proportion, below the
 * first shrunk in proportion to the supply. points are in rising supply. */
static double lightest_drop(const sag_drop_point *points, size_t count, double supply_v)
{
    const sag_drop_point *below = NULL, *above = NULL;
    for (size_t i = 0; i < count; i++) {
        if (isnan(points[i].supply_v)) {
            return points[0].drop_v;
        }
        if (i > 0 && points[i].supply_v == points[i - 1].supply_v) {
            continue;
        }
        if (points[i].supply_v <= supply_v) {
            below = &points[i];
        } else if (!above) {
            above = &points[i];
        }
    }
    if (!below) {
        return above->drop_v * supply_v / above->supply_v;
    }
    if (!above) {
        return below->drop_v;
    }
    return below->drop_v + (above->drop_v - below->drop_v) * (supply_v - below->supply_v) /
                               (above->supply_v - below->supply_v);
}

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
    read_drops(f, &output, "high", &opamp->high, &opamp->high_count);
    read_drops(f, &output, "low", &opamp->low, &opamp->low_count);
    if (f->in->errors == before && opamp->supply_min_v > 0 && opamp->high_count &&
        opamp->low_count && !f->in->no_memory) {
        double high = lightest_drop(opamp->high, opamp->high_count, opamp->supply_min_v);
        double low = lightest_drop(opamp->low, opamp->low_count, opamp->supply_min_v);
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
        sag_read_array(&f->in->root, "against_supply", SAG_OPTIONAL, 1, MAX_POINTS);
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
    sag_json_quantity(root, "open_loop_gain", SAG_OPTIONAL, SAG_GAIN, 10, 1e12,
                      &opamp->open_loop_gain);
    sag_json_quantity(root, "supply_current", SAG_REQUIRED, SAG_AMPERE, 0, 1,
                      &opamp->supply_current_a);
    sag_json_quantity(root, "thd_floor", SAG_OPTIONAL, SAG_RATIO, 0, 1, &opamp->thd_floor);
    read_output(f);
    read_input(f);
    read_noise(f);
    read_against(f);
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
        sag_free(model->high);
        sag_free(model->low);
        for (size_t i = 0; i < model->against_count; i++) {
            sag_free((void *)model->against[i].estimate);
        }
        sag_free(model->against);
        sag_free(model);
    }
}
