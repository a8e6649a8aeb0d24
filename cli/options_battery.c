/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options_battery.c - readers of the options of battery. */
#include "memory.h"
#include "options_read.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static const double least_v = 0.01, most_v = 100;
enum { MOST_IN_SERIES = 20 };

#define SHOWN "%.80s" /* text of a user, cut so that the sentence always fits */

sag_status options_read_battery(options *o, const char *text, char *problem)
{
    int length = snprintf(o->battery, sizeof o->battery, "supply.battery=%s", text);
    if (!*text || length >= (int)sizeof o->battery) {
        snprintf(problem, SAG_PROBLEM_SIZE, "\"" SHOWN "\" is no name of a battery model: as 6lr61",
                 text);
        return SAG_BAD_INPUT;
    }
    o->changes[o->change_count++] = o->battery;
    return SAG_OK;
}

sag_status options_read_in_series(options *o, const char *text, char *problem)
{
    double *values = NULL;
    size_t count = 0;
    TRY(sag_value_read_list(text, SAG_COUNT, &values, &count, problem));
    sag_status status = SAG_OK;
    for (size_t i = 0; i < count && status == SAG_OK; i++) {
        if (!(values[i] >= 1 && values[i] <= MOST_IN_SERIES)) {
            snprintf(problem, SAG_PROBLEM_SIZE, "%.6g batteries in series: give 1 to %d", values[i],
                     MOST_IN_SERIES);
            status = SAG_BAD_INPUT;
        } else if (i > 0 && values[i] <= values[i - 1]) {
            snprintf(problem, SAG_PROBLEM_SIZE, "\"" SHOWN "\" does not rise: write 1,2", text);
            status = SAG_BAD_INPUT;
        } else if (i >= MAX_IN_SERIES) {
            snprintf(problem, SAG_PROBLEM_SIZE, "more than %d of them at a time", MAX_IN_SERIES);
            status = SAG_BAD_INPUT;
        } else {
            o->in_series[o->in_series_count++] = (int)values[i];
        }
    }
    sag_free(values);
    return status;
}

/* "2h/day", "90min/d", "10h/week": a share of the time. */
static sag_status read_duty(const char *text, size_t length, double *share, char *problem)
{
    static const struct {
        const char *name;
        double seconds;
    } spans[] = {{"day", 86400}, {"d", 86400}, {"week", 7 * 86400.0}, {"w", 7 * 86400.0}};
    char copy[DUTY_SIZE];
    snprintf(copy, sizeof copy, "%.*s", (int)length, text);
    char *slash = strchr(copy, '/');
    double seconds = 0, span_s = 0;
    for (size_t i = 0; slash && i < sizeof spans / sizeof spans[0]; i++) {
        if (!strcasecmp(slash + 1, spans[i].name)) {
            span_s = spans[i].seconds;
        }
    }
    if (length >= DUTY_SIZE || !(span_s > 0)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"%.*s\" does not say how long the cable is in: write 2h/day or 10h/week",
                 (int)(length < 80 ? length : 80), text);
        return SAG_BAD_INPUT;
    }
    size_t digits = (size_t)(slash - copy);
    if (strspn(copy, "0123456789.") == digits) { /* a bare number would be seconds */
        snprintf(problem, SAG_PROBLEM_SIZE, "\"%.*s\" has no unit of time: write 2h/day",
                 (int)length, text);
        return SAG_BAD_INPUT;
    }
    TRY(sag_value_read(copy, digits, SAG_SECOND, &seconds, problem));
    if (!(seconds >= 1 && seconds <= span_s * (1 + 1e-9))) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"%.*s\" is not possible: more than nothing, and at most all the time",
                 (int)length, text);
        return SAG_BAD_INPUT;
    }
    *share = fmin(seconds / span_s, 1);
    return SAG_OK;
}

sag_status options_read_plugged_in(options *o, const char *text, char *problem)
{
    o->duty_count = 0;
    for (const char *item = text;;) {
        item += strspn(item, " ");
        size_t length = strcspn(item, ",");
        const char *next = item + length;
        while (length > 0 && item[length - 1] == ' ') {
            length--;
        }
        if (o->duty_count == MAX_DUTIES) {
            snprintf(problem, SAG_PROBLEM_SIZE, "more than %d of them at a time", MAX_DUTIES);
            return SAG_BAD_INPUT;
        }
        TRY(read_duty(item, length, &o->plugged_in[o->duty_count], problem));
        char *duty = o->duty[o->duty_count];
        snprintf(duty, DUTY_SIZE, "%.*s", (int)length, item);
        for (size_t i = 0; i < o->duty_count; i++) {
            if (!strcmp(duty, o->duty[i])) {
                snprintf(problem, SAG_PROBLEM_SIZE, "\"" SHOWN "\" stands twice", duty);
                return SAG_BAD_INPUT;
            }
        }
        o->duty_count++;
        if (!*next) {
            return SAG_OK;
        }
        item = next + 1;
    }
}

static sag_status read_voltage(const char *text, double *out, char *problem)
{
    double value = 0;
    TRY(sag_value_read(text, strlen(text), SAG_VOLT, &value, problem));
    if (!(value >= least_v && value <= most_v)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "%.6g V is no terminal voltage of a battery: give one as 6.2V", value);
        return SAG_BAD_INPUT;
    }
    *out = value;
    return SAG_OK;
}

sag_status options_read_until(options *o, const char *text, char *problem)
{
    return read_voltage(text, &o->until_v, problem);
}

sag_status options_read_replace_at(options *o, const char *text, char *problem)
{
    return read_voltage(text, &o->replace_at_v, problem);
}

/* One LEVEL:MARGIN, as "hard:-3dB". */
static sag_status read_margin(options *o, const char *item, size_t length, char *problem)
{
    static const char *const levels[SAG_PLAYING_LEVELS] = {"soft", "normal", "hard", "extreme"};
    const char *colon = memchr(item, ':', length);
    size_t name = colon ? (size_t)(colon - item) : length, level = 0;
    while (level < SAG_PLAYING_LEVELS &&
           !(strlen(levels[level]) == name && !strncasecmp(levels[level], item, name))) {
        level++;
    }
    size_t rest = colon ? length - name - 1 : 0;
    int in_db = rest > 2 && !strncasecmp(colon + rest - 1, "dB", 2);
    if (level == SAG_PLAYING_LEVELS || !in_db) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"%.*s\" is no margin over a playing level: write soft, normal, hard or extreme, "
                 "a colon and dB, as hard:-3dB",
                 (int)(length < 80 ? length : 80), item);
        return SAG_BAD_INPUT;
    }
    double ratio = 0;
    TRY(sag_value_read(colon + 1, rest, SAG_GAIN, &ratio, problem));
    o->replace_margin_db[level] = 20 * log10(ratio);
    if (!(fabs(o->replace_margin_db[level]) <= 100)) {
        snprintf(problem, SAG_PROBLEM_SIZE, "a margin of %.6g dB: give -100dB to 100dB",
                 o->replace_margin_db[level]);
        return SAG_BAD_INPUT;
    }
    return SAG_OK;
}

sag_status options_read_replace_margin(options *o, const char *text, char *problem)
{
    for (const char *item = text;;) {
        size_t length = strcspn(item, ",");
        TRY(read_margin(o, item, length, problem));
        item += length;
        if (!*item) {
            return SAG_OK;
        }
        item++;
    }
}
