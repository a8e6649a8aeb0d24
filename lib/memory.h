/* SPDX-License-Identifier: GPL-3.0-or-later */
/* memory.h - the only place that calls the allocator.
 *
 * Every block comes zeroed, so that a half-built object can be handed to its free function. */
#ifndef RAILSAG_MEMORY_H
#define RAILSAG_MEMORY_H

#include <stddef.h>

/* count * size bytes, all zero; NULL when that overflows or memory is short. A count of 0 gives a
 * block of one element, so that NULL always means failure. */
void *sag_new(size_t count, size_t size);

/* Grows *array (or makes it, when *array is NULL) so that it holds at least `needed` elements of
 * `size` bytes; *capacity is updated, new elements are zero. Returns 0 and leaves everything as it
 * was when memory is short, 1 when done. */
int sag_grow(void **array, size_t *capacity, size_t needed, size_t size);

/* A copy of the first `length` bytes of text, with a closing zero; NULL when memory is short. */
char *sag_copy_text(const char *text, size_t length);

/* NULL is fine. */
void sag_free(void *block);

#endif
