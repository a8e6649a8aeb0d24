/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bias_private.h - the bias point as the modules that start from it see it. */
#ifndef RAILSAG_BIAS_PRIVATE_H
#define RAILSAG_BIAS_PRIVATE_H

#include "bias.h"
#include "stage.h"

struct sag_bias {
    const sag_network *network;
    sag_devices devices;
    double *x;        /* network->n unknowns */
    double *unknown;  /* Newton unknowns: the sources of network_private.h */
    double *observed; /* what the nonlinear parts see */
    double *rail_v;   /* between each pair of rails */
};

#endif
