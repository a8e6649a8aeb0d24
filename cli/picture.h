/* SPDX-License-Identifier: GPL-3.0-or-later */
/* picture.h - a page to draw on, as SVG, PNG or PDF: one drawing code for all three.
 *
 * Lengths are points (1/72 inch) from the upper left corner, y downwards. Text is drawn as outlines
 * or embedded, so that a picture looks the same where its font is not installed. The same drawing
 * gives the same bytes: no dates, and no names that count how many pictures there were before. */
#ifndef RAILSAG_PICTURE_H
#define RAILSAG_PICTURE_H

#include "output.h"
#include "scale.h"

#include <cairo.h>

typedef enum { PICTURE_SVG, PICTURE_PNG, PICTURE_PDF } picture_kind;

/* By the ending of the file's name, in any case; "-", standard output, is SVG. Returns 0 for any
 * other ending. */
int picture_kind_of(const char *file, picture_kind *kind);

typedef struct picture picture;

/* NULL when memory is short. Text can be measured before there is a page. */
picture *picture_new(picture_kind kind);
void picture_free(picture *p); /* NULL is fine */

/* Makes the page, white; to be called once. title (may be NULL) is kept in a PDF. */
void picture_page(picture *p, double width_pt, double height_pt, const char *title);

/* To draw on; what goes wrong shows in picture_write. */
cairo_t *picture_cairo(const picture *p);

void picture_colour(picture *p, scale_colour colour);
/* Colour, width, dashes and ends of what is stroked next. */
void picture_line(picture *p, const scale_line *line);

typedef enum { PICTURE_PLAIN, PICTURE_BOLD } picture_weight;

typedef struct {
    double size_pt;
    picture_weight weight;
    scale_colour colour;
} picture_font;

/* Any text will do: control characters and broken UTF-8 are shown as '?', and what is longer than
 * PICTURE_TEXT bytes is cut. A minus sign is drawn where '-' stands before a number. */
enum { PICTURE_TEXT = 512 };
double picture_text_width(picture *p, const picture_font *font, const char *text);

/* Writes text on the baseline y; part 0: starts at x, 0.5: is centred there, 1: ends there. */
void picture_text(picture *p, const picture_font *font, double x, double y, double part,
                  const char *text);
/* The same turned upwards, reading from bottom to top along the baseline x. */
void picture_text_upwards(picture *p, const picture_font *font, double x, double y, double part,
                          const char *text);

/* The number of bytes of text, from its start, that fit into a line: up to a blank where there is
 * one, else up to what fits; at least one character. */
size_t picture_fit(picture *p, const picture_font *font, const char *text, double width_pt);

/* Text cut with "..." so that it fits; buffer has PICTURE_TEXT bytes and is returned. */
const char *picture_cut(picture *p, const picture_font *font, const char *text, double width_pt,
                        char *buffer);

/* Completes the picture and hands its bytes to out; 0 with a sentence on standard error when it
 * could not be drawn. */
int picture_write(picture *p, output *out);

#endif
