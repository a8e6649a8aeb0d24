/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_private.h"

#include "memory.h"

#include <math.h>

#define MAX_ROWS 500  /* of a table */
#define FRESHER  1.05 /* how far over its first row a battery may be; estimate */

static void read_cell(sag_model_file *in, sag_battery_model *battery)
{
    const sag_json *table;
    battery->rows = sag_model_rows(in, "cell", 2, MAX_ROWS, sizeof *battery->rows, &table);
    if (!battery->rows) {
        return;
    }
    size_t before = in->errors;
    for (const sag_json *row = table->first; row; row = row->next) {
        sag_json_reader reader = sag_model_row(in, row);
        sag_battery_row *to = &battery->rows[battery->row_count++];
        sag_json_quantity(&reader, "depth", SAG_REQUIRED, SAG_RATIO, 0, 1, &to->depth);
        sag_json_quantity(&reader, "open_circuit", SAG_REQUIRED, SAG_VOLT, 0.01, 100,
                          &to->open_circuit_v);
        int audio = sag_json_quantity(&reader, "resistance_audio", SAG_REQUIRED, SAG_OHM, 0, 1e6,
                                      &to->audio_ohm);
        int dc =
            sag_json_quantity(&reader, "resistance_dc", SAG_REQUIRED, SAG_OHM, 0, 1e6, &to->dc_ohm);
        if (audio && dc && to->dc_ohm < to->audio_ohm) {
            sag_json_error(&reader, row, "the slow part of the resistance adds to the fast one",
                           "resistance_dc (%g ohm) is below resistance_audio (%g ohm)", to->dc_ohm,
                           to->audio_ohm);
        }
        sag_json_close(&reader);
    }
    if (in->errors != before) {
        return; /* comparing rows would only repeat them */
    }
    const sag_battery_row *last = &battery->rows[battery->row_count - 1];
    if (battery->rows[0].depth > 0) {
        sag_json_error(&in->root, table->first, "begin with a row for a fresh battery, depth 0%",
                       "the first row is at a depth of %g %%", 100 * battery->rows[0].depth);
    }
    const sag_json *row = table->first;
    for (size_t i = 1; row && i < battery->row_count; i++) {
        const sag_battery_row *a = &battery->rows[i - 1], *b = &battery->rows[i];
        row = row->next;
        if (!(b->depth > a->depth)) {
            sag_json_error(&in->root, row, "write the rows in rising depth, each once",
                           "depth %g %% does not follow %g %%", 100 * b->depth, 100 * a->depth);
        }
        if (!(b->open_circuit_v < a->open_circuit_v)) {
            sag_json_error(&in->root, row, "the open-circuit voltage must fall from row to row",
                           "open_circuit %g V is not below %g V, the row before it",
                           b->open_circuit_v, a->open_circuit_v);
        }
    }
    if (last->depth < 1) {
        sag_json_error(&in->root, row, "end with a row for an empty battery, depth 100%",
                       "the last row is at a depth of %g %%", 100 * last->depth);
    }
}

/* One ratio for both directions, or an object with each. */
static void read_spread(sag_json_reader *reader, sag_battery_capacity *to)
{
    sag_json_reader spread;
    const double most_down = 0.99, most_up = 10;
    const sag_json *value = sag_json_get(reader, "spread");
    if (!value || value->type != SAG_JSON_OBJECT) {
        sag_json_quantity(reader, "spread", SAG_OPTIONAL, SAG_RATIO, 0, most_down,
                          &to->spread_down);
        to->spread_up = to->spread_down;
        return;
    }
    if (sag_read_object(reader, "spread", SAG_OPTIONAL, &spread)) {
        sag_json_quantity(&spread, "down", SAG_REQUIRED, SAG_RATIO, 0, most_down, &to->spread_down);
        sag_json_quantity(&spread, "up", SAG_REQUIRED, SAG_RATIO, 0, most_up, &to->spread_up);
        sag_json_close(&spread);
    }
}

