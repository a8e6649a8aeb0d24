/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "memory.h"
#include "model_private.h"

#include <stdio.h>
#include <string.h>

static const struct {
    const char *name, *said;
} kinds[] = {
    [SAG_MODEL_OPAMP] = {"opamp", "op-amp"},
    [SAG_MODEL_BATTERY] = {"battery", "battery"},
    [SAG_MODEL_DIODE] = {"diode", "diode"},
    [SAG_MODEL_PICKUP] = {"pickup", "pickup"},
};

const char *sag_model_kind_name(sag_model_kind kind)
{
    return kinds[kind].name;
}

const char *sag_model_figure_source(const sag_model_head *head, const char *figure)
{
    const char *text = head->source ? head->source : "";
    size_t longest = 0;
    for (size_t i = 0; i < head->source_count; i++) {
        const char *path = head->sources[i].figure;
        size_t length = strlen(path);
        if (length > longest && !strncmp(path, figure, length) &&
            (figure[length] == '\0' || figure[length] == '.' || figure[length] == '[')) {
            longest = length;
            text = head->sources[i].text;
        }
    }
    return text;
}

static sag_status read_kind(sag_model_kind kind, const char *text, size_t length, const char *file,
                            void **out, sag_report *report)
{
    sag_status status = SAG_BAD_ARGUMENT;
    sag_opamp_model *opamp = NULL;
    sag_battery_model *battery = NULL;
    sag_diode_model *diode = NULL;
    sag_pickup_model *pickup = NULL;
    switch (kind) {
    case SAG_MODEL_OPAMP:
        status = sag_opamp_model_read(text, length, file, &opamp, report);
        *out = opamp;
        break;
    case SAG_MODEL_BATTERY:
        status = sag_battery_model_read(text, length, file, &battery, report);
        *out = battery;
        break;
    case SAG_MODEL_DIODE:
        status = sag_diode_model_read(text, length, file, &diode, report);
        *out = diode;
        break;
    case SAG_MODEL_PICKUP:
        status = sag_pickup_model_read(text, length, file, &pickup, report);
        *out = pickup;
        break;
    }
    return status;
}

static void free_kind(sag_model_kind kind, void *model)
{
    switch (kind) {
    case SAG_MODEL_OPAMP:
        sag_opamp_model_free(model);
        break;
    case SAG_MODEL_BATTERY:
        sag_battery_model_free(model);
        break;
    case SAG_MODEL_DIODE:
        sag_diode_model_free(model);
        break;
    case SAG_MODEL_PICKUP:
        sag_pickup_model_free(model);
        break;
    }
}

static const sag_model_head *head_of(sag_model_kind kind, const void *model)
{
    switch (kind) {
    case SAG_MODEL_OPAMP:
        return &((const sag_opamp_model *)model)->head;
    case SAG_MODEL_BATTERY:
        return &((const sag_battery_model *)model)->head;
    case SAG_MODEL_DIODE:
        return &((const sag_diode_model *)model)->head;
    case SAG_MODEL_PICKUP:
        break;
    }
    return &((const sag_pickup_model *)model)->head;
}

/* The library. */

typedef struct {
    sag_model_kind kind;
    char *file;
    void *model; /* NULL: the file has errors, which were reported when it was read */
} library_entry;

struct sag_model_library {
    const sag_model_path *path;
    const sag_opamp_model *lent; /* or NULL */
    library_entry *entries;
    size_t count, capacity;
};

sag_status sag_model_library_new(const sag_model_path *path, sag_model_library **out)
{
    *out = sag_new(1, sizeof **out);
    if (!*out) {
        return SAG_NO_MEMORY;
    }
    (*out)->path = path;
    return SAG_OK;
}

void sag_model_library_lend(sag_model_library *library, const sag_opamp_model *opamp)
{
    library->lent = opamp;
}

void sag_model_library_free(sag_model_library *library)
{
    if (!library) {
        return;
    }
    for (size_t i = 0; i < library->count; i++) {
        sag_free(library->entries[i].file);
        if (library->entries[i].model) {
            free_kind(library->entries[i].kind, library->entries[i].model);
        }
    }
    sag_free(library->entries);
    sag_free(library);
}

/* One question to the library. */
typedef struct {
    sag_model_library *library;
    sag_model_kind kind;
    const char *name, *beside;
    sag_place from;
    sag_report *report;
    char excerpt[SAG_EXCERPT_SIZE]; /* the name, for findings */
} model_request;

/* Reads file, once in the life of the library. When only_kind is set and the file is well-formed
 * but of another kind, *out stays NULL, the result is SAG_OK and *other names its kind. file is
 * taken over. */
