/* SPDX-License-Identifier: GPL-3.0-or-later */
/* parallel.h - runs numbered work items on a few threads.
 *
 * Items write to places of their own, so results do not depend on the number of threads. */
#ifndef RAILSAG_PARALLEL_H
#define RAILSAG_PARALLEL_H

#include "levels.h"

/* Runs item(context, i) for i = 0 .. count - 1. The first status below zero, or a call of progress
 * that returns other than 0 (SAG_CANCELLED), keeps further items from starting and is returned.
 * progress gets the number of items done. */
sag_status sag_parallel_run(size_t count, int threads,
                            sag_status (*item)(void *context, size_t index), void *context,
                            sag_progress progress, void *progress_context);

#endif
