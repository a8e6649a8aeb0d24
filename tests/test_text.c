/* SPDX-License-Identifier: GPL-3.0-or-later */
/* text: UTF-8, and showing what a person wrote. */
#include "near.h"

#include "text.h"

#include <string.h>

static const struct {
    const char *bytes;
    size_t length, step;
    unsigned code;
} characters[] = {
    {"", 0, 0, 0},
    {"A", 1, 1, 'A'},
    {"\0", 1, 1, 0},
    {"\x7F", 1, 1, 0x7F},
    {"\x80", 1, 0, 0},
    {"\xBF", 1, 0, 0},
    {"\xC0\x80", 2, 0, 0},
    {"\xC1\xBF", 2, 0, 0},
    {"\xC2\x80", 2, 2, 0x80},
    {"\xC2\xB5", 2, 2, 0xB5},
    {"\xC2", 1, 0, 0},
    {"\xC2\x41", 2, 0, 0},
    {"\xC2\xC2", 2, 0, 0},
    {"\xDF\xBF", 2, 2, 0x7FF},
    {"\xE0\x9F\xBF", 3, 0, 0},
    {"\xE0\xA0\x80", 3, 3, 0x800},
    {"\xE2\x84\xA6", 3, 3, 0x2126},
    {"\xE2\x84\xA6", 2, 0, 0},
    {"\xED\x9F\xBF", 3, 3, 0xD7FF},
    {"\xED\xA0\x80", 3, 0, 0},
    {"\xED\xBF\xBF", 3, 0, 0},
    {"\xEE\x80\x80", 3, 3, 0xE000},
    {"\xEF\xBF\xBF", 3, 3, 0xFFFF},
    {"\xF0\x8F\xBF\xBF", 4, 0, 0},
    {"\xF0\x90\x80\x80", 4, 4, 0x10000},
    {"\xF4\x8F\xBF\xBF", 4, 4, 0x10FFFF},
    {"\xF4\x90\x80\x80", 4, 0, 0},
    {"\xF5\x80\x80\x80", 4, 0, 0},
    {"\xFF", 1, 0, 0},
};

static void utf8_is_told_from_other_bytes(void **state)
{
    (void)state; /* expected: RFC 3629 section 4, the ends of every range */
    for (size_t i = 0; i < sizeof characters / sizeof *characters; i++) {
        unsigned code = 0;
        assert_int_equal(sag_text_next(characters[i].bytes, characters[i].length, &code),
                         characters[i].step);
        assert_int_equal(code, characters[i].code);
        assert_int_equal(sag_text_next(characters[i].bytes, characters[i].length, NULL),
                         characters[i].step);
    }
}

static void texts_are_shown_harmless(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        size_t size;
        const char *shown;
    } rows[] = {
        {"4k7", 16, "4k7"},
        {"", 8, ""},
        {"12345678901", 12, "12345678901"},
        {"123456789012", 12, "12345678..."},
        {"1234567", 8, "1234567"},
        {"12345678", 8, "1234..."},
        {"47 \xCE\xA9", 16, "47 \xCE\xA9"},
        {"123\xE2\x84\xA6"
         "12345",
         10, "123\xE2\x84\xA6..."}, /* room for all of the ohm sign and the dots */
        {"123\xE2\x84\xA6"
         "12345",
         9, "123..."}, /* never half of it */
        {"a\x1B[31m\tb\n", 16, "a?[31m?b?"},
        {"\xC2\x9B", 8, "?"},     /* a control character of two bytes */
        {"\xE2\x80\xAE", 8, "?"}, /* right-to-left override */
        {"\xE2\x84", 8, "??"},    /* broken: a mark for each byte */
        {"4\xB5"
         "7",
         8, "4?7"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char buffer[20];
        memset(buffer, 'x', sizeof buffer);
        const char *shown = sag_text_show(buffer, rows[i].size, rows[i].text, strlen(rows[i].text));
        assert_ptr_equal(shown, buffer);
        assert_string_equal(shown, rows[i].shown);
        assert_int_equal(buffer[rows[i].size], 'x');
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(utf8_is_told_from_other_bytes),
        cmocka_unit_test(texts_are_shown_harmless),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
