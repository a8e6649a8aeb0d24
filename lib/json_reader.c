/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Reading the values of an object key by key. */
#include "json.h"

#include "json_private.h"
#include "text.h"
#include "value_private.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define PATH_SIZE   256
#define HINT_SIZE   512
#define SHOWN_SIZE  48
#define NUMBER_SIZE 40
#define MOST_ASKED  (sizeof((sag_json_reader *)0)->asked / sizeof(char *))

/* Text being put together in a buffer; what does not fit is left out. */
typedef struct {
    char *buffer;
    size_t size, used;
} builder;

static void add(builder *b, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(builder *b, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int wrote = vsnprintf(b->buffer + b->used, b->size - b->used, format, arguments);
    va_end(arguments);
    if (wrote > 0) {
        size_t left = b->size - b->used - 1;
        b->used += (size_t)wrote < left ? (size_t)wrote : left;
    }
}

sag_place sag_json_place(const sag_json *value, const char *file, char *buffer, size_t size)
{
    sag_place place = {.file = file};
    if (!value) {
        return place;
    }
    place.line = value->line;
    const sag_json *chain[SAG_JSON_MAX_DEPTH + 1];
    size_t count = 0;
    for (const sag_json *v = value; v->parent && count <= SAG_JSON_MAX_DEPTH; v = v->parent) {
        chain[count++] = v;
    }
    if (count == 0 || size < 8) {
        return place;
    }
    /* A key longer than the buffer need not be looked at to its end. */
    char whole[2 * PATH_SIZE], shown[PATH_SIZE];
    builder path = {whole, sizeof whole, 0};
    whole[0] = '\0';
    for (size_t i = count; i-- > 0;) {
        const sag_json *v = chain[i];
        if (!v->key) {
            add(&path, "[%zu]", v->index);
            continue;
        }
        sag_text_show(shown, sizeof shown, v->key, strnlen(v->key, sizeof shown));
        add(&path, "%s%s", i + 1 < count ? "." : "", *shown ? shown : "\"\"");
    }
    place.path = sag_text_show(buffer, size, whole, path.used);
    return place;
}

/* Counts an error; returns whether it is still to be listed. */
static int count_error(sag_json_reader *reader, sag_place place)
{
    ++*reader->errors;
    if (*reader->errors == SAG_JSON_MAX_ERRORS) {
        sag_report_at(reader->report, SAG_ERROR, place, NULL,
                      "there are more errors, which are not listed");
    }
    return *reader->errors < SAG_JSON_MAX_ERRORS;
}

static int is_full(const sag_json_reader *reader)
{
    return *reader->errors >= SAG_JSON_MAX_ERRORS;
}

void sag_json_error(sag_json_reader *reader, const sag_json *value, const char *hint,
                    const char *format, ...)
{
    char path[PATH_SIZE], text[1024];
    sag_place place =
        sag_json_place(value ? value : reader->object, reader->file, path, sizeof path);
    if (!count_error(reader, place)) {
        return;
    }
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    sag_report_at(reader->report, SAG_ERROR, place, hint, "%s", text);
}

void sag_json_warn(sag_json_reader *reader, const sag_json *value, const char *hint,
                   const char *format, ...)
{
    char path[PATH_SIZE], text[1024];
    sag_place place =
        sag_json_place(value ? value : reader->object, reader->file, path, sizeof path);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    sag_report_at(reader->report, SAG_WARNING, place, hint, "%s", text);
}

/* "a list", "true", "4k7" in quotes: what stands there, for a message. */
static const char *describe(const sag_json *value, char buffer[SHOWN_SIZE])
{
    char shown[SHOWN_SIZE - 2];
    switch (value->type) {
    case SAG_JSON_NULL:
        return "null";
    case SAG_JSON_BOOL:
        return value->number > 0 ? "true" : "false";
    case SAG_JSON_NUMBER:
        snprintf(buffer, SHOWN_SIZE, "%.10g", value->number);
        return buffer;
    case SAG_JSON_STRING:
        sag_text_show(shown, sizeof shown, value->string, strnlen(value->string, SHOWN_SIZE));
        snprintf(buffer, SHOWN_SIZE, "\"%s\"", shown);
        return buffer;
    case SAG_JSON_ARRAY:
        return "a list";
    case SAG_JSON_OBJECT:
        return "an object";
    }
    return "something else";
}

sag_json_reader sag_json_open(const sag_json *value, const char *file, sag_report *report,
                              size_t *errors)
{
    sag_json_reader reader = {.file = file, .report = report, .errors = errors};
    char shown[SHOWN_SIZE];
    if (value && value->type == SAG_JSON_OBJECT) {
        reader.object = value;
    } else if (value) {
        sag_json_error(&reader, value, "write it as {\"key\": \"value\", ...}",
                       "found %s where an object in curly brackets is expected",
                       describe(value, shown));
    }
    return reader;
}

static int is_among(const char *key, const char *const *words, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (!strcmp(words[i], key)) {
            return 1;
        }
    }
    return 0;
}

