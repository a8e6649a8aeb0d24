/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_figures.h"

#include "label.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { VALUE_COLUMN = 36, SOURCE_INDENT = 6 };

static void write_line(figures *f, const char *path, const char *value)
{
    output_format(f->out, "  %-*s%s\n", VALUE_COLUMN - 2, path, value);
}

/* What a figure rests on, as the texts of model files say it. */
static void count_source(figures *f, const char *source)
{
    f->given++;
    if (strstr(source, "estimate") || strstr(source, "Estimate")) {
        f->estimates++;
    } else if (strstr(source, "from memory")) {
        f->remembered++;
    }
}

/* The source of a figure, unless it is that of the whole file, which stands at the top. */
static void write_source(figures *f, const char *path)
{
    const char *source = sag_model_figure_source(f->head, path);
    count_source(f, source);
    if (source != f->head->source) {
        output_wrapped(f->out, source, 0, SOURCE_INDENT);
    }
}

static void write_estimate(figures *f, const char *why)
{
    char estimate[1024];
    snprintf(estimate, sizeof estimate, "estimate: %s", why);
    output_wrapped(f->out, estimate, 0, SOURCE_INDENT);
}

static void write_left_out(figures *f, const char *path, const char *ideal)
{
    char text[LABEL_SIZE];
    size_t used = strlen(f->left_out);
    snprintf(text, sizeof text, "left out: %s", ideal);
    write_line(f, path, text);
    snprintf(f->left_out + used, sizeof f->left_out - used, "%s%s", used ? ", " : "", path);
}

/* A figure; `ideal` says what is taken when it is left out (NAN or infinite). */
static void figure(figures *f, const char *path, double value, sag_unit unit, const char *ideal)
{
    char text[LABEL_SIZE];
    if (isfinite(value)) {
        write_line(f, path, label_value(text, value, unit));
        write_source(f, path);
    } else {
        write_left_out(f, path, ideal);
    }
}

/* The same for a figure that is 0 when it is left out. */
static void positive(figures *f, const char *path, double value, sag_unit unit, const char *ideal)
{
    figure(f, path, value > 0 || value < 0 ? value : (double)NAN, unit, ideal);
}

static void figure_drops(figures *f, const char *path, const sag_drop_point *points, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        char drop[LABEL_SIZE], current[LABEL_SIZE], supply[LABEL_SIZE], text[3 * LABEL_SIZE];
        label_value(drop, points[i].drop_v, SAG_VOLT);
        label_value(current, points[i].current_a, SAG_AMPERE);
        int used = snprintf(text, sizeof text, "%s at %s", drop, current);
        if (isfinite(points[i].supply_v)) {
            used += snprintf(text + used, sizeof text - (size_t)used, ", supply %s",
                             label_value(supply, points[i].supply_v, SAG_VOLT));
        }
        snprintf(text + used, sizeof text - (size_t)used, "%s",
                 points[i].estimate ? ", estimate" : "");
        write_line(f, i == 0 ? path : "", text);
        /* Once for a run of points of the same reason. */
        if (points[i].estimate && (i + 1 == count || !points[i + 1].estimate ||
                                   strcmp(points[i].estimate, points[i + 1].estimate) != 0)) {
            write_estimate(f, points[i].estimate);
        }
    }
    write_source(f, path);
}

static void figure_side(figures *f, const char *side, const sag_input_side *range)
{
    char path[64];
    snprintf(path, sizeof path, "input.%s.specified", side);
    figure(f, path, range->specified_v, SAG_VOLT, "not checked");
    snprintf(path, sizeof path, "input.%s.works_to", side);
    figure(f, path, range->works_to_v, SAG_VOLT, "unlimited");
    snprintf(path, sizeof path, "input.%s.reverses_at", side);
    figure(f, path, range->reverses_at_v, SAG_VOLT, "never reverses");
}