static void read_capacity(sag_model_file *in, sag_battery_model *battery)
{
    const sag_json *table;
    battery->capacity =
        sag_model_rows(in, "capacity", 1, MAX_ROWS, sizeof *battery->capacity, &table);
    if (!battery->capacity) {
        return;
    }
    double before = -1, charge_before = (double)INFINITY;
    for (const sag_json *row = table->first; row; row = row->next) {
        sag_json_reader reader = sag_model_row(in, row);
        sag_battery_capacity *to = &battery->capacity[battery->capacity_count++];
        if (sag_json_quantity(&reader, "drain", SAG_REQUIRED, SAG_AMPERE, 1e-9, 100,
                              &to->drain_a)) {
            if (to->drain_a <= before) {
                sag_json_error(&reader, row, "write the rows in rising drain, each once",
                               "drain %g mA does not follow %g mA", 1e3 * to->drain_a,
                               1e3 * before);
            }
            before = to->drain_a;
        }
        if (sag_json_quantity(&reader, "charge", SAG_REQUIRED, SAG_COULOMB, 1e-3, 1e7,
                              &to->charge_c)) {
            if (to->charge_c > charge_before) {
                sag_json_error(&reader, row, "the usable charge falls with the drain, or stays",
                               "charge %g mAh is above %g mAh, the row before it",
                               to->charge_c / 3.6, charge_before / 3.6);
            }
            charge_before = to->charge_c;
        }
        read_spread(&reader, to);
        sag_json_close(&reader);
    }
}

static void read_battery(sag_model_file *in, sag_battery_model *battery)
{
    sag_json_reader *root = &in->root;
    battery->shelf_life_s = (double)NAN;
    sag_json_quantity(root, "nominal", SAG_REQUIRED, SAG_VOLT, 0.1, 100, &battery->nominal_v);
    int flat = sag_json_quantity(root, "flat", SAG_REQUIRED, SAG_VOLT, 0.01, 100, &battery->flat_v);
    sag_json_quantity(root, "self_discharge_per_year", SAG_OPTIONAL, SAG_RATIO, 0, 0.999,
                      &battery->self_discharge_per_year);
    sag_json_quantity(root, "shelf_life", SAG_OPTIONAL, SAG_SECOND, 3600, 3.2e9,
                      &battery->shelf_life_s);
    sag_json_bool(root, "rechargeable", SAG_OPTIONAL, &battery->rechargeable);
    size_t before = in->errors;
    read_cell(in, battery);
    if (flat && battery->row_count && in->errors == before &&
        battery->flat_v >= battery->rows[0].open_circuit_v) {
        sag_json_error(root, sag_json_get(root, "flat"),
                       "flat is the voltage under light load at which the battery is used up",
                       "flat (%g V) is not below the open-circuit voltage of the first row (%g V)",
                       battery->flat_v, battery->rows[0].open_circuit_v);
    }
    read_capacity(in, battery);
}

sag_status sag_battery_model_read(const char *text, size_t length, const char *file,
                                  sag_battery_model **out, sag_report *report)
{
    sag_model_file in;
    *out = NULL;
    sag_battery_model *battery = sag_new(1, sizeof *battery);
    if (!battery) {
        return SAG_NO_MEMORY;
    }
    sag_status status =
        sag_model_file_open(&in, text, length, file, "battery", &battery->head, report);
    if (status == SAG_OK) {
        read_battery(&in, battery);
        status = sag_model_file_close(&in);
    }
    if (status == SAG_OK) {
        *out = battery;
    } else {
        sag_battery_model_free(battery);
    }
    return status;
}

void sag_battery_model_free(sag_battery_model *model)
{
    if (model) {
        sag_model_head_clear(&model->head);
        sag_free(model->rows);
        sag_free(model->capacity);
        sag_free(model);
    }
}

double sag_battery_charge_c(const sag_battery_model *battery, double drain_a, double *least_c,
                            double *most_c)
{
    const sag_battery_capacity *rows = battery->capacity;
    size_t i = 0;
    while (i + 2 < battery->capacity_count && rows[i + 1].drain_a <= drain_a) {
        i++;
    }
    const sag_battery_capacity *a = &rows[i];
    const sag_battery_capacity *b = battery->capacity_count > 1 ? &rows[i + 1] : a;
    double share = 0;
    if (drain_a >= b->drain_a) {
        share = 1;
    } else if (drain_a > a->drain_a) {
        share = log(drain_a / a->drain_a) / log(b->drain_a / a->drain_a);
    }
    double charge_c = (1 - share) * a->charge_c + share * b->charge_c;
    if (least_c) {
        *least_c = charge_c * (1 - (1 - share) * a->spread_down - share * b->spread_down);
    }
    if (most_c) {
        *most_c = charge_c * (1 + (1 - share) * a->spread_up + share * b->spread_up);
    }
    return charge_c;
}

int sag_battery_in_series(const sag_battery_model *battery, double supply_v)
{
    int count = (int)ceil(supply_v / (FRESHER * battery->rows[0].open_circuit_v) - 1e-9);
    return count > 1 ? count : 1;
}

double sag_battery_kept(const sag_battery_model *battery, double seconds)
{
    const double year_s = 365.25 * 86400;
    return pow(1 - battery->self_discharge_per_year, seconds / year_s);
}
