/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "design.h"

#include "design_private.h"
#include "memory.h"
#include "text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void sag_design_free(sag_design *design)
{
    if (!design) {
        return;
    }
    sag_free((void *)design->file);
    sag_free((void *)design->title);
    for (size_t i = 0; i < design->note_count; i++) {
        sag_free(design->notes[i]);
    }
    sag_free(design->notes);
    for (size_t i = 0; i < design->node_count; i++) {
        sag_free(design->nodes[i]);
    }
    sag_free(design->nodes);
    for (size_t i = 0; i < design->part_count; i++) {
        sag_free((void *)design->parts[i].designator);
    }
    sag_free(design->parts);
    for (size_t i = 0; i < design->package_count; i++) {
        sag_free((void *)design->packages[i].name);
    }
    sag_free(design->packages);
    for (size_t i = 0; i < design->control_count; i++) {
        sag_free((void *)design->controls[i].name);
    }
    sag_free(design->controls);
    sag_free(design->inputs);
    sag_model_library_free(design->library);
    sag_free(design->folder);
    sag_free(design);
}

const char *sag_part_kind_name(sag_part_kind kind)
{
    static const char *const names[] = {
        [SAG_RESISTOR] = "resistor", [SAG_CAPACITOR] = "capacitor", [SAG_INDUCTOR] = "inductor",
        [SAG_POT] = "pot",           [SAG_OPAMP] = "opamp",         [SAG_DIODE] = "diode",
        [SAG_VOLTAGE] = "voltage",   [SAG_SWITCH] = "switch",
    };
    return names[kind];
}

int sag_part_value_range(sag_part_kind kind, sag_part_range *range)
{
    static const sag_part_range ranges[] = {
        [SAG_RESISTOR] = {SAG_OHM, 0, 1e12, 0.1, 1e9},
        [SAG_CAPACITOR] = {SAG_FARAD, 1e-15, 10, 1e-12, 10e-3},
        [SAG_INDUCTOR] = {SAG_HENRY, 1e-9, 1e4, 1e-6, 100},
        [SAG_POT] = {SAG_OHM, 10, 1e9, 100, 10e6},
        [SAG_VOLTAGE] = {SAG_VOLT, -100, 100, -100, 100},
    };
    if (kind == SAG_OPAMP || kind == SAG_DIODE || kind == SAG_SWITCH) {
        return 0;
    }
    *range = ranges[kind];
    return 1;
}

int sag_part_value_unusual(sag_part_kind kind, double value, char *text, char *hint)
{
    sag_part_range range;
    char shown[32], low[32], high[32];
    int link = kind == SAG_RESISTOR && value <= 0;
    if (!sag_part_value_range(kind, &range) || link ||
        (value >= range.usual_low && value <= range.usual_high)) {
        return 0;
    }
    snprintf(text, SAG_HINT_SIZE, "%s is unusual for %s %s",
             sag_value_print(shown, sizeof shown, value, range.unit, 3),
             kind == SAG_INDUCTOR ? "an" : "a", sag_part_kind_name(kind));
    snprintf(hint, SAG_HINT_SIZE, "most have %s to %s; m is milli, M is mega",
             sag_value_print(low, sizeof low, range.usual_low, range.unit, 3),
             sag_value_print(high, sizeof high, range.usual_high, range.unit, 3));
    return 1;
}

const sag_part *sag_design_part(const sag_design *design, const char *designator)
{
    for (size_t i = 0; i < design->part_count; i++) {
        if (sag_same_word(design->parts[i].designator, designator)) {
            return &design->parts[i];
        }
    }
    return NULL;
}

size_t sag_package_name_length(const char *designator)
{
    size_t length = strlen(designator);
    int has_unit = length > 0 && (designator[length - 1] < '0' || designator[length - 1] > '9');
    return length - (size_t)has_unit;
}

/* Two straight segments: 0 -> middle at half rotation -> 1. */
static double audio_share(double middle, double setting)
{
    return setting <= 0.5 ? 2 * middle * setting : middle + (1 - middle) * (2 * setting - 1);
}

double sag_taper_share(sag_taper taper, double middle, double setting)
{
    double s = setting > 0 ? (setting < 1 ? setting : 1) : 0;
    switch (taper) {
    case SAG_TAPER_AUDIO:
        return audio_share(middle, s);
    case SAG_TAPER_REVERSE_AUDIO:
        return 1 - audio_share(middle, 1 - s);
    case SAG_TAPER_BLEND:
        return s <= 0.5 ? 0 : 2 * s - 1;
    case SAG_TAPER_LINEAR:
        break;
    }
    return s;
}

/* Where the capacitance of a load begins: the first + that is not the sign of a number or of its
 * exponent. */
static size_t find_plus(const char *text, size_t length)
{
    size_t at = 0;
    while (at < length && text[at] == ' ') {
        at++;
    }
    for (at++; at < length; at++) {
        if (text[at] == '+' && text[at - 1] != 'e' && text[at - 1] != 'E') {
            return at;
        }
    }
    return length;
}

static void trim(const char **text, size_t *length)
{
    while (*length && (*text)[0] == ' ') {
        (*text)++;
        (*length)--;
    }
    while (*length && (*text)[*length - 1] == ' ') {
        (*length)--;
    }
}

/* Words for usual loads. common practice: an amplifier's instrument input, an effects pedal's
 * input, a line input. */
