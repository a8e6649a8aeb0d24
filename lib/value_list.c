/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lists of values and levels, and the nearest word. */
#include "memory.h"
#include "value_private.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

#define MAX_VALUES   10000
#define LARGEST_END  1e300 /* of a range, so that its arithmetic stays finite */
#define LONGEST_WORD 64

/* LOW:HIGH:STEP worked out. */
typedef struct {
    double low, high, step;
    size_t count;
    int ends_on_high; /* high is a whole number of steps away */
} range;

/* NULL when the range is sound, else what is wrong with it. */
static const char *plan_range(double low, double high, double step, range *out)
{
    if (!(fabs(low) < LARGEST_END && fabs(high) < LARGEST_END && fabs(step) < LARGEST_END)) {
        return "the numbers of the range are too large";
    }
    if (!(fabs(step) > 0)) {
        return "the step of a range must not be 0";
    }
    double span = high - low;
    if (span > 0 && step < 0) {
        return "the step leads away from the end of the range, write it without the minus sign";
    }
    if (span < 0 && step > 0) {
        step = -step; /* 9V:3V:1V counts down */
    }
    double steps = span / step;
    if (!(steps < MAX_VALUES)) {
        return "the range has more than 10,000 values, write a larger step";
    }
    double nearest = round(steps);
    int whole = nearest >= 1 && fabs(steps - nearest) <= 1e-9;
    *out = (range){low, high, step, (size_t)(whole ? nearest : floor(steps)) + 1, whole};
    return NULL;
}

/* With a whole number of steps n, (low (n - i) + high i) / n is rounded less than low + i step:
 * 3V:4V:0.1V gives 3.3, not 3.3000000000000003. */
static double range_value(const range *r, size_t i)
{
    if (!r->ends_on_high) {
        return r->low + (double)i * r->step;
    }
    double n = (double)(r->count - 1);
    return (r->low * (n - (double)i) + r->high * (double)i) / n;
}

typedef struct {
    const char *text;
    size_t length;
} piece;

/* The text up to the next separator; moves *at behind it, to NULL after the last. */
static piece next_piece(const char **at, const char *end, char separator)
{
    const char *start = *at;
    const char *stop = memchr(start, separator, (size_t)(end - start));
    piece found = {start, (size_t)((stop ? stop : end) - start)};
    *at = stop ? stop + 1 : NULL;
    return found;
}

/* Splits an item at its colons; returns how many pieces there are, 4 standing for more than 3. */
static size_t split_range(piece item, piece pieces[3])
{
    size_t count = 0;
    for (const char *at = item.text; at; count++) {
        piece one = next_piece(&at, item.text + item.length, ':');
        if (count == 3) {
            return 4;
        }
        pieces[count] = one;
    }
    return count;
}

/* A list being made; is_name stays NULL in a list of plain values. */
typedef struct {
    double *values;
    unsigned char *is_name;
    size_t count, capacity, name_capacity;
    int with_names;
} value_list;

static sag_status append(value_list *list, double value, int is_name, piece item, char *problem)
{
    if (list->count >= MAX_VALUES) {
        sag_value_problem(problem, item.text, item.length, "the list has more than 10,000 values");
        return SAG_BAD_INPUT;
    }
    size_t needed = list->count + 1;
    if (!sag_grow((void **)&list->values, &list->capacity, needed, sizeof *list->values) ||
        (list->with_names &&
         !sag_grow((void **)&list->is_name, &list->name_capacity, needed, sizeof *list->is_name))) {
        return SAG_NO_MEMORY;
    }
    list->values[list->count] = value;
    if (list->with_names) {
        list->is_name[list->count] = (unsigned char)is_name;
    }
    list->count++;
    return SAG_OK;
}

static sag_status bad_range(piece item, const char *complaint, const char *example, char *problem)
{
    if (complaint) {
        sag_value_problem(problem, item.text, item.length, "%s", complaint);
    } else {
        sag_value_problem(problem, item.text, item.length,
                          "a range is written LOW:HIGH:STEP, as in %s", example);
    }
    return SAG_BAD_INPUT;
}

static sag_status empty_item(const char *text, char *problem)
{
    sag_value_problem(problem, text, strlen(text),
                      "a value is missing, write a comma between values only");
    return SAG_BAD_INPUT;
}

static int is_blank(piece item)
{
    for (size_t i = 0; i < item.length; i++) {
        if (item.text[i] != ' ' && item.text[i] != '\t') {
            return 0;
        }
    }
    return 1;
}

/* A number as it stands in a list. */
typedef struct {
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_parts parts;
} written;

static int read_written(piece item, written *out)
{
    return sag_value_clean(item.text, item.length, out->clean) == SAG_VALUE_CLEAN &&
           !sag_value_split(out->clean, &out->parts);
}

static int is_bare(const written *value)
{
    return !value->parts.letter && !*value->parts.suffix;
}

/* symbol: the unit to suggest where the value behind the comma has none; "" in a list of levels,
 * whose bare values are refused by themselves. */
