/* SPDX-License-Identifier: GPL-3.0-or-later */
/* same_point.h - whether two results are the same to the last bit, NaN included. */
#ifndef RAILSAG_SAME_POINT_H
#define RAILSAG_SAME_POINT_H

#include "headroom.h"

#include <string.h>

static inline int same_double(double a, double b)
{
    return !memcmp(&a, &b, sizeof a);
}

static inline int same_limit(sag_limit a, sag_limit b)
{
    return a.opamp == b.opamp && a.kind == b.kind;
}

static inline int same_point(const sag_steady_point *a, const sag_steady_point *b)
{
    return a->status == b->status && same_double(a->gain_db, b->gain_db) &&
           same_double(a->phase_deg, b->phase_deg) && same_double(a->thd, b->thd) &&
           !memcmp(a->harmonic_vpk, b->harmonic_vpk, sizeof a->harmonic_vpk) &&
           same_double(a->output_peak_v, b->output_peak_v) &&
           same_double(a->output_trough_v, b->output_trough_v) && a->steps == b->steps &&
           a->sweeps == b->sweeps && a->steps_taken == b->steps_taken &&
           same_limit(a->limited_by, b->limited_by);
}

static inline int same_swing(const sag_opamp_swing *a, const sag_opamp_swing *b)
{
    return same_double(a->peak_v, b->peak_v) && same_double(a->trough_v, b->trough_v) &&
           same_double(a->left_db, b->left_db) && a->nearest == b->nearest;
}

static inline int same_headroom(const sag_headroom_point *a, const sag_headroom_point *b)
{
    return same_double(a->clip_onset_vpk, b->clip_onset_vpk) &&
           a->clip_onset_reason == b->clip_onset_reason &&
           same_limit(a->limited_by, b->limited_by) &&
           same_double(a->max_input_vpk, b->max_input_vpk) &&
           a->max_input_reason == b->max_input_reason &&
           same_double(a->max_output_vpk, b->max_output_vpk) && a->falls_back == b->falls_back;
}

#endif
