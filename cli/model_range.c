/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_range.h"

#include "curve.h"
#include "label.h"
#include "memory.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double usual_v[] = {18, 9, 7, 5, 3}; /* the supplies that commands look at untold */
enum { USUAL = sizeof usual_v / sizeof usual_v[0], INDENT = 12 };

static void write_supply(output *out, double volts, const char *text)
{
    output_format(out, "  %6g V  ", volts);
    output_wrapped(out, text, INDENT, INDENT);
}

static int holds(double left_low_v, double left_high_v, double low_v, double high_v)
{
    return !(left_low_v < low_v) && !(left_high_v < high_v); /* a figure not given holds */
}

/* What becomes of inputs that rest at half the supply. */
static const char *half_supply(const sag_opamp_model *model, double volts)
{
    double left_v = volts / 2;
    if (!holds(left_v, left_v, model->input_low.works_to_v, model->input_high.works_to_v)) {
        return "; inputs at half the supply lose their gain";
    }
    if (!holds(left_v, left_v, model->input_low.specified_v, model->input_high.specified_v)) {
        return "; inputs at half the supply are not promised to work";
    }
    return "";
}

void model_range_opamp(const sag_opamp_model *model, output *out)
{
    output_text(out, "\nAt the usual supplies, if the part gets all of it:\n");
    for (int i = 0; i < USUAL; i++) {
        double volts = usual_v[i];
        char text[3 * LABEL_SIZE], low[LABEL_SIZE], high[LABEL_SIZE], limit[LABEL_SIZE];
        label_value(low, model->supply_min_v, SAG_VOLT);
        label_value(high, model->supply_max_v, SAG_VOLT);
        label_value(limit, model->absolute_max_v, SAG_VOLT);
        if (volts > model->absolute_max_v) {
            snprintf(text, sizeof text, "beyond: damaged above %s; not computed", limit);
        } else if (volts < model->stops_below_v) {
            snprintf(text, sizeof text, "beyond: stops working below %s; not computed",
                     label_value(limit, model->stops_below_v, SAG_VOLT));
        } else {
            int under = volts<model->supply_min_v, over = volts> model->supply_max_v;
            snprintf(text, sizeof text, "%s rated %s to %s%s%s%s",
                     under || over ? "outside its" : "inside its", low, high,
                     under  ? ": works, but no sheet promises how"
                     : over ? ": under its absolute maximum, but not recommended"
                            : "",
                     sag_opamp_is_estimate(model, volts) ? "; rests on estimates" : "",
                     half_supply(model, volts));
        }
        write_supply(out, volts, text);
    }
}

/* The depth of discharge at an open-circuit voltage, as the network reads it: the rows backwards.
 * Returns 0 when memory is short. */
static int depth_at(const sag_battery_model *model, double volts, double *depth)
{
    size_t count = model->row_count;
    sag_curve curve;
    double *x = sag_new(2 * count, sizeof *x);
    if (!x) {
        return 0;
    }
    for (size_t i = 0; i < count; i++) {
        x[i] = model->rows[count - 1 - i].open_circuit_v;
        x[count + i] = model->rows[count - 1 - i].depth;
    }
    sag_status status = sag_curve_make(&curve, x, x + count, count);
    if (status == SAG_OK) {
        *depth = sag_curve_at(&curve, volts, NULL);
        sag_curve_clear(&curve);
    }
    sag_free(x);
    return status == SAG_OK;
}

int model_range_battery(const sag_battery_model *model, output *out)
{
    output_text(out, "\nAt the usual supplies, open-circuit:\n");
    for (int i = 0; i < USUAL; i++) {
        double volts = usual_v[i], depth;
        int count = sag_battery_in_series(model, volts);
        double each_v = volts / count;
        double fresh_v = model->rows[0].open_circuit_v;
        double last_v = model->rows[model->row_count - 1].open_circuit_v;
        char text[2 * LABEL_SIZE] = "", each[LABEL_SIZE], other[LABEL_SIZE], used[LABEL_SIZE];
        if (!depth_at(model, each_v, &depth)) {
            return 0;
        }
        if (count > 1) {
            snprintf(text, sizeof text, "%d in series, each at %s: ", count,
                     label_value(each, each_v, SAG_VOLT));
        }
        size_t length = strlen(text);
        if (each_v < last_v) {
            snprintf(text + length, sizeof text - length,
                     "beyond its data, which end at %s: the last resistance is held",
                     label_precise(other, last_v, SAG_VOLT));
        } else if (each_v > fresh_v) {
            snprintf(text + length, sizeof text - length, "above a fresh one of %s",
                     label_precise(other, fresh_v, SAG_VOLT));
        } else {
            snprintf(text + length, sizeof text - length, "inside its data, %s used",
                     label_value(used, depth, SAG_RATIO));
        }
        write_supply(out, volts, text);
    }
    return 1;
}
