/* SPDX-License-Identifier: GPL-3.0-or-later */
/* progress.h - a bar with the time left on standard error: on a terminal, after one second, six
 * times a second. */
#ifndef RAILSAG_PROGRESS_H
#define RAILSAG_PROGRESS_H

#include <stddef.h>

typedef struct {
    int enabled, shown;
    double start_s, drawn_s; /* monotonic clock */
    /* Several calculations may share one bar: `before` cases are done, the running one covers
     * `share` of `all`. */
    size_t before, share, all;
} progress;

void progress_start(progress *bar, int enabled, size_t all);

/* A sag_progress: context is a progress. Asks to stop once a signal was caught. */
int progress_step(void *context, size_t done, size_t total);

/* Erases the line. */
void progress_end(progress *bar);

#endif
