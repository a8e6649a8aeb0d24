/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery_words.c - when to replace, why, what more batteries buy, and cautions, in sentences. */
#include "battery_run.h"
#include "label.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { HARD = 2 }; /* of soft, normal, hard, extreme */

/* Hours that playing costs and that a sentence is spent on, a ratio. */
static const double noticed_share = 0.01;

/* A difference that would read as 0.0 dB. */
static const double shown_db = 0.05;

static void append(char *buffer, size_t size, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void append(char *buffer, size_t size, const char *format, ...)
{
    size_t used = strlen(buffer);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(buffer + used, size - used, format, arguments);
    va_end(arguments);
}

static int recharges(const session *s)
{
    return s->designs[0]->supply.battery->rechargeable;
}

const char *battery_rule_text(char *buffer, size_t size, const session *s, const battery_run *run)
{
    const sag_replace_rule *rule = &run->rule;
    char volts[LABEL_SIZE], db[LABEL_SIZE];
    const char *before = "";
    buffer[0] = '\0';
    append(buffer, size, "%s when ", recharges(s) ? "charge again" : "replace");
    if (!isnan(rule->lost_db)) {
        append(
            buffer, size,
            "hard playing no longer comes through clean and has lost %.3g dB of its margin since "
            "fresh, or the EQ curve has changed by %.3g dB even for soft playing, or %.0f %% of "
            "the charge is used",
            rule->lost_db, rule->changed_db, 100 * rule->used);
        before = ", or ";
    }
    if (!isnan(rule->at_v)) {
        append(buffer, size, "%sthe terminal voltage of each battery has fallen to %s", before,
               label_value(volts, rule->at_v, SAG_VOLT));
        before = ", or ";
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        if (!isnan(rule->margin_db[k])) {
            append(buffer, size, "%sthe margin over %s playing has fallen to %s dB", before,
                   s->designs[0]->playing[k].name, label_db(db, rule->margin_db[k]));
            before = ", or ";
        }
    }
    append(buffer, size, "; at the latest at the end of the discharge");
    return buffer;
}

/* The op-amp that is the first to lose its gain. */
static const char *without_gain(const session *s, const battery_case *c)
{
    for (size_t i = 0; i < c->row_count; i++) {
        int opamp = c->rows[i].limited_by.opamp;
        if (c->rows[i].status == SAG_NO_GAIN && opamp >= 0 && (size_t)opamp < s->opamp_count) {
            return s->opamps[opamp]->designator;
        }
    }
    return "an op-amp";
}

const char *battery_reason_text(char *buffer, size_t size, const session *s, const battery_run *run,
                                const battery_case *c)
{
    const sag_wear_row *row = &c->rows[c->replace_row], *fresh = &c->rows[0];
    char hz[LABEL_SIZE], db[LABEL_SIZE], limit[LABEL_SIZE];
    const char *met = label_limit(limit, s, row->limited_by);
    const char *name = s->designs[0]->playing[c->replace.which % SAG_PLAYING_LEVELS].name;
    buffer[0] = '\0';
    switch (c->replace.reason) {
    case SAG_REPLACE_AT:
        append(buffer, size, "that is the voltage asked for");
        break;
    case SAG_REPLACE_MARGIN:
    case SAG_REPLACE_LOST:
        if (isfinite(row->margin_db[c->replace.which])) {
            append(buffer, size, "%s playing has a margin of %s dB there%s%s", name,
                   label_db(db, row->margin_db[c->replace.which]), met ? ": at " : "",
                   met ? label_value(hz, row->margin_hz, SAG_HERTZ) : "");
            append(buffer, size, "%s%s%s", met ? " " : "", met ? met : "",
                   met ? " comes first" : "");
        } else {
            append(buffer, size, "not even soft playing comes through clean");
        }
        if (c->replace.reason == SAG_REPLACE_LOST &&
            isfinite(fresh->margin_db[HARD] - row->margin_db[HARD])) {
            append(buffer, size, ", %.1f dB less than fresh",
                   fresh->margin_db[HARD] - row->margin_db[HARD]);
        }
        break;
    case SAG_REPLACE_CHANGED:
        append(buffer, size, "softly played, the EQ curve has changed by %.1f dB at %s",
               fabs(battery_change_db(c, c->replace_row, c->replace.which % SAG_WEAR_TONES, 0)),
               label_value(hz, sag_wear_tone_hz[c->replace.which % SAG_WEAR_TONES], SAG_HERTZ));
        break;
    case SAG_REPLACE_USED:
        append(buffer, size, "%.0f %% of its charge is used, and the voltage falls fast from there",
               100 * run->rule.used);
        break;
    case SAG_REPLACE_NO_GAIN:
        append(buffer, size, "%s %s has no gain: its inputs rest outside the range it works to",
               c->replace.from_fresh ? "even then" : "below that", without_gain(s, c));
        break;
    case SAG_REPLACE_END:
        switch (sag_discharge_end_reason(c->discharge)) {
        case SAG_END_FLAT:
            append(buffer, size, "the battery is flat there");
            break;
        case SAG_END_UNTIL:
            append(buffer, size, "--until ends there");
            break;
        case SAG_END_STOPPED:
            append(buffer, size, "the circuit stops there");
            break;
        }
        break;
    }
    return buffer;
}

/* The share of its charge that is used after so long, straight between the rows around it. */
static double depth_after(const battery_run *run, const battery_case *c, size_t duty,
                          double calendar_s)
{
    for (size_t i = 1; i < c->row_count; i++) {
        double from_s = battery_time(run, c, duty, SAG_CHARGE_TYPICAL, i - 1)->calendar_s;
        double to_s = battery_time(run, c, duty, SAG_CHARGE_TYPICAL, i)->calendar_s;
        if (calendar_s <= to_s) {
            double a = battery_state(c, i - 1).depth, b = battery_state(c, i).depth;
            return a + (b - a) * (calendar_s - from_s) / (to_s - from_s);
        }
    }
    return 1;
}

static void say_when(const session *s, const battery_run *run, const battery_case *c)
{
    char text[2048] = "", a[LABEL_SIZE], b[LABEL_SIZE], e[LABEL_SIZE], because[1024];
    size_t at = c->replace_row;
    sag_discharge_state state = battery_state(c, at);
    int several = battery_in_series(c) > 1;
    const sag_discharge_time *least = battery_time(run, c, 0, SAG_CHARGE_LEAST, at);
    const sag_discharge_time *typical = battery_time(run, c, 0, SAG_CHARGE_TYPICAL, at);
    const sag_discharge_time *most = battery_time(run, c, 0, SAG_CHARGE_MOST, at);
    label_family(e, s, c->fresh->setting);
    append(text, sizeof text, "%s%s%s: ", battery_label(a, s, c), *e ? " with " : "", e);
    if (!isfinite(typical->plugged_s)) {
        append(text, sizeof text,
               "the circuit draws nothing worth speaking of, so the battery's own shelf life "
               "decides.");
        output_wrapped(s->table, text, 0, 0);
        return;
    }
    battery_reason_text(because, sizeof because, s, run, c);
    if (c->replace.from_fresh) {
        append(
            text, sizeof text,
            "the rule for replacing holds with %s: %s. Set another rule, or look at the circuit.",
            several ? "fresh batteries already" : "a fresh battery already", because);
        output_wrapped(s->table, text, 0, 0);
        return;
    }
    append(text, sizeof text, "%s at %s", recharges(s) ? "charge again" : "replace",
           label_value(a, state.terminal_v, SAG_VOLT));
    if (several) {
        append(text, sizeof text, " (%s each)",
               label_value(a, state.terminal_v / battery_in_series(c), SAG_VOLT));
    }
    append(text, sizeof text, ", after about %s plugged in (%s to %s)",
           battery_hours(a, typical->plugged_s), battery_hours(b, least->plugged_s),
           battery_hours(e, most->plugged_s));
    for (size_t d = 0; d < run->duties; d++) {
        append(text, sizeof text, "%s %s at %s",
               d == 0                ? ", or"
               : d + 1 < run->duties ? ","
                                     : " and",
               battery_calendar(a, battery_time(run, c, d, SAG_CHARGE_TYPICAL, at)->calendar_s),
               s->options->duty[d]);
    }
    append(text, sizeof text, ", because %s.", because);
    double lost_s = typical->plugged_s - c->sine_s[HARD];
    if (lost_s > noticed_share * typical->plugged_s) {
        append(
            text, sizeof text,
            " A steady sine at hard playing, without a pause, would add %s and leave %s: playing "
            "takes no more than that.",
            label_value(a, c->sine_extra_a[HARD], SAG_AMPERE), battery_hours(b, c->sine_s[HARD]));
    }
    for (size_t d = 0; d < run->duties; d++) {
        if (battery_outlasts_shelf(run, c, d)) {
            append(text, sizeof text, " At %s the battery's shelf life of %s is over before.",
                   s->options->duty[d],
                   battery_calendar(
                       a, sag_discharge_design(c->discharge)->supply.battery->shelf_life_s));
        }
    }
    double half_year_s = 6 * battery_month_s;
    if (typical->calendar_s > 1.5 * half_year_s && !recharges(s)) {
        append(text, sizeof text,
               " Replaced every six months at %s, as many players do, it would still hold %.0f %% "
               "of its charge.",
               s->options->duty[0], 100 * (1 - depth_after(run, c, 0, half_year_s)));
    }
    output_wrapped(s->table, text, 0, 0);
}

/* What more batteries buy over the first number of them, at the same setting. */
static void say_more(const session *s, const battery_run *run, const battery_case *less,
                     const battery_case *more)
{
    char text[2048] = "", a[LABEL_SIZE], b[LABEL_SIZE];
    const sag_wear_row *worn = &more->rows[more->replace_row];
    double fresh_db = less->rows[0].margin_db[HARD];
    double gained_db = more->rows[0].margin_db[HARD] - fresh_db;
    append(text, sizeof text, "%s instead of ", battery_label(a, s, more));
    append(text, sizeof text, "%s: ", battery_label(a, s, less));
    if (isfinite(gained_db)) {
        if (fabs(gained_db) < shown_db) {
            append(text, sizeof text, "the same headroom when fresh, ");
        } else {
            append(text, sizeof text, "%.1f dB %s headroom when fresh, ", fabs(gained_db),
                   gained_db < 0 ? "less" : "more");
        }
    }
    append(text, sizeof text, "%s instead of %s by the rule",
           battery_hours(
               a, battery_time(run, more, 0, SAG_CHARGE_TYPICAL, more->replace_row)->plugged_s),
           battery_hours(
               b, battery_time(run, less, 0, SAG_CHARGE_TYPICAL, less->replace_row)->plugged_s));
    append(text, sizeof text, ", a drain of %s instead of %s",
           label_value(a, battery_drain_a(more), SAG_AMPERE),
           label_value(b, battery_drain_a(less), SAG_AMPERE));
    double left_db = worn->margin_db[HARD] - fresh_db;
    if (isfinite(left_db)) {
        char than[LABEL_SIZE];
        battery_label(than, s, less);
        if (fabs(left_db) < shown_db) {
            append(text, sizeof text, "; at its end by the rule it has as much as %s fresh", than);
        } else {
            append(text, sizeof text, "; at its end by the rule it has %.1f dB %s than %s fresh",
                   fabs(left_db), left_db < 0 ? "less" : "more", than);
        }
    }
    append(text, sizeof text, ".");
    output_text(s->table, "\n");
    output_wrapped(s->table, text, 0, 0);
}

static void say_cautions(const session *s, const battery_run *run)
{
    const sag_battery_model *battery = s->designs[0]->supply.battery;
    char text[2048] = "Caution: ";
    int several = 0, long_inside = 0;
    for (size_t i = 0; i < s->case_count; i++) {
        const battery_case *c = &run->cases[i];
        several |= battery_in_series(c) > 1;
        for (size_t d = 0; d < run->duties && c->status == SAG_OK; d++) {
            double inside_s =
                battery_time(run, c, d, SAG_CHARGE_TYPICAL, c->replace_row)->calendar_s;
            long_inside |= inside_s > 12 * battery_month_s;
        }
    }
    append(
        text, sizeof text, "%s",
        battery->rechargeable
            ? "charge this battery only in a charger made for it; do not short, heat or open it. "
            : "never recharge, short, heat or open this battery. ");
    append(
        text, sizeof text,
        "Both terminals lie side by side: keep loose ones, even spent, away from keys, coins and "
        "other batteries, their terminals covered. ");
    if (several) {
        append(text, sizeof text,
               "Batteries in series put more energy into a fault: a small resistor or a fuse next "
               "to the clip is common practice; use the same kind and age. ");
    }
    if (long_inside) {
        append(text, sizeof text,
               "A battery that stays in for years may leak: take it out of an instrument that "
               "rests, and do not touch what has leaked. ");
    }
    append(text, sizeof text,
           "The battery maker's sheet, the data sheets of the parts and your local rules decide.");
    output_text(s->table, "\n");
    output_wrapped(s->table, text, 0, 0);
}

void battery_words_write(const session *s, const battery_run *run)
{
    char rule[1024], line[1200];
    output_text(s->table, "\n");
    for (size_t i = 0; i < s->case_count; i++) {
        if (run->cases[i].status == SAG_OK) {
            say_when(s, run, &run->cases[i]);
        }
    }
    snprintf(line, sizeof line, "Rule: %s.%s Hours in brackets: makers of batteries differ.",
             battery_rule_text(rule, sizeof rule, s, run),
             run->rule_is_given ? "" : " --replace-at and --replace-margin set another.");
    output_wrapped(s->table, line, 0, 0);
    for (size_t i = s->setting_count; i < s->case_count; i++) {
        const battery_case *less = &run->cases[i % s->setting_count], *more = &run->cases[i];
        if (less->status == SAG_OK && more->status == SAG_OK) {
            say_more(s, run, less, more);
        }
    }
    say_cautions(s, run);
}
