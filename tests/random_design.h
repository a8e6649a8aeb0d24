/* SPDX-License-Identifier: GPL-3.0-or-later */
/* random_design.h - preamps drawn by chance for tests: five kinds of op-amp stages with DC feedback,
 * one to six op-amps of any part of the library, values spread evenly over their decades. */
#ifndef RAILSAG_RANDOM_DESIGN_H
#define RAILSAG_RANDOM_DESIGN_H

#include "design.h"

#include <stdint.h>

typedef struct {
    uint64_t chance;    /* state of chance.h: further draws about this design go on from it */
    const char *stages; /* which of the five kinds */
    char model[64];
    int opamps;
    int corner;       /* 1: of the tenth with resistors of 0 ohm and controls at their end stops */
    char text[16384]; /* the design, as a file would hold it */
    size_t length;
} random_design;

/* The design of a number, the same on every machine. models: names of the op-amps to draw from. */
void random_design_draw(random_design *into, uint64_t number, const char *const *models,
                        const int *amplifiers, size_t model_count);

#endif
