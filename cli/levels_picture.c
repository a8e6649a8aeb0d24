/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels_picture.c - the levels map as a picture: one panel a supply and setting, one curve a
 * level.
 *
 * Levels by number are thin and grey, playing levels heavier the louder they are, in the colour of
 * the supply. The style of line says how large the THD is. */
#include "label.h"
#include "levels_run.h"
#include "result_sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* THD at which the line changes and a mark stands, ratios. */
static const double thresholds[] = {0.01, 0.1};
enum { THRESHOLDS = 2 };

/* How far under the largest gain the axis goes: what is clipped further down leaves the panel, rather
 * than squeeze the rest of it. */
static const double deepest_db = 36;

static const scale_colour number_colour = {0.42, 0.42, 0.44};
static const double number_pt = 0.8, softest_pt = 1.0, loudest_pt = 2.2;

int levels_picture_check(const session *s, const levels_run *run)
{
    return result_sheet_check(s, s->case_count, run->levels.count);
}

static scale_dash dash_of(double thd)
{
    return thd > thresholds[1] ? SCALE_DOT : thd > thresholds[0] ? SCALE_DASH : SCALE_SOLID;
}

/* How far from a to b, 0 to 1, a THD that changes steadily on a log scale passes the threshold. */
static double crossing(double a, double b, double threshold)
{
    a = a > 1e-12 ? a : 1e-12;
    b = b > 1e-12 ? b : 1e-12;
    return log(threshold / a) / log(b / a);
}

/* The places between two frequencies where THD passes a threshold. */
static void draw_crossings(plot *panel, scale_colour colour, const double *hz,
                           const sag_steady_point *const *p)
{
    double a = p[0]->thd, b = p[1]->thd;
    for (int i = 0; i < THRESHOLDS; i++) {
        int which = a < b ? i : THRESHOLDS - 1 - i; /* in the order of frequency */
        double threshold = thresholds[which];
        if (!((a > threshold) != (b > threshold) && isfinite(a) && isfinite(b))) {
            continue;
        }
        double part = crossing(a, b, threshold);
        double x = hz[0] * pow(hz[1] / hz[0], part);
        double y = p[0]->gain_db + part * (p[1]->gain_db - p[0]->gain_db);
        plot_point(panel, x, y);
        plot_dash(panel, a < b ? dash_of(threshold * 1.0001) : dash_of(threshold * 0.9999));
        plot_mark(panel, which == 0 ? PLOT_OPEN : PLOT_FILLED, colour, x, y);
    }
}

static void draw_level(plot *panel, const session *s, const levels_run *run, size_t index,
                       size_t level, const scale_line *line)
{
    const options *o = s->options;
    const char *name = run->levels.names[level];
    char number[LABEL_SIZE];
    plot_curve(panel, line, name ? name : level_list_dbv(number, run->levels.vpk[level]),
               name ? NULL : "dBV");
    for (size_t k = 0; k < o->frequency_count; k++) {
        const sag_steady_point *p[2] = {levels_run_point(s, run, index, level, k)};
        plot_point(panel, o->frequency_hz[k], p[0]->gain_db);
        plot_dash(panel, dash_of(p[0]->thd));
        if (k + 1 < o->frequency_count) {
            p[1] = levels_run_point(s, run, index, level, k + 1);
            draw_crossings(panel, line->colour, &o->frequency_hz[k], p);
        }
    }
}

/* Levels by number or by name, rising; a level asked for twice once. Returns their number. */
static size_t sort_levels(const levels_run *run, int named, size_t *order)
{
    const level_list *levels = &run->levels;
    size_t count = 0;
    for (size_t i = 0; i < levels->count; i++) {
        if (!levels->names[i] == !named) {
            size_t k = count++;
            for (; k > 0 && levels->vpk[order[k - 1]] > levels->vpk[i]; k--) {
                order[k] = order[k - 1];
            }
            order[k] = i;
        }
    }
    return count;
}

