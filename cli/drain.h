/* SPDX-License-Identifier: GPL-3.0-or-later */
/* drain.h - where the battery's current goes at the bias point. */
#ifndef RAILSAG_DRAIN_H
#define RAILSAG_DRAIN_H

#include "railsag.h"

typedef struct {
    const char *name; /* a package or a part, owned by the design; NULL: what no item names */
    double current_a;
} drain_item;

/* Sorts the current that leaves the positive supply rails by what takes it: quiescent current of
 * packages (idle amplifiers included), output currents of op-amps (added to their package), and
 * parts from those rails to elsewhere. Largest first; shares under 0.5 % are lumped at the end
 * under NULL. *items is made by the call, freed with sag_free. */
sag_status drain_sort(const sag_bias *bias, drain_item **items, size_t *count);

#endif
