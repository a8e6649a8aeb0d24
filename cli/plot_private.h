/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot_private.h - a plot as plot.c keeps it and plot_draw.c draws it. */
#ifndef RAILSAG_PLOT_PRIVATE_H
#define RAILSAG_PLOT_PRIVATE_H

#include "plot.h"

enum { PLOT_NAME = 96, PLOT_UNIT = 24 };

typedef enum { PLOT_CURVE, PLOT_REFERENCE, PLOT_BAND, PLOT_HORIZONTAL, PLOT_VERTICAL } plot_kind;

typedef struct {
    double x, y, top; /* top: of a band */
    scale_dash dash;  /* from here to the next place */
} plot_place;

typedef struct {
    plot_kind kind;
    scale_line line;
    char name[PLOT_NAME], unit[PLOT_UNIT];
    double at;           /* of a horizontal or vertical line */
    size_t first, count; /* into places */
} plot_item;

typedef struct {
    plot_mark_kind kind;
    scale_colour colour;
    double x, y;
} plot_spot;

struct plot {
    char heading[2 * PLOT_NAME], detail[2 * PLOT_NAME], message[4 * PLOT_NAME];
    plot_item *items;
    size_t item_count, item_room;
    plot_place *places;
    size_t place_count, place_room;
    plot_spot *spots;
    size_t spot_count, spot_room;
    double *included;
    size_t included_count, included_room;
    int failed, whole_marks;
};

/* A panel on the page. */
typedef struct {
    const plot_axis *x, *y;
    const plot_frame *frame;
} plot_panel;

/* Points on the page; values far outside the panel come out a little outside it. */
double plot_at_x(const plot_panel *panel, double x);
double plot_at_y(const plot_panel *panel, double y);

/* The value of the x axis at a place on the page. */
double plot_from_x(const plot_panel *panel, double place);

/* An item's value at x, straight from place to place as it is drawn; NAN in a gap. */
double plot_value_at(const plot *p, const plot_panel *panel, const plot_item *item, double x);

/* The names of reference lines. */
void plot_draw_names(const plot *p, const plot_panel *panel, picture *to);

double plot_within(double value, double low, double high);
picture_font plot_plain(double size_pt, scale_colour colour);
void plot_straight(picture *to, double x1, double y1, double x2, double y2);

/* Grid, numbers and titles; the lines of the axes themselves. */
void plot_draw_axes(const plot_panel *panel, picture *to);
void plot_draw_edges(const plot_panel *panel, picture *to);

/* What stands at the end of one or more curves. */
typedef struct {
    char text[2 * PLOT_NAME + PLOT_UNIT + 8];
    const plot_item *item; /* the first of them */
    double x, y;           /* its end, on the page */
    double place;          /* of the label, on the page */
} plot_end;

/* The labels of all curves that have a point, from top to bottom with their places. *ends has room
 * for item_count of them; returns their number. */
size_t plot_find_ends(const plot *p, const plot_panel *panel, plot_end *ends);
int plot_draw_ends(const plot *p, const plot_panel *panel, picture *to);

#endif
