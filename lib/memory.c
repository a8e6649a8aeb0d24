/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "memory.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

void *sag_new(size_t count, size_t size)
{
    if (count == 0) {
        count = 1;
    }
    return calloc(count, size); /* calloc itself refuses a product that overflows */
}

int sag_grow(void **array, size_t *capacity, size_t needed, size_t size)
{
    if (needed <= *capacity) {
        return 1;
    }
    size_t wanted = *capacity < 8 ? 8 : *capacity;
    while (wanted < needed) {
        if (wanted > SIZE_MAX / 2) {
            return 0;
        }
        wanted *= 2;
    }
    void *grown = sag_new(wanted, size);
    if (!grown) {
        return 0;
    }
    if (*array) {
        memcpy(grown, *array, *capacity * size);
        sag_free(*array);
    }
    *array = grown;
    *capacity = wanted;
    return 1;
}

char *sag_copy_text(const char *text, size_t length)
{
    if (length == SIZE_MAX) {
        return NULL;
    }
    char *copy = sag_new(length + 1, 1);
    if (copy && length) {
        memcpy(copy, text, length);
    }
    return copy;
}

void sag_free(void *block)
{
    free(block);
}
