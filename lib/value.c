/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "value.h"

#include "text.h"
#include "value_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SECONDS_PER_YEAR (365.25 * 86400.0) /* Julian year, exact by definition */
#define MAX_COUNT        9007199254740991.0 /* 2^53 - 1: a larger number may be a rounded one */
#define MAX_SPELLINGS    5
#define MAX_DIGITS       17 /* more than 17 say nothing about a double */

/* One way to write a unit; it counts factor * 10^power SI units. */
typedef struct {
    const char *text;
    int power;
    double factor;
    int prefixed; /* may have an SI prefix before it */
} spelling;

typedef struct {
    const char *noun, *example, *symbol;
    int prefix_alone; /* 4.7k and 4k7 need no unit */
    char letter;      /* unit letter that may stand for the point, as in 4R7; 0: none */
    int leads;        /* and come first, as in R47 */
    spelling spellings[MAX_SPELLINGS];
} unit_row;

static const unit_row units[] = {
    [SAG_OHM] = {"a resistance", "4k7", "ohm", 1, 'R', 1, {{"ohm", 0, 1, 1}, {"R", 0, 1, 0}}},
    [SAG_FARAD] = {"a capacitance", "47n", "F", 1, 'F', 1, {{"F", 0, 1, 1}}},
    [SAG_HENRY] = {"an inductance", "100mH", "H", 1, 'H', 0, {{"H", 0, 1, 1}}},
    [SAG_VOLT] = {"a DC voltage", "9V", "V", 1, 'V', 0, {{"V", 0, 1, 1}}},
    [SAG_AMPERE] = {"a current", "1.4mA", "A", 1, 'A', 0, {{"A", 0, 1, 1}}},
    [SAG_HERTZ] = {"a frequency", "20kHz", "Hz", 1, 0, 0, {{"Hz", 0, 1, 1}}},
    [SAG_SECOND] = {"a time",
                    "10ms, 2h or 5y",
                    "s",
                    1,
                    0,
                    0,
                    {{"s", 0, 1, 1},
                     {"min", 0, 60, 0},
                     {"h", 0, 3600, 0},
                     {"d", 0, 86400, 0},
                     {"y", 0, SECONDS_PER_YEAR, 0}}},
    [SAG_RATIO] = {"a ratio", "30%", "%", 0, 0, 0, {{"%", -2, 1, 0}}},
    [SAG_GAIN] = {"a gain",
                  "106dB",
                  "dB",
                  0,
                  0,
                  0,
                  {{"dB", 0, 1, 0}, {"V/mV", 3, 1, 0}, {"V/uV", 6, 1, 0}, {"V/V", 0, 1, 0}}},
    [SAG_DEGREE] = {"an angle", "45deg", "deg", 0, 0, 0, {{"deg", 0, 1, 0}}},
    [SAG_VOLT_PER_SECOND] =
        {"a slew rate",
         "13V/us",
         "V/s",
         1,
         0,
         0,
         {{"V/s", 0, 1, 1}, {"V/ms", 3, 1, 1}, {"V/us", 6, 1, 1}, {"V/ns", 9, 1, 1}}},
    [SAG_VOLT_PER_ROOT_HZ] =
        {"a voltage noise density", "18nV/rtHz", "V/rtHz", 1, 0, 0, {{"V/rtHz", 0, 1, 1}}},
    [SAG_AMPERE_PER_ROOT_HZ] =
        {"a current noise density", "10fA/rtHz", "A/rtHz", 1, 0, 0, {{"A/rtHz", 0, 1, 1}}},
    [SAG_COULOMB] = {"a charge", "540mAh", "C", 1, 0, 0, {{"Ah", 0, 3600, 1}, {"C", 0, 1, 1}}},
    [SAG_COUNT] = {"a whole number", "2", "", 0, 0, 0, {{0}}},
};
#define UNIT_COUNT (sizeof units / sizeof *units)

static int known_unit(sag_unit unit)
{
    return (int)unit >= 0 && (size_t)unit < UNIT_COUNT;
}

const char *sag_unit_symbol(sag_unit unit)
{
    return known_unit(unit) ? units[unit].symbol : "";
}

/* What letter and suffix came to. */
typedef struct {
    const spelling *unit; /* NULL when none is written */
    char prefix;          /* 0 when none is written */
    int power;            /* of the prefix */
} unit_match;

/* A prefix, when case is ignored told from its lower-case letter; m and M are never taken for each
 * other, as they are 10^9 apart. */
