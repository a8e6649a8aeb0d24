/* SPDX-License-Identifier: GPL-3.0-or-later */
/* smooth_lanes.h - the smooth functions of the op-amp model, each with its derivative, over lanes.
 */
#ifndef RAILSAG_SMOOTH_LANES_H
#define RAILSAG_SMOOTH_LANES_H

#include "lane.h"

/* tanh x; *sech2 = d tanh / dx = 1 - tanh^2.
 * Below 0.5: the continued fraction x/(1 + x^2/(3 + x^2/(5 + ...))) cut after the 13 (Abramowitz
 * and Stegun 4.5.70), relative error under 6e-16 there; elsewhere the C library's. */
static inline lane lane_tanh(lane x, lane *sech2)
{
    lane square = x * x;
    lane top = 135135.0 + square * (17325.0 + square * (378.0 + square));
    lane bottom = 135135.0 + square * (62370.0 + square * (3150.0 + square * 28.0));
    lane t = x * top / bottom;
    lane_mask small = LANE_LESS(lane_abs(x), lane_of(0.5));
    if (lane_any(~small)) {
        for (int i = 0; i < LANE_WIDTH; i++) {
            if (!lane_mask_get(small, i)) {
                lane_put(&t, i, tanh(lane_get(x, i)));
            }
        }
    }
    *sech2 = 1.0 - t * t;
    return t;
}

/* One-sided ramp with a knee of half-width k: 0 below -k, u above k, between them
 *     (u + k)^3 (3 k - u) / (16 k^3)
 * which joins both with two continuous derivatives. *slope = d/du. */
static inline lane lane_ramp(lane u, double k, lane *slope)
{
    lane t = u / k, p = t + 1.0;
    lane zero = lane_of(0);
    lane inside = k / 16.0 * p * p * p * (3.0 - t);
    lane inside_slope = 0.25 * p * p * (2.0 - t);
    lane_mask below = LANE_LESS(t, lane_of(-1)), above = LANE_LESS(lane_of(1), t);
    *slope = lane_select(below, zero, lane_select(above, lane_of(1), inside_slope));
    return lane_select(below, zero, lane_select(above, u, inside));
}

/* From 0 at and below -1 to 1 at and above 1 with two continuous derivatives: with p = (t + 1)/2
 * between them, p^3 (10 - 15 p + 6 p^2). *slope = d/dt. */
static inline lane lane_edge(lane t, lane *slope)
{
    lane p = 0.5 * lane_max(lane_min(t, lane_of(1)), lane_of(-1)) + 0.5;
    lane q = p * (1.0 - p);
    *slope = 15.0 * q * q;
    return p * p * p * (10.0 - p * (15.0 - 6.0 * p));
}

#endif