static int read_load_word(const char *text, size_t length, double *ohm)
{
    static const struct {
        const char *word;
        double ohm;
    } loads[] = {{"none", (double)INFINITY}, {"amp", 1e6}, {"pedal", 100e3}, {"line", 10e3}};
    char word[8];
    if (length >= sizeof word) {
        return 0;
    }
    memcpy(word, text, length);
    word[length] = '\0';
    for (size_t i = 0; i < sizeof loads / sizeof *loads; i++) {
        if (sag_same_word(word, loads[i].word)) {
            *ohm = loads[i].ohm;
            return 1;
        }
    }
    return 0;
}

sag_status sag_load_read(const char *text, size_t length, double *ohm, double *farad, char *problem)
{
    char unused[SAG_PROBLEM_SIZE], shown[SAG_EXCERPT_SIZE];
    char *says = problem ? problem : unused;
    double found_ohm = 0, found_farad = 0;
    size_t plus = find_plus(text, length);
    const char *left = text, *right = plus < length ? text + plus + 1 : NULL;
    size_t left_length = plus, right_length = plus < length ? length - plus - 1 : 0;
    trim(&left, &left_length);
    if (!read_load_word(left, left_length, &found_ohm) &&
        (sag_value_read(left, left_length, SAG_OHM, &found_ohm, NULL) != SAG_OK ||
         !(found_ohm >= 1 && found_ohm <= 1e12))) {
        snprintf(
            says, SAG_PROBLEM_SIZE,
            "found \"%s\": a load is a resistance from 1 ohm up, or none, amp, pedal or line, and "
            "may add a capacitance, as in 1M + 500p",
            sag_text_show(shown, sizeof shown, text, length));
        return SAG_BAD_INPUT;
    }
    if (right) {
        trim(&right, &right_length);
        TRY(sag_value_read(right, right_length, SAG_FARAD, &found_farad, says));
        if (!(found_farad >= 0 && found_farad <= 1e-3)) {
            snprintf(says, SAG_PROBLEM_SIZE,
                     "found \"%s\": the capacitance of a load lies between 0 and 1 mF%s",
                     sag_text_show(shown, sizeof shown, text, length),
                     found_farad > 1 ? "; a number alone is in farad, write 500p for 500 pF" : "");
            return SAG_BAD_INPUT;
        }
    }
    *ohm = found_ohm;
    *farad = found_farad;
    return SAG_OK;
}

static sag_status report_unknown_control(const sag_design *design, sag_place place,
                                         const char *name, sag_report *report)
{
    const char *names[SAG_MAX_CONTROLS];
    char hint[SAG_HINT_SIZE], all[SAG_HINT_SIZE] = "the controls are ";
    size_t used = strlen(all);
    for (size_t i = 0; i < design->control_count; i++) {
        names[i] = design->controls[i].name;
        if (used + 2 * SAG_NAME_MAX < sizeof all) {
            used +=
                (size_t)snprintf(all + used, sizeof all - used, "%s%s", i ? ", " : "", names[i]);
        }
    }
    sag_report_at(report, SAG_ERROR, place,
                  sag_read_hint(hint, name, names, design->control_count,
                                design->control_count ? all : "this design has no controls"),
                  "there is no control \"%s\"", name);
    return SAG_BAD_INPUT;
}

static sag_status set_control(sag_control *control, sag_place place, const char *text,
                              sag_report *report)
{
    char problem[SAG_PROBLEM_SIZE];
    double setting;
    sag_unit unit = control->is_switch ? SAG_COUNT : SAG_RATIO;
    double low = control->is_switch ? 1 : 0;
    double high = control->is_switch ? control->throw_count : 1;
    if (sag_value_read(text, strlen(text), unit, &setting, problem) != SAG_OK) {
        sag_report_at(report, SAG_ERROR, place, NULL, "%s", problem);
        return SAG_BAD_INPUT;
    }
    if (!(setting >= low && setting <= high)) {
        if (control->is_switch) {
            sag_report_at(report, SAG_ERROR, place, NULL,
                          "the switch %s has throws 1 to %d, not %.0f", control->name,
                          control->throw_count, setting);
        } else {
            char hint[SAG_HINT_SIZE]; /* a ratio of 50 was meant as 50 % */
            snprintf(hint, sizeof hint, "write %.40s=%g%%", control->name, setting);
            sag_report_at(report, SAG_ERROR, place, setting > 10 && setting <= 100 ? hint : NULL,
                          "the control %s goes from 0%% to 100%%, not to %g%%", control->name,
                          100 * setting);
        }
        return SAG_BAD_INPUT;
    }
    control->setting = setting;
    return SAG_OK;
}

sag_status sag_design_set(sag_design *design, const char *assignment, sag_report *report)
{
    char shown[SAG_EXCERPT_SIZE], name[SAG_NAME_MAX + 1];
    const char *equals = strchr(assignment, '=');
    sag_place place = {.file = sag_read_excerpt(shown, assignment)};
    const char *start = assignment;
    size_t length = equals ? (size_t)(equals - assignment) : 0;
    trim(&start, &length);
    if (!equals || length == 0 || length > SAG_NAME_MAX) {
        sag_report_at(report, SAG_ERROR, place, "write a control and its setting, as in bass=30%",
                      "this sets no control");
        return SAG_BAD_INPUT;
    }
    memcpy(name, start, length);
    name[length] = '\0';
    for (size_t i = 0; i < design->control_count; i++) {
        if (sag_same_word(design->controls[i].name, name)) {
            return set_control(&design->controls[i], place, equals + 1, report);
        }
    }
    char clean[SAG_EXCERPT_SIZE];
    return report_unknown_control(design, place, sag_read_excerpt(clean, name), report);
}
