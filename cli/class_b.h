/* SPDX-License-Identifier: GPL-3.0-or-later */
/* class_b.h - whether normal playing takes the output of a class-B op-amp out of class A, and the
 * resistor that keeps it there. */
#ifndef RAILSAG_CLASS_B_H
#define RAILSAG_CLASS_B_H

#include "session.h"

typedef struct {
    double level_vpk; /* normal playing */
    double peak_a;    /* load current at the crest that leaves class A, positive */
    double class_a_a; /* where it leaves it, positive */
    int takes;        /* 1: out of the load, so that the resistor goes to the negative rail; 0: into
                          it, to the positive one */
    double remedy_ohm; /* of that resistor at most, a value of E12; NAN: the output clips at
                          that level */
    double rest_v;     /* at rest, across that resistor */
} class_b_finding;

/* For op-amp `opamp` of a prepared case that has a response. 1 when it leaves class A. */
int class_b_leaves(const session_case *c, const sag_design *design, size_t opamp,
                   class_b_finding *found);

/* Whether a needs the smaller resistor. */
int class_b_is_worse(const class_b_finding *a, const class_b_finding *b);

/* The finding in words; list: the load currents and their supplies. Returns buffer. */
const char *class_b_text(char *buffer, size_t size, const class_b_finding *found, const char *list);

#endif
