/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "level_list.h"

#include "label.h"
#include "message.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static const double least_vpk = 1e-6, most_vpk = 1e3;

/* The name that the next item given by name stands for; *text moves behind it. The reader of the
 * list has accepted every item, so the items that are names come in the order of the values that
 * are. */
static const char *next_name(const sag_design *design, const char **text)
{
    while (**text) {
        const char *item = *text + strspn(*text, " ");
        size_t length = strcspn(item, ",");
        *text = item + length + (item[length] == ',');
        while (length > 0 && item[length - 1] == ' ') {
            length--;
        }
        for (size_t i = 0; i < SAG_PLAYING_LEVELS; i++) {
            const char *name = design->playing[i].name;
            if (strlen(name) == length && !strncasecmp(name, item, length)) {
                return name;
            }
        }
    }
    return NULL;
}

static int rising(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

/* Sorts the levels for computing and notes where each went. */
static int sort_levels(level_list *list)
{
    list->rising_vpk = sag_new(list->count, sizeof *list->rising_vpk);
    list->place = sag_new(list->count, sizeof *list->place);
    if (!list->rising_vpk || !list->place) {
        return 0;
    }
    memcpy(list->rising_vpk, list->vpk, list->count * sizeof *list->vpk);
    qsort(list->rising_vpk, list->count, sizeof *list->rising_vpk, rising);
    for (size_t i = 0; i < list->count; i++) {
        if (i == 0 || list->rising_vpk[i] > list->rising_vpk[list->rising_count - 1]) {
            list->rising_vpk[list->rising_count++] = list->rising_vpk[i];
        }
    }
    for (size_t i = 0; i < list->count; i++) {
        while (list->rising_vpk[list->place[i]] < list->vpk[i]) {
            list->place[i]++;
        }
    }
    return 1;
}

int level_list_read(level_list *list, const session *s)
{
    const sag_design *design = s->designs[0];
    const char *command = s->options->command->name;
    const char *words[SAG_PLAYING_LEVELS];
    double peaks[SAG_PLAYING_LEVELS];
    unsigned char *is_name = NULL;
    char problem[SAG_PROBLEM_SIZE] = "";
    memset(list, 0, sizeof *list);
    for (size_t i = 0; i < SAG_PLAYING_LEVELS; i++) {
        words[i] = design->playing[i].name;
        peaks[i] = design->playing[i].vpk;
    }
    sag_status status = sag_level_read_list(s->options->level, words, peaks, SAG_PLAYING_LEVELS,
                                            &list->vpk, &is_name, &list->count, problem);
    if (status != SAG_OK) {
        list->count = 0;
        if (status == SAG_BAD_INPUT) {
            message_misuse(command, "--level: %s", problem);
            return EXIT_MISUSE;
        }
        return session_no_memory();
    }
    const char *text = s->options->level;
    list->names = sag_new(list->count, sizeof *list->names);
    int done = EXIT_DONE;
    for (size_t i = 0; i < list->count && list->names; i++) {
        list->names[i] = is_name[i] ? next_name(design, &text) : NULL;
        if (!(list->vpk[i] >= least_vpk && list->vpk[i] <= most_vpk) && done == EXIT_DONE) {
            message_misuse(command, "--level: %.6g Vpk is not computed: give 1uVpk to 1kVpk",
                           list->vpk[i]);
            done = EXIT_MISUSE;
        }
    }
    sag_free(is_name);
    return list->names && sort_levels(list) ? done : session_no_memory();
}

void level_list_free(level_list *list)
{
    sag_free(list->vpk);
    sag_free((void *)list->names);
    sag_free(list->place);
    sag_free(list->rising_vpk);
}

const char *level_list_dbv(char *buffer, double vpk)
{
    double dbv = sag_level_dbv(vpk);
    double rounded = round(10 * dbv) / 10;
    int whole = fabs(rounded - round(rounded)) < 0.05;
    snprintf(buffer, LABEL_SIZE, "%+.*f", whole ? 0 : 1, rounded);
    if (!strcmp(buffer, "-0") || !strcmp(buffer, "+0")) {
        snprintf(buffer, LABEL_SIZE, "0");
    }
    return buffer;
}
