/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json_private.h - the strict look at a text before cJSON gets it. */
#ifndef RAILSAG_JSON_PRIVATE_H
#define RAILSAG_JSON_PRIVATE_H

#include "json.h"

#define SAG_JSON_MAX_DEPTH 64
#define SAG_JSON_BOM_BYTES 3 /* of a UTF-8 byte order mark, which may open a text */

/* Whether the text opens with a UTF-8 byte order mark. */
int sag_json_has_bom(const char *text, size_t length);

/* Checks the whole text against RFC 8259 and the limits in json.h, up to the first error, which is
 * reported. On SAG_OK *lines holds the line of each of the *count values in the order in which they
 * begin, freed with sag_free; else NULL. Time in proportion to length; memory to the number of
 * values. */
sag_status sag_json_scan(const char *text, size_t length, const char *file, int **lines,
                         size_t *count, sag_report *report);

#endif
