/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_draw.c - a plot on the page. */
#include "plot_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double mark_radius = 2.1, dot_radius = 1.3; /* pt */

/* A curve of this many points or fewer shows each of them. */
enum { FEW_POINTS = 15 };

/* Runs of places without a gap are filled one by one. */
static void draw_band(const plot *p, const plot_panel *panel, const plot_item *item, picture *to)
{
    cairo_t *c = picture_cairo(to);
    const plot_place *place = &p->places[item->first];
    scale_colour colour = item->line.colour;
    cairo_set_source_rgba(c, colour.red, colour.green, colour.blue, 0.2);
    for (size_t i = 0; i < item->count;) {
        size_t end = i;
        while (end < item->count && isfinite(place[end].y)) {
            end++;
        }
        for (size_t k = i; k < end; k++) {
            cairo_line_to(c, plot_at_x(panel, place[k].x), plot_at_y(panel, place[k].y));
        }
        for (size_t k = end; k > i; k--) {
            cairo_line_to(c, plot_at_x(panel, place[k - 1].x), plot_at_y(panel, place[k - 1].top));
        }
        cairo_close_path(c);
        cairo_fill(c);
        i = end + 1;
    }
}

static void draw_dot(picture *to, double x, double y, double radius)
{
    cairo_t *c = picture_cairo(to);
    cairo_new_sub_path(c);
    cairo_arc(c, x, y, radius, 0, 6.28318530717958648);
}

/* A curve in runs: up to a gap, or to a change of style. */
static void draw_curve(const plot *p, const plot_panel *panel, const plot_item *item, picture *to)
{
    cairo_t *c = picture_cairo(to);
    const plot_place *place = &p->places[item->first];
    size_t i = 0;
    while (i + 1 < item->count) {
        if (!isfinite(place[i].y) || !isfinite(place[i + 1].y)) {
            i++;
            continue;
        }
        scale_line line = item->line;
        line.dash = place[i].dash;
        picture_line(to, &line);
        cairo_move_to(c, plot_at_x(panel, place[i].x), plot_at_y(panel, place[i].y));
        while (i + 1 < item->count && isfinite(place[i + 1].y) && place[i].dash == line.dash) {
            i++;
            cairo_line_to(c, plot_at_x(panel, place[i].x), plot_at_y(panel, place[i].y));
        }
        cairo_stroke(c);
    }
}

/* Places that no line shows: all of a curve with few, and those between two gaps. */
static void draw_dots(const plot *p, const plot_panel *panel, const plot_item *item, picture *to)
{
    const plot_place *place = &p->places[item->first];
    picture_colour(to, item->line.colour);
    for (size_t i = 0; i < item->count; i++) {
        int before = i > 0 && isfinite(place[i - 1].y);
        int after = i + 1 < item->count && isfinite(place[i + 1].y);
        if (isfinite(place[i].y) && (item->count <= FEW_POINTS || (!before && !after))) {
            draw_dot(to, plot_at_x(panel, place[i].x), plot_at_y(panel, place[i].y),
                     item->line.width_pt > dot_radius ? item->line.width_pt : dot_radius);
            cairo_fill(picture_cairo(to));
        }
    }
}

static void draw_across(const plot_panel *panel, const plot_item *item, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_line(to, &item->line);
    if (item->kind == PLOT_HORIZONTAL) {
        double y = plot_at_y(panel, item->at);
        plot_straight(to, f->left, y, f->left + f->width, y);
    } else {
        double x = plot_at_x(panel, item->at);
        plot_straight(to, x, f->top, x, f->top + f->height);
    }
}

static void draw_items(const plot *p, const plot_panel *panel, plot_kind kind, picture *to)
{
    for (size_t i = p->item_count; i > 0; i--) {
        const plot_item *item = &p->items[i - 1];
        if (item->kind != kind) {
            continue;
        }
        switch (kind) {
        case PLOT_BAND:
            draw_band(p, panel, item, to);
            break;
        case PLOT_CURVE:
            draw_curve(p, panel, item, to);
            draw_dots(p, panel, item, to);
            break;
        case PLOT_REFERENCE:
            draw_curve(p, panel, item, to);
            break;
        case PLOT_HORIZONTAL:
        case PLOT_VERTICAL:
            draw_across(panel, item, to);
            break;
        }
    }
}

