/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery_text.c - discharges as tables. */
#include "battery_run.h"
#include "label.h"
#include "table.h"

#include <math.h>
#include <stdio.h>

const char *battery_name(const battery_case *c, const session *s)
{
    (void)c;
    return s->designs[0]->supply.battery->head.name;
}

const char *battery_label(char *buffer, const session *s, const battery_case *c)
{
    double nominal_v = s->designs[0]->supply.battery->nominal_v;
    int count = battery_in_series(c);
    char all[LABEL_SIZE], each[LABEL_SIZE];
    label_value(all, nominal_v * count, SAG_VOLT);
    if (count == 1) {
        snprintf(buffer, LABEL_SIZE, "%s", all);
    } else {
        snprintf(buffer, LABEL_SIZE, "%.60s (%d x %.60s)", all, count,
                 label_value(each, nominal_v, SAG_VOLT));
    }
    return buffer;
}

const char *battery_hours(char *buffer, double seconds)
{
    if (!isfinite(seconds)) {
        snprintf(buffer, LABEL_SIZE, "no end");
    } else {
        snprintf(buffer, LABEL_SIZE, "%.*f h", seconds > 0 && seconds < 36000 ? 1 : 0,
                 seconds / 3600);
    }
    return buffer;
}

const char *battery_calendar(char *buffer, double seconds)
{
    double days = seconds / 86400, in_months = seconds / battery_month_s;
    if (!isfinite(seconds)) {
        snprintf(buffer, LABEL_SIZE, "no end");
    } else if (days < 60) {
        snprintf(buffer, LABEL_SIZE, "%.*f days", days > 0 && days < 10 ? 1 : 0, days);
    } else if (in_months < 24) {
        snprintf(buffer, LABEL_SIZE, "%.1f months", in_months);
    } else {
        snprintf(buffer, LABEL_SIZE, "%.1f years", in_months / 12);
    }
    return buffer;
}

static void write_start(const session *s)
{
    const sag_battery_model *battery = s->designs[0]->supply.battery;
    const options *o = s->options;
    char line[1024], item[LABEL_SIZE], list[LABEL_SIZE];
    result_text_start(s);
    output_format(s->table, "battery: %s, %s\n", battery->head.name, battery->head.title);
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        const sag_playing_level *playing = &s->designs[0]->playing[k];
        char volts[LABEL_SIZE];
        snprintf(item, sizeof item, "%s %.60s", playing->name,
                 label_value(volts, playing->vpk, SAG_VOLT));
        label_list(list, item, k, SAG_PLAYING_LEVELS);
    }
    snprintf(line, sizeof line,
             "used: depth of discharge. Plugged in: hours with the cable in, when the drain runs, "
             "played or not. Margin: the largest level with a THD up to %.3g %% over %s peak, the "
             "least from 31 Hz to 20 kHz; all playing levels are assumed to fall %.3g dB an octave "
             "above 400 Hz. THD: 98 Hz, hard playing.",
             100 * o->thd_limit, list, o->slope_db);
    output_wrapped(s->table, line, 0, 0);
}

static void write_case_start(const session *s, const battery_case *c)
{
    char text[LABEL_SIZE], number[LABEL_SIZE];
    const session_case *fresh = c->fresh;
    output_format(s->table, "\n%s", battery_label(text, s, c));
    if (isfinite(fresh->terminal_v)) {
        output_format(s->table, ", %s at the terminals when fresh",
                      label_precise(text, fresh->terminal_v, SAG_VOLT));
        output_format(s->table, ", drain %s", label_value(number, battery_drain_a(c), SAG_AMPERE));
    }
    label_controls(text, s, fresh->setting);
    output_format(s->table, ", %s drive%s%s\n",
                  s->options->drive == SAG_DRIVE_PICKUP ? "pickup" : "bench", *text ? ", " : "",
                  text);
    if (fresh->marks) {
        output_format(s->table, "%s\n", label_marks(text, fresh->marks, ", "));
    }
    if (c->status != SAG_OK) {
        output_format(s->table, "not computed: %s\n", sag_status_text(c->status));
    }
}

