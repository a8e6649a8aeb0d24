/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_sheet.h - a model of any kind as a row of a list, or figure by figure with the sources. */
#ifndef RAILSAG_MODEL_SHEET_H
#define RAILSAG_MODEL_SHEET_H

#include "model.h"
#include "output.h"
#include "table.h"

/* Exactly one of the pointers is set after a successful read. */
typedef struct {
    sag_opamp_model *opamp;
    sag_battery_model *battery;
    sag_diode_model *diode;
    sag_pickup_model *pickup;
} model_sheet;

/* Reads a model file of whatever kind its format says. sheet is freed with model_sheet_free in any
 * case. */
sag_status model_sheet_read(model_sheet *sheet, const char *file, sag_report *report);
void model_sheet_free(model_sheet *sheet);

/* A table for a list of one kind, with its heads; NULL when memory is short. */
table *model_sheet_list(sag_model_kind kind);
void model_sheet_row(const model_sheet *sheet, table *t);

/* All figures, what they rest on, and the supplies they hold for. Returns 0 when memory is short.
 */
int model_sheet_write(const model_sheet *sheet, output *out);

#endif
