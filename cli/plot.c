/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "plot.h"

#include "memory.h"
#include "plot_private.h"
#include "text.h"

#include <math.h>
#include <string.h>

const scale_colour plot_ink = {0.11, 0.11, 0.13};
const scale_colour plot_soft_ink = {0.40, 0.40, 0.43};
const scale_colour plot_grid = {0.86, 0.86, 0.85};

static const double reference_pt = 0.7;

/* Keeps text, cut where it is too long. */
static void keep(char *buffer, size_t size, const char *text)
{
    buffer[0] = '\0';
    if (text && *text) {
        sag_text_show(buffer, size, text, strlen(text));
    }
}

plot *plot_new(const char *heading, const char *detail)
{
    plot *p = sag_new(1, sizeof *p);
    if (p) {
        keep(p->heading, sizeof p->heading, heading);
        keep(p->detail, sizeof p->detail, detail);
    }
    return p;
}

void plot_free(plot *p)
{
    if (p) {
        sag_free(p->items);
        sag_free(p->places);
        sag_free(p->spots);
        sag_free(p->included);
        sag_free(p);
    }
}

int plot_failed(const plot *p)
{
    return p->failed;
}

/* A new item, or NULL. */
static plot_item *add_item(plot *p, plot_kind kind, const scale_line *line, const char *name)
{
    void *items = p->items;
    if (p->failed || !sag_grow(&items, &p->item_room, p->item_count + 1, sizeof *p->items)) {
        p->failed = 1;
        return NULL;
    }
    p->items = items;
    plot_item *item = &p->items[p->item_count++];
    *item = (plot_item){.kind = kind, .line = *line, .first = p->place_count};
    keep(item->name, sizeof item->name, name);
    return item;
}

static void add_place(plot *p, double x, double y, double top)
{
    void *places = p->places;
    if (p->failed || p->item_count == 0 ||
        !sag_grow(&places, &p->place_room, p->place_count + 1, sizeof *p->places)) {
        p->failed = 1;
        return;
    }
    p->places = places;
    plot_item *item = &p->items[p->item_count - 1];
    int whole = isfinite(x) && isfinite(y) && isfinite(top);
    p->places[p->place_count++] =
        (plot_place){.x = x, .y = whole ? y : (double)NAN, .top = top, .dash = item->line.dash};
    item->count++;
}

void plot_curve(plot *p, const scale_line *line, const char *name, const char *unit)
{
    plot_item *item = add_item(p, PLOT_CURVE, line, name);
    if (item) {
        keep(item->unit, sizeof item->unit, unit);
    }
}

void plot_reference(plot *p, const char *name)
{
    scale_line line = {plot_soft_ink, reference_pt, SCALE_SOLID};
    add_item(p, PLOT_REFERENCE, &line, name);
}

void plot_band(plot *p, scale_colour colour, const char *name)
{
    scale_line line = {colour, 0, SCALE_SOLID};
    add_item(p, PLOT_BAND, &line, name);
}

void plot_point(plot *p, double x, double y)
{
    add_place(p, x, y, y);
}

void plot_band_point(plot *p, double x, double low, double high)
{
    add_place(p, x, low, high);
}

void plot_dash(plot *p, scale_dash dash)
{
    if (p->failed || p->item_count == 0) {
        return;
    }
    plot_item *item = &p->items[p->item_count - 1];
    item->line.dash = dash;
    if (item->count > 0) {
        p->places[p->place_count - 1].dash = dash;
    }
}

static void add_line(plot *p, plot_kind kind, double at, const char *name)
{
    scale_line line = {plot_soft_ink, reference_pt, SCALE_SOLID};
    plot_item *item = add_item(p, kind, &line, name);
    if (item) {
        item->at = at;
    }
}

void plot_horizontal(plot *p, double y, const char *name)
{
    add_line(p, PLOT_HORIZONTAL, y, name);
}

void plot_vertical(plot *p, double x, const char *name)
{
    add_line(p, PLOT_VERTICAL, x, name);
}

void plot_mark(plot *p, plot_mark_kind kind, scale_colour colour, double x, double y)
{
    void *spots = p->spots;
    if (p->failed || !sag_grow(&spots, &p->spot_room, p->spot_count + 1, sizeof *p->spots)) {
        p->failed = 1;
        return;
    }
    p->spots = spots;
    p->spots[p->spot_count++] = (plot_spot){kind, colour, x, y};
}

void plot_whole_marks(plot *p)
{
    p->whole_marks = 1;
}

void plot_message(plot *p, const char *text)
{
    keep(p->message, sizeof p->message, text);
}

void plot_include(plot *p, double y)
{
    void *included = p->included;
    if (p->failed ||
        !sag_grow(&included, &p->included_room, p->included_count + 1, sizeof *p->included)) {
        p->failed = 1;
        return;
    }
    p->included = included;
    p->included[p->included_count++] = y;
}

plot_extent plot_no_extent(void)
{
    return (plot_extent){(double)INFINITY, -(double)INFINITY, (double)INFINITY, -(double)INFINITY};
}

static void widen(double *low, double *high, double value)
{
    if (isfinite(value)) {
        *low = value < *low ? value : *low;
        *high = value > *high ? value : *high;
    }
}

void plot_extend(const plot *p, plot_extent *extent)
{
    for (size_t i = 0; i < p->item_count; i++) {
        const plot_item *item = &p->items[i];
        if (item->kind != PLOT_CURVE && item->kind != PLOT_BAND) {
            continue;
        }
        for (size_t k = item->first; k < item->first + item->count; k++) {
            const plot_place *place = &p->places[k];
            widen(&extent->x_low, &extent->x_high, place->x);
            widen(&extent->y_low, &extent->y_high, place->y);
            if (isfinite(place->y)) {
                widen(&extent->y_low, &extent->y_high, place->top);
            }
        }
    }
    for (size_t i = 0; i < p->included_count; i++) {
        widen(&extent->y_low, &extent->y_high, p->included[i]);
    }
}

plot_axis plot_log_axis(const char *title, double low, double high)
{
    if (!(low > 0 && isfinite(high) && low <= high)) {
        low = 1;
        high = 10;
    }
    if (high < 1.2 * low) { /* one point, or next to it: room on both sides */
        low /= 2;
        high *= 2;
    }
    return (plot_axis){PLOT_LOG, title, {low, high, 0}};
}

plot_axis plot_linear_axis(const char *title, double low, double high, double least, int most)
{
    return (plot_axis){PLOT_LINEAR, title, scale_round_range(low, high, least, most)};
}