static void margin_cell(table *t, double db)
{
    char text[LABEL_SIZE];
    if (isinf(db)) {
        table_cell(t, db > 0 ? "> 40 dBV" : "< soft");
    } else {
        table_cell(t, "%s", label_db(text, db));
    }
}

static int write_times(const session *s, const battery_run *run, const battery_case *c)
{
    char align[MAX_DUTIES + 16], text[LABEL_SIZE];
    size_t columns = 3 + run->duties + SAG_PLAYING_LEVELS + 1;
    double floor_ratio = session_thd_shown(s);
    for (size_t k = 0; k < columns; k++) {
        align[k] = 'r';
    }
    align[columns] = 'l';
    align[columns + 1] = '\0';
    table *t = table_new(align, 2);
    if (!t) {
        return 0;
    }
    table_cell(t, "terminal");
    table_cell(t, "used");
    table_cell(t, "plugged in");
    for (size_t d = 0; d < run->duties; d++) {
        table_cell(t, "%s", s->options->duty[d]);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        table_cell(t, "%s", s->designs[0]->playing[k].name);
    }
    table_cell(t, "THD %%");
    table_cell(t, "%s", "");
    for (size_t i = 0; i < c->row_count; i++) {
        sag_discharge_state at = battery_state(c, i);
        table_cell(t, "%.2f V", at.terminal_v);
        table_cell(t, "%.0f %%", 100 * at.depth);
        table_cell(t, "%s",
                   battery_hours(text, battery_time(run, c, 0, SAG_CHARGE_TYPICAL, i)->plugged_s));
        for (size_t d = 0; d < run->duties; d++) {
            table_cell(
                t, "%s",
                battery_calendar(text, battery_time(run, c, d, SAG_CHARGE_TYPICAL, i)->calendar_s));
        }
        for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
            margin_cell(t, c->rows[i].margin_db[k]);
        }
        table_cell(t, "%s", label_thd(text, c->rows[i].hard_thd, floor_ratio));
        table_cell(t, "%s",
                   i != c->replace_row                           ? ""
                   : s->designs[0]->supply.battery->rechargeable ? "charge"
                                                                 : "replace");
    }
    output_text(s->table, "\n");
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

/* A change of the EQ curve that a table has a figure for, dB. */
static const double least_db = 0.05;

static void change_cell(table *t, double db)
{
    char text[LABEL_SIZE];
    if (fabs(db) < least_db) {
        table_cell(t, "0");
    } else {
        table_cell(t, "%s", label_db(text, db));
    }
}

static int curve_holds(const battery_case *c)
{
    for (size_t i = 0; i < c->row_count; i++) {
        for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
            if (!(fabs(battery_change_db(c, i, k, 0)) < least_db &&
                  fabs(battery_change_db(c, i, k, 1)) < least_db)) {
                return 0;
            }
        }
    }
    return 1;
}

static int write_changes(const session *s, const battery_case *c)
{
    if (curve_holds(c)) {
        output_text(s->table,
                    "\nThe EQ curve stays within 0.05 dB of that with fresh batteries, soft "
                    "and hard,\nat 41 Hz, 100 Hz, 1 kHz, 4 kHz and 10 kHz.\n");
        return 1;
    }
    table *t = table_new("rrrrrrrrrrr", 2);
    char text[LABEL_SIZE];
    if (!t) {
        return 0;
    }
    table_cell(t, "terminal");
    for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
        table_cell(t, "%s", label_value(text, sag_wear_tone_hz[k], SAG_HERTZ));
        table_cell(t, "%s", "");
    }
    table_cell(t, "%s", "");
    for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
        table_cell(t, "soft");
        table_cell(t, "hard");
    }
    for (size_t i = 0; i < c->row_count; i++) {
        table_cell(t, "%.2f V", battery_state(c, i).terminal_v);
        for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
            change_cell(t, battery_change_db(c, i, k, 0));
            change_cell(t, battery_change_db(c, i, k, 1));
        }
    }
    output_text(s->table, "\nChange of the EQ curve against fresh batteries, dB\n");
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

