/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench_picture.c - an op-amp on the bench as a picture: drops against load current at each supply of
 * the file's tables, swing and supply current against supply, with the file's points as marks. */
#include "bench_run.h"
#include "label.h"
#include "railsag.h"
#include "session.h"
#include "sheet.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Groups of panels. */
enum { DROP, SWING, DRAIN };

enum { LOADS = 41, SUPPLIES = 49, MOST_TABLES = 24, MOST_OUTSIDE = 3 };

static const double least_span = 0.01; /* of an axis: V, mA or uA */

/* Around a load current that is alone, and where none is above 0, A; no further than this share of a
 * short-circuit current. */
static const double short_of_it = 0.9;
static const double single_load = 3, least_load_a = 1e-5, most_load_a = 1e-3;

typedef struct {
    const sag_drop_point *points;
    size_t count;
} drops;

static drops drops_of(const sag_opamp_model *model, int high)
{
    return high ? (drops){model->high, model->high_count} : (drops){model->low, model->low_count};
}

/* The supply that a point holds at: the bench's where it holds at all. */
static double supply_of(const sag_opamp_model *model, const sag_drop_point *point)
{
    return isnan(point->supply_v) ? sag_model_bench_output_v(model) : point->supply_v;
}

static int same_supply(double a_v, double b_v)
{
    return fabs(a_v - b_v) < 1e-9;
}

/* The supplies of both tables, falling: each has one kind of line in both panels. */
static size_t list_supplies(const sag_opamp_model *model, double *supply_v)
{
    size_t count = 0;
    for (size_t i = 0; i < model->high_count + model->low_count && count < MOST_TABLES; i++) {
        const sag_drop_point *point =
            i < model->high_count ? &model->high[i] : &model->low[i - model->high_count];
        double v = supply_of(model, point);
        size_t at = 0;
        while (at < count && supply_v[at] > v && !same_supply(supply_v[at], v)) {
            at++;
        }
        if (at == count || !same_supply(supply_v[at], v)) {
            memmove(supply_v + at + 1, supply_v + at, (count - at) * sizeof *supply_v);
            supply_v[at] = v;
            count++;
        }
    }
    return count;
}

static plot_mark_kind mark_of(const char *estimate)
{
    return estimate ? PLOT_OPEN : PLOT_FILLED;
}

/* A mark that the axis makes room for, were it far from its curve. */
static void mark(plot *panel, const char *estimate, scale_colour colour, double x, double y)
{
    plot_mark(panel, mark_of(estimate), colour, x, y);
    plot_include(panel, y);
}

/* One supply of a table of drops: the simulated curve over the span of its load currents, and its
 * points. */
static sag_status draw_drops(plot *panel, const bench_run *run, int high, double supply_v,
                             const scale_line *line)
{
    drops d = drops_of(run->model, high);
    double least_a = (double)INFINITY, most_a = 0;
    char name[LABEL_SIZE];
    size_t rows = 0;
    for (size_t i = 0; i < d.count; i++) {
        double load_a = d.points[i].current_a;
        int here = same_supply(supply_of(run->model, &d.points[i]), supply_v);
        rows += here ? 1 : 0;
        least_a = here && load_a > 0 ? fmin(least_a, load_a) : least_a;
        most_a = here ? fmax(most_a, load_a) : most_a;
    }
    if (rows == 0) {
        return SAG_OK;
    }
    if (!(most_a > least_a)) {
        double short_a = high ? run->model->short_source_a : run->model->short_sink_a;
        double on_a = fmin(most_a > 0 ? most_a * single_load : most_load_a, short_of_it * short_a);
        least_a = most_a > 0 ? most_a / single_load : least_load_a;
        most_a = fmax(most_a, on_a);
    }
    snprintf(name, sizeof name, "%.3g", supply_v);
    int all = isnan(d.points[0].supply_v);
    plot_curve(panel, line, all ? "any supply" : name, all ? NULL : "V");
    for (int i = 0; i < LOADS; i++) {
        double load_a = least_a * pow(most_a / least_a, (double)i / (LOADS - 1)), found_a, drop_v;
        sag_status status =
            sag_model_bench_drop(run->bench, high, supply_v, load_a, &found_a, &drop_v);
        if (status < SAG_OK) {
            return status;
        }
        plot_point(panel, 1e3 * (status == SAG_OK ? found_a : load_a),
                   status == SAG_OK ? drop_v : (double)NAN);
    }
    for (size_t i = 0; i < d.count; i++) {
        const sag_drop_point *point = &d.points[i];
        if (same_supply(supply_of(run->model, point), supply_v) && point->current_a > 0) {
            mark(panel, point->estimate, line->colour, 1e3 * point->current_a, point->drop_v);
        }
    }
    return SAG_OK;
}

