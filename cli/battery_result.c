/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery_result.c - discharges as JSON and CSV. */
#include "battery_run.h"
#include "label.h"

#include <math.h>
#include <stdio.h>

static const char *const reasons[] = {
    [SAG_REPLACE_AT] = "terminal voltage", [SAG_REPLACE_MARGIN] = "margin",
    [SAG_REPLACE_LOST] = "margin lost",    [SAG_REPLACE_CHANGED] = "eq change",
    [SAG_REPLACE_USED] = "charge used",    [SAG_REPLACE_END] = "end",
    [SAG_REPLACE_NO_GAIN] = "no gain"};
static const char *const ends[] = {
    [SAG_END_UNTIL] = "until", [SAG_END_FLAT] = "flat", [SAG_END_STOPPED] = "stopped"};

static double hours(const sag_discharge_time *time)
{
    return time->plugged_s / 3600;
}

static double months(const sag_discharge_time *time)
{
    return time->calendar_s / battery_month_s;
}

/* The terminal voltage at an open-circuit voltage; NAN stays. */
static double terminal_at(const battery_case *c, double open_circuit_v)
{
    return isnan(open_circuit_v) ? (double)NAN
                                 : sag_discharge_at(c->discharge, open_circuit_v).terminal_v;
}

/* An array of one figure of every row. */
static void write_states(json_writer *w, const battery_case *c)
{
    static const char *const keys[] = {"depth", "open_circuit_v", "terminal_v", "drains_a"};
    for (size_t k = 0; k < 4; k++) {
        json_flat_array(w, keys[k]);
        for (size_t i = 0; i < c->row_count; i++) {
            sag_discharge_state at = battery_state(c, i);
            const double figures[] = {at.depth, at.open_circuit_v, at.terminal_v, at.drain_a};
            json_number(w, NULL, figures[k]);
        }
        json_close(w);
    }
}

static void write_hours(json_writer *w, const battery_run *run, const battery_case *c, size_t duty,
                        const char *key, sag_charge charge)
{
    json_flat_array(w, key);
    for (size_t i = 0; i < c->row_count; i++) {
        json_number(w, NULL, hours(battery_time(run, c, duty, charge, i)));
    }
    json_close(w);
}

static void write_times(json_writer *w, const session *s, const battery_run *run,
                        const battery_case *c)
{
    write_hours(w, run, c, 0, "hours", SAG_CHARGE_TYPICAL);
    write_hours(w, run, c, 0, "hours_least", SAG_CHARGE_LEAST);
    write_hours(w, run, c, 0, "hours_most", SAG_CHARGE_MOST);
    json_object(w, "calendar_months");
    for (size_t d = 0; d < run->duties; d++) {
        json_flat_array(w, s->options->duty[d]);
        for (size_t i = 0; i < c->row_count; i++) {
            json_number(w, NULL, months(battery_time(run, c, d, SAG_CHARGE_TYPICAL, i)));
        }
        json_close(w);
    }
    json_close(w);
}

static void write_wear(json_writer *w, const session *s, const battery_case *c)
{
    const sag_playing_level *playing = s->designs[0]->playing;
    const sag_wear_row *rows = c->rows;
    char text[LABEL_SIZE];
    json_object(w, "margin_db");
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        json_column(w, playing[k].name, &rows->margin_db[k], c->row_count, sizeof *rows, 1);
    }
    json_close(w);
    json_column(w, "margin_at_hz", &rows->margin_hz, c->row_count, sizeof *rows, 1);
    json_flat_array(w, "limited_by");
    for (size_t i = 0; i < c->row_count; i++) {
        json_text(w, NULL, label_limit(text, s, rows[i].limited_by));
    }
    json_close(w);
    json_object(w, "sine_drain_a");
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        json_column(w, playing[k].name, &rows->sine_drain_a[k], c->row_count, sizeof *rows, 1);
    }
    json_close(w);
    json_column(w, "hard_98hz_thd_percent", &rows->hard_thd, c->row_count, sizeof *rows, 100);
    json_column(w, "eq_hz", sag_wear_tone_hz, SAG_WEAR_TONES, sizeof *sag_wear_tone_hz, 1);
    for (int hard = 0; hard < 2; hard++) {
        json_flat_array(w, hard ? "eq_change_hard_db" : "eq_change_soft_db");
        for (size_t i = 0; i < c->row_count; i++) {
            json_array(w, NULL);
            for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
                json_number(w, NULL, battery_change_db(c, i, k, hard));
            }
            json_close(w);
        }
        json_close(w);
    }
    json_flat_array(w, "row_status");
    for (size_t i = 0; i < c->row_count; i++) {
        json_text(w, NULL, sag_status_name(rows[i].status));
    }
    json_close(w);
    json_array(w, "row_marks");
    for (size_t i = 0; i < c->row_count; i++) {
        json_flat_array(w, NULL);
        for (int k = 0; k < SAG_MARK_COUNT; k++) {
            if (rows[i].marks & 1u << k) {
                json_text(w, NULL, sag_mark_text((sag_mark)(1u << k)));
            }
        }
        json_close(w);
    }
    json_close(w);
}

