/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "json_private.h"

#include "memory.h"
#include "text.h"
#include "value_private.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* cJSON reads numbers through a buffer of 64 bytes and would take a longer one apart. */
#define LONGEST_NUMBER 60

#define QUANTITY_HINT "write text and quantities in double quotes, as \"4k7\""

/* What may come next. */
typedef enum {
    WANT_VALUE,
    WANT_FIRST_VALUE, /* after [: a value or ] */
    WANT_KEY,
    WANT_FIRST_KEY, /* after {: a key or } */
    WANT_COLON,
    WANT_COMMA, /* after a value: a comma or the closing bracket */
    WANT_END
} expectation;

typedef struct {
    char opening;
    int line;
} bracket;

typedef struct {
    const char *text;
    size_t length, at;
    int line;
    size_t line_start;
    bracket open[SAG_JSON_MAX_DEPTH];
    size_t depth;
    expectation want;
    int *lines;
    size_t count, capacity;
    const char *file;
    sag_report *report;
} scanner;

int sag_json_has_bom(const char *text, size_t length)
{
    return length >= SAG_JSON_BOM_BYTES && !memcmp(text, "\xEF\xBB\xBF", SAG_JSON_BOM_BYTES);
}

/* Column of the character at the scanner's place, from 1. */
static int column(const scanner *s)
{
    int count = 1;
    for (size_t i = s->line_start; i < s->at && i < s->length; i++) {
        count += (s->text[i] & 0xC0) != 0x80;
    }
    return count;
}

static sag_status refuse(const scanner *s, const char *hint, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static sag_status refuse(const scanner *s, const char *hint, const char *format, ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    sag_place place = {.file = s->file, .line = s->line};
    sag_report_at(s->report, SAG_ERROR, place, hint, "column %d: %s", column(s), text);
    return SAG_BAD_INPUT;
}

static int is_space(char c)
{
    return c == ' ' || c == '\t' || c == '\n' || c == '\r';
}

/* A line ends with LF, CR LF or a CR alone, as text editors count. */
static void skip_space(scanner *s)
{
    for (; s->at < s->length && is_space(s->text[s->at]); s->at++) {
        char c = s->text[s->at];
        int pair = c == '\r' && s->at + 1 < s->length && s->text[s->at + 1] == '\n';
        if (c == '\n' || (c == '\r' && !pair)) {
            s->line++;
            s->line_start = s->at + 1;
        }
    }
}

/* Length of the run of characters that JSON gives no meaning as punctuation; at least 1. */
static size_t token_length(const scanner *s)
{
    size_t end = s->at;
    while (end < s->length && !is_space(s->text[end]) && !memchr(",:[]{}\"", s->text[end], 7)) {
        end++;
    }
    return end > s->at ? end - s->at : 1;
}

typedef struct {
    char text[32];
} shown_token;

/* What stands at the scanner's place, for a message. */
static shown_token show_token(const scanner *s)
{
    shown_token shown = {""};
    size_t size = token_length(s);
    if (s->text[s->at] == '"') {
        const char *start = s->text + s->at + 1;
        size_t left = s->length - s->at - 1;
        size_t inside = 0;
        while (inside < left && start[inside] != '"' && start[inside] != '\n') {
            inside++;
        }
        size = inside + 1 + (inside < left && start[inside] == '"');
    }
    sag_text_show(shown.text, sizeof shown.text, s->text + s->at, size);
    return shown;
}

static const char *container_name(char opening)
{
    return opening == '{' ? "object" : "list";
}

static char closing_of(char opening)
{
    return opening == '{' ? '}' : ']';
}

static sag_status refuse_end(const scanner *s)
{
    if (s->depth == 0) {
        return refuse(s, "write an object in curly brackets, as {\"format\": \"...\"}",
                      "the file is empty");
    }
    bracket open = s->open[s->depth - 1];
    char hint[64];
    snprintf(hint, sizeof hint, "add the missing %c, or look for it further up",
             closing_of(open.opening));
    return refuse(s, hint, "the file ends inside the %s that opens in line %d",
                  container_name(open.opening), open.line);
}

static int starts_with(const char *token, size_t length, const char *start)
{
    size_t size = strlen(start);
    return length >= size && !memcmp(token, start, size);
}

static int is_quote(const char *token, size_t length)
{
    static const char *const quotes[] = {"'",
                                         "`",
                                         "\xE2\x80\x98",
                                         "\xE2\x80\x99",
                                         "\xE2\x80\x9C",
                                         "\xE2\x80\x9D",
                                         "\xE2\x80\x9E",
                                         "\xC2\xAB"};
    for (size_t i = 0; i < sizeof quotes / sizeof *quotes; i++) {
        if (starts_with(token, length, quotes[i])) {
            return 1;
        }
    }
    return 0;
}

/* What would be right instead of a bare word, or NULL when nothing special is known. */
static const char *hint_for_token(const char *token, size_t length)
{
    static const char *const nothings[] = {"none", "nil", "undefined", "nan", "inf", "infinity"};
    static const char *const words[] = {"true", "false", "null"};
    static const char *const right[] = {"write true in small letters",
                                        "write false in small letters",
                                        "write null in small letters"};
    char copy[16] = "";
    if (length < sizeof copy) {
        memcpy(copy, token, length);
        copy[length] = '\0';
    }
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        if (sag_value_same(copy, words[i], 1)) {
            return right[i];
        }
    }
    for (size_t i = 0; i < sizeof nothings / sizeof *nothings; i++) {
        if (sag_value_same(copy + (*copy == '-'), nothings[i], 1)) {
            return "leave the key out when it has no value";
        }
    }
    if (is_quote(token, length)) {
        return "write text in straight double quotes, as \"...\"";
    }
    if (*token == '/' || *token == '#') {
        return "JSON has no comments, take the remark out";
    }
    return NULL;
}

