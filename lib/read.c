/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "read.h"

#include "text.h"

#include <stdio.h>
#include <string.h>

static const char *const file_kinds[] = {"design", "opamp", "battery", "diode", "pickup"};
#define FILE_KIND_COUNT (sizeof file_kinds / sizeof *file_kinds)

static int lower(char c)
{
    return c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c;
}

int sag_same_word(const char *a, const char *b)
{
    while (*a && lower(*a) == lower(*b)) {
        a++;
        b++;
    }
    return lower(*a) == lower(*b);
}

const char *sag_read_excerpt(char *buffer, const char *text)
{
    return sag_text_show(buffer, SAG_EXCERPT_SIZE, text, strlen(text));
}

const char *sag_read_hint(char *buffer, const char *text, const char *const *words, size_t count,
                          const char *otherwise)
{
    char word[SAG_EXCERPT_SIZE];
    const char *near = strlen(text) > SAG_NAME_MAX ? NULL : sag_nearest_word(text, words, count);
    if (!near) {
        return otherwise;
    }
    snprintf(buffer, SAG_HINT_SIZE, "did you mean \"%s\"?", sag_read_excerpt(word, near));
    return buffer;
}

/* The known kind in a text of the form "railsag KIND N", else NULL. */
static const char *kind_in(const char *format)
{
    if (strncmp(format, "railsag ", 8) != 0) {
        return NULL;
    }
    format += 8;
    for (size_t i = 0; i < FILE_KIND_COUNT; i++) {
        size_t length = strlen(file_kinds[i]);
        if (!strncmp(format, file_kinds[i], length) && format[length] == ' ') {
            return file_kinds[i];
        }
    }
    return NULL;
}

const char *sag_read_claimed_kind(const sag_json *root)
{
    if (!root || root->type != SAG_JSON_OBJECT) {
        return NULL;
    }
    for (const sag_json *child = root->first; child; child = child->next) {
        if (!strcmp(child->key, "format")) {
            return child->type == SAG_JSON_STRING ? kind_in(child->string) : NULL;
        }
    }
    return NULL;
}

int sag_read_format(sag_json_reader *reader, const char *kind)
{
    const char *found;
    char right[48], hint[96], excerpt[SAG_EXCERPT_SIZE];
    snprintf(right, sizeof right, "railsag %s 1", kind);
    if (reader->object && !sag_json_get(reader, "format")) {
        snprintf(hint, sizeof hint, "begin the file with \"format\": \"%s\"", right);
        sag_json_error(reader, NULL, hint, "\"format\" is missing");
        return 1;
    }
    if (!sag_json_text(reader, "format", SAG_REQUIRED, &found)) {
        return 1;
    }
    if (!strcmp(found, right)) {
        return 1;
    }
    const char *claimed = kind_in(found);
    const char *const words[] = {right};
    snprintf(hint, sizeof hint, "write \"format\": \"%s\"", right);
    const sag_json *value = sag_json_get(reader, "format");
    if (claimed && strcmp(claimed, kind) != 0) {
        sag_json_error(reader, value, hint,
                       "this is a file of kind %s, and one of kind %s is asked for", claimed, kind);
        return 0;
    }
    if (claimed) {
        sag_json_error(reader, value, hint, "the format is \"%s\", a version that is not known",
                       sag_read_excerpt(excerpt, found));
        return 0;
    }
    sag_json_error(reader, value, hint, "the format is \"%s\"", sag_read_excerpt(excerpt, found));
    return strlen(found) <= SAG_NAME_MAX && sag_nearest_word(found, words, 1) != NULL;
}

/* The value of key; a required one that is missing is reported. */
static const sag_json *get(sag_json_reader *reader, const char *key, sag_json_need need,
                           const char *form)
{
    const sag_json *value = sag_json_get(reader, key);
    if (!value && need == SAG_REQUIRED && reader->object) {
        sag_json_error(reader, reader->object, form, "\"%s\" is missing", key);
    }
    return value;
}

const sag_json *sag_read_array(sag_json_reader *reader, const char *key, sag_json_need need,
                               size_t least, size_t most)
{
    const sag_json *value = get(reader, key, need, "a list in square brackets is asked for");
    if (!value) {
        return NULL;
    }
    if (value->type != SAG_JSON_ARRAY) {
        sag_json_error(reader, value, "write a list in square brackets", "\"%s\" is not a list",
                       key);
        return NULL;
    }
    if (value->count < least || value->count > most) {
        char hint[64];
        if (least == most) {
            snprintf(hint, sizeof hint, "%zu are asked for", least);
        } else {
            snprintf(hint, sizeof hint, "%zu to %zu are accepted", least, most);
        }
        sag_json_error(reader, value, hint, "\"%s\" has %zu element%s", key, value->count,
                       value->count == 1 ? "" : "s");
        return NULL;
    }
    return value;
}

int sag_read_object(sag_json_reader *reader, const char *key, sag_json_need need,
                    sag_json_reader *inner)
{
    const sag_json *value = get(reader, key, need, "an object in curly brackets is asked for");
    if (!value) {
        return 0;
    }
    *inner = sag_json_open(value, reader->file, reader->report, reader->errors);
    return inner->object != NULL;
}

const char *sag_read_name_value(sag_json_reader *reader, const sag_json *value, const char *what)
{
    char excerpt[SAG_EXCERPT_SIZE];
    if (value->type != SAG_JSON_STRING) {
        sag_json_error(reader, value, "write it in double quotes", "%s must be a text", what);
        return NULL;
    }
    const char *text = value->string;
    size_t length = strlen(text);
    if (length == 0) {
        sag_json_error(reader, value, NULL, "%s is empty", what);
        return NULL;
    }
    int sound = length <= SAG_NAME_MAX && text[0] != ' ' && text[length - 1] != ' ';
    for (size_t i = 0; i < length && sound; i++) {
        sound = (unsigned char)text[i] >= 0x20 && text[i] != 0x7F;
    }
    if (!sound) {
        sag_json_error(reader, value,
                       "use 1 to 64 characters, no control characters, no space at either end",
                       "\"%s\" cannot be %s", sag_read_excerpt(excerpt, text), what);
        return NULL;
    }
    return text;
}

const char *sag_read_name(sag_json_reader *reader, const char *key, sag_json_need need,
                          const char *what)
{
    const sag_json *value = get(reader, key, need, NULL);
    return value ? sag_read_name_value(reader, value, what) : NULL;
}

const sag_json *sag_read_notes(sag_json_reader *reader)
{
    const sag_json *notes = sag_read_array(reader, "notes", SAG_OPTIONAL, 0, 1000);
    int sound = notes != NULL;
    for (const sag_json *note = notes ? notes->first : NULL; note; note = note->next) {
        if (note->type != SAG_JSON_STRING) {
            sag_json_error(reader, note, "write each note in double quotes", "a note is no text");
            sound = 0;
        }
    }
    return sound ? notes : NULL;
}
