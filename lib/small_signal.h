/* SPDX-License-Identifier: GPL-3.0-or-later */
/* small_signal.h - the network linearised at an instant: at rest, or anywhere on an orbit.
 *
 *     E X' + A X = drive u
 *
 * X holds the network's unknowns x, then its Newton unknowns (the sources), all as deviations
 * from that instant. E has one short product a state; the gain nodes are states too, after the
 * network's own: z_i = of_i . X,   kappa_i into_i dz_i/dt in the equations. The lower rows of A are
 * the slopes of device_lanes.h at that instant, an op-amp's as vg' = ... */
#ifndef RAILSAG_SMALL_SIGNAL_H
#define RAILSAG_SMALL_SIGNAL_H

#include "bias_private.h"
#include "dense.h"

typedef struct {
    const sag_bias *bias;
    size_t n;         /* unknowns of the network */
    size_t size;      /* n + Newton unknowns */
    size_t states;    /* of the network and gain nodes */
    double *a;        /* size x size */
    double *drive;    /* size */
    sag_state *state; /* states, kappa filled in */
    void *work;       /* of stage_lanes.h, one lane wide */
} sag_small_signal;

/* At rest. */
sag_status sag_small_signal_make(sag_small_signal *linear, const sag_bias *bias);
void sag_small_signal_clear(sag_small_signal *linear);

/* At the instant at which the Newton unknowns and what the nonlinear parts see have these values
 * (source_count and row_count of them). */
void sag_small_signal_move(sag_small_signal *linear, const double *unknown, const double *observed);

/* What moving changes, each on a scale of which one division is too little to matter for what the
 * network does: an op-amp's slopes over its gain-bandwidth, in steps of some dB; what its rails and
 * load current add, in steps of the largest of these; and so on. Their number never changes. */
size_t sag_small_signal_mark_count(const sag_small_signal *linear);
void sag_small_signal_marks(const sag_small_signal *linear, double *marks);

/* X over u at a frequency: size values. work: size * size complex. */
sag_status sag_small_signal_solve(const sag_small_signal *linear, double frequency_hz, sag_zlu *lu,
                                  double complex *work, double complex *x);

/* One implicit stage with rates a (z - z*): z = b z* + g u, with b states x states and g states.
 * output (may be NULL): the row over z* and u that gives the output voltage, states + 1 values.
 * matrix: size * size; x: size. */
sag_status sag_small_signal_stage(const sag_small_signal *linear, double a, sag_lu *lu,
                                  double *matrix, double *x, double *b, double *g, double *output);

#endif
