/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels_run.h - the computed levels map, shared by what computes and what prints it. */
#ifndef RAILSAG_LEVELS_RUN_H
#define RAILSAG_LEVELS_RUN_H

#include "level_list.h"
#include "session.h"

typedef struct {
    level_list levels;
    sag_levels **maps; /* one a case; NULL where there are no results */
    double *small_db;  /* small-signal gain, [case][frequency]; NAN where there is none */
    sag_steady_point
        *absent;    /* one a case: what stands for the points of a map that there is not */
    unrest *unrest; /* of the points */
} levels_run;

/* The point of a case at a level (in the order asked for) and frequency. */
const sag_steady_point *levels_run_point(const session *s, const levels_run *run, size_t index,
                                         size_t level, size_t frequency);
/* Its op-amps; NULL where there are none. */
const sag_opamp_swing *levels_run_swings(const session *s, const levels_run *run, size_t index,
                                         size_t level, size_t frequency);

/* levels_text.c: tables and sentences. Returns an exit status. */
int levels_text_write(const session *s, const levels_run *run);

/* levels_picture.c: panels, and whether a picture is possible. Both return an exit status. */
int levels_picture_check(const session *s, const levels_run *run);
int levels_picture_write(const session *s, const levels_run *run);

#endif
