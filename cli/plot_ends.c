/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_ends.c - the labels at the ends of the curves. */
#include "memory.h"
#include "plot_private.h"
#include "spread.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Curves nearer than this all along cannot be told apart in print, pt. */
static const double together_pt = 0.7;

static const double leader_pt = 9; /* from a curve's end to its label */

/* Labels one above another in a panel, at most. */
enum { MOST_LABELS = 64 };

double plot_value_at(const plot *p, const plot_panel *panel, const plot_item *item, double x)
{
    const plot_place *place = &p->places[item->first];
    size_t low = 0, high = item->count;
    if (high == 0 || x < place[0].x || x > place[high - 1].x) {
        return (double)NAN;
    }
    while (low + 1 < high) {
        size_t middle = (low + high) / 2;
        if (place[middle].x <= x) {
            low = middle;
        } else {
            high = middle;
        }
    }
    if (x <= place[low].x || low + 1 == item->count) {
        return place[low].y;
    }
    double from = plot_at_x(panel, place[low].x), to = plot_at_x(panel, place[low + 1].x);
    double part = to > from ? (plot_at_x(panel, x) - from) / (to - from) : 0;
    return place[low].y + part * (place[low + 1].y - place[low].y);
}

static int follows(const plot *p, const plot_panel *panel, const plot_item *a, const plot_item *b)
{
    for (size_t i = 0; i < a->count; i++) {
        const plot_place *place = &p->places[a->first + i];
        double other = plot_value_at(p, panel, b, place->x);
        if (isnan(place->y) != isnan(other)) {
            return 0;
        }
        if (!isnan(other) &&
            fabs(plot_at_y(panel, place->y) - plot_at_y(panel, other)) > together_pt) {
            return 0;
        }
    }
    return 1;
}

static int together(const plot *p, const plot_panel *panel, const plot_item *a, const plot_item *b)
{
    return !strcmp(a->unit, b->unit) && follows(p, panel, a, b) && follows(p, panel, b, a);
}

/* The outermost place of a curve that has a value, or NULL. */
static const plot_place *end_place(const plot *p, const plot_item *item, int left)
{
    for (size_t i = 0; i < item->count; i++) {
        const plot_place *place = &p->places[item->first + (left ? i : item->count - 1 - i)];
        if (isfinite(place->y)) {
            return place;
        }
    }
    return NULL;
}

/* Names of the first and the last of `members` curves in one label. */
static void write_text(plot_end *end, const char *last, size_t members)
{
    const plot_item *item = end->item;
    snprintf(end->text, sizeof end->text, "%s%s%s%s%s", item->name,
             members < 2    ? ""
             : members == 2 ? ", "
                            : " to ",
             members < 2 ? "" : last, *item->unit ? " " : "", item->unit);
}

/* Rising along the page; curves that end at the same place stay in order. */
static void sort(plot_end *ends, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        plot_end moved = ends[i];
        size_t k = i;
        while (k > 0 && floor(ends[k - 1].y) > floor(moved.y)) {
            ends[k] = ends[k - 1];
            k--;
        }
        ends[k] = moved;
    }
}

/* Leaves out labels evenly until the rest fit; the first and the last stay. */
static size_t thin(plot_end *ends, size_t count, size_t room)
{
    if (count <= room) {
        return count;
    }
    room = room < 2 ? 2 : room;
    for (size_t i = 0; i < room; i++) {
        ends[i] = ends[i * (count - 1) / (room - 1)];
    }
    return room;
}

