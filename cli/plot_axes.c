/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_axes.c - from values to places on the page, and the axes with their numbers. */
#include "plot_private.h"

#include <math.h>
#include <stdio.h>

/* Distances, pt. */
static const double tick_gap = 3; /* between an axis and its numbers */
static const double between_numbers = 4;
static const double beyond_pt = 40; /* how far outside a panel a value is still told apart */
/* Room of a title that reads upwards, in heights of its letters. */
static const double title_lines = 1.6;

enum { MOST_TICKS = 64, NUMBER = 32 };

static double place_of(const plot_axis *axis, double value)
{
    const scale_range *r = &axis->range;
    if (axis->spacing == PLOT_LOG) {
        return value > 0 ? log(value / r->low) / log(r->high / r->low) : -(double)INFINITY;
    }
    return (value - r->low) / (r->high - r->low);
}

double plot_within(double value, double low, double high)
{
    return value < low ? low : value > high ? high : value;
}

double plot_at_x(const plot_panel *panel, double x)
{
    const plot_frame *f = panel->frame;
    return plot_within(f->left + f->width * place_of(panel->x, x), f->left - beyond_pt,
                       f->left + f->width + beyond_pt);
}

double plot_at_y(const plot_panel *panel, double y)
{
    const plot_frame *f = panel->frame;
    return plot_within(f->top + f->height * (1 - place_of(panel->y, y)), f->top - beyond_pt,
                       f->top + f->height + beyond_pt);
}

double plot_from_x(const plot_panel *panel, double place)
{
    const scale_range *r = &panel->x->range;
    double part = (place - panel->frame->left) / panel->frame->width;
    return panel->x->spacing == PLOT_LOG ? r->low * pow(r->high / r->low, part)
                                         : r->low + part * (r->high - r->low);
}

picture_font plot_plain(double size_pt, scale_colour colour)
{
    return (picture_font){size_pt, PICTURE_PLAIN, colour};
}

/* Values where the axis has numbers. */
static size_t find_ticks(const plot_axis *axis, double *ticks)
{
    const scale_range *r = &axis->range;
    size_t count = 0;
    if (axis->spacing == PLOT_LOG) {
        count = scale_log_ticks(r->low, r->high, ticks, MOST_TICKS);
        if (count > 2) {
            return count;
        }
    }
    /* A narrow log axis is divided evenly, within its ends. */
    scale_range even = axis->spacing == PLOT_LOG ? scale_round_range(r->low, r->high, 0, 6) : *r;
    const double close = 1e-9 * even.step;
    count = 0;
    for (size_t i = 0; i < MOST_TICKS; i++) {
        double tick = even.low + (double)i * even.step;
        if (tick > r->high + close) {
            break;
        }
        if (tick >= r->low - close) {
            ticks[count++] = fabs(tick) < close ? 0 : tick;
        }
    }
    return count;
}

/* "20", "1k", "2.5k"; on a linear axis as many decimals as its step has. */
static const char *print_tick(char *buffer, const plot_axis *axis, double value)
{
    if (axis->spacing == PLOT_LOG) {
        static const struct {
            double unit;
            const char *letter;
        } prefixes[] = {{1e6, "M"}, {1e3, "k"}, {1, ""}};
        size_t i = 0;
        while (i < 2 && value < prefixes[i].unit * (1 - 1e-9)) {
            i++;
        }
        snprintf(buffer, NUMBER, "%.4g%s", value / prefixes[i].unit, prefixes[i].letter);
    } else {
        double digits = -floor(log10(axis->range.step) + 1e-9);
        snprintf(buffer, NUMBER, "%.*f", (int)plot_within(digits, 0, 9), value);
    }
    return buffer;
}

static int is_decade(double value)
{
    double power = log10(value);
    return fabs(power - round(power)) < 1e-9;
}

/* Chooses the ticks of the x axis that carry numbers: all, or where they would touch the powers of
 * ten, with the ends where these have room. */
static void choose_numbers(const plot_panel *panel, const picture_font *font, picture *to,
                           const double *ticks, size_t count, unsigned char *shown)
{
    double left[MOST_TICKS], right[MOST_TICKS];
    char text[NUMBER];
    int all = 1;
    for (size_t i = 0; i < count; i++) {
        double at = plot_at_x(panel, ticks[i]);
        double half = picture_text_width(to, font, print_tick(text, panel->x, ticks[i])) / 2;
        left[i] = at - half;
        right[i] = at + half;
        all &= i == 0 || left[i] - right[i - 1] >= between_numbers;
    }
    for (size_t i = 0; i < count; i++) {
        shown[i] = (unsigned char)(all || is_decade(ticks[i]));
    }
    for (int end = 0; end < 2 && count > 0 && !all; end++) {
        size_t i = end == 0 ? 0 : count - 1;
        int free = 1;
        for (size_t k = 0; k < count; k++) {
            double apart = k < i ? left[i] - right[k] : left[k] - right[i];
            free &= k == i || !shown[k] || apart >= between_numbers;
        }
        shown[i] |= (unsigned char)free;
    }
}