static sag_status take_file(model_request *r, char *file, int only_kind, void **out,
                            const char **other)
{
    sag_model_library *library = r->library;
    char *text = NULL;
    size_t length = 0;
    void *model = NULL;
    sag_status status;
    for (size_t i = 0; i < library->count; i++) {
        const library_entry *entry = &library->entries[i];
        if (entry->kind == r->kind && !strcmp(entry->file, file)) {
            *out = entry->model;
            if (!*out) {
                sag_report_at(r->report, SAG_ERROR, r->from, NULL, "the file of \"%s\" has errors",
                              r->excerpt);
            }
            sag_free(file);
            return *out ? SAG_OK : SAG_BAD_INPUT;
        }
    }
    if (!sag_grow((void **)&library->entries, &library->capacity, library->count + 1,
                  sizeof *library->entries)) {
        status = SAG_NO_MEMORY;
        goto done;
    }
    status = sag_json_load(file, &text, &length, r->report);
    if (status != SAG_OK) {
        goto done;
    }
    if (only_kind) {
        const char *claimed;
        status = sag_model_claimed_kind(text, length, file, &claimed);
        if (status != SAG_OK || (claimed && strcmp(claimed, kinds[r->kind].name) != 0)) {
            *other = claimed;
            goto done;
        }
    }
    status = read_kind(r->kind, text, length, file, &model, r->report);
    if (status == SAG_OK || status == SAG_BAD_INPUT) {
        library_entry *entry = &library->entries[library->count++];
        entry->kind = r->kind;
        entry->file = file;
        entry->model = model;
        file = NULL;
        *out = model;
    }
done:
    sag_free(text);
    sag_free(file);
    return status;
}

void sag_model_compare_names(const sag_model_head *head, sag_report *report)
{
    char name[SAG_NAME_MAX + 1], excerpt[SAG_EXCERPT_SIZE];
    const char *slash = strrchr(head->file, '/'), *file = slash ? slash + 1 : head->file;
    size_t length = strlen(file);
    length -= length > 5 && !strcmp(file + length - 5, ".json") ? 5 : 0;
    snprintf(name, sizeof name, "%.*s", (int)length, file);
    if (length > SAG_NAME_MAX || !sag_same_word(head->name, name)) {
        sag_read_excerpt(excerpt, name);
        sag_report_at(report, SAG_WARNING, (sag_place){.file = head->file, .path = "name"},
                      "give the file and the model the same name",
                      "the model called \"%s\" names itself \"%s\"", excerpt, head->name);
    }
}

/* take_file, with a warning about the name when the file is read: once. */
static sag_status take_named_file(model_request *r, char *file, int only_kind, void **out,
                                  const char **other)
{
    size_t before = r->library->count;
    TRY(take_file(r, file, only_kind, out, other));
    if (*out && r->library->count > before) {
        sag_model_compare_names(head_of(r->kind, *out), r->report);
    }
    return SAG_OK;
}

static sag_status find_by_path(model_request *r, void **out)
{
    const char *other = NULL;
    const char *folder = r->name[0] == '/' || !r->beside ? "" : r->beside;
    if (strlen(folder) + strlen(r->name) + 3 > SAG_MODEL_PATH_MAX) {
        sag_report_at(r->report, SAG_ERROR, r->from, NULL, "the path \"%s\" is too long",
                      r->excerpt);
        return SAG_BAD_INPUT;
    }
    char *file = sag_model_join(folder, "", r->name, "");
    if (!file) {
        return SAG_NO_MEMORY;
    }
    if (!sag_model_is_file(file)) {
        sag_report_at(r->report, SAG_ERROR, r->from,
                      "a path is taken from the folder of the design", "there is no %s file \"%s\"",
                      kinds[r->kind].said, r->excerpt);
        sag_free(file);
        return SAG_BAD_INPUT;
    }
    return take_named_file(r, file, 0, out, &other);
}

static sag_status report_unknown(model_request *r, const char *other)
{
    char **names = NULL, **files = NULL;
    char hint[SAG_HINT_SIZE], found[SAG_HINT_SIZE] = "";
    size_t count = 0;
    const char *said = kinds[r->kind].said;
    TRY(sag_model_list(r->library->path, r->beside, r->kind, &names, &files, &count));
    if (count == 0) {
        snprintf(found, sizeof found, "no %s model was found in any folder", said);
    } else {
        size_t used = (size_t)snprintf(found, sizeof found, "known: %.*s", SAG_NAME_MAX, names[0]);
        size_t shown = 1;
        while (shown < count && shown < 12 && strlen(names[shown]) < 32) {
            used += (size_t)snprintf(found + used, sizeof found - used, ", %s", names[shown++]);
        }
        if (shown < count) {
            snprintf(found + used, sizeof found - used, " and %zu more", count - shown);
        }
    }
    if (other) {
        sag_report_at(r->report, SAG_ERROR, r->from, found,
                      "\"%s\" is of kind %s, and one of kind %s is asked for", r->excerpt, other,
                      kinds[r->kind].name);
    } else {
        sag_report_at(r->report, SAG_ERROR, r->from,
                      sag_read_hint(hint, r->name, (const char *const *)names, count, found),
                      "there is no %s model called \"%s\"", said, r->excerpt);
    }
    for (size_t i = 0; i < count; i++) {
        sag_free(names[i]);
        sag_free(files[i]);
    }
    sag_free(names);
    sag_free(files);
    return SAG_BAD_INPUT;
}

