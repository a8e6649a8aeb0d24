/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_private.h - shared by the readers of the four kinds of model file. */
#ifndef RAILSAG_MODEL_PRIVATE_H
#define RAILSAG_MODEL_PRIVATE_H

#include "model.h"
#include "read.h"

/* A model file being read. The readers in it point at `errors`: never copied or moved. */
typedef struct {
    sag_json_document *document;
    sag_json_reader root;
    size_t errors;
    int no_memory; /* set by whoever fails to allocate */
} sag_model_file;

/* Parses text and reads what all model files share into head. On failure there is nothing to close.
 */
sag_status sag_model_file_open(sag_model_file *in, const char *text, size_t length,
                               const char *file, const char *kind, sag_model_head *head,
                               sag_report *report);
/* Reports unknown keys, frees the document; SAG_OK when there was no error. */
sag_status sag_model_file_close(sag_model_file *in);

/* Makes an array for a table that must be there; *table is the list or NULL. */
void *sag_model_rows(sag_model_file *in, const char *key, size_t least, size_t most, size_t size,
                     const sag_json **table);
sag_json_reader sag_model_row(sag_model_file *in, const sag_json *row);

/* One side of the output table, in rising supply and current; freed with sag_model_drops_free. */
void sag_model_read_drops(sag_model_file *in, sag_json_reader *output, const char *side,
                          sag_drop_point **points, size_t *count);
void sag_model_drops_free(sag_drop_point *points, size_t count);
/* The drop of the lightest load at a supply: between supplies in proportion, below the first shrunk
 * in proportion to the supply. points are in rising supply. */
double sag_model_lightest_drop(const sag_drop_point *points, size_t count, double supply_v);

void sag_model_head_clear(sag_model_head *head);

/* Where files lie: model_list.c. */
#define SAG_MODEL_PATH_MAX 4000

/* "opamps", ...: the folder of a kind inside a folder of models. */
const char *sag_model_subfolder(sag_model_kind kind);
/* folder/sub/name and ending, without the empty ones; NULL when memory is short. */
char *sag_model_join(const char *folder, const char *sub, const char *name, const char *ending);
int sag_model_is_file(const char *path);
/* What kind of file a text claims to be, as "opamp" or "design" (a static string), or NULL. Fails
 * only when memory is short. */
sag_status sag_model_claimed_kind(const char *text, size_t length, const char *file,
                                  const char **claimed);

#endif