static void draw_spots(const plot *p, const plot_panel *panel, picture *to)
{
    cairo_t *c = picture_cairo(to);
    for (size_t i = p->spot_count; i > 0; i--) {
        const plot_spot *spot = &p->spots[i - 1];
        if (isfinite(spot->x) && isfinite(spot->y)) {
            plot_draw_mark(to, spot->kind, spot->colour, plot_at_x(panel, spot->x),
                           plot_at_y(panel, spot->y));
        }
    }
    cairo_new_path(c);
}

static void draw_whole_spots(const plot *p, const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    const double room = mark_radius + 1;
    cairo_t *c = picture_cairo(to);
    cairo_save(c);
    cairo_rectangle(c, f->left - room, f->top - room, f->width + 2 * room, f->height + 2 * room);
    cairo_clip(c);
    draw_spots(p, panel, to);
    cairo_restore(c);
}

void plot_draw_mark(picture *to, plot_mark_kind kind, scale_colour colour, double x, double y)
{
    cairo_t *c = picture_cairo(to);
    scale_line line = {colour, 0.9, SCALE_SOLID};
    draw_dot(to, x, y, mark_radius);
    if (kind == PLOT_OPEN) {
        cairo_set_source_rgb(c, 1, 1, 1);
    } else {
        picture_colour(to, colour);
    }
    cairo_fill_preserve(c);
    picture_line(to, &line);
    cairo_stroke(c);
}

/* What to say in the panel: the sentence given, or that no curve has a value. */
static const char *find_message(const plot *p)
{
    size_t curves = 0;
    for (size_t i = 0; i < p->item_count && !*p->message; i++) {
        const plot_item *item = &p->items[i];
        curves += item->kind == PLOT_CURVE;
        for (size_t k = 0; k < item->count && item->kind == PLOT_CURVE; k++) {
            if (isfinite(p->places[item->first + k].y)) {
                return "";
            }
        }
    }
    return curves > 0 ? "no figures" : p->message;
}

static void draw_message(const plot *p, const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_font font = plot_plain(f->text_pt, plot_ink);
    const char *text = find_message(p);
    double y = f->top + f->height / 2;
    while (*text) {
        char line[PICTURE_TEXT];
        size_t length = picture_fit(to, &font, text, 0.8 * f->width);
        snprintf(line, sizeof line, "%.*s", (int)length, text);
        picture_text(to, &font, f->left + f->width / 2, y, 0.5, line);
        text += length;
        text += strspn(text, " ");
        y += 1.3 * f->text_pt;
    }
}

static void draw_heading(const plot *p, const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_font bold = {1.15 * f->text_pt, PICTURE_BOLD, plot_ink};
    picture_font light = plot_plain(f->text_pt, plot_soft_ink);
    double y = f->top - 0.6 * f->text_pt;
    char cut[PICTURE_TEXT];
    if (!*p->heading) {
        return;
    }
    double width = f->width + (f->labels_left ? f->number_room : f->label_room);
    picture_cut(to, &bold, p->heading, width, cut);
    picture_text(to, &bold, f->left, y, 0, cut);
    double used = picture_text_width(to, &bold, cut) + f->text_pt;
    if (*p->detail && used < width) {
        picture_text(to, &light, f->left + used, y, 0,
                     picture_cut(to, &light, p->detail, width - used, cut));
    }
}

double plot_head_room(const plot *p, const plot_frame *frame)
{
    return *p->heading ? 2.0 * frame->text_pt : 0.5 * frame->text_pt;
}

int plot_draw(const plot *p, const plot_axis *x, const plot_axis *y, const plot_frame *frame,
              picture *to)
{
    plot_panel panel = {x, y, frame};
    cairo_t *c = picture_cairo(to);
    draw_heading(p, &panel, to);
    plot_draw_axes(&panel, to);
    cairo_save(c);
    /* No curve goes beyond the ends of the axis: room for dots and marks on them. */
    cairo_rectangle(c, frame->left - mark_radius - 1, frame->top - 1,
                    frame->width + 2 * mark_radius + 2, frame->height + 1);
    cairo_clip(c);
    draw_items(p, &panel, PLOT_BAND, to);
    draw_items(p, &panel, PLOT_HORIZONTAL, to);
    draw_items(p, &panel, PLOT_VERTICAL, to);
    draw_items(p, &panel, PLOT_REFERENCE, to);
    draw_items(p, &panel, PLOT_CURVE, to);
    if (!p->whole_marks) {
        draw_spots(p, &panel, to);
    }
    cairo_restore(c);
    plot_draw_edges(&panel, to);
    if (p->whole_marks) {
        draw_whole_spots(p, &panel, to);
    }
    plot_draw_names(p, &panel, to);
    draw_message(p, &panel, to);
    return plot_draw_ends(p, &panel, to);
}
