/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "result_sheet.h"

#include "label.h"
#include "message.h"
#include "result.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* Bounds of a picture; beyond them lines are no longer told apart, or the file gets huge. */
enum { MOST_CURVES = 40, MOST_POINTS = 500000, MOST_WARNINGS = 3, MOST_LISTED = 8 };

int result_sheet_check(const session *s, size_t panels, size_t curves_a_panel)
{
    const options *o = s->options;
    if (!o->plot) {
        return EXIT_DONE;
    }
    if (panels > SHEET_PANELS) {
        message_misuse(o->command->name,
                       "--plot: a picture of %zu panels is too many, %d are possible: ask for "
                       "fewer supplies or settings",
                       panels, SHEET_PANELS);
        return EXIT_MISUSE;
    }
    if (curves_a_panel > MOST_CURVES) {
        message_misuse(o->command->name,
                       "--plot: %zu curves in a panel are too many, %d are possible: ask for fewer "
                       "supplies, levels or settings",
                       curves_a_panel, MOST_CURVES);
        return EXIT_MISUSE;
    }
    if (panels * curves_a_panel * o->frequency_count > MOST_POINTS) {
        message_misuse(o->command->name,
                       "--plot: a picture of %zu points is too large, %d are possible: ask for "
                       "fewer frequencies",
                       panels * curves_a_panel * o->frequency_count, MOST_POINTS);
        return EXIT_MISUSE;
    }
    return EXIT_DONE;
}

void result_sheet_start(sheet *page, const session *s)
{
    const char *title = s->designs[0]->title;
    memset(page, 0, sizeof *page);
    page->title = title ? title : s->options->argument;
    for (size_t i = 0; i < SHEET_GROUPS; i++) {
        page->axes[i].deepest_y = (double)INFINITY;
    }
}

/* Appends as far as there is room. */
static void append(char *note, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void append(char *note, const char *format, ...)
{
    size_t used = strlen(note);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(note + used, SHEET_NOTE - used, format, arguments);
    va_end(arguments);
}

static void note_settings(sheet *page, const session *s)
{
    const options *o = s->options;
    char note[SHEET_NOTE] = "", text[LABEL_SIZE];
    double ohm, farad;
    append(note, "railsag " SAG_VERSION ": %s drive",
           o->drive == SAG_DRIVE_PICKUP ? "pickup" : "bench");
    result_fixed_controls(text, s);
    append(note, "%s%s", *text ? ", " : "", text);
    session_load(s, &ohm, &farad);
    append(note, ", load %s", label_load(text, ohm, farad));
    if (o->stiff) {
        append(note, ", bench supply instead of the battery");
    }
    if (isfinite(o->thd_bandwidth_hz)) {
        append(note, ", harmonics up to %s", label_value(text, o->thd_bandwidth_hz, SAG_HERTZ));
    }
    for (size_t i = 0; i < o->change_count; i++) {
        append(note, "%s%s", i == 0 ? "; changed: " : ", ", o->changes[i]);
    }
    sheet_note(page, "%s", note);
}

/* What a panel is called: fresh batteries by what is printed on them, 9 V rather than 9.55 V. */
static double named_v(const session *s, const session_case *c)
{
    return c->batteries > 0 ? c->batteries * s->designs[0]->supply.battery->nominal_v : c->supply_v;
}

/* The supplies that have a mark, "9 V, 7 V", or how many of all when they are many; returns their
 * number. */
static size_t list_marked(const session *s, int bit, char *list)
{
    size_t count = 0, supplies = s->case_count / s->setting_count;
    *list = '\0';
    for (size_t i = 0; i < supplies; i++) {
        char supply[LABEL_SIZE];
        if (result_marks(s, i * s->setting_count) & 1u << bit && count++ < MOST_LISTED) {
            append(list, "%s%.16s", *list ? ", " : "",
                   label_value(supply, named_v(s, &s->cases[i * s->setting_count]), SAG_VOLT));
        }
    }
    if (count == supplies && count > 1) {
        snprintf(list, SHEET_NOTE, "all supplies");
    } else if (count > MOST_LISTED) {
        snprintf(list, SHEET_NOTE, "%zu of %zu supplies", count, supplies);
    }
    return count;
}

static void note_marks(sheet *page, const session *s)
{
    char note[SHEET_NOTE] = "", list[SHEET_NOTE];
    int one = s->case_count == s->setting_count;
    for (int bit = 0; bit < SAG_MARK_COUNT; bit++) {
        if (list_marked(s, bit, list) > 0) {
            append(note, "%s%s%s%s", *note ? "; " : "", sag_mark_text((sag_mark)(1u << bit)),
                   one ? "" : ": ", one ? "" : list);
        }
    }
    if (*note) {
        sheet_note(page, "%s", note);
    }
}

static void note_warnings(sheet *page, const session *s)
{
    size_t shown = 0, further = 0;
    for (size_t i = 0; i < sag_report_count(s->report); i++) {
        const sag_finding *finding = sag_report_get(s->report, i);
        char place[SHEET_NOTE / 2];
        if (finding->severity == SAG_NOTE) {
            continue;
        }
        if (shown == MOST_WARNINGS) {
            further++;
            continue;
        }
        message_finding_place(finding, 1, s->options->argument, place, sizeof place);
        size_t length = strlen(finding->text);
        int stop = length > 0 && finding->text[length - 1] == '.';
        sheet_note(page, "%s: %s%s%.*s", finding->severity == SAG_ERROR ? "error" : "warning",
                   place, *place ? ": " : "", (int)length - stop, finding->text);
        shown++;
    }
    if (further > 0) {
        sheet_note(page, "and %zu more", further);
    }
}

void result_sheet_conditions(sheet *page, const session *s)
{
    note_settings(page, s);
    note_marks(page, s);
    note_warnings(page, s);
}

int result_sheet_end(sheet *page, const session *s)
{
    int done = sheet_write(page, s->options->plot_kind, s->plot);
    sheet_free(page);
    return done ? EXIT_DONE : EXIT_FAILED;
}

size_t result_supply_rank(const session *s, double supply_v, size_t *count)
{
    const options *o = s->options;
    size_t rank = 0;
    *count = 0;
    for (size_t i = 0; i < o->supply_count; i++) {
        int again = 0;
        for (size_t k = 0; k < i; k++) {
            again |= fabs(o->supply_v[k] - o->supply_v[i]) < 1e-9;
        }
        if (!again) {
            (*count)++;
            rank += o->supply_v[i] > supply_v + 1e-9;
        }
    }
    return rank;
}

scale_line result_supply_line(const session *s, const session_case *c)
{
    size_t count;
    size_t rank = result_supply_rank(s, c->supply_v, &count);
    return scale_supply(rank, count);
}

const char *result_panel_name(char *buffer, const session *s, const session_case *c)
{
    char setting[LABEL_SIZE];
    label_supply(buffer, s, c);
    label_family(setting, s, c->setting);
    size_t used = strlen(buffer);
    snprintf(buffer + used, LABEL_SIZE - used, "%s%s", *setting ? ", " : "", setting);
    return buffer;
}
