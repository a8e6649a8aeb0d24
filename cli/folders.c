/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "folders.h"

#include "memory.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#ifndef RAILSAG_MODEL_DIR
#error "RAILSAG_MODEL_DIR, the folder where models get installed, must be defined"
#endif

/* The value of a variable that must be an absolute path; an empty or a relative one counts as
 * unset. */
static const char *absolute(const char *variable)
{
    const char *value = getenv(variable);
    return value && value[0] == '/' ? value : NULL;
}

static int add(folders *found, const char *folder, const char *below)
{
    size_t length = strlen(folder) + strlen(below);
    char *text = sag_new(length + 1, 1);
    if (!text) {
        return 0;
    }
    snprintf(text, length + 1, "%s%s", folder, below);
    found->text[found->path.folder_count] = text;
    found->shown[found->path.folder_count++] = text;
    return 1;
}

int folders_find(folders *found)
{
    memset(found, 0, sizeof *found);
    found->path.folders = found->shown;
    const char *data = absolute("XDG_DATA_HOME");
    const char *home = absolute("HOME");
    if (data && !add(found, data, "/railsag/models")) {
        return 0;
    }
    if (!data && home && !add(found, home, "/.local/share/railsag/models")) {
        return 0;
    }
    if (!add(found, RAILSAG_MODEL_DIR, "")) {
        return 0;
    }
#ifdef RAILSAG_SOURCE_MODEL_DIR
    struct stat there;
    if (stat(RAILSAG_SOURCE_MODEL_DIR, &there) == 0 && S_ISDIR(there.st_mode) &&
        !add(found, RAILSAG_SOURCE_MODEL_DIR, "")) {
        return 0;
    }
#endif
    return 1;
}

void folders_free(folders *found)
{
    for (size_t i = 0; i < found->path.folder_count; i++) {
        sag_free(found->text[i]);
    }
}
