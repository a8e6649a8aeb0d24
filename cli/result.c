/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "result.h"

#include "label.h"
#include "message.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char format_name[] = "railsag result 1";

static const char *drive_name(const session *s)
{
    return s->options->drive == SAG_DRIVE_PICKUP ? "pickup" : "bench";
}

/* A control that --set gives several settings, or NULL. */
static const session_axis *axis_of(const session *s, size_t control)
{
    for (size_t i = 0; i < s->axis_count; i++) {
        if (s->axes[i].control == control && s->axes[i].count > 1) {
            return &s->axes[i];
        }
    }
    return NULL;
}

static void write_control_settings(json_writer *w, const session *s)
{
    const sag_design *design = s->designs[0];
    json_flat_object(w, "controls");
    for (size_t i = 0; i < design->control_count; i++) {
        const sag_control *control = &design->controls[i];
        const session_axis *axis = axis_of(s, i);
        if (!axis) {
            json_number(w, control->name, control->setting);
            continue;
        }
        json_array(w, control->name);
        for (size_t k = 0; k < axis->count; k++) {
            json_number(w, NULL, s->designs[k * axis->stride]->controls[i].setting);
        }
        json_close(w);
    }
    json_close(w);
}

/* Name and value of a change, "R7=22k"; the name is cut at 100 bytes. */
static const char *split_change(const char *change, char *name, size_t size)
{
    size_t length = strcspn(change, "=");
    snprintf(name, size, "%.*s", (int)(length < size ? length : size - 1), change);
    return change[length] ? change + length + 1 : "";
}

static void write_changes(json_writer *w, const options *o)
{
    char name[128], later[128];
    json_flat_object(w, "changes");
    for (size_t i = 0; i < o->change_count; i++) {
        const char *value = split_change(o->changes[i], name, sizeof name);
        int replaced = 0;
        for (size_t k = i + 1; k < o->change_count; k++) {
            split_change(o->changes[k], later, sizeof later);
            replaced |= !strcmp(name, later);
        }
        if (!replaced) {
            json_text(w, name, value);
        }
    }
    json_close(w);
}

/* Options that bear on the numbers, when they were given. */
static void write_given(json_writer *w, const options *o)
{
    if (o->stiff) {
        json_bool(w, "stiff", 1);
    }
    if (o->load) {
        json_text(w, "load", o->load);
    }
    if (options_given(o, "thd-bandwidth")) {
        json_number(w, "thd_bandwidth_hz", o->thd_bandwidth_hz);
    }
    if (options_given(o, "thd")) {
        json_number(w, "thd_limit_percent", 100 * o->thd_limit);
    }
    if (options_given(o, "slope")) {
        json_number(w, "slope_db_per_octave", o->slope_db);
    }
}

static void write_warnings(json_writer *w, const session *s)
{
    json_array(w, "warnings");
    for (size_t i = 0; i < sag_report_count(s->report); i++) {
        const sag_finding *finding = sag_report_get(s->report, i);
        char place[1024], text[2048];
        if (finding->severity == SAG_NOTE) {
            continue;
        }
        message_finding_place(finding, 1, s->options->argument, place, sizeof place);
        json_flat_object(w, NULL);
        json_text(w, "where", *place ? place : NULL);
        json_text(w, "text", message_finding_text(finding, text, sizeof text));
        json_close(w);
    }
    json_close(w);
}

json_writer result_json_start(const session *s)
{
    json_writer w = json_start(s->json);
    json_object(&w, NULL);
    json_text(&w, "format", format_name);
    json_text(&w, "version", SAG_VERSION);
    json_text(&w, "command", s->options->command->name);
    json_flat_object(&w, "design");
    json_text(&w, "title", s->designs[0]->title);
    json_text(&w, "file", s->options->argument);
    json_close(&w);
    json_object(&w, "settings");
    write_control_settings(&w, s);
    write_changes(&w, s->options);
    write_given(&w, s->options);
    json_close(&w);
    write_warnings(&w, s);
    json_array(&w, "results");
    return w;
}

void result_json_end(json_writer *w)
{
    json_close(w);
    json_close(w);
    json_end(w);
}

static void open_case(json_writer *w, const session *s, const session_case *c, int has_terminal)
{
    const sag_design *design = s->designs[c->setting];
    json_object(w, NULL);
    json_number(w, "supply_v", c->supply_v);
    if (has_terminal) {
        json_number(w, "terminal_v", c->terminal_v);
    }
    json_text(w, "drive", drive_name(s));
    json_flat_object(w, "controls");
    for (size_t i = 0; i < design->control_count; i++) {
        json_number(w, design->controls[i].name, design->controls[i].setting);
    }
    json_close(w);
    json_flat_array(w, "marks");
    for (int i = 0; i < SAG_MARK_COUNT; i++) {
        if (c->marks & 1u << i) {
            json_text(w, NULL, sag_mark_text((sag_mark)(1u << i)));
        }
    }
    json_close(w);
}

void result_json_case(json_writer *w, const session *s, const session_case *c)
{
    open_case(w, s, c, 1);
}

void result_json_discharge(json_writer *w, const session *s, const session_case *fresh)
{
    open_case(w, s, fresh, 0);
}

void result_csv_head(csv *w, const session *s)
{
    const sag_design *design = s->designs[0];
    csv_text(w, "format");
    csv_text(w, "supply_v");
    csv_text(w, "terminal_v");
    csv_text(w, "drive");
    for (size_t i = 0; i < design->control_count; i++) {
        char name[LABEL_SIZE];
        snprintf(name, sizeof name, "control_%.200s", design->controls[i].name);
        csv_text(w, name);
    }
    csv_text(w, "marks");
}