void plot_straight(picture *to, double x1, double y1, double x2, double y2)
{
    cairo_t *c = picture_cairo(to);
    cairo_move_to(c, x1, y1);
    cairo_line_to(c, x2, y2);
    cairo_stroke(c);
}

static void draw_x_axis(const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_font font = plot_plain(f->text_pt, plot_ink);
    double ticks[MOST_TICKS], bottom = f->top + f->height;
    unsigned char shown[MOST_TICKS];
    char text[NUMBER];
    size_t count = find_ticks(panel->x, ticks);
    choose_numbers(panel, &font, to, ticks, count, shown);
    for (size_t i = 0; i < count; i++) {
        double x = plot_at_x(panel, ticks[i]);
        scale_line line = {plot_grid, shown[i] ? 0.6 : 0.35, SCALE_SOLID};
        picture_line(to, &line);
        plot_straight(to, x, f->top, x, bottom);
        if (f->x_labels && shown[i]) {
            picture_text(to, &font, x, bottom + tick_gap + 0.95 * f->text_pt, 0.5,
                         print_tick(text, panel->x, ticks[i]));
        }
    }
    if (f->x_labels) {
        picture_text(to, &font, f->left + f->width / 2, bottom + tick_gap + 2.2 * f->text_pt, 0.5,
                     panel->x->title);
    }
}

static void draw_y_axis(const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    picture_font font = plot_plain(f->text_pt, plot_ink);
    double ticks[MOST_TICKS], right = f->left + f->width;
    double room = f->number_room, title_room = title_lines * f->text_pt;
    char text[NUMBER];
    size_t count = find_ticks(panel->y, ticks);
    for (size_t i = 0; i < count; i++) {
        double y = plot_at_y(panel, ticks[i]);
        int zero = panel->y->spacing == PLOT_LINEAR && fabs(ticks[i]) < 1e-9 * panel->y->range.step;
        scale_line line = {plot_grid, 0.6, SCALE_SOLID};
        if (zero && i > 0) {
            line.colour = (scale_colour){0.62, 0.62, 0.61};
        }
        picture_line(to, &line);
        plot_straight(to, f->left, y, f->left + f->width, y);
        picture_text(to, &font, f->labels_left ? right + room - title_room : f->left - tick_gap,
                     y + 0.36 * f->text_pt, 1, print_tick(text, panel->y, ticks[i]));
    }
    picture_text_upwards(to, &font,
                         f->labels_left ? right + room - 0.2 * f->text_pt
                                        : f->left - room + 0.85 * f->text_pt,
                         f->top + f->height / 2, 0.5, panel->y->title);
}

void plot_draw_axes(const plot_panel *panel, picture *to)
{
    draw_y_axis(panel, to);
    draw_x_axis(panel, to);
}

void plot_draw_edges(const plot_panel *panel, picture *to)
{
    const plot_frame *f = panel->frame;
    scale_line line = {plot_ink, 0.7, SCALE_SOLID};
    picture_line(to, &line);
    cairo_t *c = picture_cairo(to);
    double near = f->labels_left ? f->left + f->width : f->left;
    cairo_move_to(c, near, f->top);
    cairo_line_to(c, near, f->top + f->height);
    cairo_line_to(c, 2 * f->left + f->width - near, f->top + f->height);
    cairo_stroke(c);
}

double plot_number_room(const plot_axis *y, const plot_frame *frame, picture *to)
{
    picture_font font = plot_plain(frame->text_pt, plot_ink);
    double ticks[MOST_TICKS], widest = 0;
    char text[NUMBER];
    size_t count = find_ticks(y, ticks);
    for (size_t i = 0; i < count; i++) {
        double width = picture_text_width(to, &font, print_tick(text, y, ticks[i]));
        widest = width > widest ? width : widest;
    }
    return tick_gap + widest + title_lines * frame->text_pt;
}

double plot_foot_room(const plot_frame *frame)
{
    return frame->x_labels ? tick_gap + 2.5 * frame->text_pt : tick_gap;
}
