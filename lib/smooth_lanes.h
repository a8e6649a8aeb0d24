/* SPDX-License-Identifier: GPL-3.0-or-later */
/* smooth_lanes.h - the smooth functions of the op-amp model, each with its derivative, over lanes.
 */
#ifndef RAILSAG_SMOOTH_LANES_H
#define RAILSAG_SMOOTH_LANES_H

#include "lane.h"

/* tanh x = x *top / *bottom below 0.5: the continued fraction x/(1 + x^2/(3 + x^2/(5 + ...))) cut
 * after the 13 (Abramowitz and Stegun 4.5.70), relative error under 6e-16. */
static inline void lane_tanh_fraction(lane x, lane *top, lane *bottom)
{
    lane square = x * x;
    *top = 135135.0 + square * (17325.0 + square * (378.0 + square));
    *bottom = 135135.0 + square * (62370.0 + square * (3150.0 + square * 28.0));
}

/* ln 2 in two parts: products of the first with whole numbers below 2^20 are exact (fdlibm). */
#define LN2_HIGH 0x1.62e42feep-1
#define LN2_LOW  0x1.a39ef35793c76p-33
#define LOG2_E   1.4426950408889634
/* Added to a number below 2^51, it leaves the nearest whole number in the last bits. */
#define TO_WHOLE 0x1.8p52
#define EXPONENT 52   /* place of the exponent in the bits of a double, */
#define BIAS     1023 /* and that of 1 */
/* From here on 1 - |tanh| is less than half a unit in the last place. */
#define TANH_IS_ONE 20.0

/* tanh x; *sech2 = d tanh / dx = 1 - tanh^2.
 * From 0.5 on: 2 |x| = n ln 2 + 2 r, and with tanh r = p/q the exponential is 2^n (q + p)/(q - p),
 *     tanh |x| = (e^2|x| - 1)/(e^2|x| + 1) = [(q + p) - 2^-n (q - p)] / [(q + p) + 2^-n (q - p)]
 * relative error under 4e-16 (test_smooth.c). */
static inline lane lane_tanh(lane x, lane *sech2)
{
    lane top, bottom, size = lane_abs(x);
    lane_tanh_fraction(x, &top, &bottom);
    lane t = x * top / bottom;
    lane_mask small = LANE_LESS(size, lane_of(0.5));
    if (lane_any(~small)) {
        lane twice = 2.0 * lane_min(size, lane_of(TANH_IS_ONE)),
             shifted = twice * LOG2_E + TO_WHOLE;
        lane n = shifted - TO_WHOLE, r = 0.5 * (twice - n * LN2_HIGH - n * LN2_LOW);
        lane_bits exponent = BIAS - (lane_to_bits(shifted) - lane_to_bits(lane_of(TO_WHOLE)));
        lane_tanh_fraction(r, &top, &bottom);
        top *= r;
        lane shrink = lane_from_bits(exponent << EXPONENT) * (bottom - top), grow = bottom + top;
        lane large = (grow - shrink) / (grow + shrink);
        large = lane_select(LANE_LESS(x, lane_of(0)), -large, large);
        t = lane_select(small, t, large);
    }
    *sech2 = 1.0 - t * t;
    return t;
}

/* Beyond this its argument counts as 1. */
#define ATANH_IS_INFINITE (1 - 1e-12)

/* atanh x; infinite from ATANH_IS_INFINITE on. With z below 0.21, z (225225 - 345345 z^2 + ...)/(...)
 * is the Pade approximant of order 3, 4 in z^2: what it leaves out is under 3e-16 of it. Above,
 *     e^(2 atanh |x|) = (1 + |x|)/(1 - |x|) = 2^n (1 + z)/(1 - z),
 *     z = [(1 + |x|) - 2^n (1 - |x|)] / [(1 + |x|) + 2^n (1 - |x|)],   atanh |x| = n ln 2 / 2 + atanh z
 * n the nearest to the logarithm that the bits of both give when read as a number: within 0.1 of it.
 * Relative error under 7.5e-16 (test_smooth.c). */
static inline lane lane_atanh(lane x)
{
    lane size = lane_abs(x), above = 1.0 + size, below = 1.0 - size;
    lane_mask finite = LANE_LESS(size, lane_of(ATANH_IS_INFINITE));
    lane_bits half = lane_to_bits(lane_of(0)) + ((uint64_t)1 << (EXPONENT - 1));
    lane_bits n = (lane_to_bits(above) - lane_to_bits(below) + half) >> EXPONENT;
    lane more = lane_from_bits((BIAS + n) << EXPONENT) * below;
    lane z = (above - more) / (above + more);
    lane whole = lane_from_bits(n + lane_to_bits(lane_of(TO_WHOLE))) - TO_WHOLE;
    z = lane_select(LANE_LESS(whole, lane_of(0.5)), size, z);
    lane s = z * z;
    lane top = 225225.0 + s * (-345345.0 + s * (147455.0 - s * 15159.0));
    lane bottom = 225225.0 + s * (-420420.0 + s * (242550.0 + s * (-44100.0 + s * 1225.0)));
    lane found = 0.5 * whole * LN2_HIGH + (0.5 * whole * LN2_LOW + z * top / bottom);
    found = lane_select(finite, found, lane_of((double)INFINITY));
    return lane_select(LANE_LESS(x, lane_of(0)), -found, found);
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