static void figure_against_supply(figures *f, const sag_opamp_model *model)
{
    if (model->against_count == 0) {
        write_left_out(f, "against_supply", "the same at every supply");
        return;
    }
    for (size_t i = 0; i < model->against_count; i++) {
        const sag_against_supply *row = &model->against[i];
        const struct {
            const char *name;
            double ratio;
        } ratios[] = {{"gain_bandwidth", row->gain_bandwidth},
                      {"slew_rate", row->slew_rate},
                      {"supply_current", row->supply_current}};
        char value[LABEL_SIZE], text[LABEL_SIZE];
        snprintf(text, sizeof text, "%.32s:", label_value(value, row->supply_v, SAG_VOLT));
        for (size_t k = 0; k < sizeof ratios / sizeof ratios[0]; k++) {
            if (isfinite(ratios[k].ratio)) {
                size_t used = strlen(text);
                snprintf(text + used, sizeof text - used, " %s %.3g %%", ratios[k].name,
                         100 * ratios[k].ratio);
            }
        }
        write_line(f, i == 0 ? "against_supply" : "", text);
        if (row->estimate) {
            write_estimate(f, row->estimate);
        }
    }
    write_source(f, "against_supply");
}

/* Output resistance, with what the computing makes of it: it takes at least 1 ohm. */
static void figure_output_resistance(figures *f, const sag_opamp_model *model)
{
    figure(f, "output.resistance", model->output_ohm, SAG_OHM, "computed as 1 ohm");
    if (model->output_ohm < 1) {
        output_wrapped(f->out, "under 1 ohm: computed as 1 ohm", 0, SOURCE_INDENT);
    }
}

static void figure_crossover(figures *f, const sag_opamp_model *model)
{
    if (!(model->dead_band_v > 0)) {
        write_left_out(f, "output.crossover", "no crossover");
        return;
    }
    figure(f, "output.crossover.class_a_source", model->class_a_source_a, SAG_AMPERE, "none");
    figure(f, "output.crossover.class_a_sink", model->class_a_sink_a, SAG_AMPERE, "none");
    figure(f, "output.crossover.dead_band", model->dead_band_v, SAG_VOLT, "none");
}

/* Nothing for a figure without limits: only few have them. */
static void figure_limit(figures *f, const char *name, sag_unit unit, sag_figure_limit limit)
{
    char path[64], low[LABEL_SIZE], high[LABEL_SIZE], text[3 * LABEL_SIZE];
    snprintf(path, sizeof path, "limits.%s", name);
    label_value(low, limit.min, unit);
    label_value(high, limit.max, unit);
    if (!isnan(limit.min) && !isnan(limit.max)) {
        snprintf(text, sizeof text, "%s to %s", low, high);
    } else if (!isnan(limit.min)) {
        snprintf(text, sizeof text, "%s or more", low);
    } else if (!isnan(limit.max)) {
        snprintf(text, sizeof text, "%s or less", high);
    } else {
        return;
    }
    write_line(f, path, text);
    write_source(f, path);
}

static void figure_limits(figures *f, const sag_opamp_limits *limits)
{
    figure_limit(f, "gain_bandwidth", SAG_HERTZ, limits->gain_bandwidth_hz);
    figure_limit(f, "slew_rate", SAG_VOLT_PER_SECOND, limits->slew_rate);
    figure_limit(f, "open_loop_gain", SAG_GAIN, limits->open_loop_gain);
    figure_limit(f, "supply_current", SAG_AMPERE, limits->supply_current_a);
    figure_limit(f, "short_circuit", SAG_AMPERE, limits->short_circuit_a);
    figure_limit(f, "offset", SAG_VOLT, limits->offset_v);
    figure_limit(f, "bias_current", SAG_AMPERE, limits->bias_a);
    figure_limit(f, "drop", SAG_RATIO, limits->drop);
}