static plot *add_panel(sheet *page, const char *heading, const char *detail)
{
    plot *panel = sheet_panel(page, heading, detail);
    if (panel) {
        plot_whole_marks(panel);
    }
    return panel;
}

static sag_status add_drops(sheet *page, const bench_run *run, int high)
{
    double supply_v[MOST_TABLES];
    size_t count = list_supplies(run->model, supply_v);
    plot *panel = add_panel(page, high ? "Drop below V+" : "Drop above V-",
                            high ? "giving current" : "taking current");
    if (!panel) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < count; i++) {
        scale_line line = scale_supply(i, count);
        TRY(draw_drops(panel, run, high, supply_v[i], &line));
    }
    plot_include(panel, 0);
    return SAG_OK;
}

/* What the curves over supply run across: all that the tables and ratings speak of. Where the part
 * does not work there is a gap. */
static void find_span(const sag_opamp_model *model, double *least_v, double *most_v)
{
    *least_v = fmin(model->supply_min_v,
                    model->stops_below_v > 0 ? model->stops_below_v : model->supply_min_v);
    *most_v = model->supply_max_v;
    for (int high = 0; high < 2; high++) {
        drops d = drops_of(model, high);
        *least_v = fmin(*least_v, supply_of(model, &d.points[0]));
        *most_v = fmax(*most_v, supply_of(model, &d.points[d.count - 1]));
    }
    for (size_t i = 0; i < model->against_count; i++) {
        *least_v = fmin(*least_v, model->against[i].supply_v);
        *most_v = fmax(*most_v, model->against[i].supply_v);
    }
    *most_v = fmin(*most_v, model->absolute_max_v);
}

static double supply_at(double least_v, double most_v, int i)
{
    return i + 1 == SUPPLIES ? most_v : least_v + (most_v - least_v) * i / (SUPPLIES - 1);
}

/* The points of the lightest load at each supply; a curve without load is to go through them. */
static void mark_swing(plot *panel, const sag_opamp_model *model, int high, scale_colour colour)
{
    drops d = drops_of(model, high);
    for (size_t i = 0; i < d.count; i++) {
        const sag_drop_point *point = &d.points[i];
        double v = supply_of(model, point), swing_v = v / 2 - point->drop_v;
        if (i == 0 || !same_supply(supply_of(model, &d.points[i - 1]), v)) { /* currents rise */
            mark(panel, point->estimate, colour, v, high ? swing_v : -swing_v);
        }
    }
}

static sag_status add_swing(sheet *page, const bench_run *run)
{
    double least_v, most_v;
    find_span(run->model, &least_v, &most_v);
    plot *panel = add_panel(page, "Swing against supply", "from half the supply, no load");
    if (!panel) {
        return SAG_NO_MEMORY;
    }
    for (int high = 1; high >= 0; high--) {
        scale_line line = scale_supply(0, 1);
        plot_curve(panel, &line, high ? "highest" : "lowest", NULL);
        for (int i = 0; i < SUPPLIES; i++) {
            double v = supply_at(least_v, most_v, i), found_a, drop_v;
            sag_status status = sag_model_bench_drop(run->bench, high, v, 0, &found_a, &drop_v);
            if (status < SAG_OK) {
                return status;
            }
            double swing_v = status == SAG_OK ? v / 2 - drop_v : (double)NAN;
            plot_point(panel, v, high ? swing_v : -swing_v);
        }
        mark_swing(panel, run->model, high, line.colour);
        plot_reference(panel, NULL);
        plot_point(panel, least_v, high ? least_v / 2 : -least_v / 2);
        plot_point(panel, most_v, high ? most_v / 2 : -most_v / 2);
        plot_include(panel, high ? most_v / 2 : -most_v / 2);
    }
    return SAG_OK;
}

/* Supply currents in mA, or in uA below 1 mA. */
static double drain_scale(const sag_opamp_model *model)
{
    return model->supply_current_a < 1e-3 ? 1e6 : 1e3;
}

