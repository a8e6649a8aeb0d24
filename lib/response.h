/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response.h - the small-signal response at a bias point.
 *
 *     (j w E + A) X = drive        small_signal.h has the matrices; output over the source's EMF */
#ifndef RAILSAG_RESPONSE_H
#define RAILSAG_RESPONSE_H

#include "bias.h"

#include <complex.h>

/* The workspace of one thread; holds on to bias. */
typedef struct sag_response sag_response;

sag_status sag_response_new(const sag_bias *bias, sag_response **out);
void sag_response_free(sag_response *response); /* NULL is fine */

/* Output over EMF at a frequency above 0. SAG_SINGULAR when the network has a natural frequency
 * there. */
sag_status sag_response_gain(sag_response *response, double frequency_hz, double complex *gain);

/* The voltage of a node over the EMF, from the last sag_response_gain. */
double complex sag_response_node(const sag_response *response, int node);

/* The current out of an op-amp's output over the EMF, A/V, from the last sag_response_gain. */
double complex sag_response_opamp_a(const sag_response *response, size_t opamp);

/* An op-amp that the signal passes and that has no gain at rest (sag_bias_beyond_range_v): its index,
 * the first in the network's order; -1: there is none, or no response to tell by. The signal passes
 * one whose input moves by 1 % of the EMF at 1 kHz or more: an unused amplifier that hangs on a rail
 * sees less (estimate). */
int sag_response_without_gain(const sag_bias *bias);

/* 20 log10 |gain| and the phase in degrees, -180 to 180. */
double sag_gain_db(double complex gain);
double sag_phase_deg(double complex gain);

#endif