static int is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static size_t digits(const char *text, size_t length)
{
    size_t count = 0;
    while (count < length && is_digit(text[count])) {
        count++;
    }
    return count;
}

/* Length of the JSON number that the token begins with (RFC 8259 section 6), 0 when there is none.
 */
static size_t number_length(const char *token, size_t length)
{
    size_t at = length > 0 && token[0] == '-';
    size_t whole = digits(token + at, length - at);
    if (whole == 0 || (whole > 1 && token[at] == '0')) {
        return 0;
    }
    at += whole;
    if (at < length && token[at] == '.') {
        size_t fraction = digits(token + at + 1, length - at - 1);
        if (fraction == 0) {
            return at;
        }
        at += 1 + fraction;
    }
    if (at < length && (token[at] == 'e' || token[at] == 'E')) {
        size_t sign = at + 1 < length && (token[at + 1] == '+' || token[at + 1] == '-');
        size_t exponent = digits(token + at + 1 + sign, length - at - 1 - sign);
        at += exponent ? 1 + sign + exponent : 0;
    }
    return at;
}

static const char *hint_for_number(const char *token, size_t length)
{
    size_t sign = *token == '-' || *token == '+';
    const char *first = token + sign;
    size_t left = length - sign;
    size_t plain = digits(first, left);
    int only_digits = plain == left;
    if (*token == '+') {
        return "leave the + out";
    }
    if (left && *first == '.') {
        return "write a digit before the point, as 0.5";
    }
    if (only_digits || (left > plain && plain > 1 && *first == '0' && first[plain] == '.')) {
        return "write the number without leading zeros";
    }
    if (left == plain + 1 && first[plain] == '.') {
        return "write a digit after the point, as 5.0";
    }
    return QUANTITY_HINT;
}

static sag_status scan_number(scanner *s, const char *token, size_t length)
{
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_parts parts;
    double value;
    if (number_length(token, length) != length) {
        return refuse(s, hint_for_number(token, length), "found %s where a value is expected",
                      show_token(s).text);
    }
    if (length > LONGEST_NUMBER) {
        return refuse(s, "17 digits are all that is kept of a number",
                      "the number %s has more than 60 characters", show_token(s).text);
    }
    memcpy(clean, token, length);
    clean[length] = '\0';
    if (sag_value_split(clean, &parts) || !sag_value_number(&parts, 0, &value)) {
        return refuse(s, "a number lies between 5e-324 and 1.7e308, or is 0",
                      "the number %s is too large or too small", show_token(s).text);
    }
    s->at += length;
    return SAG_OK;
}

