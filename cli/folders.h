/* SPDX-License-Identifier: GPL-3.0-or-later */
/* folders.h - where models are looked up (beside the design comes first, and is the library's
 * work). */
#ifndef RAILSAG_FOLDERS_H
#define RAILSAG_FOLDERS_H

#include "model.h"

enum { MAX_FOLDERS = 3 };

typedef struct {
    char *text[MAX_FOLDERS]; /* owned */
    const char *shown[MAX_FOLDERS];
    sag_model_path path;
} folders;

/* The user's folder, the installed one, and in a build that is not installed the source's. Returns
 * 0 when memory is short. Freed with folders_free in any case; path points into it, so it must stay
 * where it is. */
int folders_find(folders *found);
void folders_free(folders *found);

#endif
