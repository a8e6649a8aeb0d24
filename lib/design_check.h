/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design_check.h - the state that the checks of a design share. Private to design_check*.c. */
#ifndef RAILSAG_DESIGN_CHECK_H
#define RAILSAG_DESIGN_CHECK_H

#include "design_private.h"

/* A control whose setting decides what is connected. */
typedef struct {
    size_t control;
    int count;
    double positions[SAG_MAX_THROWS];
} sag_mover;

typedef struct {
    const sag_design *design;
    const char *option; /* named in findings instead of the file; NULL: none */
    sag_report *report;
    size_t errors, hints;
    char path[2 * SAG_NAME_MAX];
    int *uses; /* of each node: pins, and ends of supply, input and output */
    int *parent, *from, *queue;
    sag_link *links, *tree;
    double *settings;
    sag_mover *movers;
    size_t mover_count;
    char *node_reported, *piezo_reported, *output_reported;
    char *loop_reported; /* of each part, then of the supply and of the input */
} sag_check;

/* Reports an error and counts it. */
void sag_check_error(sag_check *c, sag_place place, const char *hint, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* A place with the path of.name; it holds until the next one is made. */
sag_place sag_check_place(sag_check *c, int line, const char *of, const char *name);
sag_place sag_check_place_of(sag_check *c, const sag_part *part);
sag_place sag_check_place_of_node(sag_check *c, int node); /* its first use */

/* Adds a word to a list of `total` words, `count` of which are in `list`; beyond its size it says
 * how many more there are. */
#define SAG_CHECK_LIST_SIZE 240
void sag_check_list_word(char *list, size_t *count, size_t total, const char *word);
/* "R1, C2 and U1A": the parts on a node. */
void sag_check_list_parts(const sag_check *c, int node, char *list);

/* design_check_settings.c: what depends on the settings of switches and pots. */
void sag_check_settings(sag_check *c);

#endif