/* "at 8.2 V, after 35 h"; "from the start". */
static const char *write_when(char *buffer, const battery_run *run, const session *s,
                              const battery_case *c, double open_circuit_v)
{
    sag_discharge_time time;
    sag_discharge_use use = {.plugged_in = s->options->plugged_in[0], .charge = SAG_CHARGE_TYPICAL};
    char volts[LABEL_SIZE], after[LABEL_SIZE];
    (void)run;
    if (open_circuit_v >= sag_discharge_fresh(c->discharge).open_circuit_v) {
        snprintf(buffer, LABEL_SIZE, "from the start");
    } else if (sag_discharge_run(c->discharge, &use, &open_circuit_v, 1, &time) == SAG_OK) {
        snprintf(
            buffer, LABEL_SIZE, "at %.60s, after %.60s",
            label_value(volts, sag_discharge_at(c->discharge, open_circuit_v).terminal_v, SAG_VOLT),
            battery_hours(after, time.plugged_s));
    } else {
        snprintf(buffer, LABEL_SIZE, "on the way");
    }
    return buffer;
}

static void write_parts(const session *s, const battery_run *run, const battery_case *c)
{
    char line[1024], when[LABEL_SIZE], volts[LABEL_SIZE];
    for (size_t i = 0; i < c->part_count; i++) {
        const battery_part *part = &c->parts[i];
        const sag_opamp_model *model = part->package->model;
        if (!isnan(part->leaves_v)) {
            int fresh = part->leaves_v >= sag_discharge_fresh(c->discharge).open_circuit_v;
            snprintf(line, sizeof line, "%s (%s) %s its rated %s %s.", part->package->name,
                     model->head.name, fresh ? "is below" : "leaves",
                     label_value(volts, model->supply_min_v, SAG_VOLT),
                     write_when(when, run, s, c, part->leaves_v));
            output_wrapped(s->table, line, 0, 0);
        }
        if (!isnan(part->stops_v)) {
            snprintf(line, sizeof line, "%s (%s) stops working %s.", part->package->name,
                     model->head.name, write_when(when, run, s, c, part->stops_v));
            output_wrapped(s->table, line, 0, 0);
        }
    }
}

static void write_end(const session *s, const battery_run *run, const battery_case *c)
{
    size_t last = c->row_count - 1;
    char line[1024], least[LABEL_SIZE], most[LABEL_SIZE], typical[LABEL_SIZE], volts[LABEL_SIZE];
    const char *what = "";
    switch (sag_discharge_end_reason(c->discharge)) {
    case SAG_END_FLAT:
        what = "Flat";
        break;
    case SAG_END_UNTIL:
        what = "Looked at until";
        break;
    case SAG_END_STOPPED:
        what = "The circuit stops";
        break;
    }
    int until = sag_discharge_end_reason(c->discharge) == SAG_END_UNTIL;
    snprintf(line, sizeof line, "%s %s%s, %.0f %% used, after %s (%s to %s).%s%s", what,
             until ? "" : "at ", label_value(volts, battery_state(c, last).terminal_v, SAG_VOLT),
             100 * battery_state(c, last).depth,
             battery_hours(typical, battery_time(run, c, 0, SAG_CHARGE_TYPICAL, last)->plugged_s),
             battery_hours(least, battery_time(run, c, 0, SAG_CHARGE_LEAST, last)->plugged_s),
             battery_hours(most, battery_time(run, c, 0, SAG_CHARGE_MOST, last)->plugged_s),
             *sag_discharge_stop_text(c->discharge) ? " " : "",
             sag_discharge_stop_text(c->discharge));
    output_wrapped(s->table, line, 0, 0);
}

int battery_text_write(const session *s, const battery_run *run)
{
    write_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        const battery_case *c = &run->cases[i];
        write_case_start(s, c);
        if (c->status != SAG_OK) {
            continue;
        }
        if (!write_times(s, run, c) || !write_changes(s, c)) {
            return session_no_memory();
        }
        output_text(s->table, "\n");
        write_parts(s, run, c);
        write_end(s, run, c);
    }
    battery_words_write(s, run);
    return EXIT_DONE;
}
