/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "label.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static void append(char *buffer, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void append(char *buffer, const char *format, ...)
{
    size_t used = strlen(buffer);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(buffer + used, LABEL_SIZE - used, format, arguments);
    va_end(arguments);
}

const char *label_value(char *buffer, double value, sag_unit unit)
{
    return sag_value_print(buffer, LABEL_SIZE, value, unit, 3);
}

const char *label_precise(char *buffer, double value, sag_unit unit)
{
    return sag_value_print(buffer, LABEL_SIZE, value, unit, 4);
}

const char *label_supply(char *buffer, const session *s, const session_case *c)
{
    label_value(buffer, c->supply_v, SAG_VOLT);
    if (s->options->stiff) {
        append(buffer, " bench supply");
    } else if (c->supply.batteries > 1) {
        char each[LABEL_SIZE];
        append(buffer, " (%d x %s)", c->supply.batteries,
               label_value(each, c->supply_v / c->supply.batteries, SAG_VOLT));
    }
    return buffer;
}

static void append_control(char *buffer, const sag_control *control)
{
    if (control->is_switch) {
        append(buffer, "%.60s %.0f", control->name, control->setting);
    } else {
        append(buffer, "%.60s %.3g %%", control->name, 100 * control->setting);
    }
}

const char *label_controls(char *buffer, const session *s, size_t setting)
{
    const sag_design *design = s->designs[setting];
    buffer[0] = '\0';
    for (size_t i = 0; i < design->control_count; i++) {
        append(buffer, "%s", i > 0 ? ", " : "");
        append_control(buffer, &design->controls[i]);
    }
    return buffer;
}

const char *label_axis(char *buffer, const session *s, const session_axis *axis, size_t setting)
{
    buffer[0] = '\0';
    append_control(buffer, &s->designs[setting]->controls[axis->control]);
    return buffer;
}

const char *label_family(char *buffer, const session *s, size_t setting)
{
    buffer[0] = '\0';
    for (size_t i = 0; i < s->axis_count; i++) {
        if (s->axes[i].count > 1) {
            append(buffer, "%s", *buffer ? ", " : "");
            append_control(buffer, &s->designs[setting]->controls[s->axes[i].control]);
        }
    }
    return buffer;
}

const char *label_limit(char *buffer, const session *s, sag_limit limit)
{
    if (limit.kind == SAG_LIMIT_NONE || limit.opamp < 0 || (size_t)limit.opamp >= s->opamp_count) {
        return NULL;
    }
    buffer[0] = '\0';
    append(buffer, "%.60s %s", s->opamps[limit.opamp]->designator, sag_limit_name(limit.kind));
    return buffer;
}

const char *label_marks(char *buffer, unsigned marks, const char *separator)
{
    buffer[0] = '\0';
    for (int i = 0; i < SAG_MARK_COUNT; i++) {
        if (marks & 1u << i) {
            append(buffer, "%s%s", *buffer ? separator : "", sag_mark_text((sag_mark)(1u << i)));
        }
    }
    return buffer;
}

const char *label_load(char *buffer, double ohm, double farad)
{
    char part[LABEL_SIZE];
    buffer[0] = '\0';
    if (isfinite(ohm)) {
        append(buffer, "%s", label_value(part, ohm, SAG_OHM));
    }
    if (farad > 0) {
        append(buffer, "%s%s", *buffer ? " + " : "", label_value(part, farad, SAG_FARAD));
    }
    if (!*buffer) {
        append(buffer, "no load");
    }
    return buffer;
}

const char *label_number(char *buffer, double value, int decimals)
{
    if (!isfinite(value)) {
        snprintf(buffer, LABEL_SIZE, "-");
        return buffer;
    }
    double least = 0.5 * pow(10, -decimals);
    snprintf(buffer, LABEL_SIZE, "%.*f", decimals, fabs(value) < least ? 0.0 : value);
    return buffer;
}

const char *label_db(char *buffer, double db)
{
    char digits[LABEL_SIZE];
    label_number(digits, db, 1);
    int plus = digits[0] != '-' && strcmp(digits, "0.0") != 0;
    snprintf(buffer, LABEL_SIZE, "%s%.64s", plus ? "+" : "", digits);
    return buffer;
}

/* Two significant digits, never in the form 1e-05. */
static void print_percent(char *buffer, double percent)
{
    int decimals = percent > 0 ? 1 - (int)floor(log10(percent)) : 0;
    decimals = decimals < 0 ? 0 : decimals > 6 ? 6 : decimals;
    snprintf(buffer, LABEL_SIZE, "%.*f", decimals, percent);
    if (strchr(buffer, '.')) {
        size_t length = strlen(buffer);
        while (buffer[length - 1] == '0') {
            buffer[--length] = '\0';
        }
        if (buffer[length - 1] == '.') {
            buffer[length - 1] = '\0';
        }
    }
}

const char *label_thd(char *buffer, double ratio, double floor_ratio)
{
    if (!isfinite(ratio)) {
        snprintf(buffer, LABEL_SIZE, "-");
    } else if (isfinite(floor_ratio) && ratio < floor_ratio) {
        char digits[LABEL_SIZE];
        print_percent(digits, 100 * floor_ratio);
        snprintf(buffer, LABEL_SIZE, "< %.32s", digits);
    } else {
        print_percent(buffer, 100 * ratio);
    }
    return buffer;
}

void label_list(char *buffer, const char *item, size_t index, size_t count)
{
    if (index == 0) {
        buffer[0] = '\0';
    }
    append(buffer, "%s%s", index == 0 ? "" : index + 1 == count ? " and " : ", ", item);
}
