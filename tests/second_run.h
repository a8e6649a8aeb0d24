/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_run.h - the second model in time, with SUNDIALS IDA: variable-order backward differences
 * at tolerances of their own, nothing in common with the library's steps.
 *
 * The periodic orbit is found by shooting from the resting point: a period by IDA, then Newton on
 * its two ends with the sensitivity of the period from implicit Euler steps along the same orbit.
 * That sensitivity is only a means: what is read is IDA's last period. */
#ifndef RAILSAG_SECOND_RUN_H
#define RAILSAG_SECOND_RUN_H

#include "second_model.h"

#define SECOND_HARMONICS 15

typedef struct second_run second_run;

/* Holds on to model, whose drive it sets. */
sag_status second_run_new(second_model *model, second_run **out);
void second_run_free(second_run *run); /* NULL is fine */

typedef struct {
    double gain_db;
    double thd; /* root sum square of harmonics 2 to 15 over the fundamental */
    double harmonic_vpk[SECOND_HARMONICS + 1]; /* [0] the mean */
    double move_v; /* what Newton would still have moved a node's start by */
    int periods;   /* integrated on the way */
    long steps;    /* by IDA, all together */
} second_figures;

/* error_v: IDA's absolute tolerance for voltages. enough_v: shooting is done when it would move no
 * node further. SAG_NOT_CONVERGED after most_periods. */
sag_status second_run_orbit(second_run *run, double frequency_hz, double level_vpk, double error_v,
                            double enough_v, int most_periods, second_figures *figures);

/* For timing, from the start of the orbit found last: a first period in which IDA finds its steps,
 * then as many as are asked for, each with `outputs` outputs. wave_v: the output's deviations from rest after
 * each share of the period. */
sag_status second_run_begin(second_run *run, double error_v);
sag_status second_run_period(second_run *run, size_t outputs, double *wave_v);
/* IDA's steps since second_run_begin. */
long second_run_steps(const second_run *run);

#endif