/* The kind of a model of this name that lies in the folder of another kind, or NULL. */
static sag_status find_other_kind(const model_request *r, const char *folder, const char *name,
                                  const char **other)
{
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds && !*other; k++) {
        char *file = sag_model_join(folder, sag_model_subfolder((sag_model_kind)k), name, ".json");
        if (!file) {
            return SAG_NO_MEMORY;
        }
        if (k != (size_t)r->kind && sag_model_is_file(file)) {
            *other = kinds[k].name;
        }
        sag_free(file);
    }
    return SAG_OK;
}

static sag_status find_by_name(model_request *r, void **out)
{
    const sag_model_path *path = r->library->path;
    size_t folder_count = path ? path->folder_count : 0;
    const char *other = NULL;
    char name[SAG_NAME_MAX + 1];
    size_t length = strlen(r->name);
    if (length == 0 || length > SAG_NAME_MAX) {
        sag_report_at(r->report, SAG_ERROR, r->from, NULL, "\"%s\" cannot be a model name",
                      r->excerpt);
        return SAG_BAD_INPUT;
    }
    for (size_t i = 0; i <= length; i++) {
        char c = r->name[i];
        name[i] = (char)(c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c);
    }
    for (size_t i = 0; i < 2 * (folder_count + 1); i++) {
        const char *folder = i < 2 ? r->beside : path->folders[i / 2 - 1];
        if (!folder || strlen(folder) + SAG_NAME_MAX + 32 > SAG_MODEL_PATH_MAX) {
            continue;
        }
        char *file =
            sag_model_join(folder, i % 2 ? sag_model_subfolder(r->kind) : "", name, ".json");
        if (!file) {
            return SAG_NO_MEMORY;
        }
        if (!sag_model_is_file(file)) {
            sag_free(file);
            continue;
        }
        TRY(take_named_file(r, file, 1, out, &other));
        if (*out) {
            return SAG_OK;
        }
    }
    for (size_t i = 0; i < folder_count + 1; i++) {
        const char *folder = i == 0 ? r->beside : path->folders[i - 1];
        if (folder) {
            TRY(find_other_kind(r, folder, name, &other));
        }
    }
    return report_unknown(r, other);
}

static sag_status find_model(sag_model_library *library, sag_model_kind kind, const char *name,
                             const char *beside, sag_place from, void **out, sag_report *report)
{
    model_request r = {library, kind, name, beside, from, report, ""};
    size_t length = strlen(name);
    sag_read_excerpt(r.excerpt, name);
    *out = NULL;
    if (strchr(name, '/') || (length > 5 && !strcmp(name + length - 5, ".json"))) {
        return find_by_path(&r, out);
    }
    return find_by_name(&r, out);
}

sag_status sag_model_opamp(sag_model_library *library, const char *name, const char *beside,
                           sag_place from, const sag_opamp_model **out, sag_report *report)
{
    void *model;
    if (library->lent) {
        *out = library->lent;
        return SAG_OK;
    }
    sag_status status = find_model(library, SAG_MODEL_OPAMP, name, beside, from, &model, report);
    *out = model;
    return status;
}

sag_status sag_model_battery(sag_model_library *library, const char *name, const char *beside,
                             sag_place from, const sag_battery_model **out, sag_report *report)
{
    void *model;
    sag_status status = find_model(library, SAG_MODEL_BATTERY, name, beside, from, &model, report);
    *out = model;
    return status;
}

sag_status sag_model_diode(sag_model_library *library, const char *name, const char *beside,
                           sag_place from, const sag_diode_model **out, sag_report *report)
{
    void *model;
    sag_status status = find_model(library, SAG_MODEL_DIODE, name, beside, from, &model, report);
    *out = model;
    return status;
}

sag_status sag_model_pickup(sag_model_library *library, const char *name, const char *beside,
                            sag_place from, const sag_pickup_model **out, sag_report *report)
{
    void *model;
    sag_status status = find_model(library, SAG_MODEL_PICKUP, name, beside, from, &model, report);
    *out = model;
    return status;
}
