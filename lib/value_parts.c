/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "value_private.h"

#include "text.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXPONENT_CAP 100000 /* far beyond any double, far from overflow of int */

static int is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static int is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}

static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

int sag_value_same(const char *a, const char *b, int ignore_case)
{
    while (*a && *b && (ignore_case ? lower(*a) == lower(*b) : *a == *b)) {
        a++;
        b++;
    }
    return !*a && !*b;
}

/* How a character is kept: NULL for as it stands. */
static const char *replacement(unsigned code)
{
    switch (code) {
    case 0x00B5: /* micro sign */
    case 0x03BC: /* Greek small mu */
        return "u";
    case 0x03A9: /* Greek capital omega */
    case 0x2126: /* ohm sign */
        return "ohm";
    case '\t':
    case 0x00A0: /* no-break spaces, as text processors put before units */
    case 0x202F:
        return " ";
    default:
        return NULL;
    }
}

sag_value_cleaning sag_value_clean(const char *text, size_t length, char out[SAG_VALUE_TEXT_SIZE])
{
    size_t used = 0;
    out[0] = '\0';
    for (size_t at = 0; at < length;) {
        unsigned code = 0;
        size_t step = sag_text_next(text + at, length - at, &code);
        if (step == 0 || (code < 0x20 && code != '\t') || code == 0x7F) {
            return SAG_VALUE_UNREADABLE;
        }
        const char *kept = replacement(code);
        size_t bytes = kept ? strlen(kept) : step;
        int space = code == ' ' || (kept && *kept == ' ');
        at += step;
        if (space && used == 0) {
            continue;
        }
        if (used + bytes >= SAG_VALUE_TEXT_SIZE) {
            return SAG_VALUE_TOO_LONG;
        }
        memcpy(out + used, kept ? kept : text + at - step, bytes);
        used += bytes;
    }
    while (used > 0 && out[used - 1] == ' ') {
        used--;
    }
    out[used] = '\0';
    return used ? SAG_VALUE_CLEAN : SAG_VALUE_EMPTY;
}

/* Takes over digits from *at on; returns how many. */
static int take_digits(const char **at, sag_value_parts *parts, size_t *used)
{
    int count = 0;
    for (; is_digit(**at); (*at)++) {
        parts->digits[(*used)++] = **at;
        count++;
    }
    return count;
}

/* An exponent as e3, E-9; leaves *at alone when there is none. */
static int take_exponent(const char **at)
{
    const char *c = *at;
    if (lower(*c) != 'e') {
        return 0;
    }
    c++;
    int negative = *c == '-';
    c += *c == '-' || *c == '+';
    if (!is_digit(*c)) {
        return 0;
    }
    int exponent = 0;
    for (; is_digit(*c); c++) {
        exponent = exponent < EXPONENT_CAP ? exponent * 10 + (*c - '0') : EXPONENT_CAP;
    }
    *at = c;
    return negative ? -exponent : exponent;
}

const char *sag_value_split(const char *clean, sag_value_parts *parts)
{
    *parts = (sag_value_parts){0};
    const char *at = clean;
    size_t used = 0;
    parts->negative = *at == '-';
    at += *at == '-' || *at == '+';
    const char *first = at;
    int before = take_digits(&at, parts, &used);
    int after = 0;
    if (*at == '.') {
        at++;
        after = take_digits(&at, parts, &used);
        if (before + after == 0) {
            return "it has no digits";
        }
        if (after == 0) {
            return "a digit must follow the point";
        }
        parts->exponent = take_exponent(&at);
    } else if (before && lower(*at) == 'e') {
        parts->exponent = take_exponent(&at);
    } else if (is_letter(*at) && is_digit(at[1])) {
        parts->letter = *at++;
        parts->leading = before == 0;
        after = take_digits(&at, parts, &used);
    }
    if (before + after == 0) {
        return "it does not begin with a number";
    }
    parts->whole = first == clean && before == at - clean;
    parts->exponent -= after;
    parts->end = (size_t)(at - clean);
    while (*at == ' ') {
        at++;
    }
    parts->suffix = at;
    return NULL;
}

