/* SPDX-License-Identifier: GPL-3.0-or-later */
/* sheet.h - one page: title, what is shown, a key, panels in groups with the same axes, notes.
 *
 * A page is as wide as the text of an A4 page and with up to six panels about half as high, so that
 * two fit on one. */
#ifndef RAILSAG_SHEET_H
#define RAILSAG_SHEET_H

#include "plot.h"

/* An entry of the key: a piece of line or a mark, and what it means. */
typedef enum { SHEET_LINE, SHEET_OPEN_MARK, SHEET_FILLED_MARK } sheet_sample;

typedef struct {
    sheet_sample sample;
    scale_line line;
    const char *text;
} sheet_key;

enum { SHEET_NOTES = 16, SHEET_NOTE = 512, SHEET_PANELS = 24, SHEET_GROUPS = 4 };

/* The axes of a group of panels. */
typedef struct {
    const char *x_title, *y_title;
    plot_spacing x_spacing;
    double least_y;   /* the y axis shows at least this much */
    double deepest_y; /* and at most so much below its top; INFINITY: all */
} sheet_axes;

typedef struct {
    const char *title, *shown; /* the design; what the curves are */
    sheet_axes axes[SHEET_GROUPS];
    size_t group;               /* of the panels that are added next */
    plot *panels[SHEET_PANELS]; /* owned; freed with sheet_free */
    size_t group_of[SHEET_PANELS];
    size_t panel_count;
    const sheet_key *key;
    size_t key_count;
    char notes[SHEET_NOTES][SHEET_NOTE];
    size_t note_count;
} sheet;

/* A panel of the sheet; NULL when memory is short. */
plot *sheet_panel(sheet *s, const char *heading, const char *detail);
/* A paragraph under the panels; beyond SHEET_NOTES it is left out. */
void sheet_note(sheet *s, const char *format, ...) __attribute__((format(printf, 2, 3)));
void sheet_free(sheet *s);

/* Draws everything; 0 with a sentence on standard error when that failed. */
int sheet_write(const sheet *s, picture_kind kind, output *out);

#endif