static int match_prefix(char letter, int ignore_case, unit_match *match)
{
    static const char often_wrong[] = "PNUgt", meant[] = "pnuGT";
    const char *wrong = ignore_case && letter ? strchr(often_wrong, letter) : NULL;
    match->prefix = wrong ? meant[wrong - often_wrong] : letter;
    return sag_value_prefix(match->prefix, &match->power);
}

static int match_letter(const unit_row *row, const sag_value_parts *parts, int ignore_case,
                        unit_match *match)
{
    const char letter[2] = {parts->letter, '\0'};
    const char own[2] = {row->letter, '\0'};
    if (row->letter && sag_value_same(letter, own, ignore_case)) {
        for (size_t i = 0; i < MAX_SPELLINGS && row->spellings[i].text; i++) {
            if (sag_value_same(row->spellings[i].text, own, 0)) {
                match->unit = &row->spellings[i];
            }
        }
        return !*parts->suffix && (row->leads || !parts->leading);
    }
    if (!row->prefix_alone || !match_prefix(parts->letter, ignore_case, match)) {
        return 0;
    }
    for (size_t i = 0; i < MAX_SPELLINGS && row->spellings[i].text; i++) {
        const spelling *one = &row->spellings[i];
        if (one->prefixed && sag_value_same(parts->suffix, one->text, ignore_case)) {
            match->unit = one;
            return 1;
        }
    }
    return !*parts->suffix;
}

static int match_unit(const unit_row *row, const sag_value_parts *parts, int ignore_case,
                      unit_match *match)
{
    *match = (unit_match){0};
    const char *suffix = parts->suffix;
    if (parts->letter) {
        return match_letter(row, parts, ignore_case, match);
    }
    if (!*suffix) {
        return 1;
    }
    for (size_t i = 0; i < MAX_SPELLINGS && row->spellings[i].text; i++) {
        const spelling *one = &row->spellings[i];
        int plain = sag_value_same(suffix, one->text, ignore_case);
        if (plain || (one->prefixed && sag_value_same(suffix + 1, one->text, ignore_case) &&
                      match_prefix(*suffix, ignore_case, match))) {
            match->unit = one;
            match->prefix = plain ? '\0' : match->prefix;
            match->power = plain ? 0 : match->power;
            return 1;
        }
    }
    return row->prefix_alone && !suffix[1] && match_prefix(*suffix, ignore_case, match);
}

/* The quantity as it should have been written, from a match that ignored case. */
static void rewrite(char *out, size_t size, const char *clean, const sag_value_parts *parts,
                    const unit_match *match)
{
    char number[SAG_VALUE_TEXT_SIZE];
    memcpy(number, clean, parts->end);
    number[parts->end] = '\0';
    const char prefix[2] = {match->prefix, '\0'};
    const char *unit = match->unit ? match->unit->text : "";
    if (parts->letter) {
        char *letter = strchr(number, parts->letter);
        *letter = match->prefix ? match->prefix : *unit;
        snprintf(out, size, "%s%s", number, *parts->suffix ? unit : "");
    } else {
        snprintf(out, size, "%s%s%s", number, prefix, unit);
    }
}

/* A number was found, but not the unit wanted: says why, as closely as can be told. */
static void explain_unit(char *problem, const char *text, size_t length, const char *clean,
                         const sag_value_parts *parts, sag_unit unit)
{
    const unit_row *row = &units[unit];
    const char *suffix = parts->suffix;
    unit_match match = {0};
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        if (i != (size_t)unit && match_unit(&units[i], parts, 0, &match) && match.unit) {
            sag_value_problem(problem, text, length, "it is %s, but %s is expected here, as in %s",
                              units[i].noun, row->noun, row->example);
            return;
        }
    }
    sag_level_unit level;
    int power;
    char right[2 * SAG_VALUE_TEXT_SIZE];
    if (sag_level_match(suffix, &level, &power)) {
        sag_value_problem(problem, text, length,
                          "it is a signal level, but %s is expected here, as in %s", row->noun,
                          row->example);
    } else if (row->prefix_alone && strlen(suffix) >= 3 &&
               (!strncmp(suffix, "Meg", 3) || !strncmp(suffix, "meg", 3) ||
                !strncmp(suffix, "MEG", 3))) {
        sag_value_problem(problem, text, length, "write mega as M, as in %.*sM%s", (int)parts->end,
                          clean, suffix[3] && suffix[3] != 'a' ? suffix + 3 : "");
    } else if (match_unit(row, parts, 1, &match)) {
        rewrite(right, sizeof right, clean, parts, &match);
        sag_value_problem(problem, text, length,
                          "small and capital letters differ in prefixes and units, write %s",
                          right);
    } else if (*suffix >= '0' && *suffix <= '9') {
        sag_value_problem(problem, text, length, "write the digits without a space between them");
    } else if (strstr(suffix, "\xE2\x88\x9A")) { /* U+221A, the root sign */
        sag_value_problem(problem, text, length, "write the root as rt, as in 18nV/rtHz");
    } else if (parts->letter) {
        sag_value_problem(problem, text, length, "this is no way to write %s, write it as in %s",
                          row->noun, row->example);
    } else {
        char shown[24];
        sag_text_show(shown, sizeof shown, suffix, strlen(suffix));
        sag_value_problem(problem, text, length,
                          row->prefix_alone ? "\"%s\" is no prefix or unit of %s, write it as in %s"
                                            : "\"%s\" is no unit of %s, write it as in %s",
                          shown, row->noun, row->example);
    }
}

