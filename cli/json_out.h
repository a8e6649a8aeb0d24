/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json_out.h - writes JSON: keys in the order of the calls, the shortest digits that read back the
 * same, null for NaN and infinity, 0 for -0. key is NULL inside an array. */
#ifndef RAILSAG_JSON_OUT_H
#define RAILSAG_JSON_OUT_H

#include "output.h"

enum { JSON_DEPTH = 16, JSON_NUMBER_SIZE = 32 };

typedef struct {
    output *out;
    int depth;
    struct {
        int is_array, is_flat; /* flat: on one line */
        int count;
    } level[JSON_DEPTH];
} json_writer;

json_writer json_start(output *out);
void json_end(json_writer *w); /* the last line end */

void json_object(json_writer *w, const char *key);
void json_array(json_writer *w, const char *key);
void json_flat_object(json_writer *w, const char *key); /* on one line, with all that it holds */
void json_flat_array(json_writer *w, const char *key);
void json_close(json_writer *w); /* the innermost object or array */

void json_number(json_writer *w, const char *key, double value);
void json_text(json_writer *w, const char *key, const char *text); /* NULL: null */
void json_bool(json_writer *w, const char *key, int value);

/* An array on one line from a member of an array of structs: count values, `step` bytes apart (0:
 * always the same), each times scale. */
void json_column(json_writer *w, const char *key, const double *first, size_t count, size_t step,
                 double scale);

/* The digits of a finite value; buffer has JSON_NUMBER_SIZE bytes. */
const char *json_number_text(char *buffer, double value);

#endif