static sag_status add_drain(sheet *page, const bench_run *run)
{
    const sag_opamp_model *model = run->model;
    double least_v, most_v, scale = drain_scale(model);
    scale_line line = scale_supply(0, 1);
    find_span(model, &least_v, &most_v);
    plot *panel = add_panel(page, "Supply current", "one amplifier, no load");
    if (!panel) {
        return SAG_NO_MEMORY;
    }
    plot_curve(panel, &line, NULL, NULL);
    for (int i = 0; i < SUPPLIES; i++) {
        double v = supply_at(least_v, most_v, i), drain_a;
        sag_status status = sag_model_bench_supply_a(run->bench, v, &drain_a);
        if (status < SAG_OK) {
            return status;
        }
        plot_point(panel, v, status == SAG_OK ? scale * drain_a : (double)NAN);
    }
    for (size_t i = 0; i < model->against_count; i++) {
        const sag_against_supply *row = &model->against[i];
        mark(panel, row->estimate, line.colour, row->supply_v,
             scale * row->supply_current * model->supply_current_a);
    }
    plot_include(panel, 0);
    return SAG_OK;
}

static void note_page(sheet *page, const bench_run *run)
{
    char text[LABEL_SIZE], place[LABEL_SIZE], found[LABEL_SIZE], sheet_says[LABEL_SIZE];
    size_t outside = 0;
    sheet_note(page, "railsag " SAG_VERSION
                     ": overdriven outputs between stiff rails, loads to the other rail");
    sheet_note(page, "The whole bench, %s", bench_summary(text, run));
    for (size_t i = 0; i < run->count; i++) {
        const sag_bench_figure *f = &run->figures[i];
        if (f->verdict == SAG_BENCH_OUTSIDE && outside++ < MOST_OUTSIDE) {
            sheet_note(page, "outside: %s at %s, %s for %s", bench_kind_of(f)->name,
                       bench_place(place, f), bench_value(found, f, f->found),
                       bench_value(sheet_says, f, f->sheet));
        }
    }
}

static sag_status fill(sheet *page, const bench_run *run)
{
    page->group = DROP;
    TRY(add_drops(page, run, 1));
    TRY(add_drops(page, run, 0));
    page->group = SWING;
    TRY(add_swing(page, run));
    page->group = DRAIN;
    return add_drain(page, run);
}

int bench_picture_write(const bench_run *run)
{
    const scale_colour ink = plot_ink, rail = plot_soft_ink;
    const sheet_key key[] = {
        {SHEET_LINE, {ink, 1.2, SCALE_SOLID}, "simulated"},
        {SHEET_FILLED_MARK, {ink, 0, SCALE_SOLID}, "figure of the file"},
        {SHEET_OPEN_MARK, {ink, 0, SCALE_SOLID}, "estimate in the file"},
        {SHEET_LINE, {rail, 0.8, SCALE_SOLID}, "rail"},
    };
    const sag_model_head *head = &run->model->head;
    char title[LABEL_SIZE];
    sheet page;
    memset(&page, 0, sizeof page);
    snprintf(title, sizeof title, "%.60s%s%.180s", head->name, head->title ? ": " : "",
             head->title ? head->title : "");
    page.title = title;
    page.shown = "On the bench: output and supply current, simulated and by the file";
    page.key = key;
    page.key_count = sizeof key / sizeof key[0];
    for (size_t i = 0; i < SHEET_GROUPS; i++) {
        page.axes[i].deepest_y = (double)INFINITY;
    }
    page.axes[DROP].x_title = "load current, mA";
    page.axes[DROP].y_title = "drop, V";
    page.axes[DROP].x_spacing = PLOT_LOG;
    page.axes[DROP].least_y = page.axes[DRAIN].least_y = least_span;
    page.axes[SWING].x_title = page.axes[DRAIN].x_title = "supply, V";
    page.axes[SWING].y_title = "output, V";
    page.axes[DRAIN].y_title =
        drain_scale(run->model) > 1e5 ? "supply current, uA" : "supply current, mA";
    sag_status status = fill(&page, run);
    if (status != SAG_OK) {
        sheet_free(&page);
        return session_fail(status);
    }
    note_page(&page, run);
    int done = sheet_write(&page, run->options->plot_kind, run->plot);
    sheet_free(&page);
    return done ? EXIT_DONE : EXIT_FAILED;
}
