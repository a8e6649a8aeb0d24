/* SPDX-License-Identifier: GPL-3.0-or-later */
/* spread.h - places labels side by side so that none covers another. */
#ifndef RAILSAG_SPREAD_H
#define RAILSAG_SPREAD_H

#include <stddef.h>

/* place[i] gets the position nearest to target[i] (rising order) such that neighbours are at least
 * `pitch` apart and all lie from low to high: the sum of the squared shifts is the least possible.
 * Where they cannot fit, they are spread evenly from low to high. */
void spread_labels(const double *target, size_t count, double pitch, double low, double high,
                   double *place);

#endif