const sag_json *sag_json_get(sag_json_reader *reader, const char *key)
{
    if (reader->asked_count < MOST_ASKED && !is_among(key, reader->asked, reader->asked_count)) {
        reader->asked[reader->asked_count++] = key;
    }
    for (const sag_json *child = reader->object ? reader->object->first : NULL; child;
         child = child->next) {
        if (!strcmp(child->key, key)) {
            return child;
        }
    }
    return NULL;
}

static void list_words(builder *hint, const char *const *words, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        add(hint, "%s%s", i ? ", " : "", words[i]);
    }
}

static void report_unknown(sag_json_reader *reader, const sag_json *child)
{
    char text[HINT_SIZE], shown[SHOWN_SIZE];
    builder hint = {text, sizeof text, 0};
    size_t extra = reader->extra_known ? reader->extra_known_count : 0;
    const char *known[2] = {sag_nearest_word(child->key, reader->asked, reader->asked_count),
                            sag_nearest_word(child->key, reader->extra_known, extra)};
    /* The nearer of the nearest of both. */
    const char *near = known[0] && known[1] ? sag_nearest_word(child->key, known, 2)
                       : known[0]           ? known[0]
                                            : known[1];
    if (near) {
        add(&hint, "did you mean \"%s\"?", near);
    } else {
        add(&hint, "known here: ");
        list_words(&hint, reader->asked, reader->asked_count);
        add(&hint, "%s", reader->asked_count && extra ? ", " : "");
        list_words(&hint, reader->extra_known, extra);
    }
    sag_text_show(shown, sizeof shown, child->key, strnlen(child->key, sizeof shown));
    sag_json_error(reader, child, text, "the key \"%s\" is not known here", shown);
}

void sag_json_close(sag_json_reader *reader)
{
    size_t extra = reader->extra_known ? reader->extra_known_count : 0;
    for (const sag_json *child = reader->object ? reader->object->first : NULL;
         child && !is_full(reader); child = child->next) {
        if (!is_among(child->key, reader->asked, reader->asked_count) &&
            !is_among(child->key, reader->extra_known, extra)) {
            report_unknown(reader, child);
        }
    }
}

/* The value of key; a required one that is missing is reported. */
static const sag_json *find(sag_json_reader *reader, const char *key, sag_json_need need,
                            const char *hint)
{
    const sag_json *value = sag_json_get(reader, key);
    if (!value && need == SAG_REQUIRED && reader->object) {
        sag_json_error(reader, reader->object, hint, "\"%s\" is missing", key);
    }
    return value;
}

/* What sag_value_read says about a text that is no number: names the quantity and shows how it is
 * written. */
static void example_of(sag_unit unit, char problem[SAG_PROBLEM_SIZE])
{
    double unused;
    problem[0] = '\0';
    sag_value_read("", 0, unit, &unused, problem);
    const char *colon = strstr(problem, ": ");
    if (colon) {
        memmove(problem, colon + 2, strlen(colon + 2) + 1);
    }
}

/* "1 ohm to 1 Mohm", "0 V or more", "36 V or less". */
static const char *describe_range(double low, double high, sag_unit unit, char buffer[HINT_SIZE])
{
    char from[NUMBER_SIZE], to[NUMBER_SIZE];
    sag_value_print(from, sizeof from, low, unit, 6);
    sag_value_print(to, sizeof to, high, unit, 6);
    if (isinf(high)) {
        snprintf(buffer, HINT_SIZE, "%s or more is accepted", from);
    } else if (isinf(low)) {
        snprintf(buffer, HINT_SIZE, "%s or less is accepted", to);
    } else {
        snprintf(buffer, HINT_SIZE, "%s to %s is accepted", from, to);
    }
    return buffer;
}