/* true, false, null or a number; everything else is refused. */
static sag_status scan_token(scanner *s)
{
    static const char *const words[] = {"true", "false", "null"};
    const char *token = s->text + s->at;
    size_t length = token_length(s);
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        if (length == strlen(words[i]) && !memcmp(token, words[i], length)) {
            s->at += length;
            return SAG_OK;
        }
    }
    const char *hint = hint_for_token(token, length);
    if (!hint && (is_digit(*token) || (memchr("+-.", *token, 3) && length > 1))) {
        return scan_number(s, token, length);
    }
    if (s->want == WANT_VALUE && memchr("]},", *token, 3)) {
        hint = "write the missing value, or take out the comma or colon before it";
    }
    return refuse(s, hint ? hint : QUANTITY_HINT, "found %s where a value is expected",
                  show_token(s).text);
}

/* Value of the four hexadecimal digits at `at`, -1 when they are none. */
static int hex4(const scanner *s, size_t at)
{
    int value = 0;
    if (s->length < 4 || at > s->length - 4) {
        return -1;
    }
    for (size_t i = 0; i < 4; i++) {
        char c = s->text[at + i];
        int digit = is_digit(c)            ? c - '0'
                    : c >= 'a' && c <= 'f' ? c - 'a' + 10
                    : c >= 'A' && c <= 'F' ? c - 'A' + 10
                                           : -1;
        if (digit < 0) {
            return -1;
        }
        value = value * 16 + digit;
    }
    return value;
}

/* At a backslash; moves behind the escape. Surrogates come in pairs: RFC 8259 section 7. */
static sag_status scan_escape(scanner *s)
{
    char c = s->at + 1 < s->length ? s->text[s->at + 1] : '\0';
    if (c != '\0' && strchr("\"\\/bfnrt", c)) {
        s->at += 2;
        return SAG_OK;
    }
    if (c != 'u') {
        return refuse(s, "write a backslash as \\\\",
                      "a backslash must be followed by one of \" \\ / b f n r t u");
    }
    int code = hex4(s, s->at + 2);
    if (code < 0) {
        return refuse(s, "as \\u00B5", "\\u must be followed by four hexadecimal digits");
    }
    if (code == 0) {
        return refuse(s, "take it out", "\\u0000 is not accepted in a text");
    }
    int first = code >= 0xD800 && code <= 0xDBFF;
    int second = code >= 0xDC00 && code <= 0xDFFF;
    if (first) {
        const char *next = s->text + s->at + 6;
        int low =
            s->length - s->at >= 12 && next[0] == '\\' && next[1] == 'u' ? hex4(s, s->at + 8) : -1;
        second = low < 0xDC00 || low > 0xDFFF;
        s->at += second ? 0 : 6;
    }
    if (second) {
        return refuse(s, "write the character itself",
                      "\\u%04X is half of a surrogate pair, the other half is missing",
                      (unsigned)code);
    }
    s->at += 6;
    return SAG_OK;
}

/* At an opening quote; moves behind the closing one. */
static sag_status scan_string(scanner *s)
{
    scanner start = *s;
    s->at++;
    while (s->at < s->length && s->text[s->at] != '"') {
        unsigned char c = (unsigned char)s->text[s->at];
        if (c == '\\') {
            TRY(scan_escape(s));
            continue;
        }
        if (c == '\n' || c == '\r') {
            break;
        }
        if (c < 0x20) {
            return refuse(s, c == '\t' ? "write a tab as \\t" : "take it out",
                          "a text holds the control character 0x%02X", c);
        }
        size_t step = sag_text_next(s->text + s->at, s->length - s->at, NULL);
        if (step == 0) {
            return refuse(s, "save the file as UTF-8", "the byte 0x%02X is not valid UTF-8", c);
        }
        s->at += step;
    }
    if (s->at >= s->length || s->text[s->at] != '"') {
        return refuse(&start, "close the text with a double quote in the same line",
                      "the text %s has no closing quote", show_token(&start).text);
    }
    s->at++;
    return SAG_OK;
}

static sag_status open_bracket(scanner *s, char opening)
{
    if (s->depth == SAG_JSON_MAX_DEPTH) {
        return refuse(s, "look for brackets that are never closed",
                      "lists and objects are nested deeper than 64");
    }
    s->open[s->depth++] = (bracket){opening, s->line};
    s->want = opening == '{' ? WANT_FIRST_KEY : WANT_FIRST_VALUE;
    s->at++;
    return SAG_OK;
}

