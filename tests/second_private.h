/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_private.h - what stands between the parts of the second model. */
#ifndef RAILSAG_SECOND_PRIVATE_H
#define RAILSAG_SECOND_PRIVATE_H

#include "second_model.h"
#include "second_opamp.h"

typedef struct {
    size_t row, column;
    double value;
} second_entry;

typedef struct {
    second_entry *list;
    size_t count, capacity;
} second_entries;

/* The quiescent current of a package. */
typedef struct {
    second_curve ratio;
    double amps; /* headline figure, all its amplifiers */
    int positive, negative;
} second_package;

/* i = Is (exp(v / emission) - less) from `from` to `to`: the junction alone, its resistance being
 * one of the circuit's. less 1: a diode; 0: one in breakdown. */
typedef struct {
    double saturation_a, emission_v, less;
    int from, to;
} second_exponential;

struct second_model {
    const sag_design *design;
    size_t n;
    int *unknown_of; /* of each node; those that a closed switch joins share one */
    unsigned char *is_current;
    second_entries g, c;
    double *constant, *drive, *rest;
    second_opamp *opamps;
    size_t opamp_count;
    second_package *packages;
    size_t package_count;
    second_exponential *junctions;
    size_t junction_count;
    double frequency_hz, level_vpk;
    sag_status status; /* of the building */
};

/* second_parts.c: fills in everything but rest. */
void second_parts_put(second_model *model, const sag_conditions *conditions);

#endif