static sag_status refuse_bare(piece item, const written *value, piece next, const char *symbol,
                              char *problem)
{
    written other;
    int pair = next.length > 0 && *next.text >= '0' && *next.text <= '9' &&
               read_written(next, &other) && !other.parts.letter;
    const char *unit = pair && *other.parts.suffix ? other.parts.suffix : symbol;
    if (!*unit) {
        return SAG_OK;
    }
    if (pair) { /* a single value may go without: 0.5 */
        sag_value_problem(problem, item.text, (size_t)(next.text - item.text) + next.length,
                          "a value in a list needs its unit, write %s.%s, or %s%s,%s%s",
                          value->clean, other.clean, value->clean, unit, other.clean,
                          *other.parts.suffix ? "" : symbol);
    } else {
        sag_value_problem(problem, item.text, item.length,
                          "a value in a list needs its unit, write %s%s", value->clean, unit);
    }
    return SAG_BAD_INPUT;
}

/* In a list a comma parts values, so that 9,6V would be 9 V and 6 V where a decimal comma was
 * meant: there every value, and every end of a range beside a comma, carries its unit. */
static sag_status check_units(const char *text, const char *symbol, char *problem)
{
    const char *end = text + strlen(text);
    for (const char *at = text; at;) {
        piece pieces[3];
        written value;
        piece item = next_piece(&at, end, ',');
        piece next = {end, 0};
        size_t count = split_range(item, pieces);
        if (at) {
            const char *behind = at;
            next = next_piece(&behind, end, ',');
            next.length = strcspn(next.text, ",:");
        } else if (item.text == text) {
            break; /* a single value */
        }
        piece last = count >= 1 && count <= 3 ? pieces[count - 1] : item;
        if (read_written(last, &value) && is_bare(&value)) {
            TRY(refuse_bare(last, &value, next, symbol, problem));
        }
    }
    return SAG_OK;
}

static sag_status append_values(value_list *list, piece item, sag_unit unit, char *problem)
{
    static const char example[] = "3V:9V:1V";
    piece pieces[3];
    double ends[3] = {0};
    range r;
    size_t count = split_range(item, pieces);
    if (count != 1 && count != 3) {
        return bad_range(item, NULL, example, problem);
    }
    if (count == 3 && unit == SAG_GAIN) {
        return bad_range(item, "gains have no ranges, list them one by one", example, problem);
    }
    for (size_t i = 0; i < count; i++) {
        TRY(sag_value_read(pieces[i].text, pieces[i].length, unit, &ends[i], problem));
    }
    if (count == 1) {
        return append(list, ends[0], 0, item, problem);
    }
    const char *complaint = plan_range(ends[0], ends[1], ends[2], &r);
    if (complaint) {
        return bad_range(item, complaint, example, problem);
    }
    for (size_t i = 0; i < r.count; i++) {
        TRY(append(list, range_value(&r, i), 0, item, problem));
    }
    return SAG_OK;
}

sag_status sag_value_read_list(const char *text, sag_unit unit, double **values, size_t *count,
                               char *problem)
{
    if (!text || !values || !count) {
        return SAG_BAD_ARGUMENT;
    }
    *values = NULL;
    *count = 0;
    value_list list = {0};
    const char *symbol = sag_unit_symbol(unit);
    sag_status status = *symbol ? check_units(text, symbol, problem) : SAG_OK;
    const char *end = text + strlen(text);
    for (const char *at = text; at && status == SAG_OK;) {
        piece item = next_piece(&at, end, ',');
        status =
            is_blank(item) ? empty_item(text, problem) : append_values(&list, item, unit, problem);
    }
    if (status != SAG_OK) {
        sag_free(list.values);
        return status;
    }
    *values = list.values;
    *count = list.count;
    return SAG_OK;
}

/* The step of a range in `unit`: 10dB will do for 10dBV. */
static sag_status read_step(piece item, piece step, sag_level_unit unit, double *out, char *problem)
{
    sag_level_unit found;
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_parts parts;
    int in_db = sag_level_in_db(unit) &&
                sag_value_clean(step.text, step.length, clean) == SAG_VALUE_CLEAN &&
                !sag_value_split(clean, &parts) && !parts.letter &&
                sag_value_same(parts.suffix, "dB", 0);
    if (in_db && sag_value_number(&parts, 0, out)) {
        return SAG_OK;
    }
    TRY(sag_level_number(step.text, step.length, out, &found, problem));
    if (found != unit) {
        return bad_range(item, "a range of levels needs one unit throughout", NULL, problem);
    }
    return SAG_OK;
}

