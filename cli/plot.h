/* SPDX-License-Identifier: GPL-3.0-or-later */
/* plot.h - what is to be seen in one panel: curves with gaps, bands, reference lines, marks.
 *
 * Filled first, drawn later: axes that several panels share are chosen from what all of them hold.
 * Curves are labelled at their right end, or at the left one where they lie further apart; the
 * curve that was added first is drawn over the others. What cannot be kept for want of memory shows
 * in plot_failed. Values are in the unit of the axis; NAN is a gap. */
#ifndef RAILSAG_PLOT_H
#define RAILSAG_PLOT_H

#include "picture.h"

typedef struct plot plot;

/* heading: above the panel, NULL for none; detail follows it in lighter type, NULL for none. */
plot *plot_new(const char *heading, const char *detail); /* NULL when memory is short */
void plot_free(plot *p);                                 /* NULL is fine */
int plot_failed(const plot *p);

/* Starts a curve: plot_point appends to it. The label reads "name unit"; NULL names no curve, and a
 * unit may be NULL. Curves of the same unit that follow each other and cannot be told apart in the
 * picture share a label: "-40 to -10 dBV". */
void plot_curve(plot *p, const scale_line *line, const char *name, const char *unit);
/* Starts a thin grey line with its label inside the panel, at its left end; points follow. */
void plot_reference(plot *p, const char *name);
/* Starts a band between two bounds; plot_band_point appends to it. */
void plot_band(plot *p, scale_colour colour, const char *name);

void plot_point(plot *p, double x, double y);
void plot_band_point(plot *p, double x, double low, double high);
/* The style of the curve from its last point on. */
void plot_dash(plot *p, scale_dash dash);

/* A line across the panel, as a reference. */
void plot_horizontal(plot *p, double y, const char *name);
void plot_vertical(plot *p, double x, const char *name);

typedef enum { PLOT_OPEN, PLOT_FILLED } plot_mark_kind;
void plot_mark(plot *p, plot_mark_kind kind, scale_colour colour, double x, double y);
/* Marks on the edges of the panel are drawn whole, instead of cut off there. */
void plot_whole_marks(plot *p);

/* A sentence in the middle of the panel, as where nothing was computed. */
void plot_message(plot *p, const char *text);

/* Curves and bands always fit into the range of the axis, references only where this asks for it.
 */
void plot_include(plot *p, double y);

typedef struct {
    double x_low, x_high, y_low, y_high;
} plot_extent;

/* Nothing yet: low ends are +infinity, high ends -infinity. */
plot_extent plot_no_extent(void);
void plot_extend(const plot *p, plot_extent *extent);

typedef enum { PLOT_LINEAR, PLOT_LOG } plot_spacing;

typedef struct {
    plot_spacing spacing;
    const char *title; /* with the unit: "gain, dB" */
    scale_range range;
} plot_axis;

/* Log: low and high as they are, widened where they are next to the same. Linear: rounded outwards
 * to at most `most` steps and at least `least` wide. */
plot_axis plot_log_axis(const char *title, double low, double high);
plot_axis plot_linear_axis(const char *title, double low, double high, double least, int most);

/* Where a panel lies on the page. */
typedef struct {
    double left, top, width, height; /* of the area between the axes */
    double label_room, number_room;  /* beside it */
    double text_pt;
    int x_labels;    /* numbers and title under the panel */
    int labels_left; /* labels at the left end of the curves, numbers to the right */
} plot_frame;

/* How far, in all, the labels have to move away from their curves' ends; NAN: memory was short. */
double plot_crowding(const plot *p, const plot_axis *x, const plot_axis *y,
                     const plot_frame *frame);

/* Room that the labels need on their side of the area (NAN: memory was short), and the numbers and
 * title on the other. */
double plot_label_room(const plot *p, const plot_axis *x, const plot_axis *y,
                       const plot_frame *frame, picture *to);
double plot_number_room(const plot_axis *y, const plot_frame *frame, picture *to);
/* Room for numbers and title of the x axis, and for the heading. */
double plot_foot_room(const plot_frame *frame);
double plot_head_room(const plot *p, const plot_frame *frame);

/* 0 when memory was short. */
int plot_draw(const plot *p, const plot_axis *x, const plot_axis *y, const plot_frame *frame,
              picture *to);

/* One mark by itself, for a key. */
void plot_draw_mark(picture *to, plot_mark_kind kind, scale_colour colour, double x, double y);

/* Colours of everything that is no curve. */
extern const scale_colour plot_ink, plot_soft_ink, plot_grid;

#endif
