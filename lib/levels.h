/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels.h - the levels map: periodic solutions over input level and frequency, at each bias point
 * given. */
#ifndef RAILSAG_LEVELS_H
#define RAILSAG_LEVELS_H

#include "steady.h"

/* Called now and then, one call at a time, from any of the threads; a result other than 0 asks to
 * stop. */
typedef int (*sag_progress)(void *context, size_t done, size_t total);

typedef struct {
    const double *frequency_hz; /* rising */
    size_t frequency_count;
    const double *level_vpk; /* volts peak of the source's EMF, rising */
    size_t level_count;
    sag_steady_settings steady;
    int threads;           /* 1 or more; the results do not depend on it */
    sag_progress progress; /* may be NULL */
    void *progress_context;
} sag_levels_request;

typedef struct {
    size_t level_count, frequency_count, opamp_count;
    sag_steady_point *points; /* [level][frequency] */
    sag_opamp_swing *swings;  /* [level][frequency][op-amp] */
    double *onset_vpk; /* [frequency]: where a first limit is met, from the linear solution; NAN:
                          unknown */
    sag_limit *onset_limit;    /* [frequency]: which */
    sag_steady_effort *effort; /* [frequency]: spent on its points */
} sag_levels;

/* biases: count of them, one a supply; results: count pointers, made by the call (all NULL on
 * failure), each freed with sag_levels_free. SAG_CANCELLED when progress asked to stop. Points that
 * found no solution carry their status and are reported with supply, level and frequency; those
 * that oscillate or may burst carry it in `burst` alone; two states are reported once a supply. */
sag_status sag_levels_compute(const sag_bias *const *biases, size_t count,
                              const sag_levels_request *request, sag_levels **results,
                              sag_report *report);
void sag_levels_free(sag_levels *levels); /* NULL is fine */

#endif
