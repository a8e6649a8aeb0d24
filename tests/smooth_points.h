/* SPDX-License-Identifier: GPL-3.0-or-later */
/* smooth_points.h - the functions of smooth_lanes.h at many points, at the width that the including
 * file has set. smooth_run is defined once a width, so that a test can compare the bits. */
#ifndef RAILSAG_SMOOTH_POINTS_H
#define RAILSAG_SMOOTH_POINTS_H

#include "smooth_lanes.h"

#include <stddef.h>

/* What the functions give at one point; no padding, so that memory can be compared. */
typedef struct {
    double tanh, sech2, atanh, ramp, ramp_slope, larger, smaller, size;
} smooth_values;

/* count: a multiple of 4. knee: half-width of the ramp. */
void smooth_run_1(const double *x, size_t count, double knee, smooth_values *values);
void smooth_run_4(const double *x, size_t count, double knee, smooth_values *values);

static inline void smooth_run(const double *x, size_t count, double knee, smooth_values *values)
{
    for (size_t i = 0; i < count; i += LANE_WIDTH) {
        lane at = lane_of(0), sech2, slope;
        for (int k = 0; k < LANE_WIDTH; k++) {
            lane_put(&at, k, x[i + (size_t)k]);
        }
        lane t = lane_tanh(at, &sech2), r = lane_ramp(at, knee, &slope);
        lane inverse = lane_atanh(at);
        lane larger = lane_max(at, r), smaller = lane_min(at, r), size = lane_abs(at);
        for (int k = 0; k < LANE_WIDTH; k++) {
            values[i + (size_t)k] = (smooth_values){
                lane_get(t, k),     lane_get(sech2, k),  lane_get(inverse, k), lane_get(r, k),
                lane_get(slope, k), lane_get(larger, k), lane_get(smaller, k), lane_get(size, k)};
        }
    }
}

#endif
