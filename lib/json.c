/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "json.h"

#include "json_private.h"
#include "memory.h"

#include <cjson/cJSON.h>

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PATH_SIZE   256
#define FIRST_CHUNK 65536

/* The texts of keys and values stay in cJSON's tree, which lives as long as the document. */
struct sag_json_document {
    cJSON *tree;
    sag_json *values; /* in the order in which they begin; values[0] is the root */
    size_t count;
};

void sag_json_free(sag_json_document *document)
{
    if (!document) {
        return;
    }
    cJSON_Delete(document->tree);
    sag_free(document->values);
    sag_free(document);
}

const sag_json *sag_json_root(const sag_json_document *document)
{
    return document ? document->values : NULL;
}

static sag_json_type type_of(const cJSON *item)
{
    if (cJSON_IsObject(item)) {
        return SAG_JSON_OBJECT;
    }
    if (cJSON_IsArray(item)) {
        return SAG_JSON_ARRAY;
    }
    if (cJSON_IsString(item)) {
        return SAG_JSON_STRING;
    }
    if (cJSON_IsNumber(item)) {
        return SAG_JSON_NUMBER;
    }
    return cJSON_IsBool(item) ? SAG_JSON_BOOL : SAG_JSON_NULL;
}

/* Copies item and all below it; the scan has bounded the depth. *used counts the values filled so
 * far, which comes to the scan's count, as both go through the text in the same order. */
static sag_json *copy_tree(const cJSON *item, const sag_json *parent, size_t index,
                           sag_json_document *document, const int *lines, size_t *used)
{
    sag_json *value = &document->values[*used];
    *value = (sag_json){
        .type = type_of(item),
        .line = lines[*used],
        .key = parent && parent->type == SAG_JSON_OBJECT ? item->string : NULL,
        .index = index,
        .string = cJSON_GetStringValue(item),
        .number = cJSON_IsNumber(item) ? item->valuedouble + 0.0
                  : cJSON_IsTrue(item) ? 1
                                       : 0,
        .parent = parent,
    };
    (*used)++;
    const sag_json **link = &value->first;
    const cJSON *child = NULL;
    cJSON_ArrayForEach(child, item)
    {
        if (*used == document->count) {
            break;
        }
        sag_json *copy = copy_tree(child, value, value->count, document, lines, used);
        *link = copy;
        link = &copy->next;
        value->count++;
    }
    return value;
}

/* Equal keys next to each other, the first in the file in front. */
static int compare_keys(const void *a, const void *b)
{
    const sag_json *const *x = a;
    const sag_json *const *y = b;
    int order = strcmp((*x)->key, (*y)->key);
    return order ? order : ((*x)->index > (*y)->index) - ((*x)->index < (*y)->index);
}

static void report_doubled(const sag_json *value, const sag_json *first, const char *file,
                           sag_report *report, size_t *errors)
{
    char path[PATH_SIZE];
    sag_place place = sag_json_place(value, file, path, sizeof path);
    ++*errors;
    if (*errors < SAG_JSON_MAX_ERRORS) {
        sag_report_at(report, SAG_ERROR, place, "a key stands once, rename or remove one of them",
                      "this key already stands in line %d", first->line);
    } else if (*errors == SAG_JSON_MAX_ERRORS) {
        sag_report_at(report, SAG_ERROR, place, NULL,
                      "there are more doubled keys, which are not listed");
    }
}

/* sorted, firsts: room for as many pointers as the object has keys. */
static void check_object(const sag_json *object, const sag_json **sorted, const sag_json **firsts,
                         const char *file, sag_report *report, size_t *errors)
{
    size_t count = 0;
    for (const sag_json *child = object->first; child; child = child->next) {
        sorted[count++] = child;
    }
    qsort(sorted, count, sizeof *sorted, compare_keys);
    const sag_json *first = NULL;
    for (size_t i = 0; i < count; i++) {
        if (!first || strcmp(first->key, sorted[i]->key) != 0) {
            first = sorted[i];
        }
        firsts[sorted[i]->index] = first;
    }
    for (const sag_json *child = object->first; child; child = child->next) {
        if (firsts[child->index] != child) {
            report_doubled(child, firsts[child->index], file, report, errors);
        }
    }
}

static sag_status check_doubled(const sag_json_document *document, const char *file,
                                sag_report *report)
{
    size_t largest = 0, errors = 0;
    for (size_t i = 0; i < document->count; i++) {
        const sag_json *value = &document->values[i];
        if (value->type == SAG_JSON_OBJECT && value->count > largest) {
            largest = value->count;
        }
    }
    const sag_json **sorted = sag_new(2 * largest, sizeof *sorted);
    if (!sorted) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < document->count; i++) {
        const sag_json *value = &document->values[i];
        if (value->type == SAG_JSON_OBJECT && value->count > 1) {
            check_object(value, sorted, sorted + largest, file, report, &errors);
        }
    }
    sag_free(sorted);
    return errors ? SAG_BAD_INPUT : SAG_OK;
}

/* Fills the document from a text that the scan has passed, so that cJSON fails for want of memory
 * only. */
