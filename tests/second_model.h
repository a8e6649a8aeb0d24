/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_model.h - the equations of a complete circuit, written a second time.
 *
 *     F(t, y, y') = C y' + G y + phi(y, y') - constant - drive u(t) = 0
 *     u(t) = level sin(2 pi f t)
 *
 *   y      node voltages of the design without ground, then internal nodes, branch currents and,
 *          for each op-amp, its gain node and its input behind the second pole           V, A
 *   phi    what op-amps, their packages and diode junctions take from their nodes        A, V
 *
 * Full nodal equations: nothing is condensed, nothing linearised about the resting point. Written
 * from the plan's equations and the data alone; of the library only its reading of designs and
 * models is used, so that a mistake in network, curve, diode, stage, stepper or steady shows. */
#ifndef RAILSAG_SECOND_MODEL_H
#define RAILSAG_SECOND_MODEL_H

#include "network.h"

typedef struct second_model second_model;

/* For the bench drive; the resting point is found on the way. SAG_NOT_CONVERGED when it is not.
 * Holds on to design. */
sag_status second_model_new(const sag_design *design, const sag_conditions *conditions,
                            second_model **out);
void second_model_free(second_model *model); /* NULL is fine */

void second_model_drive(second_model *model, double frequency_hz, double level_vpk);

size_t second_model_size(const second_model *model);
const double *second_model_rest(const second_model *model); /* y at rest */
/* Where in y a node of the design is; -1: ground. */
int second_model_node(const second_model *model, int node);
int second_model_output(const second_model *model);
/* 1 where y holds a current, not a voltage. */
int second_model_is_current(const second_model *model, size_t unknown);

/* F into residual; rate is y'. */
void second_model_residual(const second_model *model, double time_s, const double *y,
                           const double *rate, double *residual);
/* dF/dy + a dF/dy', column by column, n x n. */
void second_model_jacobian(const second_model *model, double a, const double *y, const double *rate,
                           double *jacobian);
/* dF/dy' at y, column by column. */
void second_model_storage(const second_model *model, const double *y, double *storage);

#endif
