/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_sheet.h"

#include "label.h"
#include "model_figures.h"
#include "model_range.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* The kind that the text's format names; -1 with a finding when it is none. */
static int find_kind(const sag_json *root, const char *file, sag_report *report)
{
    const sag_json *format = NULL;
    for (const sag_json *child = root->first; child && root->type == SAG_JSON_OBJECT;
         child = child->next) {
        if (!strcmp(child->key, "format")) {
            format = child;
        }
    }
    for (int kind = SAG_MODEL_OPAMP; kind <= SAG_MODEL_PICKUP; kind++) {
        char wanted[64];
        snprintf(wanted, sizeof wanted, "railsag %s 1", sag_model_kind_name((sag_model_kind)kind));
        if (format && format->type == SAG_JSON_STRING && !strcmp(format->string, wanted)) {
            return kind;
        }
    }
    char path[64];
    sag_report_at(report, SAG_ERROR,
                  sag_json_place(format ? format : root, file, path, sizeof path),
                  "a model starts with \"format\": \"railsag opamp 1\", or battery, diode, pickup",
                  "%s%.40s%s", format && format->string ? "\"" : "",
                  format && format->string ? format->string : "no format of a model",
                  format && format->string ? "\" is no model" : "");
    return -1;
}

static sag_status read_as(model_sheet *sheet, int kind, const char *text, size_t length,
                          const char *file, sag_report *report)
{
    switch (kind) {
    case SAG_MODEL_OPAMP:
        return sag_opamp_model_read(text, length, file, &sheet->opamp, report);
    case SAG_MODEL_BATTERY:
        return sag_battery_model_read(text, length, file, &sheet->battery, report);
    case SAG_MODEL_DIODE:
        return sag_diode_model_read(text, length, file, &sheet->diode, report);
    case SAG_MODEL_PICKUP:
        return sag_pickup_model_read(text, length, file, &sheet->pickup, report);
    default:
        return SAG_BAD_INPUT;
    }
}

static const sag_model_head *head_of(const model_sheet *sheet)
{
    return sheet->opamp     ? &sheet->opamp->head
           : sheet->battery ? &sheet->battery->head
           : sheet->diode   ? &sheet->diode->head
                            : &sheet->pickup->head;
}

sag_status model_sheet_read(model_sheet *sheet, const char *file, sag_report *report)
{
    char *text = NULL;
    size_t length = 0;
    sag_json_document *document = NULL;
    memset(sheet, 0, sizeof *sheet);
    sag_status status = sag_json_load(file, &text, &length, report);
    if (status == SAG_OK) {
        status = sag_json_read(text, length, file, &document, report);
    }
    if (status == SAG_OK) {
        int kind = find_kind(sag_json_root(document), file, report);
        status = read_as(sheet, kind, text, length, file, report);
    }
    if (status == SAG_OK) {
        sag_model_compare_names(head_of(sheet), report);
    }
    sag_json_free(document);
    sag_free(text);
    return status;
}

void model_sheet_free(model_sheet *sheet)
{
    sag_opamp_model_free(sheet->opamp);
    sag_battery_model_free(sheet->battery);
    sag_diode_model_free(sheet->diode);
    sag_pickup_model_free(sheet->pickup);
}

static void heads(table *t, const char *const *texts, size_t count)
{
    for (size_t i = 0; t && i < count; i++) {
        table_cell(t, "%s", texts[i]);
    }
}

table *model_sheet_list(sag_model_kind kind)
{
    static const char *const opamp[] = {
        "name", "rated supply", "stops below", "GBW", "slew", "drain", ""};
    static const char *const battery[] = {"name", "nominal", "fresh", "flat", "capacity", ""};
    static const char *const diode[] = {"name", "forward", "breakdown", ""};
    static const char *const pickup[] = {"name", "resistance", "inductance", "capacitance", ""};
    table *t = NULL;
    switch (kind) {
    case SAG_MODEL_OPAMP:
        t = table_new("lrrrrrl", 2);
        heads(t, opamp, 7);
        break;
    case SAG_MODEL_BATTERY:
        t = table_new("lrrrrl", 2);
        heads(t, battery, 6);
        break;
    case SAG_MODEL_DIODE:
        t = table_new("lrrl", 2);
        heads(t, diode, 4);
        break;
    case SAG_MODEL_PICKUP:
        t = table_new("lrrrl", 2);
        heads(t, pickup, 5);
        break;
    }
    return t;
}