static sag_status close_bracket(scanner *s)
{
    s->depth--;
    s->want = s->depth ? WANT_COMMA : WANT_END;
    s->at++;
    return SAG_OK;
}

static sag_status scan_value(scanner *s)
{
    char c = s->text[s->at];
    if (s->want == WANT_FIRST_VALUE && c == ']') {
        return close_bracket(s);
    }
    if (s->count == SAG_JSON_MAX_VALUES) {
        return refuse(s, NULL, "the file has more than %u values", SAG_JSON_MAX_VALUES);
    }
    if (!sag_grow((void **)&s->lines, &s->capacity, s->count + 1, sizeof *s->lines)) {
        return SAG_NO_MEMORY;
    }
    s->lines[s->count++] = s->line;
    if (c == '{' || c == '[') {
        return open_bracket(s, c);
    }
    TRY(c == '"' ? scan_string(s) : scan_token(s));
    s->want = s->depth ? WANT_COMMA : WANT_END;
    return SAG_OK;
}

static sag_status scan_key(scanner *s)
{
    char c = s->text[s->at];
    if (s->want == WANT_FIRST_KEY && c == '}') {
        return close_bracket(s);
    }
    if (c != '"') {
        const char *hint = c == '}' ? "take out the comma before it"
                                    : hint_for_token(s->text + s->at, token_length(s));
        return refuse(s, hint ? hint : "write keys in double quotes, as \"R1\"",
                      "found %s where a key is expected", show_token(s).text);
    }
    TRY(scan_string(s));
    s->want = WANT_COLON;
    return SAG_OK;
}

static sag_status scan_colon(scanner *s)
{
    if (s->text[s->at] != ':') {
        return refuse(s, "write a colon between key and value",
                      "found %s where a colon is expected", show_token(s).text);
    }
    s->at++;
    s->want = WANT_VALUE;
    return SAG_OK;
}

static sag_status scan_comma(scanner *s)
{
    char c = s->text[s->at];
    bracket open = s->open[s->depth - 1];
    if (c == ',') {
        s->at++;
        s->want = open.opening == '{' ? WANT_KEY : WANT_VALUE;
        return SAG_OK;
    }
    if (c == closing_of(open.opening)) {
        return close_bracket(s);
    }
    if (c == '}' || c == ']') {
        return refuse(s, "look for a bracket that is missing or one too many",
                      "found %c, but the %s that opens in line %d closes with %c", c,
                      container_name(open.opening), open.line, closing_of(open.opening));
    }
    const char *hint = hint_for_token(s->text + s->at, token_length(s));
    return refuse(s, hint ? hint : "write a comma between this and what stands before it",
                  "found %s where a comma or %c is expected", show_token(s).text,
                  closing_of(open.opening));
}

static sag_status scan_next(scanner *s)
{
    switch (s->want) {
    case WANT_VALUE:
    case WANT_FIRST_VALUE:
        return scan_value(s);
    case WANT_KEY:
    case WANT_FIRST_KEY:
        return scan_key(s);
    case WANT_COLON:
        return scan_colon(s);
    case WANT_COMMA:
        return scan_comma(s);
    case WANT_END:
        break;
    }
    return refuse(s, "a file holds one value, look for a bracket that closes too early",
                  "found %s after the end", show_token(s).text);
}

static sag_status scan_all(scanner *s)
{
    if (s->length >= 2 && (!memcmp(s->text, "\xFF\xFE", 2) || !memcmp(s->text, "\xFE\xFF", 2))) {
        return refuse(s, "save the file as UTF-8", "the file is in UTF-16");
    }
    if (sag_json_has_bom(s->text, s->length)) {
        s->at = s->line_start = SAG_JSON_BOM_BYTES;
    }
    /* Every turn moves on by at least a byte, or ends. */
    for (skip_space(s); s->at < s->length; skip_space(s)) {
        TRY(scan_next(s));
    }
    return s->want == WANT_END ? SAG_OK : refuse_end(s);
}

sag_status sag_json_scan(const char *text, size_t length, const char *file, int **lines,
                         size_t *count, sag_report *report)
{
    scanner s = {.text = text, .length = length, .line = 1, .file = file, .report = report};
    sag_status status = scan_all(&s);
    if (status != SAG_OK) {
        sag_free(s.lines);
        s.lines = NULL;
        s.count = 0;
    }
    *lines = s.lines;
    *count = s.count;
    return status;
}
