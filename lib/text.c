/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "text.h"

#include <string.h>

size_t sag_text_next(const char *text, size_t length, unsigned *code)
{
    if (length == 0) {
        return 0;
    }
    unsigned char first = (unsigned char)text[0];
    size_t size = first < 0x80 ? 1 : first < 0xC2 ? 0 : first < 0xE0 ? 2 : first < 0xF0 ? 3 : 4;
    if (size == 0 || first > 0xF4 || size > length) {
        return 0;
    }
    unsigned value = size == 1 ? first : first & (0xFFu >> (size + 1));
    for (size_t i = 1; i < size; i++) {
        unsigned char byte = (unsigned char)text[i];
        if ((byte & 0xC0) != 0x80) {
            return 0;
        }
        value = value << 6 | (byte & 0x3Fu);
    }
    int overlong = (size == 3 && value < 0x800) || (size == 4 && value < 0x10000);
    if (overlong || (value >= 0xD800 && value <= 0xDFFF) || value > 0x10FFFF) {
        return 0;
    }
    if (code) {
        *code = value;
    }
    return size;
}

/* Characters that would move the cursor or turn the writing direction of a terminal. */
static int is_control(unsigned code)
{
    return code < 0x20 || (code >= 0x7F && code < 0xA0) || (code >= 0x200E && code <= 0x200F) ||
           (code >= 0x2028 && code <= 0x202E) || (code >= 0x2066 && code <= 0x2069);
}

const char *sag_text_show(char *buffer, size_t size, const char *text, size_t length)
{
    size_t used = 0; /* bytes written */
    size_t fits = 0; /* bytes written that leave room for the dots */
    size_t at = 0;
    while (at < length) {
        unsigned code = 0;
        size_t step = sag_text_next(text + at, length - at, &code);
        int bad = step == 0 || is_control(code);
        size_t bytes = bad ? 1 : step;
        if (used + bytes + 1 > size) {
            memcpy(buffer + fits, "...", 4);
            return buffer;
        }
        if (bad) {
            buffer[used] = '?';
        } else {
            memcpy(buffer + used, text + at, step);
        }
        used += bytes;
        at += step ? step : 1;
        if (used + 4 <= size) {
            fits = used;
        }
    }
    buffer[used] = '\0';
    return buffer;
}