static sag_status append_level_range(value_list *list, piece item, const piece pieces[3],
                                     char *problem)
{
    double low, high, step, peak;
    sag_level_unit unit, high_unit;
    range r;
    TRY(sag_level_number(pieces[0].text, pieces[0].length, &low, &unit, problem));
    TRY(sag_level_number(pieces[1].text, pieces[1].length, &high, &high_unit, problem));
    if (unit != high_unit) {
        return bad_range(item, "a range of levels needs one unit throughout", NULL, problem);
    }
    TRY(read_step(item, pieces[2], unit, &step, problem));
    const char *complaint = plan_range(low, high, step, &r);
    if (complaint) {
        return bad_range(item, complaint, NULL, problem);
    }
    for (size_t i = 0; i < r.count; i++) {
        if (!sag_level_to_peak(range_value(&r, i), unit, &peak)) {
            return sag_level_refuse(item.text, item.length, problem);
        }
        TRY(append(list, peak, 0, item, problem));
    }
    return SAG_OK;
}

typedef struct {
    const char *const *names;
    const double *peaks;
    size_t count;
} named_levels;

/* Copies an item without the spaces around it, when it is short enough to be a word. */
static int copy_word(piece item, char word[LONGEST_WORD + 1])
{
    while (item.length && (*item.text == ' ' || *item.text == '\t')) {
        item.text++;
        item.length--;
    }
    while (item.length &&
           (item.text[item.length - 1] == ' ' || item.text[item.length - 1] == '\t')) {
        item.length--;
    }
    if (item.length > LONGEST_WORD) {
        return 0;
    }
    memcpy(word, item.text, item.length);
    word[item.length] = '\0';
    return 1;
}

static sag_status append_levels(value_list *list, piece item, const named_levels *named,
                                char *problem)
{
    piece pieces[3];
    double peak;
    char word[LONGEST_WORD + 1] = "";
    size_t count = split_range(item, pieces);
    if (count == 3) {
        return append_level_range(list, item, pieces, problem);
    }
    if (count != 1) {
        return bad_range(item, NULL, "-40dBV:10dBV:10dB", problem);
    }
    if (copy_word(item, word)) {
        for (size_t i = 0; i < named->count; i++) {
            if (sag_value_same(word, named->names[i], 1)) {
                return append(list, named->peaks[i], 1, item, problem);
            }
        }
    }
    sag_status status = sag_level_read(item.text, item.length, &peak, NULL, problem);
    if (status == SAG_OK) {
        return append(list, peak, 0, item, problem);
    }
    const char *near = sag_nearest_word(word, named->names, named->count);
    if (near) {
        sag_value_problem(problem, item.text, item.length, "did you mean %s?", near);
    }
    return status;
}

sag_status sag_level_read_list(const char *text, const char *const *names, const double *name_peaks,
                               size_t name_count, double **volts_peak, unsigned char **is_name,
                               size_t *count, char *problem)
{
    if (!text || !volts_peak || !is_name || !count || (name_count && (!names || !name_peaks))) {
        return SAG_BAD_ARGUMENT;
    }
    *volts_peak = NULL;
    *is_name = NULL;
    *count = 0;
    const named_levels named = {names, name_peaks, name_count};
    value_list list = {.with_names = 1};
    sag_status status = check_units(text, "", problem);
    const char *end = text + strlen(text);
    for (const char *at = text; at && status == SAG_OK;) {
        piece item = next_piece(&at, end, ',');
        status = is_blank(item) ? empty_item(text, problem)
                                : append_levels(&list, item, &named, problem);
    }
    if (status != SAG_OK) {
        sag_free(list.values);
        sag_free(list.is_name);
        return status;
    }
    *volts_peak = list.values;
    *is_name = list.is_name;
    *count = list.count;
    return SAG_OK;
}

static char fold(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Edits that turn a into b: letters put in, left out, changed, or two neighbours swapped (optimal
 * string alignment). Both at most LONGEST_WORD long. */
static size_t edit_distance(const char *a, size_t a_length, const char *b, size_t b_length)
{
    size_t rows[3][LONGEST_WORD + 1];
    size_t *before = rows[0], *above = rows[1], *row = rows[2];
    for (size_t j = 0; j <= b_length; j++) {
        above[j] = j;
    }
    for (size_t i = 1; i <= a_length; i++) {
        row[0] = i;
        for (size_t j = 1; j <= b_length; j++) {
            char x = fold(a[i - 1]), y = fold(b[j - 1]);
            row[j] = least(least(above[j], row[j - 1]) + 1, above[j - 1] + (x != y));
            if (i > 1 && j > 1 && x == fold(b[j - 2]) && fold(a[i - 2]) == y) {
                row[j] = least(row[j], before[j - 2] + 1);
            }
        }
        size_t *spare = before;
        before = above;
        above = row;
        row = spare;
    }
    return above[b_length];
}

const char *sag_nearest_word(const char *text, const char *const *words, size_t count)
{
    const char *nearest = NULL;
    size_t length = text ? strlen(text) : 0;
    size_t distance = SIZE_MAX;
    if (length == 0 || length > LONGEST_WORD) {
        return NULL;
    }
    for (size_t i = 0; i < count; i++) {
        size_t word_length = strlen(words[i]);
        if (word_length > LONGEST_WORD) {
            continue;
        }
        size_t found = edit_distance(text, length, words[i], word_length);
        if (found < distance && 3 * found <= word_length) {
            distance = found;
            nearest = words[i];
        }
    }
    return nearest;
}