void figures_opamp(figures *f, const sag_opamp_model *model)
{
    char text[LABEL_SIZE];
    snprintf(text, sizeof text, "%d", model->amplifiers);
    write_line(f, "amplifiers", text);
    write_source(f, "amplifiers");
    figure(f, "supply.min", model->supply_min_v, SAG_VOLT, "");
    figure(f, "supply.max", model->supply_max_v, SAG_VOLT, "");
    figure(f, "supply.absolute_max", model->absolute_max_v, SAG_VOLT, "");
    positive(f, "supply.stops_below", model->stops_below_v, SAG_VOLT, "works at any supply");
    figure(f, "gain_bandwidth", model->gain_bandwidth_hz, SAG_HERTZ, "");
    figure(f, "phase_margin", model->phase_margin_deg, SAG_DEGREE, "90 deg, no second pole");
    figure(f, "slew_rate.rise", model->slew_rise, SAG_VOLT_PER_SECOND, "");
    figure(f, "slew_rate.fall", model->slew_fall, SAG_VOLT_PER_SECOND, "");
    figure(f, "open_loop_gain", model->open_loop_gain, SAG_GAIN, "infinite at DC");
    figure(f, "supply_current", model->supply_current_a, SAG_AMPERE, "");
    figure(f, "thd_floor", model->thd_floor, SAG_RATIO, "none");
    figure_drops(f, "output.high", model->high, model->high_count);
    figure_drops(f, "output.low", model->low, model->low_count);
    figure_output_resistance(f, model);
    if (model->short_source_a < model->short_sink_a ||
        model->short_source_a > model->short_sink_a) {
        figure(f, "output.short_circuit.source", model->short_source_a, SAG_AMPERE, "unlimited");
        figure(f, "output.short_circuit.sink", model->short_sink_a, SAG_AMPERE, "unlimited");
    } else {
        figure(f, "output.short_circuit", model->short_source_a, SAG_AMPERE, "unlimited");
    }
    figure_crossover(f, model);
    figure_side(f, "low_side", &model->input_low);
    figure_side(f, "high_side", &model->input_high);
    positive(f, "input.offset", model->offset_v, SAG_VOLT, "no offset");
    positive(f, "input.bias_current", model->bias_a, SAG_AMPERE, "none");
    figure(f, "input.resistance", model->input_ohm, SAG_OHM, "infinite");
    positive(f, "input.capacitance", model->input_farad, SAG_FARAD, "none");
    if (model->differential_diodes) {
        write_line(f, "input.differential_diodes", "yes");
        write_source(f, "input.differential_diodes");
    } else {
        write_left_out(f, "input.differential_diodes", "none");
    }
    positive(f, "noise.voltage", model->noise_voltage, SAG_VOLT_PER_ROOT_HZ, "no noise");
    positive(f, "noise.voltage_corner", model->noise_voltage_corner_hz, SAG_HERTZ, "no 1/f noise");
    positive(f, "noise.current", model->noise_current, SAG_AMPERE_PER_ROOT_HZ, "no noise");
    positive(f, "noise.current_corner", model->noise_current_corner_hz, SAG_HERTZ, "no 1/f noise");
    figure_against_supply(f, model);
    figure_limits(f, &model->limits);
}

/* The source of one column of a table, under its name. */
static void write_column(figures *f, const char *name, const char *path)
{
    char text[2048];
    const char *source = sag_model_figure_source(f->head, path);
    count_source(f, source);
    if (source == f->head->source) {
        return;
    }
    output_format(f->out, "%*s", SOURCE_INDENT, "");
    snprintf(text, sizeof text, "%s: %s", name, source);
    output_wrapped(f->out, text, SOURCE_INDENT, SOURCE_INDENT);
}

