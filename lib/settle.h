/* SPDX-License-Identifier: GPL-3.0-or-later */
/* settle.h - how long after plugging in a node has come to rest.
 *
 * With X the deviations from the resting point, the network linearised there (small_signal.h):
 *
 *     E X' + A X = 0,    every capacitor empty at first: z(0) = -z(rest)
 *
 * Op-amps count as working from the start and without limits. That holds for what the divider and
 * capacitors of a supply decide, which takes seconds; not for outputs, which may sit on a rail
 * meanwhile. */
#ifndef RAILSAG_SETTLE_H
#define RAILSAG_SETTLE_H

#include "bias.h"

/* From when on the node stays within `share` of its resting voltage; INFINITY when it is not there
 * after an hour. SAG_BAD_ARGUMENT for a node that rests at 0 V. */
sag_status sag_settle_time(const sag_bias *bias, int node, double share, double *seconds);

#endif