static sag_status fill(sag_json_document *document, const char *text, size_t length,
                       const int *lines, size_t count)
{
    size_t skip = sag_json_has_bom(text, length) ? SAG_JSON_BOM_BYTES : 0;
    char *copy = sag_copy_text(text + skip, length - skip);
    if (!copy) {
        return SAG_NO_MEMORY;
    }
    const char *end = NULL;
    size_t used = 0;
    sag_status status = SAG_NO_MEMORY;
    /* With its closing zero counted in, cJSON insists that nothing but space follows the value. */
    document->tree = cJSON_ParseWithLengthOpts(copy, length - skip + 1, &end, 1);
    document->values = sag_new(count, sizeof *document->values);
    document->count = count;
    if (document->tree && document->values) {
        copy_tree(document->tree, NULL, 0, document, lines, &used);
        assert(used == count);
        status = SAG_OK;
    }
    sag_free(copy);
    return status;
}

sag_status sag_json_read(const char *text, size_t length, const char *file, sag_json_document **out,
                         sag_report *report)
{
    if (!out) {
        return SAG_BAD_ARGUMENT;
    }
    *out = NULL;
    if (!text) {
        return SAG_BAD_ARGUMENT;
    }
    if (length > SAG_JSON_MAX_BYTES) {
        sag_report_at(report, SAG_ERROR, (sag_place){.file = file},
                      "designs and models are far smaller", "the text is larger than 4 MiB");
        return SAG_BAD_INPUT;
    }
    int *lines = NULL;
    size_t count = 0;
    sag_json_document *document = NULL;
    sag_status status = sag_json_scan(text, length, file, &lines, &count, report);
    if (status != SAG_OK) {
        goto done;
    }
    document = sag_new(1, sizeof *document);
    status = document ? fill(document, text, length, lines, count) : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        status = check_doubled(document, file, report);
    }
    if (status == SAG_OK) {
        *out = document;
        document = NULL;
    }
done:
    sag_json_free(document);
    sag_free(lines);
    return status;
}

static sag_status refuse_file(const char *file, sag_report *report, const char *text,
                              const char *hint)
{
    sag_report_at(report, SAG_ERROR, (sag_place){.file = file}, hint, "%s", text);
    return SAG_BAD_INPUT;
}

static sag_status refuse_errno(const char *file, sag_report *report, int error)
{
    if (error == ENOENT || error == ENOTDIR) {
        return refuse_file(file, report, "there is no such file",
                           "check the name, and the folder it is looked for in");
    }
    if (error == EACCES || error == EPERM) {
        return refuse_file(file, report, "the file may not be read", "change its permissions");
    }
    char text[128];
    if (strerror_r(error, text, sizeof text) != 0) {
        return refuse_file(file, report, "the file cannot be read", NULL);
    }
    sag_report_at(report, SAG_ERROR, (sag_place){.file = file}, NULL,
                  "the file cannot be read (%s)", text);
    return SAG_BAD_INPUT;
}

static sag_status refuse_size(const char *file, sag_report *report)
{
    return refuse_file(file, report, "the file is larger than 4 MiB",
                       "designs and models are far smaller, check the name");
}

/* Only plain files of a bearable size: devices and pipes may never end or never begin. */
static sag_status check_kind(const struct stat *about, const char *file, sag_report *report)
{
    if (S_ISDIR(about->st_mode)) {
        return refuse_file(file, report, "this is a folder", "name a file in it");
    }
    if (!S_ISREG(about->st_mode)) {
        return refuse_file(file, report, "this is no plain file but a device or a pipe",
                           "save it as a file first");
    }
    return about->st_size > (off_t)SAG_JSON_MAX_BYTES ? refuse_size(file, report) : SAG_OK;
}

/* Reads to the end, never more than the limit and a byte, whatever size was announced. */
static sag_status read_all(int handle, const char *file, char **text, size_t *length,
                           sag_report *report)
{
    size_t capacity = 0;
    for (;;) {
        size_t wanted = *length + FIRST_CHUNK;
        if (!sag_grow((void **)text, &capacity, wanted, 1)) {
            return SAG_NO_MEMORY;
        }
        ssize_t got = read(handle, *text + *length, capacity - *length - 1);
        if (got < 0 && errno == EINTR) {
            continue;
        }
        if (got < 0) {
            return refuse_errno(file, report, errno);
        }
        if (got == 0) {
            return SAG_OK; /* what sag_grow gave is zero, so the text ends in one */
        }
        *length += (size_t)got;
        if (*length > SAG_JSON_MAX_BYTES) {
            return refuse_size(file, report);
        }
    }
}

sag_status sag_json_load(const char *file, char **text, size_t *length, sag_report *report)
{
    if (!file || !text || !length) {
        return SAG_BAD_ARGUMENT;
    }
    *text = NULL;
    *length = 0;
    struct stat about;
    if (stat(file, &about) != 0) {
        return refuse_errno(file, report, errno);
    }
    TRY(check_kind(&about, file, report));
    /* The file may have been exchanged since: do not wait for a pipe, and look again. */
    int handle = open(file, O_RDONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC);
    if (handle < 0) {
        return refuse_errno(file, report, errno);
    }
    sag_status status = SAG_OK;
    if (fstat(handle, &about) != 0) {
        status = refuse_errno(file, report, errno);
    } else {
        status = check_kind(&about, file, report);
    }
    if (status == SAG_OK) {
        status = read_all(handle, file, text, length, report);
    }
    close(handle);
    if (status != SAG_OK) {
        sag_free(*text);
        *text = NULL;
        *length = 0;
    }
    return status;
}
