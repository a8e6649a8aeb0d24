/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "session_design.h"

#include "message.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

enum { MOST_SETTINGS = 1000 };

/* A status of the library as an exit status; findings are printed by session_close. */
static int exit_of(sag_status status)
{
    if (status == SAG_OK) {
        return EXIT_DONE;
    }
    return status == SAG_BAD_INPUT ? EXIT_MISUSE : session_no_memory();
}

/* The index of the control with this name (length bytes; case and spaces around it ignored); the
 * number of controls when there is none. */
static size_t find_control(const sag_design *design, const char *name, size_t length)
{
    size_t at = 0;
    while (length && *name == ' ') {
        name++;
        length--;
    }
    while (length && name[length - 1] == ' ') {
        length--;
    }
    while (at < design->control_count && !(strlen(design->controls[at].name) == length &&
                                           !strncasecmp(design->controls[at].name, name, length))) {
        at++;
    }
    return at;
}

/* The settings of one --set, as assignments. */
static int make_items(session_axis *axis, const sag_control *control, const double *values,
                      size_t count)
{
    axis->items = sag_new(count, sizeof *axis->items);
    for (size_t i = 0; axis->items && i < count; i++) {
        char item[256];
        snprintf(item, sizeof item, control->is_switch ? "%.200s=%.15g" : "%.200s=%.15g%%",
                 control->name, control->is_switch ? values[i] : 100 * values[i]);
        axis->items[i] = sag_copy_text(item, strlen(item));
        if (!axis->items[i]) {
            return session_no_memory();
        }
        axis->count++;
    }
    return axis->items ? EXIT_DONE : session_no_memory();
}

/* Reads one --set into the next axis and tries each of its settings. */
static int read_axis(session *s, const char *text)
{
    const char *command = s->options->command->name;
    sag_design *design = s->designs[0];
    session_axis *axis = &s->axes[s->axis_count];
    const char *equals = strchr(text, '=');
    if (!equals || equals == text || !equals[1] || equals - text > 100) {
        message_misuse(command,
                       "--set: \"%.80s\" is no setting: write CONTROL=SETTING, as bass=30%%", text);
        return EXIT_MISUSE;
    }
    if (strchr(equals + 1, '=')) {
        message_misuse(command, "--set: \"%.80s\" moves more than one control: give --set for each",
                       text);
        return EXIT_MISUSE;
    }
    axis->control = find_control(design, text, (size_t)(equals - text));
    if (axis->control == design->control_count) {
        return exit_of(sag_design_set(design, text, s->report)); /* says so */
    }
    const sag_control *control = &design->controls[axis->control];
    for (size_t i = 0; i < s->axis_count; i++) {
        if (s->axes[i].control == axis->control) {
            message_misuse(command, "--set moves %.80s twice: write a list, as %.80s=0%%,100%%",
                           control->name, control->name);
            return EXIT_MISUSE;
        }
    }
    char problem[SAG_PROBLEM_SIZE];
    double *values = NULL;
    size_t count = 0;
    sag_status read = sag_value_read_list(equals + 1, control->is_switch ? SAG_COUNT : SAG_RATIO,
                                          &values, &count, problem);
    if (read != SAG_OK) {
        if (read != SAG_BAD_INPUT) {
            return session_no_memory();
        }
        message_misuse(command, "--set %.80s: %s", control->name, problem);
        return EXIT_MISUSE;
    }
    s->axis_count++;
    int status = make_items(axis, control, values, count);
    for (size_t i = 0; i < axis->count && status == EXIT_DONE; i++) {
        status = exit_of(sag_design_set(design, axis->items[i], s->report));
    }
    sag_free(values);
    return status;
}

static int read_axes(session *s)
{
    const options *o = s->options;
    s->axes = sag_new(o->set_count, sizeof *s->axes);
    if (!s->axes) {
        return session_no_memory();
    }
    for (size_t i = 0; i < o->set_count; i++) {
        int status = read_axis(s, o->sets[i]);
        if (status != EXIT_DONE) {
            return status;
        }
    }
    size_t settings = 1;
    for (size_t i = s->axis_count; i-- > 0;) {
        s->axes[i].stride = settings;
        settings *= s->axes[i].count;
        if (settings > MOST_SETTINGS) {
            message_misuse(o->command->name, "--set: more than %d combinations of settings",
                           MOST_SETTINGS);
            return EXIT_MISUSE;
        }
    }
    s->setting_count = settings;
    return EXIT_DONE;
}

/* Reads the design once more and applies every --change; report is NULL for all but the first. */
static int read_design(session *s, sag_design **out, sag_report *report)
{
    const options *o = s->options;
    int status = exit_of(
        sag_design_read(s->text, s->text_length, o->argument, &s->folders.path, out, report));
    for (size_t i = 0; i < o->change_count && status == EXIT_DONE; i++) {
        status = exit_of(sag_design_change(*out, o->changes[i], report));
    }
    return status;
}

/* Settings of every axis for design number `setting`. */
static int apply_settings(session *s, size_t setting)
{
    for (size_t i = 0; i < s->axis_count; i++) {
        const session_axis *axis = &s->axes[i];
        const char *item = axis->items[setting / axis->stride % axis->count];
        int status = exit_of(sag_design_set(s->designs[setting], item, NULL));
        if (status != EXIT_DONE) {
            return status;
        }
    }
    return EXIT_DONE;
}

int session_read_designs(session *s)
{
    sag_design *first = NULL;
    int status = exit_of(sag_json_load(s->options->argument, &s->text, &s->text_length, s->report));
    if (status == EXIT_DONE) {
        status = read_design(s, &first, s->report);
    }
    if (status == EXIT_DONE) {
        s->designs = &first; /* the axes are tried on it before their number is known */
        status = read_axes(s);
        s->designs = NULL;
    }
    if (status == EXIT_DONE) {
        s->designs = sag_new(s->setting_count, sizeof *s->designs);
    }
    if (!s->designs) {
        s->setting_count = 0;
        sag_design_free(first);
        return status == EXIT_DONE ? session_no_memory() : status;
    }
    s->designs[0] = first;
    for (size_t i = 0; i < s->setting_count && status == EXIT_DONE; i++) {
        status = i == 0 ? EXIT_DONE : read_design(s, &s->designs[i], NULL);
        if (status == EXIT_DONE) {
            status = apply_settings(s, i);
        }
    }
    return status;
}

void session_free_designs(session *s)
{
    for (size_t i = 0; i < s->axis_count; i++) {
        for (size_t k = 0; k < s->axes[i].count; k++) {
            sag_free(s->axes[i].items[k]);
        }
        sag_free((void *)s->axes[i].items);
    }
    sag_free(s->axes);
    for (size_t i = 0; i < s->setting_count; i++) {
        sag_design_free(s->designs[i]);
    }
    sag_free((void *)s->designs);
    sag_free(s->text);
}