void result_csv_case(csv *w, const session *s, const session_case *c)
{
    const sag_design *design = s->designs[c->setting];
    char marks[LABEL_SIZE];
    csv_text(w, format_name);
    csv_number(w, c->supply_v);
    csv_number(w, c->terminal_v);
    csv_text(w, drive_name(s));
    for (size_t i = 0; i < design->control_count; i++) {
        csv_number(w, design->controls[i].setting);
    }
    csv_text(w, label_marks(marks, c->marks, "; "));
}

void result_text_start(const session *s)
{
    const options *o = s->options;
    const char *title = s->designs[0]->title;
    output_format(s->table, "%s\n", title ? title : o->argument);
    for (size_t i = 0; i < o->change_count; i++) {
        output_format(s->table, "%s%s%s", i == 0 ? "changed: " : ", ", o->changes[i],
                      i + 1 == o->change_count ? "\n" : "");
    }
    if (o->load) {
        char load[LABEL_SIZE];
        output_format(s->table, "load: %s\n", label_load(load, o->load_ohm, o->load_farad));
    }
}

void result_text_case(const session *s, const session_case *c)
{
    char text[LABEL_SIZE], terminal[LABEL_SIZE];
    output_format(s->table, "\n%s", label_supply(text, s, c));
    if (isfinite(c->terminal_v)) {
        output_format(s->table, ", %s at the terminals",
                      label_precise(terminal, c->terminal_v, SAG_VOLT));
    }
    output_format(s->table, ", %s drive", drive_name(s));
    label_controls(text, s, c->setting);
    output_format(s->table, "%s%s\n", *text ? ", " : "", text);
    if (c->marks) {
        output_format(s->table, "%s\n", label_marks(text, c->marks, ", "));
    }
    if (!session_has_results(s, c)) {
        output_format(s->table, "not computed: %s\n", sag_status_text(c->status));
    } else if (c->status != SAG_OK) {
        output_format(s->table, "%s: these are the figures of a point that it does not keep\n",
                      sag_status_text(c->status));
    }
}

/* The supplies of which a setting has this status. */
static void write_reason(const session *s, sag_status status)
{
    int some = 0;
    for (size_t i = 0; i < s->case_count; i += s->setting_count) {
        int fits = 0;
        for (size_t k = 0; k < s->setting_count; k++) {
            fits |= s->cases[i + k].status == status;
        }
        if (fits) {
            char supply[LABEL_SIZE];
            output_format(s->table, "%s%s", some ? ", " : "not computed at ",
                          label_value(supply, s->cases[i].supply_v, SAG_VOLT));
            some = 1;
        }
    }
    output_format(s->table, ": %s\n", sag_status_text(status));
}

void result_text_marks(const session *s)
{
    for (int bit = 0; bit < SAG_MARK_COUNT; bit++) {
        int some = 0;
        for (size_t i = 0; i < s->case_count; i += s->setting_count) {
            if (result_marks(s, i) & 1u << bit) {
                char supply[LABEL_SIZE];
                label_value(supply, s->cases[i].supply_v, SAG_VOLT);
                output_format(s->table, "%s%s%s", some ? "" : sag_mark_text((sag_mark)(1u << bit)),
                              some ? ", " : ": ", supply);
                some = 1;
            }
        }
        if (some) {
            output_text(s->table, "\n");
        }
    }
    for (size_t i = 0; i < s->case_count; i++) {
        int seen = session_has_results(s, &s->cases[i]);
        for (size_t k = 0; k < i; k++) {
            seen |= s->cases[k].status == s->cases[i].status;
        }
        if (!seen) {
            write_reason(s, s->cases[i].status);
        }
    }
}

unsigned result_marks(const session *s, size_t first)
{
    unsigned marks = 0;
    for (size_t k = 0; k < s->setting_count; k++) {
        marks |= s->cases[first + k].marks;
    }
    return marks;
}

const char *result_fixed_controls(char *buffer, const session *s)
{
    const sag_design *design = s->designs[0];
    size_t used = 0;
    buffer[0] = '\0';
    for (size_t i = 0; i < design->control_count && used < LABEL_SIZE; i++) {
        session_axis fixed = {.control = i};
        char text[LABEL_SIZE];
        if (!axis_of(s, i)) {
            used += (size_t)snprintf(buffer + used, LABEL_SIZE - used, "%s%s", used > 0 ? ", " : "",
                                     label_axis(text, s, &fixed, 0));
        }
    }
    return buffer;
}

size_t result_rows(const double *frequency_hz, size_t count, size_t *rows)
{
    /* The lowest strings of a bass, the end of the fundamentals, and round figures above. */
    static const double targets[] = {41.2, 98, 200, 400, 1e3, 2e3, 4e3, 10e3};
    size_t found = 0;
    if (count <= RESULT_ROWS) {
        for (size_t i = 0; i < count; i++) {
            rows[found++] = i;
        }
        return found;
    }
    rows[found++] = 0;
    for (size_t t = 0; t < sizeof targets / sizeof targets[0]; t++) {
        size_t nearest = 0;
        for (size_t i = 1; i < count; i++) {
            if (fabs(log(frequency_hz[i] / targets[t])) <
                fabs(log(frequency_hz[nearest] / targets[t]))) {
                nearest = i;
            }
        }
        if (nearest > rows[found - 1] && nearest < count - 1) {
            rows[found++] = nearest;
        }
    }
    rows[found++] = count - 1;
    return found;
}

void result_text_rows(const session *s)
{
    size_t rows[RESULT_ROWS];
    size_t count = s->options->frequency_count;
    size_t shown = result_rows(s->options->frequency_hz, count, rows);
    if (shown < count) {
        output_format(s->table, "%zu of %zu frequencies shown; --csv and --json have them all.\n",
                      shown, count);
    }
}