void figures_battery(figures *f, const sag_battery_model *model)
{
    figure(f, "nominal", model->nominal_v, SAG_VOLT, "");
    figure(f, "flat", model->flat_v, SAG_VOLT, "");
    positive(f, "self_discharge_per_year", model->self_discharge_per_year, SAG_RATIO, "none");
    figure(f, "shelf_life", model->shelf_life_s, SAG_SECOND, "no limit");
    write_line(f, "rechargeable", model->rechargeable ? "yes" : "no: never charge it");
    write_source(f, "rechargeable");
    output_format(f->out, "  %-*s%8s %14s %14s %14s\n", VALUE_COLUMN - 2, "cell", "depth",
                  "open circuit", "audio rate", "DC");
    for (size_t i = 0; i < model->row_count; i++) {
        const sag_battery_row *row = &model->rows[i];
        char depth[LABEL_SIZE], volts[LABEL_SIZE], audio[LABEL_SIZE], dc[LABEL_SIZE];
        output_format(f->out, "  %-*s%8s %14s %14s %14s\n", VALUE_COLUMN - 2, "",
                      label_value(depth, row->depth, SAG_RATIO),
                      label_value(volts, row->open_circuit_v, SAG_VOLT),
                      label_value(audio, row->audio_ohm, SAG_OHM),
                      label_value(dc, row->dc_ohm, SAG_OHM));
    }
    write_column(f, "open circuit", "cell.open_circuit");
    write_column(f, "audio rate", "cell.resistance_audio");
    write_column(f, "DC", "cell.resistance_dc");
    for (size_t i = 0; i < model->capacity_count; i++) {
        const sag_battery_capacity *row = &model->capacity[i];
        char charge[LABEL_SIZE], least[LABEL_SIZE], drain[LABEL_SIZE], text[4 * LABEL_SIZE];
        int used =
            snprintf(text, sizeof text, "%s at %s", label_value(charge, row->charge_c, SAG_COULOMB),
                     label_value(drain, row->drain_a, SAG_AMPERE));
        if (row->spread_down > 0 || row->spread_up > 0) {
            snprintf(text + used, sizeof text - (size_t)used, ", spread %s to %s",
                     label_value(least, row->charge_c * (1 - row->spread_down), SAG_COULOMB),
                     label_value(charge, row->charge_c * (1 + row->spread_up), SAG_COULOMB));
        }
        write_line(f, i == 0 ? "capacity" : "", text);
    }
    write_column(f, "charge", "capacity.charge");
    write_column(f, "spread", "capacity.spread");
}

void figures_diode(figures *f, const sag_diode_model *model)
{
    for (size_t i = 0; i < model->forward_count; i++) {
        char volts[LABEL_SIZE], amperes[LABEL_SIZE], text[2 * LABEL_SIZE + 8];
        snprintf(text, sizeof text, "%s at %s",
                 label_value(volts, model->forward[i].voltage_v, SAG_VOLT),
                 label_value(amperes, model->forward[i].current_a, SAG_AMPERE));
        write_line(f, i == 0 ? "forward" : "", text);
    }
    write_source(f, "forward");
    figure(f, "breakdown", model->breakdown_v, SAG_VOLT, "never breaks down");
}

void figures_pickup(figures *f, const sag_pickup_model *model)
{
    if (model->active) {
        write_line(f, "active", "yes");
        write_source(f, "active");
    }
    positive(f, "resistance", model->ohm, SAG_OHM, "none");
    positive(f, "inductance", model->henry, SAG_HENRY, "none");
    positive(f, "capacitance", model->farad, SAG_FARAD, "none");
    positive(f, "series_capacitance", model->series_farad, SAG_FARAD, "none");
    for (size_t i = 0; i < model->level_count; i++) {
        char path[LABEL_SIZE], text[LABEL_SIZE];
        snprintf(path, sizeof path, "levels.%.100s", model->level_names[i]);
        snprintf(text, sizeof text, "%.3g Vpk", model->level_vpk[i]);
        write_line(f, path, text);
        write_source(f, path);
    }
}

void figures_summary(const figures *f)
{
    char text[1024];
    output_text(f->out, "\n");
    if (f->left_out[0]) {
        snprintf(text, sizeof text, "Left out, and so ideal: %s.", f->left_out);
        output_wrapped(f->out, text, 0, 0);
    }
    snprintf(text, sizeof text,
             "Figures and tables that rest on an estimate, wholly or in part: %zu of %zu; on "
             "memory: %zu.",
             f->estimates, f->given, f->remembered);
    output_wrapped(f->out, text, 0, 0);
}
