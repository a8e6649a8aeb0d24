/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stability_private.h - the workspace that judges one instant after another. */
#ifndef RAILSAG_STABILITY_PRIVATE_H
#define RAILSAG_STABILITY_PRIVATE_H

#include "stability.h"

/* A growth slower than this is rounding on the slow time constants of coupling capacitors. */
#define SAG_LEAST_GROWTH_PER_S 1.0

typedef struct sag_judge sag_judge; /* holds on to bias */

sag_status sag_judge_new(const sag_bias *bias, sag_judge **out);
void sag_judge_free(sag_judge *judge); /* NULL is fine */

/* Natural frequencies with these Newton unknowns and these values of what the nonlinear parts see
 * (source_count and row_count of the network). Allocates nothing. */
sag_status sag_judge_at(sag_judge *judge, const double *unknown, const double *observed,
                        sag_stability *out);

/* The same, but an instant whose slopes are all near those of one judged before takes over what was
 * found there: only what grows counts, `worst` is not looked for. */
sag_status sag_judge_near(sag_judge *judge, const double *unknown, const double *observed,
                          sag_mode *grows);

/* The gain of an op-amp at the last instant over that at rest: less where it slews or clips. 1 when it
 * rests at a limit, where it has none to lose. */
double sag_judge_gain_left(const sag_judge *judge, size_t opamp);

/* All natural frequencies of the last sag_judge_at, 1/s, one a state; INFINITY where a state only
 * follows from others. */
size_t sag_judge_count(const sag_judge *judge);
double complex sag_judge_lambda(const sag_judge *judge, size_t index);

/* Eigenvalue problems solved so far: what judging costs. */
size_t sag_judge_solved(const sag_judge *judge);

#endif
