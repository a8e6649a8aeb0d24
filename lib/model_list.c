/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "memory.h"
#include "model_private.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define MAX_FOLDER_ENTRIES 10000 /* more are not looked at */

const char *sag_model_subfolder(sag_model_kind kind)
{
    static const char *const folders[] = {
        [SAG_MODEL_OPAMP] = "opamps",
        [SAG_MODEL_BATTERY] = "batteries",
        [SAG_MODEL_DIODE] = "diodes",
        [SAG_MODEL_PICKUP] = "pickups",
    };
    return folders[kind];
}

char *sag_model_join(const char *folder, const char *sub, const char *name, const char *ending)
{
    size_t size = strlen(folder) + strlen(sub) + strlen(name) + strlen(ending) + 3;
    char *path = sag_new(size, 1);
    if (path) {
        snprintf(path, size, "%s%s%s%s%s%s", folder, *folder ? "/" : "", sub, *sub ? "/" : "", name,
                 ending);
    }
    return path;
}

int sag_model_is_file(const char *path)
{
    struct stat about;
    return stat(path, &about) == 0 && S_ISREG(about.st_mode);
}

sag_status sag_model_claimed_kind(const char *text, size_t length, const char *file,
                                  const char **claimed)
{
    sag_json_document *document = NULL;
    *claimed = NULL;
    sag_status status = sag_json_read(text, length, file, &document, NULL);
    if (status == SAG_OK) {
        *claimed = sag_read_claimed_kind(sag_json_root(document));
    }
    sag_json_free(document);
    return status == SAG_BAD_INPUT ? SAG_OK : status;
}

typedef struct {
    char *name, *file;
    size_t order; /* of finding: the first of a name is the one that look-up takes */
} listed_model;

typedef struct {
    sag_model_kind kind;
    listed_model *models;
    size_t count, capacity;
} model_listing;

/* Takes over file. Files that are not of the kind asked for are passed by. */
static sag_status list_file(model_listing *listing, char *file, const char *name, size_t length)
{
    char *text = NULL;
    size_t size = 0;
    const char *claimed = NULL;
    sag_status status = sag_json_load(file, &text, &size, NULL);
    if (status == SAG_OK) {
        status = sag_model_claimed_kind(text, size, file, &claimed);
    }
    sag_free(text);
    if (status != SAG_OK || !claimed || strcmp(claimed, sag_model_kind_name(listing->kind)) != 0) {
        sag_free(file);
        return status == SAG_NO_MEMORY ? status : SAG_OK;
    }
    char *kept = sag_copy_text(name, length);
    if (!kept || !sag_grow((void **)&listing->models, &listing->capacity, listing->count + 1,
                           sizeof *listing->models)) {
        sag_free(kept);
        sag_free(file);
        return SAG_NO_MEMORY;
    }
    listing->models[listing->count] = (listed_model){kept, file, listing->count};
    listing->count++;
    return SAG_OK;
}

/* The length of the model name in a file name that look-up can find; 0: none. */
static size_t name_in(const char *entry)
{
    size_t length = strlen(entry);
    if (length <= 5 || length - 5 > SAG_NAME_MAX || strcmp(entry + length - 5, ".json") != 0) {
        return 0;
    }
    for (const char *c = entry; *c; c++) {
        if (*c >= 'A' && *c <= 'Z') {
            return 0;
        }
    }
    return length - 5;
}

static sag_status list_folder(model_listing *listing, const char *folder, const char *sub)
{
    char *place = sag_model_join(folder, "", sub, "");
    if (!place) {
        return SAG_NO_MEMORY;
    }
    DIR *entries = opendir(*place ? place : ".");
    sag_status status = SAG_OK;
    for (int seen = 0; entries && status == SAG_OK && seen < MAX_FOLDER_ENTRIES; seen++) {
        const struct dirent *entry = readdir(entries);
        if (!entry) {
            break;
        }
        size_t length = name_in(entry->d_name);
        if (length == 0) {
            continue;
        }
        char *file = sag_model_join(folder, sub, entry->d_name, "");
        if (!file) {
            status = SAG_NO_MEMORY;
        } else if (sag_model_is_file(file)) {
            status = list_file(listing, file, entry->d_name, length);
        } else {
            sag_free(file);
        }
    }
    if (entries) {
        closedir(entries);
    }
    sag_free(place);
    return status;
}

static int compare_listed(const void *left, const void *right)
{
    const listed_model *a = left, *b = right;
    int by_name = strcmp(a->name, b->name);
    return by_name ? by_name : (a->order < b->order ? -1 : 1);
}

/* Moves the first found of each name into two arrays. */
static sag_status hand_over(model_listing *listing, char ***names, char ***files, size_t *count)
{
    char **kept_names = sag_new(listing->count, sizeof *kept_names);
    char **kept_files = sag_new(listing->count, sizeof *kept_files);
    if (!kept_names || !kept_files) {
        sag_free(kept_names);
        sag_free(kept_files);
        return SAG_NO_MEMORY;
    }
    if (listing->count) {
        qsort(listing->models, listing->count, sizeof *listing->models, compare_listed);
    }
    for (size_t i = 0; i < listing->count; i++) {
        listed_model *model = &listing->models[i];
        if (*count == 0 || strcmp(kept_names[*count - 1], model->name) != 0) {
            kept_names[*count] = model->name;
            kept_files[(*count)++] = model->file;
            model->name = model->file = NULL;
        }
    }
    *names = kept_names;
    *files = kept_files;
    return SAG_OK;
}

sag_status sag_model_list(const sag_model_path *path, const char *beside, sag_model_kind kind,
                          char ***names, char ***files, size_t *count)
{
    model_listing listing = {.kind = kind};
    sag_status status = SAG_OK;
    size_t folder_count = path ? path->folder_count : 0;
    *names = *files = NULL;
    *count = 0;
    for (size_t i = 0; i < folder_count + 1 && status == SAG_OK; i++) {
        const char *folder = i == 0 ? beside : path->folders[i - 1];
        if (folder) {
            status = list_folder(&listing, folder, "");
        }
        if (folder && status == SAG_OK) {
            status = list_folder(&listing, folder, sag_model_subfolder(kind));
        }
    }
    if (status == SAG_OK) {
        status = hand_over(&listing, names, files, count);
    }
    for (size_t i = 0; i < listing.count; i++) {
        sag_free(listing.models[i].name);
        sag_free(listing.models[i].file);
    }
    sag_free(listing.models);
    return status;
}
