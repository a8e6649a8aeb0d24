/* SPDX-License-Identifier: GPL-3.0-or-later */
/* result.h - what the results of every command have in common, as JSON, CSV and text. */
#ifndef RAILSAG_RESULT_H
#define RAILSAG_RESULT_H

#include "csv.h"
#include "json_out.h"
#include "session.h"

/* Opens the object and its "results"; to be called once everything is computed, for the warnings
 * come first. */
json_writer result_json_start(const session *s);
void result_json_end(json_writer *w);
/* Opens the result of a case, with supply, terminal voltage, drive, controls and marks. Closed with
 * json_close. */
void result_json_case(json_writer *w, const session *s, const session_case *c);

/* The same of a fresh battery, without the terminal voltage: a discharge has many. */
void result_json_discharge(json_writer *w, const session *s, const session_case *fresh);

/* The columns that come first in every row, and their cells. */
void result_csv_head(csv *w, const session *s);
void result_csv_case(csv *w, const session *s, const session_case *c);

/* The design's title and what the command line changed. */
void result_text_start(const session *s);
/* "18 V (2 x 9 V), 17.9 V at the terminals, bench drive, bass 100 %", marks in a line of their own;
 * and why there are no results, when there are none. */
void result_text_case(const session *s, const session_case *c);
/* A line for each mark with the supplies that have it, and one for each reason why some have no
 * results. */
void result_text_marks(const session *s);
/* The marks of a supply at any control setting; first: its first case. */
unsigned result_marks(const session *s, size_t first);
/* The controls that --set gives no list of settings, "bass 100 %, mid 2"; returns buffer,
 * LABEL_SIZE bytes. */
const char *result_fixed_controls(char *buffer, const session *s);

/* The frequencies that a printed table shows: all when they are few, else the first, the last and
 * those nearest to some round ones. rows has room for RESULT_ROWS indices; returns their number. */
enum { RESULT_ROWS = 16 };
size_t result_rows(const double *frequency_hz, size_t count, size_t *rows);
/* Says that a table shows some of all frequencies, when it does. */
void result_text_rows(const session *s);

#endif