/* The number in SI units; 0 when a double cannot hold it. */
static int convert(const sag_value_parts *parts, const unit_match *match, sag_unit unit,
                   double *value)
{
    const spelling *one = match->unit;
    if (!sag_value_number(parts, match->power + (one ? one->power : 0), value)) {
        return 0;
    }
    if (unit == SAG_GAIN && one == &units[SAG_GAIN].spellings[0]) {
        *value = pow(10, *value / 20);
        return isfinite(*value) && *value > 0;
    }
    *value *= one ? one->factor : 1;
    return isfinite(*value);
}

sag_status sag_value_read(const char *text, size_t length, sag_unit unit, double *out,
                          char *problem)
{
    if (!text || !out || !known_unit(unit)) {
        return SAG_BAD_ARGUMENT;
    }
    const unit_row *row = &units[unit];
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_parts parts = {.suffix = ""};
    unit_match match = {0};
    double value;
    sag_value_cleaning cleaning = sag_value_clean(text, length, clean);
    const char *complaint = cleaning == SAG_VALUE_CLEAN ? sag_value_split(clean, &parts) : NULL;
    int matched = cleaning == SAG_VALUE_CLEAN && !complaint && match_unit(row, &parts, 0, &match);
    if (!matched) {
        if (!sag_value_explain(problem, text, length, cleaning, complaint, row->noun,
                               row->example)) {
            explain_unit(problem, text, length, clean, &parts, unit);
        }
        return SAG_BAD_INPUT;
    }
    if (unit == SAG_COUNT && !parts.whole) {
        sag_value_problem(problem, text, length, "a whole number is expected here, as in 2");
        return SAG_BAD_INPUT;
    }
    if (!convert(&parts, &match, unit, &value) || (unit == SAG_COUNT && value > MAX_COUNT)) {
        sag_value_problem(problem, text, length,
                          "this is too large or too small a number for %s, write it as in %s",
                          row->noun, row->example);
        return SAG_BAD_INPUT;
    }
    *out = value;
    return SAG_OK;
}

/* Digits of value, rounded to `count` significant ones, without trailing zeros; value = 0.d1d2d3...
 * * 10^point. The digits are picked out, whatever the locale's decimal point. */
static void round_digits(double value, int count, char *digits, int *point)
{
    char text[40];
    snprintf(text, sizeof text, "%.*e", count - 1, fabs(value));
    size_t used = 0;
    const char *c = text;
    for (; *c && *c != 'e'; c++) {
        if (*c >= '0' && *c <= '9') {
            digits[used++] = *c;
        }
    }
    int exponent = 0;
    int negative = c[1] == '-';
    for (c += 2; *c; c++) {
        exponent = exponent * 10 + (*c - '0');
    }
    *point = (negative ? -exponent : exponent) + 1;
    while (used > 1 && digits[used - 1] == '0') {
        used--;
    }
    digits[used] = '\0';
}

/* Writes digits with the decimal point after `before` of them (zero or less: zeros in front). */
static void place_point(char *out, const char *digits, int before)
{
    size_t used = 0;
    if (before <= 0) {
        out[used++] = '0';
        out[used++] = '.';
        for (int i = before; i < 0; i++) {
            out[used++] = '0';
        }
    }
    int count = (int)strlen(digits);
    for (int i = 0; i < count || i < before; i++) {
        if (i == before && i > 0) {
            out[used++] = '.';
        }
        out[used++] = i < count ? digits[i] : '0';
    }
    out[used] = '\0';
}