static void value_cell(table *t, double value, sag_unit unit)
{
    char text[LABEL_SIZE];
    table_cell(t, "%s", label_value(text, value, unit));
}

static void zero_is_none_cell(table *t, double value, sag_unit unit)
{
    value_cell(t, value > 0 ? value : (double)NAN, unit);
}

static void opamp_row(const sag_opamp_model *model, table *t)
{
    char text[LABEL_SIZE];
    table_cell(t, "%s", model->head.name);
    table_cell(t, "%.4g to %s", model->supply_min_v,
               label_value(text, model->supply_max_v, SAG_VOLT));
    zero_is_none_cell(t, model->stops_below_v, SAG_VOLT);
    value_cell(t, model->gain_bandwidth_hz, SAG_HERTZ);
    value_cell(t, fmin(model->slew_rise, model->slew_fall), SAG_VOLT_PER_SECOND);
    value_cell(t, model->amplifiers * model->supply_current_a, SAG_AMPERE);
    table_cell(t, "%s", model->head.title);
}

static void battery_row(const sag_battery_model *model, table *t)
{
    table_cell(t, "%s", model->head.name);
    value_cell(t, model->nominal_v, SAG_VOLT);
    value_cell(t, model->rows[0].open_circuit_v, SAG_VOLT);
    value_cell(t, model->flat_v, SAG_VOLT);
    value_cell(t, model->capacity_count > 0 ? model->capacity[0].charge_c : (double)NAN,
               SAG_COULOMB);
    table_cell(t, "%s", model->head.title);
}

static void diode_row(const sag_diode_model *model, table *t)
{
    char volts[LABEL_SIZE], amperes[LABEL_SIZE];
    const sag_forward_point *point = &model->forward[0];
    table_cell(t, "%s", model->head.name);
    table_cell(t, "%s at %s", label_value(volts, point->voltage_v, SAG_VOLT),
               label_value(amperes, point->current_a, SAG_AMPERE));
    value_cell(t, model->breakdown_v, SAG_VOLT);
    table_cell(t, "%s", model->head.title);
}

static void pickup_row(const sag_pickup_model *model, table *t)
{
    table_cell(t, "%s", model->head.name);
    zero_is_none_cell(t, model->ohm, SAG_OHM);
    zero_is_none_cell(t, model->henry, SAG_HENRY);
    zero_is_none_cell(t, model->series_farad > 0 ? model->series_farad : model->farad, SAG_FARAD);
    table_cell(t, "%s", model->head.title);
}

void model_sheet_row(const model_sheet *sheet, table *t)
{
    if (sheet->opamp) {
        opamp_row(sheet->opamp, t);
    } else if (sheet->battery) {
        battery_row(sheet->battery, t);
    } else if (sheet->diode) {
        diode_row(sheet->diode, t);
    } else if (sheet->pickup) {
        pickup_row(sheet->pickup, t);
    }
}

int model_sheet_write(const model_sheet *sheet, output *out)
{
    const sag_model_head *head = head_of(sheet);
    output_format(out, "%s: %s\n", head->name, head->title ? head->title : "");
    output_format(out, "file: %s\n", head->file);
    char line[2048];
    snprintf(line, sizeof line, "source, where no other is given: %s", head->source);
    output_wrapped(out, line, 0, 2);
    output_text(out, "\n");
    figures f = {.out = out, .head = head};
    int done = 1;
    if (sheet->opamp) {
        figures_opamp(&f, sheet->opamp);
    } else if (sheet->battery) {
        figures_battery(&f, sheet->battery);
    } else if (sheet->diode) {
        figures_diode(&f, sheet->diode);
    } else {
        figures_pickup(&f, sheet->pickup);
    }
    figures_summary(&f);
    if (sheet->opamp) {
        model_range_opamp(sheet->opamp, out);
    } else if (sheet->battery) {
        done = model_range_battery(sheet->battery, out);
    }
    return done;
}