size_t plot_find_ends(const plot *p, const plot_panel *panel, plot_end *ends)
{
    const plot_frame *frame = panel->frame;
    size_t count = 0, members = 0;
    for (size_t i = 0; i < p->item_count; i++) {
        const plot_item *item = &p->items[i];
        const plot_place *last =
            item->kind == PLOT_CURVE ? end_place(p, item, frame->labels_left) : NULL;
        if (!last || !*item->name) {
            continue;
        }
        if (count > 0 && together(p, panel, ends[count - 1].item, item)) {
            write_text(&ends[count - 1], item->name, ++members);
            continue;
        }
        plot_end *end = &ends[count++];
        end->item = item;
        end->x = plot_at_x(panel, last->x);
        end->y = plot_at_y(panel, last->y);
        members = 1;
        write_text(end, NULL, members);
    }
    sort(ends, count);
    double pitch = 1.15 * frame->text_pt, bottom = frame->top + frame->height;
    size_t room = 1 + (size_t)(frame->height / pitch);
    count = thin(ends, count, room < MOST_LABELS ? room : MOST_LABELS);
    double targets[MOST_LABELS], places[MOST_LABELS];
    for (size_t i = 0; i < count; i++) {
        targets[i] = ends[i].y < frame->top ? frame->top : ends[i].y > bottom ? bottom : ends[i].y;
    }
    spread_labels(targets, count, pitch, frame->top, bottom, places);
    for (size_t i = 0; i < count; i++) {
        ends[i].place = places[i];
    }
    return count;
}

/* A label and the line that leads to it from the end of its curve. */
static void draw_end(const plot_panel *panel, const plot_end *end, picture *to)
{
    const plot_frame *f = panel->frame;
    cairo_t *c = picture_cairo(to);
    picture_font font = plot_plain(f->text_pt, plot_ink);
    scale_line line = {end->item->line.colour, 0.7, SCALE_SOLID};
    double edge = f->labels_left ? f->left : f->left + f->width;
    double outwards = f->labels_left ? -1 : 1;
    char cut[PICTURE_TEXT];
    int early = fabs(edge - end->x) > 1;
    if (early) { /* the curve ends within the panel: what leads on is no part of it */
        line = (scale_line){plot_soft_ink, 0.5, SCALE_DOT};
    }
    picture_line(to, &line);
    cairo_move_to(c, end->x, plot_within(end->y, f->top, f->top + f->height));
    if (early) {
        cairo_line_to(c, edge, end->place);
    }
    cairo_line_to(c, edge + outwards * (leader_pt - 2), end->place);
    cairo_stroke(c);
    /* Half a point more, so that a label that just fits is not cut. */
    picture_cut(to, &font, end->text, f->label_room - leader_pt + 0.5, cut);
    picture_text(to, &font, edge + outwards * leader_pt, end->place + 0.36 * f->text_pt,
                 f->labels_left ? 1 : 0, cut);
}

/* The ends of all curves; NULL when memory is short. Freed with sag_free. */
static plot_end *find_ends(const plot *p, const plot_panel *panel, size_t *count)
{
    plot_end *ends = sag_new(p->item_count, sizeof *ends);
    *count = ends ? plot_find_ends(p, panel, ends) : 0;
    return ends;
}

int plot_draw_ends(const plot *p, const plot_panel *panel, picture *to)
{
    size_t count;
    plot_end *ends = find_ends(p, panel, &count);
    for (size_t i = 0; i < count; i++) {
        draw_end(panel, &ends[i], to);
    }
    int done = ends != NULL;
    sag_free(ends);
    return done;
}

double plot_crowding(const plot *p, const plot_axis *x, const plot_axis *y, const plot_frame *frame)
{
    plot_panel panel = {x, y, frame};
    size_t count;
    plot_end *ends = find_ends(p, &panel, &count);
    double sum = ends ? 0 : (double)NAN;
    for (size_t i = 0; i < count; i++) {
        sum += fabs(ends[i].place - plot_within(ends[i].y, frame->top, frame->top + frame->height));
    }
    sag_free(ends);
    return sum;
}

double plot_label_room(const plot *p, const plot_axis *x, const plot_axis *y,
                       const plot_frame *frame, picture *to)
{
    plot_panel panel = {x, y, frame};
    picture_font font = plot_plain(frame->text_pt, plot_ink);
    size_t count;
    double widest = 0;
    plot_end *ends = find_ends(p, &panel, &count);
    if (!ends) {
        return (double)NAN;
    }
    for (size_t i = 0; i < count; i++) {
        double width = picture_text_width(to, &font, ends[i].text);
        widest = width > widest ? width : widest;
    }
    sag_free(ends);
    return count > 0 ? leader_pt + widest : 0;
}
