/* SPDX-License-Identifier: GPL-3.0-or-later */
/* level_list.h - the input levels of a map: as asked for, and rising for computing. */
#ifndef RAILSAG_LEVEL_LIST_H
#define RAILSAG_LEVEL_LIST_H

#include "session.h"

typedef struct {
    size_t count;
    double *vpk; /* in the order asked for */
    const char *
        *names;    /* of the playing level, owned by the design; NULL for a level given as such */
    size_t *place; /* index into rising_vpk */
    double *rising_vpk; /* each level once */
    size_t rising_count;
} level_list;

/* Reads --level with the playing levels of the design. Returns an exit status; freed with
 * level_list_free in any case. */
int level_list_read(level_list *list, const session *s);
void level_list_free(level_list *list);

/* The dBV figure of a column: "-40", "-3.1". */
const char *level_list_dbv(char *buffer, double vpk);

#endif