/* How a unit is printed: value / per, with `symbol` and perhaps a prefix. */
typedef struct {
    const char *symbol;
    double per;
    int prefixed;
} print_form;

/* Times are said in the largest unit that fits; what rounds up to a full unit becomes one: 59.96 s
 * is 1 min. */
static print_form time_form(double *value, int count)
{
    static const print_form forms[] = {
        {"y", SECONDS_PER_YEAR, 0}, {"d", 86400, 0}, {"h", 3600, 0}, {"min", 60, 0}, {"s", 1, 1}};
    size_t i = 0;
    for (; i + 1 < sizeof forms / sizeof *forms; i++) {
        double below = forms[i + 1].per;
        double grain = below * pow(10, floor(log10(fabs(*value) / below)) + 1 - count);
        if (fabs(*value) + grain / 2 >= forms[i].per) {
            *value = copysign(fmax(fabs(*value), forms[i].per), *value);
            break;
        }
    }
    return forms[i];
}

static print_form form_of(sag_unit unit, double *value, int count)
{
    switch (unit) {
    case SAG_SECOND:
        return time_form(value, count);
    case SAG_RATIO:
        return (print_form){"%", 0.01, 0};
    case SAG_GAIN:
    case SAG_DEGREE:
    case SAG_COUNT:
        return (print_form){units[unit].symbol, 1, 0};
    case SAG_VOLT_PER_SECOND:
        return (print_form){"V/us", 1e6, 1};
    case SAG_COULOMB:
        return (print_form){"Ah", 3600, 1};
    default:
        return (print_form){units[unit].symbol, 1, 1};
    }
}

/* A finite number in `form`, with `count` significant digits. */
static void print_number(char *buffer, size_t size, double value, const print_form *form, int count)
{
    static const char prefixes[] = {'f', 'p', 'n', 'u', 'm', '\0', 'k', 'M', 'G', 'T'};
    char rounded[MAX_DIGITS + 1] = "", number[2 * MAX_DIGITS], scale[16] = "", prefix[2] = "";
    int point;
    round_digits(value, count, rounded, &point);
    int exponent = point - 1;                                         /* of the first digit */
    int third = exponent >= 0 ? exponent / 3 : -((2 - exponent) / 3); /* rounded down */
    int zero = rounded[0] == '0';
    int in_range = form->prefixed ? third >= -5 && third <= 4 : point > -6 && point <= 15;
    if (zero) {
        point = 1;
    } else if (!in_range) {
        snprintf(scale, sizeof scale, "e%d", exponent);
        point = 1;
    } else if (form->prefixed) {
        prefix[0] = prefixes[third + 5];
        point = exponent - 3 * third + 1;
    }
    place_point(number, rounded, point);
    snprintf(buffer, size, "%s%s%s%s%s%s", value < 0 && !zero ? "-" : "", number, scale,
             *form->symbol ? " " : "", prefix, form->symbol);
}

const char *sag_value_print(char *buffer, size_t size, double value, sag_unit unit, int digits)
{
    if (!buffer || size == 0) {
        return "";
    }
    int count = digits < 1 ? 1 : digits > MAX_DIGITS ? MAX_DIGITS : digits;
    if (unit == SAG_GAIN) {
        value = 20 * log10(value);              /* NaN for a negative gain: it has no value in dB */
        value = fabs(value) < 1e-9 ? 0 : value; /* a gain of 1, rounded */
    }
    if (isnan(value) || !known_unit(unit)) {
        snprintf(buffer, size, "-");
        return buffer;
    }
    print_form form = isinf(value) ? (print_form){"", 1, 0} : form_of(unit, &value, count);
    value /= form.per;
    if (isinf(value)) {
        snprintf(buffer, size, "none");
    } else {
        print_number(buffer, size, value, &form, count);
    }
    return buffer;
}

const char *sag_value_bare_hint(char *buffer, const char *text, sag_unit unit)
{
    if ((unit != SAG_FARAD && unit != SAG_HENRY) || strspn(text, "0123456789. ") != strlen(text)) {
        return NULL;
    }
    const char *of = unit == SAG_FARAD ? "pnu" : "num";
    snprintf(buffer, SAG_PROBLEM_SIZE, "a number alone is in %s: write %.20s%c, %.20s%c or %.20s%c",
             unit == SAG_FARAD ? "farad" : "henry", text, of[0], text, of[1], text, of[2]);
    return buffer;
}
