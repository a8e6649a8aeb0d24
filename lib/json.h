/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json.h - strict reading of JSON: the only user of cJSON's parser.
 *
 * Refuses what RFC 8259 does not allow and what a person does not mean: doubled keys, numbers that
 * overflow (1e999), leading zeros, raw control characters, \u0000, invalid UTF-8, trailing text,
 * nesting deeper than 64, files over 4 MiB or of more than 200,000 values, an empty file. Every
 * value knows its line and its path.
 *
 * Several threads may read at once: cJSON writes a global error pointer, which nothing here reads.
 */
#ifndef RAILSAG_JSON_H
#define RAILSAG_JSON_H

#include "report.h"
#include "value.h"

#include <stddef.h>

typedef enum {
    SAG_JSON_NULL,
    SAG_JSON_BOOL,
    SAG_JSON_NUMBER,
    SAG_JSON_STRING,
    SAG_JSON_ARRAY,
    SAG_JSON_OBJECT
} sag_json_type;

/* One value. The tree is owned by its document; strings end in zero. */
typedef struct sag_json sag_json;
struct sag_json {
    sag_json_type type;
    int line;           /* where the value starts, from 1 */
    const char *key;    /* inside an object, else NULL */
    size_t index;       /* place in its array or object */
    const char *string; /* SAG_JSON_STRING */
    double number;      /* SAG_JSON_NUMBER; 0 or 1 for SAG_JSON_BOOL */
    const sag_json *parent;
    const sag_json *first, *next; /* children in file order; next sibling */
    size_t count;                 /* number of children */
};

typedef struct sag_json_document sag_json_document;

#define SAG_JSON_MAX_BYTES  (4u << 20)
#define SAG_JSON_MAX_VALUES 200000u
/* Most errors reported for one file; the last of them says that there are more. */
#define SAG_JSON_MAX_ERRORS 1000u

/* text: length bytes, need not end in zero. file: name for findings. On SAG_BAD_INPUT the report
 * has the errors (all doubled keys, the first syntax error) and *out is NULL. */
sag_status sag_json_read(const char *text, size_t length, const char *file, sag_json_document **out,
                         sag_report *report);
void sag_json_free(sag_json_document *document); /* NULL is fine */
const sag_json *sag_json_root(const sag_json_document *document);

/* Reads a whole file into *text (freed with sag_free); refuses directories, unreadable files and
 * files over SAG_JSON_MAX_BYTES before reading them, with a finding. */
sag_status sag_json_load(const char *file, char **text, size_t *length, sag_report *report);

/* Reading an object key by key. A reader asks for each key it knows; sag_json_close then reports
 * every key of the object that nobody asked for, with the nearest known spelling. All functions
 * report problems with file, line, path, what was found and what would be right, count them in the
 * reader, and go on, so that one run finds every error. */
typedef struct {
    const sag_json *object; /* NULL: every get finds nothing */
    const char *file;
    sag_report *report;
    const char *const *extra_known; /* further keys that count as known, may be NULL */
    size_t extra_known_count;
    const char *asked[48]; /* the keys asked for so far, each once; where keys are free (parts,
                            * controls), walk along first and next instead of asking */
    size_t asked_count;
    size_t *errors; /* shared counter of the whole read, never NULL */
} sag_json_reader;

/* Starts reading value as an object; when it is none, reports that and gives an empty reader. NULL
 * gives an empty reader without a report. */
sag_json_reader sag_json_open(const sag_json *value, const char *file, sag_report *report,
                              size_t *errors);
void sag_json_close(sag_json_reader *reader);

/* The value of key or NULL; marks it as known. */
const sag_json *sag_json_get(sag_json_reader *reader, const char *key);

typedef enum { SAG_OPTIONAL, SAG_REQUIRED } sag_json_need;

/* Each returns 1 when *out was set. A missing required key is an error (0). low and high are the
 * physical range, both ends included. A quantity may be a string ("4k7") or a bare number in SI
 * units. */
int sag_json_quantity(sag_json_reader *reader, const char *key, sag_json_need need, sag_unit unit,
                      double low, double high, double *out);
int sag_json_level(sag_json_reader *reader, const char *key, sag_json_need need,
                   double *volts_peak);
int sag_json_text(sag_json_reader *reader, const char *key, sag_json_need need, const char **out);
int sag_json_bool(sag_json_reader *reader, const char *key, sag_json_need need, int *out);
/* One of `words`; *out is its index. Ignores case. */
int sag_json_word(sag_json_reader *reader, const char *key, sag_json_need need,
                  const char *const *words, size_t count, size_t *out);

/* The same for a value in hand (an array element). */
int sag_json_value_quantity(const sag_json *value, sag_json_reader *reader, sag_unit unit,
                            double low, double high, double *out);

/* The place of a value, for findings; path is written into buffer (size bytes, at least 8; cut with
 * "..." when it is too long), and is NULL for the root. Elements count from 0, as in
 * output.high[2].current. */
sag_place sag_json_place(const sag_json *value, const char *file, char *buffer, size_t size);

/* Reports an error about value and counts it; about the object being read when value is NULL. */
void sag_json_error(sag_json_reader *reader, const sag_json *value, const char *hint,
                    const char *format, ...) __attribute__((format(printf, 4, 5)));
void sag_json_warn(sag_json_reader *reader, const sag_json *value, const char *hint,
                   const char *format, ...) __attribute__((format(printf, 4, 5)));

#endif
