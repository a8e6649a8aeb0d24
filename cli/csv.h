/* SPDX-License-Identifier: GPL-3.0-or-later */
/* csv.h - comma-separated values after RFC 4180, with a plain line end. A value that does not exist
 * is an empty cell. */
#ifndef RAILSAG_CSV_H
#define RAILSAG_CSV_H

#include "output.h"

typedef struct {
    output *out;
    int started; /* the row has a cell already */
} csv;

csv csv_open(output *out);
void csv_text(csv *w, const char *text); /* NULL: empty */
void csv_number(csv *w, double value);   /* NaN, infinity: empty */
void csv_row(csv *w);                    /* ends the row */

#endif
