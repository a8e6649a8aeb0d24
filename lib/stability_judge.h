/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stability_judge.h - the inside of stability_private.h, for the modules that fill it. */
#ifndef RAILSAG_STABILITY_JUDGE_H
#define RAILSAG_STABILITY_JUDGE_H

#include "small_signal.h"
#include "stability_private.h"

#include <gsl/gsl_eigen.h>

/* Instants remembered; beyond it the oldest are judged anew. */
#define SAG_REMEMBERED 256

struct sag_judge {
    sag_small_signal linear;
    sag_lu *lu;
    double *matrix, *x, *b, *g; /* as sag_small_signal_stage wants them */
    double shift;               /* a of the last b */
    double complex *lambda;     /* of the last instant */
    double *share;              /* of each state in the mode last looked at */
    gsl_matrix *copy;
    gsl_vector_complex *theta, *left_theta;
    gsl_matrix_complex *right, *left;
    gsl_eigen_nonsymm_workspace *values;
    gsl_eigen_nonsymmv_workspace *vectors;
    int has_vectors;      /* theta, right and left are those of the last instant */
    double *resting_gain; /* [op-amp]: as sag_judge_gain */
    size_t solved;
    size_t mark_count;
    double *marks; /* of the instant asked for, then of those remembered */
    sag_mode remembered[SAG_REMEMBERED];
    size_t remembered_count; /* ever */
};

/* What grows fastest in the network as linear has it; its map stays in b, at the shift. */
sag_status sag_judge_fastest(sag_judge *judge, sag_mode *grows);

/* Where the gain of an op-amp stands in linear: what x does to its gain node, less, rad/s. */
double *sag_judge_gain(const sag_judge *judge, size_t opamp);

#endif
