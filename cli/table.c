/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "table.h"

#include "memory.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct table {
    char *align;
    size_t columns;
    int gap, lost;
    char **cells;
    size_t count, capacity;
};

table *table_new(const char *align, int gap)
{
    table *t = sag_new(1, sizeof *t);
    if (!t) {
        return NULL;
    }
    t->columns = strlen(align);
    t->gap = gap;
    t->align = sag_copy_text(align, t->columns);
    if (!t->align) {
        table_free(t);
        return NULL;
    }
    return t;
}

void table_free(table *t)
{
    if (!t) {
        return;
    }
    for (size_t i = 0; i < t->count; i++) {
        sag_free(t->cells[i]);
    }
    sag_free((void *)t->cells);
    sag_free(t->align);
    sag_free(t);
}

void table_cell(table *t, const char *format, ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (!sag_grow((void **)&t->cells, &t->capacity, t->count + 1, sizeof *t->cells)) {
        t->lost = 1;
        return;
    }
    char *copy = sag_copy_text(text, strlen(text));
    if (copy) {
        t->cells[t->count++] = copy;
    } else {
        t->lost = 1;
    }
}

/* Columns that UTF-8 text takes: its bytes without the continuation bytes. */
static int width_of(const char *text)
{
    int width = 0;
    for (; *text; text++) {
        width += ((unsigned char)*text & 0xc0) != 0x80;
    }
    return width;
}

static int column_width(const table *t, size_t column)
{
    int widest = 0;
    for (size_t i = column; i < t->count; i += t->columns) {
        int width = width_of(t->cells[i]);
        widest = width > widest ? width : widest;
    }
    return widest;
}

int table_write(const table *t, output *out)
{
    int *widths = sag_new(t->columns, sizeof *widths);
    if (!widths || t->lost) {
        sag_free(widths);
        return 0;
    }
    for (size_t k = 0; k < t->columns; k++) {
        widths[k] = column_width(t, k);
    }
    for (size_t row = 0; row + t->columns <= t->count; row += t->columns) {
        int pending = 2; /* blanks that wait for text, so that no line ends in some */
        for (size_t k = 0; k < t->columns; k++) {
            const char *cell = t->cells[row + k];
            int space = widths[k] - width_of(cell);
            int left = t->align[k] == 'r' ? space : 0;
            if (*cell) {
                size_t length = strlen(cell);
                size_t text = length;
                while (text > 0 && cell[text - 1] == ' ') {
                    text--;
                }
                output_format(out, "%*s", pending + left, "");
                output_write(out, cell, text);
                pending = (int)(length - text) + space - left + t->gap;
            } else {
                pending += space + t->gap;
            }
        }
        output_text(out, "\n");
    }
    sag_free(widths);
    return 1;
}
