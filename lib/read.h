/* SPDX-License-Identifier: GPL-3.0-or-later */
/* read.h - what the readers of model files and of design files have in common.
 *
 * All findings go through the reader, which counts the errors. A call on an empty reader finds
 * nothing and reports nothing. */
#ifndef RAILSAG_READ_H
#define RAILSAG_READ_H

#include "json.h"

/* The key "format" must say "railsag KIND 1". Returns 0 when the file is of another kind or
 * version, so that reading on would only find follow-up errors; 1 else, even when the format is
 * misspelt. */
int sag_read_format(sag_json_reader *reader, const char *kind);

/* The word between "railsag" and the version in the root's format, or NULL: what a file claims to
 * be. */
const char *sag_read_claimed_kind(const sag_json *root);

/* The array of key with least to most elements; NULL when it is left out or not one (reported). */
const sag_json *sag_read_array(sag_json_reader *reader, const char *key, sag_json_need need,
                               size_t least, size_t most);

/* Opens the object of key in *inner, to be closed with sag_json_close; returns 0 when there is
 * none. */
int sag_read_object(sag_json_reader *reader, const char *key, sag_json_need need,
                    sag_json_reader *inner);

/* A text of 1 to SAG_NAME_MAX bytes without control characters or spaces at its ends; NULL when it
 * is left out or not one (reported). what: as "a node name". */
#define SAG_NAME_MAX 64
const char *sag_read_name(sag_json_reader *reader, const char *key, sag_json_need need,
                          const char *what);
/* The same for a value in hand. */
const char *sag_read_name_value(sag_json_reader *reader, const sag_json *value, const char *what);

/* The key "notes": an array of texts; NULL when it is left out or not one. */
const sag_json *sag_read_notes(sag_json_reader *reader);

/* Copies text, shortened to what fits a sentence, into buffer (SAG_EXCERPT_SIZE bytes); returns it.
 */
#define SAG_EXCERPT_SIZE 64
const char *sag_read_excerpt(char *buffer, const char *text);

/* "did you mean "WORD"?" in buffer, or otherwise when no word is near. */
#define SAG_HINT_SIZE 512
const char *sag_read_hint(char *buffer, const char *text, const char *const *words, size_t count,
                          const char *otherwise);

/* Equal but for the case of A to Z. */
int sag_same_word(const char *a, const char *b);

#endif
