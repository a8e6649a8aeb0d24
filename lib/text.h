/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text.h - UTF-8, and showing in a message what a person wrote. */
#ifndef RAILSAG_TEXT_H
#define RAILSAG_TEXT_H

#include <stddef.h>

/* Length in bytes of the UTF-8 character at text (1 to 4), 0 when the bytes there are none (broken,
 * overlong, a surrogate, beyond U+10FFFF, or cut off by `length`). *code, when not NULL, gets the
 * code point. Source of the byte ranges: RFC 3629 section 4. */
size_t sag_text_next(const char *text, size_t length, unsigned *code);

/* Copies text into buffer (size bytes, at least 8) for a message, with a closing zero: control
 * characters and broken UTF-8 become '?', a text that does not fit is cut and ends in "...".
 * Returns buffer. */
const char *sag_text_show(char *buffer, size_t size, const char *text, size_t length);

#endif
