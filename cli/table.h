/* SPDX-License-Identifier: GPL-3.0-or-later */
/* table.h - tables of text: columns as wide as their widest cell. */
#ifndef RAILSAG_TABLE_H
#define RAILSAG_TABLE_H

#include "output.h"

typedef struct table table;

/* align has one letter a column: 'l' left, 'r' right. gap: blanks between columns. NULL when memory
 * is short. */
table *table_new(const char *align, int gap);
void table_free(table *t); /* NULL is fine */

/* Appends the next cell, row by row; a cell that cannot be kept makes table_write fail. */
void table_cell(table *t, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Writes the rows, each indented by two blanks; 0 when memory was short. */
int table_write(const table *t, output *out);

#endif