int sag_json_value_quantity(const sag_json *value, sag_json_reader *reader, sag_unit unit,
                            double low, double high, double *out)
{
    char problem[SAG_PROBLEM_SIZE], hint[HINT_SIZE], shown[SHOWN_SIZE], read[NUMBER_SIZE];
    double number = value->number;
    if (value->type == SAG_JSON_STRING) {
        size_t length = strlen(value->string);
        if (sag_value_read(value->string, length, unit, &number, problem) != SAG_OK) {
            sag_json_error(reader, value, NULL, "%s", problem);
            return 0;
        }
    } else if (value->type != SAG_JSON_NUMBER ||
               (unit == SAG_COUNT && !(number >= 0 && floor(number) >= number))) {
        example_of(unit, problem);
        sag_json_error(reader, value, problem, "found %s", describe(value, shown));
        return 0;
    }
    if (!(number >= low && number <= high)) {
        sag_value_print(read, sizeof read, number, unit, 6);
        const char *bare = value->type == SAG_JSON_STRING && number > high
                               ? sag_value_bare_hint(problem, value->string, unit)
                               : NULL;
        sag_json_error(reader, value, bare ? bare : describe_range(low, high, unit, hint),
                       "found %s, and %s is out of range", describe(value, shown), read);
        return 0;
    }
    *out = number;
    return 1;
}

int sag_json_quantity(sag_json_reader *reader, const char *key, sag_json_need need, sag_unit unit,
                      double low, double high, double *out)
{
    char hint[SAG_PROBLEM_SIZE];
    example_of(unit, hint);
    const sag_json *value = find(reader, key, need, hint);
    return value ? sag_json_value_quantity(value, reader, unit, low, high, out) : 0;
}

int sag_json_level(sag_json_reader *reader, const char *key, sag_json_need need, double *volts_peak)
{
    static const char hint[] =
        "write a level with its unit Vrms, Vpk, Vpp, dBV or dBu, as \"0.7Vpk\"";
    char problem[SAG_PROBLEM_SIZE], shown[SHOWN_SIZE];
    const sag_json *value = find(reader, key, need, hint);
    if (!value) {
        return 0;
    }
    if (value->type != SAG_JSON_STRING) {
        sag_json_error(reader, value, hint, "found %s where a signal level is expected",
                       describe(value, shown));
        return 0;
    }
    if (sag_level_read(value->string, strlen(value->string), volts_peak, NULL, problem) != SAG_OK) {
        sag_json_error(reader, value, NULL, "%s", problem);
        return 0;
    }
    return 1;
}

/* The value of key when it is a text. */
static const char *find_text(sag_json_reader *reader, const char *key, sag_json_need need,
                             const sag_json **value)
{
    static const char hint[] = "write text in double quotes";
    char shown[SHOWN_SIZE];
    *value = find(reader, key, need, hint);
    if (!*value) {
        return NULL;
    }
    if ((*value)->type != SAG_JSON_STRING) {
        sag_json_error(reader, *value, hint, "found %s where a text is expected",
                       describe(*value, shown));
        return NULL;
    }
    return (*value)->string;
}

int sag_json_text(sag_json_reader *reader, const char *key, sag_json_need need, const char **out)
{
    const sag_json *value;
    const char *text = find_text(reader, key, need, &value);
    if (!text) {
        return 0;
    }
    *out = text;
    return 1;
}

int sag_json_bool(sag_json_reader *reader, const char *key, sag_json_need need, int *out)
{
    static const char hint[] = "write true or false, without quotes";
    char shown[SHOWN_SIZE];
    const sag_json *value = find(reader, key, need, hint);
    if (!value) {
        return 0;
    }
    if (value->type != SAG_JSON_BOOL) {
        sag_json_error(reader, value, hint, "found %s where true or false is expected",
                       describe(value, shown));
        return 0;
    }
    *out = value->number > 0;
    return 1;
}

int sag_json_word(sag_json_reader *reader, const char *key, sag_json_need need,
                  const char *const *words, size_t count, size_t *out)
{
    char text[HINT_SIZE], shown[SHOWN_SIZE];
    builder hint = {text, sizeof text, 0};
    text[0] = '\0';
    const sag_json *value;
    const char *found = find_text(reader, key, need, &value);
    if (!found) {
        return 0;
    }
    for (size_t i = 0; i < count; i++) {
        if (sag_value_same(found, words[i], 1)) {
            *out = i;
            return 1;
        }
    }
    const char *near = sag_nearest_word(found, words, count);
    if (near) {
        add(&hint, "did you mean \"%s\"? ", near);
    }
    add(&hint, "accepted: ");
    list_words(&hint, words, count);
    sag_json_error(reader, value, text, "found %s", describe(value, shown));
    return 0;
}