static void write_parts(json_writer *w, const battery_case *c)
{
    json_array(w, "parts");
    for (size_t i = 0; i < c->part_count; i++) {
        const battery_part *part = &c->parts[i];
        json_flat_object(w, NULL);
        json_text(w, "part", part->package->name);
        json_text(w, "model", part->package->model->head.name);
        json_number(w, "rated_from_v", part->package->model->supply_min_v);
        json_number(w, "leaves_rating_at_v", terminal_at(c, part->leaves_v));
        json_number(w, "stops_at_v", terminal_at(c, part->stops_v));
        json_close(w);
    }
    json_close(w);
}

static void write_range(json_writer *w, const char *key, double low, double high)
{
    json_flat_array(w, key);
    json_number(w, NULL, low);
    json_number(w, NULL, high);
    json_close(w);
}

static void write_life(json_writer *w, const session *s, const battery_run *run,
                       const battery_case *c)
{
    size_t at = c->replace_row, last = c->row_count - 1;
    char text[1024];
    json_number(w, "life_hours", hours(battery_time(run, c, 0, SAG_CHARGE_TYPICAL, at)));
    write_range(w, "life_hours_range", hours(battery_time(run, c, 0, SAG_CHARGE_LEAST, at)),
                hours(battery_time(run, c, 0, SAG_CHARGE_MOST, at)));
    json_flat_object(w, "life_hours_sine");
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        json_number(w, s->designs[0]->playing[k].name, c->sine_s[k] / 3600);
    }
    json_close(w);
    json_number(w, "replace_at_v", battery_state(c, at).terminal_v);
    json_number(w, "replace_at_depth", battery_state(c, at).depth);
    json_text(w, "replace_because", reasons[c->replace.reason]);
    json_text(w, "replace_words", battery_reason_text(text, sizeof text, s, run, c));
    json_flat_object(w, "months");
    for (size_t d = 0; d < run->duties; d++) {
        json_number(w, s->options->duty[d],
                    months(battery_time(run, c, d, SAG_CHARGE_TYPICAL, at)));
    }
    json_close(w);
    json_flat_object(w, "months_range");
    for (size_t d = 0; d < run->duties; d++) {
        write_range(w, s->options->duty[d], months(battery_time(run, c, d, SAG_CHARGE_LEAST, at)),
                    months(battery_time(run, c, d, SAG_CHARGE_MOST, at)));
    }
    json_close(w);
    json_number(w, "shelf_life_months",
                sag_discharge_design(c->discharge)->supply.battery->shelf_life_s / battery_month_s);
    json_flat_object(w, "end");
    json_text(w, "reason", ends[sag_discharge_end_reason(c->discharge)]);
    json_number(w, "terminal_v", battery_state(c, last).terminal_v);
    json_number(w, "hours", hours(battery_time(run, c, 0, SAG_CHARGE_TYPICAL, last)));
    json_close(w);
}

/* The figures that stand for a case without a discharge. */
static void write_absent(json_writer *w)
{
    json_flat_array(w, "hours");
    json_close(w);
    json_flat_array(w, "terminal_v");
    json_close(w);
    json_number(w, "life_hours", (double)NAN);
    json_text(w, "life_hours_range", NULL);
    json_number(w, "replace_at_v", (double)NAN);
    json_text(w, "months", NULL);
}

