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

/* The same for a map: block(context, bias, from, to) for frequencies from .. to - 1 of each bias
 * point, `size` of them at a time, so that what starts from what does not depend on the threads. */
typedef struct {
    size_t biases, frequencies, size;
    sag_status (*block)(void *context, size_t bias, size_t from, size_t to);
    void *context;
} sag_parallel_blocks;
sag_status sag_parallel_map(const sag_parallel_blocks *map, int threads, sag_progress progress,
                            void *progress_context);

#endif
