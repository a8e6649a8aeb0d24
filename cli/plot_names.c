/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_names.c - the labels of reference lines, where they cover the least of the curves. */
#include "plot_private.h"

#include <math.h>
#include <stdio.h>

enum { MOST_NAMES = 16 };

/* Distances, pt: from the panel's edges, between the places tried, between the points of a curve
 * that are looked at. */
static const double inset_pt = 4, stride_pt = 6, sample_pt = 2;

/* What it costs to cover a point of another label, of a curve, of a reference; and to move one pt
 * away from the left end. */
static const double cost_label = 1000, cost_curve = 10, cost_reference = 3, cost_away = 0.02;

typedef struct {
    double left, top, width, height;
} box;

static double reference_y(const plot *p, const plot_panel *panel, const plot_item *item, double x)
{
    return item->kind == PLOT_HORIZONTAL ? plot_at_y(panel, item->at)
                                         : plot_at_y(panel, plot_value_at(p, panel, item, x));
}

static double cost_of_item(const plot *p, const plot_panel *panel, const plot_item *item,
                           const box *b)
{
    double cost = 0;
    if (item->kind == PLOT_VERTICAL || item->kind == PLOT_BAND) {
        return 0;
    }
    for (double x = b->left; x <= b->left + b->width; x += sample_pt) {
        double y = reference_y(p, panel, item, plot_from_x(panel, x));
        if (y > b->top && y < b->top + b->height) { /* not in a gap */
            cost += item->kind == PLOT_CURVE ? cost_curve : cost_reference;
        }
    }
    return cost;
}

static double cost_of(const plot *p, const plot_panel *panel, const box *b, const box *taken,
                      size_t count)
{
    double cost = cost_away * (b->left - panel->frame->left);
    for (size_t i = 0; i < p->item_count; i++) {
        cost += cost_of_item(p, panel, &p->items[i], b);
    }
    for (size_t i = 0; i < count; i++) {
        const box *t = &taken[i];
        int apart = b->left > t->left + t->width || t->left > b->left + b->width ||
                    b->top > t->top + t->height || t->top > b->top + b->height;
        cost += apart ? 0 : cost_label;
    }
    return cost;
}

/* The best place along a reference, over or under it; 0 when the line is not to be seen. */
static int place_name(const plot *p, const plot_panel *panel, const plot_item *item, box *name,
                      const box *taken, size_t count)
{
    const plot_frame *f = panel->frame;
    double least = (double)INFINITY;
    box best = *name;
    for (double x = f->left + inset_pt; x + name->width <= f->left + f->width - 1; x += stride_pt) {
        double start = reference_y(p, panel, item, plot_from_x(panel, x));
        double end = reference_y(p, panel, item, plot_from_x(panel, x + name->width));
        for (int under = 0; under < 2; under++) {
            box b = {x, (under ? fmax(start, end) + 1 : fmin(start, end) - name->height - 0.5),
                     name->width, name->height};
            /* Where the line is steep the name would not be next to it. */
            if (!(fabs(start - end) < 1) || b.top < f->top ||
                b.top + b.height > f->top + f->height) {
                continue;
            }
            double cost = cost_of(p, panel, &b, taken, count) + under;
            if (cost < least) {
                least = cost;
                best = b;
            }
        }
    }
    *name = best;
    return isfinite(least);
}

static void write_name(picture *to, const picture_font *font, const box *b, const char *text)
{
    cairo_t *c = picture_cairo(to);
    cairo_set_source_rgba(c, 1, 1, 1, 0.8);
    cairo_rectangle(c, b->left - 1, b->top + 0.5, b->width + 2, b->height - 0.5);
    cairo_fill(c);
    picture_text(to, font, b->left, b->top + 0.78 * b->height, 0, text);
}

void plot_draw_names(const plot *p, const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_font font = {f->text_pt, PICTURE_PLAIN, plot_soft_ink};
    box taken[MOST_NAMES];
    size_t count = 0;
    for (size_t i = 0; i < p->item_count && count < MOST_NAMES; i++) {
        const plot_item *item = &p->items[i];
        box name = {0, 0, picture_text_width(to, &font, item->name), 1.1 * f->text_pt};
        int placed = 0;
        if (!*item->name) {
            continue;
        }
        if (item->kind == PLOT_VERTICAL) {
            name.left = plot_at_x(panel, item->at) + 3;
            name.top = f->top + 1;
            placed = 1;
        } else if (item->kind == PLOT_REFERENCE || item->kind == PLOT_HORIZONTAL) {
            placed = place_name(p, panel, item, &name, taken, count);
        }
        if (placed) {
            write_name(to, &font, &name, item->name);
            taken[count++] = name;
        }
    }
}