void battery_write_json(const session *s, const battery_run *run)
{
    json_writer w = result_json_start(s);
    char text[1024];
    for (size_t i = 0; i < s->case_count; i++) {
        const battery_case *c = &run->cases[i];
        result_json_discharge(&w, s, c->fresh);
        json_text(&w, "battery", battery_name(c, s));
        json_number(&w, "in_series", battery_in_series(c));
        json_text(&w, "status", sag_status_name(c->status));
        json_number(&w, "drain_a", battery_drain_a(c));
        json_text(&w, "rule", battery_rule_text(text, sizeof text, s, run));
        if (c->status == SAG_OK) {
            write_states(&w, c);
            write_times(&w, s, run, c);
            write_wear(&w, s, c);
            write_parts(&w, c);
            write_life(&w, s, run, c);
        } else {
            write_absent(&w);
        }
        json_close(&w);
    }
    result_json_end(&w);
}

static void write_csv_head(csv *w, const session *s, const battery_run *run)
{
    static const char *const columns[] = {
        "battery",     "in_series",  "depth",        "drain_a",    "hours",
        "hours_least", "hours_most", "margin_at_hz", "limited_by", "hard_98hz_thd_percent",
        "status",      "replace"};
    char name[LABEL_SIZE];
    result_csv_head(w, s);
    for (size_t k = 0; k < sizeof columns / sizeof columns[0]; k++) {
        csv_text(w, columns[k]);
    }
    for (size_t d = 0; d < run->duties; d++) {
        snprintf(name, sizeof name, "months_%s", s->options->duty[d]);
        csv_text(w, name);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        snprintf(name, sizeof name, "margin_%.64s_db", s->designs[0]->playing[k].name);
        csv_text(w, name);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        snprintf(name, sizeof name, "sine_drain_%.64s_a", s->designs[0]->playing[k].name);
        csv_text(w, name);
    }
    for (size_t k = 0; k < 2 * SAG_WEAR_TONES; k++) {
        snprintf(name, sizeof name, "eq_change_%s_%.0fhz_db", k < SAG_WEAR_TONES ? "soft" : "hard",
                 sag_wear_tone_hz[k % SAG_WEAR_TONES]);
        csv_text(w, name);
    }
    csv_row(w);
}

/* One row a state; its supply, terminal voltage and marks are those of the state. */
static void write_csv_row(csv *w, const session *s, const battery_run *run, const battery_case *c,
                          size_t row)
{
    const sag_wear_row *at = &c->rows[row];
    sag_discharge_state state = battery_state(c, row);
    session_case shown = *c->fresh;
    char text[LABEL_SIZE];
    shown.supply_v = state.open_circuit_v;
    shown.terminal_v = state.terminal_v;
    shown.marks = at->marks;
    result_csv_case(w, s, &shown);
    csv_text(w, battery_name(c, s));
    csv_number(w, battery_in_series(c));
    csv_number(w, state.depth);
    csv_number(w, state.drain_a);
    csv_number(w, hours(battery_time(run, c, 0, SAG_CHARGE_TYPICAL, row)));
    csv_number(w, hours(battery_time(run, c, 0, SAG_CHARGE_LEAST, row)));
    csv_number(w, hours(battery_time(run, c, 0, SAG_CHARGE_MOST, row)));
    csv_number(w, at->margin_hz);
    csv_text(w, label_limit(text, s, at->limited_by));
    csv_number(w, 100 * at->hard_thd);
    csv_text(w, sag_status_name(at->status));
    csv_number(w, row == c->replace_row);
    for (size_t d = 0; d < run->duties; d++) {
        csv_number(w, months(battery_time(run, c, d, SAG_CHARGE_TYPICAL, row)));
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        csv_number(w, at->margin_db[k]);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        csv_number(w, at->sine_drain_a[k]);
    }
    for (size_t k = 0; k < 2 * SAG_WEAR_TONES; k++) {
        csv_number(w, battery_change_db(c, row, k % SAG_WEAR_TONES, k >= SAG_WEAR_TONES));
    }
    csv_row(w);
}

void battery_write_csv(const session *s, const battery_run *run)
{
    csv w = csv_open(s->csv);
    write_csv_head(&w, s, run);
    for (size_t i = 0; i < s->case_count; i++) {
        const battery_case *c = &run->cases[i];
        for (size_t row = 0; row < c->row_count && c->status == SAG_OK; row++) {
            write_csv_row(&w, s, run, c, row);
        }
    }
}
