/* SPDX-License-Identifier: GPL-3.0-or-later */
/* output.h - files that are written whole or not at all, and standard output.
 *
 * A file is opened as a temporary one in its target folder before anything is computed, so that a
 * bad path fails at once; output_commit renames it. "-" is standard output; a device or a pipe is
 * written directly. */
#ifndef RAILSAG_OUTPUT_H
#define RAILSAG_OUTPUT_H

#include <stddef.h>

typedef struct output output;

/* Takes over SIGINT, SIGTERM, SIGHUP and SIGPIPE, and makes sure that no file lands on a standard
 * stream. Call once, before any file is opened. */
void output_start(void);

/* 1 once a signal asked to stop. */
int output_interrupted(void);

/* Restores the signal's default action and raises it again; returns only when no signal was caught.
 */
void output_raise(void);

/* Opens path; NULL on failure, with a sentence on standard error. A design or a model is never written
 * over. */
output *output_open(const char *path);

void output_write(output *out, const char *text, size_t length);
void output_text(output *out, const char *text);
void output_format(output *out, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Length of the word at text, together with the unit of a number: "9 V" does not fall apart. */
size_t output_word_length(const char *text);

/* Writes text in lines of at most 80 columns, each indented by `indent`; the first starts at column
 * `at`. */
void output_wrapped(output *out, const char *text, int at, int indent);

/* Writes what is left, closes and renames; frees out in any case. Returns 1 when done, or when
 * standard output is a pipe whose reader has gone; 0 with a sentence on standard error when
 * something was lost. */
int output_commit(output *out);

/* Closes without keeping anything; NULL is fine. */
void output_drop(output *out);

#endif