int sag_value_number(const sag_value_parts *parts, int power, double *out)
{
    /* Without a decimal point in it, strtod reads the same in every locale. */
    char plain[SAG_VALUE_TEXT_SIZE + 16];
    snprintf(plain, sizeof plain, "%se%d", parts->digits, parts->exponent + power);
    double value = strtod(plain, NULL);
    int zero = strspn(parts->digits, "0") == strlen(parts->digits);
    if (!isfinite(value) || (value <= 0 && !zero)) {
        return 0;
    }
    *out = zero ? 0.0 : parts->negative ? -value : value;
    return 1;
}

int sag_value_prefix(char letter, int *power)
{
    static const struct {
        char letter;
        int power;
    } prefixes[] = {{'f', -15}, {'p', -12}, {'n', -9}, {'u', -6}, {'m', -3},
                    {'k', 3},   {'K', 3},   {'M', 6},  {'G', 9},  {'T', 12}};
    for (size_t i = 0; i < sizeof prefixes / sizeof *prefixes; i++) {
        if (prefixes[i].letter == letter) {
            *power = prefixes[i].power;
            return 1;
        }
    }
    return 0;
}

void sag_value_problem(char *problem, const char *text, size_t length, const char *format, ...)
{
    if (!problem) {
        return;
    }
    char shown[48];
    sag_text_show(shown, sizeof shown, text, length);
    int used = snprintf(problem, SAG_PROBLEM_SIZE, "found \"%s\": ", shown);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(problem + used, SAG_PROBLEM_SIZE - (size_t)used, format, arguments);
    va_end(arguments);
}

/* 1,000 or 12,345,678: the comma may be meant either way. */
static int has_thousands(const char *clean)
{
    size_t group = strspn(clean, "0123456789");
    if (group < 1 || group > 3) {
        return 0;
    }
    clean += group;
    while (*clean == ',') {
        group = strspn(clean + 1, "0123456789");
        if (group != 3) {
            return 0;
        }
        clean += 4;
    }
    return !is_digit(*clean) && *clean != '.';
}

static void explain_comma(char *problem, const char *text, size_t length, const char *clean,
                          const char *noun, const char *example)
{
    char point[SAG_VALUE_TEXT_SIZE], none[SAG_VALUE_TEXT_SIZE];
    size_t used = 0;
    memcpy(point, clean, strlen(clean) + 1);
    for (char *c = point; *c; c++) {
        if (*c == ',') {
            *c = '.';
        } else {
            none[used++] = *c;
        }
    }
    none[used] = '\0';
    sag_value_parts parts;
    int one = strchr(clean, ',') == strrchr(clean, ',');
    if (has_thousands(clean)) {
        sag_value_problem(problem, text, length,
                          "a comma is not read in numbers, write %s%s%s, whichever is meant", none,
                          one ? " or " : "", one ? point : "");
    } else if (one && !strchr(clean, '.') && !sag_value_split(point, &parts)) {
        sag_value_problem(problem, text, length, "write the decimal comma as a point, as in %s",
                          point);
    } else {
        sag_value_problem(problem, text, length, "a comma does not belong in %s, write it as in %s",
                          noun, example);
    }
}

int sag_value_explain(char *problem, const char *text, size_t length, sag_value_cleaning cleaning,
                      const char *complaint, const char *noun, const char *example)
{
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_clean(text, length, clean);
    switch (cleaning) {
    case SAG_VALUE_EMPTY:
        sag_value_problem(problem, text, length, "%s is expected here, as in %s", noun, example);
        return 1;
    case SAG_VALUE_TOO_LONG:
        sag_value_problem(problem, text, length, "this is too long for %s, write it as in %s", noun,
                          example);
        return 1;
    case SAG_VALUE_UNREADABLE:
        sag_value_problem(problem, text, length,
                          "it has characters that cannot be read (UTF-8 is expected), write %s "
                          "as in %s",
                          noun, example);
        return 1;
    case SAG_VALUE_CLEAN:
        break;
    }
    if (strchr(clean, ',')) {
        explain_comma(problem, text, length, clean, noun, example);
        return 1;
    }
    if (strstr(clean, "\xE2\x88\x92")) { /* U+2212 */
        sag_value_problem(problem, text, length, "write the minus sign as -");
        return 1;
    }
    if (strchr(clean, ':')) {
        sag_value_problem(problem, text, length, "a single value is expected here, not a range");
        return 1;
    }
    if (complaint) {
        sag_value_problem(problem, text, length, "%s, write %s as in %s", complaint, noun, example);
        return 1;
    }
    return 0;
}
