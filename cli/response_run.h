/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response_run.h - computed responses, shared by what computes and what draws them. */
#ifndef RAILSAG_RESPONSE_RUN_H
#define RAILSAG_RESPONSE_RUN_H

#include "session.h"

typedef struct {
    double gain_db, phase_deg; /* NAN where there is none */
    sag_status status;
} response_point;

/* response_picture.c: panels, and whether a picture is possible. points: [case][frequency]. Both
 * return an exit status. */
int response_picture_check(const session *s);
int response_picture_write(const session *s, const response_point *points);

#endif