static void draw_panel(plot *panel, const session *s, const levels_run *run, size_t index,
                       size_t *order)
{
    scale_line line = result_supply_line(s, &s->cases[index]);
    size_t count = sort_levels(run, 1, order);
    line.dash = SCALE_SOLID;
    for (size_t i = 0; i < count; i++) {
        double place = count > 1 ? (double)i / (double)(count - 1) : 0.5;
        line.width_pt = softest_pt + place * (loudest_pt - softest_pt);
        draw_level(panel, s, run, index, order[i], &line);
    }
    line = (scale_line){number_colour, number_pt, SCALE_SOLID};
    count = sort_levels(run, 0, order);
    for (size_t i = 0; i < count; i++) {
        draw_level(panel, s, run, index, order[i], &line);
    }
}

static int add_panel(sheet *page, const session *s, const levels_run *run, size_t index,
                     size_t *order)
{
    const session_case *c = &s->cases[index];
    char name[LABEL_SIZE], volts[LABEL_SIZE], detail[LABEL_SIZE] = "";
    if (isfinite(c->terminal_v)) {
        snprintf(detail, sizeof detail, "%.64s at the terminals",
                 label_precise(volts, c->terminal_v, SAG_VOLT));
    }
    plot *panel = sheet_panel(page, result_panel_name(name, s, c), detail);
    if (!panel) {
        return 0;
    }
    draw_panel(panel, s, run, index, order);
    if (c->status != SAG_OK) {
        snprintf(detail, sizeof detail, "not computed: %s", sag_status_text(c->status));
        plot_message(panel, detail);
    }
    return 1;
}

static void note_playing_levels(sheet *page, const session *s)
{
    const sag_playing_level *playing = s->designs[0]->playing;
    char note[SHEET_NOTE] = "Playing levels:", volts[LABEL_SIZE];
    for (size_t i = 0; i < SAG_PLAYING_LEVELS; i++) {
        size_t used = strlen(note);
        snprintf(note + used, sizeof note - used, "%s %s %s", i > 0 ? "," : "", playing[i].name,
                 label_value(volts, playing[i].vpk, SAG_VOLT));
    }
    sheet_note(page, "%s peak", note);
}

int levels_picture_write(const session *s, const levels_run *run)
{
    const scale_colour ink = plot_ink;
    const sheet_key all[] = {
        {SHEET_LINE, {number_colour, number_pt, SCALE_SOLID}, "input in dBV"},
        {SHEET_LINE, {ink, loudest_pt, SCALE_SOLID}, "playing level"},
        {SHEET_LINE, {ink, 1.2, SCALE_SOLID}, "THD to 1 %"},
        {SHEET_OPEN_MARK, {ink, 0, SCALE_SOLID}, "1 %"},
        {SHEET_LINE, {ink, 1.2, SCALE_DASH}, "to 10 %"},
        {SHEET_FILLED_MARK, {ink, 0, SCALE_SOLID}, "10 %"},
        {SHEET_LINE, {ink, 1.2, SCALE_DOT}, "over 10 %"},
    };
    sheet_key key[sizeof all / sizeof all[0]];
    size_t named = 0;
    for (size_t i = 0; i < run->levels.count; i++) {
        named += run->levels.names[i] != NULL;
    }
    sheet page;
    result_sheet_start(&page, s);
    page.shown =
        "EQ curve at each input level: gain of the fundamental from the source to the output";
    page.axes[0].x_title = "frequency, Hz";
    page.axes[0].y_title = "gain, dB";
    page.axes[0].x_spacing = PLOT_LOG;
    page.axes[0].least_y = 10;
    page.axes[0].deepest_y = deepest_db;
    page.key = key;
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        if ((i != 0 || named < run->levels.count) && (i != 1 || named > 0)) {
            key[page.key_count++] = all[i];
        }
    }
    size_t *order = sag_new(run->levels.count, sizeof *order);
    int made = order != NULL;
    for (size_t i = 0; i < s->case_count && made; i++) {
        made = add_panel(&page, s, run, i, order);
    }
    sag_free(order);
    if (!made) {
        sheet_free(&page);
        return session_no_memory();
    }
    if (named > 0) {
        note_playing_levels(&page, s);
    }
    result_sheet_conditions(&page, s);
    return result_sheet_end(&page, s);
}
