/* SPDX-License-Identifier: GPL-3.0-or-later */
/* scale.h - colours, line styles and round axis divisions of pictures. */
#ifndef RAILSAG_SCALE_H
#define RAILSAG_SCALE_H

#include <stddef.h>

/* sRGB components, 0 to 1. */
typedef struct {
    double red, green, blue;
} scale_colour;

typedef enum {
    SCALE_SOLID,
    SCALE_LONG_DASH,
    SCALE_DASH,
    SCALE_DASH_DOT,
    SCALE_SHORT_DASH,
    SCALE_DOT,
    SCALE_DASH_COUNT
} scale_dash;

typedef struct {
    scale_colour colour;
    double width_pt;
    scale_dash dash;
} scale_line;

/* The line of a supply: rank 0 is the freshest of count. Lightness rises evenly from fresh to flat,
 * so the order is kept without colour; hue goes from blue over violet to orange, which the common
 * kinds of colour blindness tell apart. The style of line doubles it. */
scale_line scale_supply(size_t rank, size_t count);

/* The lines of a family drawn in one colour: styles in order, the first solid. */
scale_dash scale_family_dash(size_t index);

/* Lengths of dash and gap in points; returns their number, 0 for a solid line. pattern has room for
 * SCALE_DASH_LENGTHS. */
enum { SCALE_DASH_LENGTHS = 4 };
size_t scale_dash_lengths(scale_dash dash, double *pattern);

/* Relative luminance, and contrast against white paper (1 to 21):
 *     Y = 0.2126 R + 0.7152 G + 0.0722 B of linear components;  1.05 / (Y + 0.05)
 * Source: WCAG 2.1, definitions of relative luminance and contrast ratio. */
double scale_luminance(scale_colour colour);
double scale_contrast(scale_colour colour);

typedef struct {
    double low, high, step; /* low and high are multiples of step, up to rounding */
} scale_range;

/* The smallest range in steps of 1, 2 or 5 times a power of ten that holds low to high (at least
 * `least` wide) with at most `most` steps. A range that is not finite, or beyond
 * 1e100, gives 0 to 1. */
scale_range scale_round_range(double low, double high, double least, int most);

/* Divisions at 1, 2 and 5 times powers of ten from low to high (above 0), rising; returns their
 * number, at most room. */
size_t scale_log_ticks(double low, double high, double *ticks, size_t room);

#endif
