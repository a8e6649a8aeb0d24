/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "json_out.h"

#include "text.h"

#include <assert.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

json_writer json_start(output *out)
{
    return (json_writer){.out = out};
}

void json_end(json_writer *w)
{
    output_text(w->out, "\n");
}

const char *json_number_text(char *buffer, double value)
{
    if (value >= 0 && value <= 0) {
        return "0"; /* -0 as well */
    }
    /* 17 digits always read back as the same double; mostly fewer do. */
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(buffer, JSON_NUMBER_SIZE, "%.*g", digits, value);
        double back = strtod(buffer, NULL);
        if (back >= value && back <= value) {
            break;
        }
    }
    return buffer;
}

static void write_string(output *out, const char *text)
{
    size_t left = strlen(text);
    output_text(out, "\"");
    while (left > 0) {
        unsigned char byte = (unsigned char)*text;
        size_t length = sag_text_next(text, left, NULL);
        if (byte == '"' || byte == '\\') {
            output_format(out, "\\%c", byte);
        } else if (byte < 0x20 || byte == 0x7f) {
            output_format(out, "\\u%04x", byte);
        } else if (length == 0) {
            output_text(out, "\xef\xbf\xbd"); /* U+FFFD for a byte that is no UTF-8 */
        } else {
            output_write(out, text, length);
        }
        length = length ? length : 1;
        text += length;
        left -= length;
    }
    output_text(out, "\"");
}

static void break_line(json_writer *w)
{
    output_format(w->out, "\n%*s", 2 * w->depth, "");
}

/* Comma, line break and key ahead of a value. */
static void lead(json_writer *w, const char *key)
{
    if (w->depth > 0) {
        int flat = w->level[w->depth - 1].is_flat;
        if (w->level[w->depth - 1].count++ > 0) {
            output_text(w->out, flat ? ", " : ",");
        }
        if (!flat) {
            break_line(w);
        }
    }
    if (key) {
        write_string(w->out, key);
        output_text(w->out, ": ");
    }
}

static void open_level(json_writer *w, const char *key, int is_array, int is_flat)
{
    assert(w->depth < JSON_DEPTH);
    lead(w, key);
    int inside_flat = w->depth > 0 && w->level[w->depth - 1].is_flat;
    w->level[w->depth].is_array = is_array;
    w->level[w->depth].is_flat = is_flat || inside_flat;
    w->level[w->depth].count = 0;
    w->depth++;
    output_text(w->out, is_array ? "[" : "{");
}

void json_object(json_writer *w, const char *key)
{
    open_level(w, key, 0, 0);
}

void json_array(json_writer *w, const char *key)
{
    open_level(w, key, 1, 0);
}

void json_flat_object(json_writer *w, const char *key)
{
    open_level(w, key, 0, 1);
}

void json_flat_array(json_writer *w, const char *key)
{
    open_level(w, key, 1, 1);
}

void json_close(json_writer *w)
{
    assert(w->depth > 0);
    w->depth--;
    if (!w->level[w->depth].is_flat && w->level[w->depth].count > 0) {
        break_line(w);
    }
    output_text(w->out, w->level[w->depth].is_array ? "]" : "}");
}

void json_number(json_writer *w, const char *key, double value)
{
    char digits[JSON_NUMBER_SIZE];
    lead(w, key);
    output_text(w->out, isfinite(value) ? json_number_text(digits, value) : "null");
}

void json_text(json_writer *w, const char *key, const char *text)
{
    lead(w, key);
    if (text) {
        write_string(w->out, text);
    } else {
        output_text(w->out, "null");
    }
}

void json_bool(json_writer *w, const char *key, int value)
{
    lead(w, key);
    output_text(w->out, value ? "true" : "false");
}

void json_column(json_writer *w, const char *key, const double *first, size_t count, size_t step,
                 double scale)
{
    json_flat_array(w, key);
    for (size_t i = 0; i < count; i++) {
        const void *at = (const char *)first + i * step;
        json_number(w, NULL, scale * *(const double *)at);
    }
    json_close(w);
}
