/* SPDX-License-Identifier: GPL-3.0-or-later */
/* opamp_lanes.h - the limits and curves of an op-amp, over lanes: what its equations (device_lanes.h)
 * are made of, each with its derivatives. Included with LANE_WIDTH set. */
#ifndef RAILSAG_OPAMP_LANES_H
#define RAILSAG_OPAMP_LANES_H

#include "smooth_lanes.h"
#include "stage.h"

/* The drop of one side with its derivatives: held below the first current of the table, straight on
 * beyond the last; between two of them the cubic with these values and slopes at both ends, as in
 * curve.c, and the slope in supply straight across. */
static inline lane stage_drop(const sag_drop_line *line, lane current, lane supply,
                              lane *by_current, lane *by_supply)
{
    const double *at = line->current;
    size_t last = line->count - 1;
    lane away = supply - line->supply_v;
    lane drop = line->value[0] + away * line->by_supply[0];
    *by_current = lane_of(0);
    *by_supply = lane_of(line->by_supply[0]);
    lane_mask above = LANE_LESS(lane_of(at[0]), current);
    for (size_t i = 0; i < last && lane_any(above); i++) {
        lane_mask beyond = LANE_LESS(lane_of(at[i + 1]), current);
        lane_mask inside = above & ~beyond;
        above = beyond;
        if (!lane_any(inside)) {
            continue;
        }
        double h = at[i + 1] - at[i];
        lane t = (current - at[i]) / h, u = 1.0 - t;
        double y0 = line->value[i], y1 = line->value[i + 1], s0 = line->slope[i],
               s1 = line->slope[i + 1];
        double b0 = line->by_supply[i], b1 = line->by_supply[i + 1];
        lane slope = (6 * (y1 - y0) / h) * t * u + s0 * u * (1.0 - 3.0 * t) +
                     s1 * t * (3.0 * t - 2.0) + away * ((b1 - b0) / h);
        lane value = u * u * (1.0 + 2.0 * t) * y0 + t * t * (3.0 - 2.0 * t) * y1 +
                     h * t * u * (u * s0 - t * s1) + away * (b0 + t * (b1 - b0));
        drop = lane_select(inside, value, drop);
        *by_current = lane_select(inside, slope, *by_current);
        *by_supply = lane_select(inside, b0 + t * (b1 - b0), *by_supply);
    }
    if (last > 0 && lane_any(above)) {
        double slope = line->slope[last], by = line->by_supply[last];
        lane value = line->value[last] + slope * (current - at[last]) + away * by;
        drop = lane_select(above, value, drop);
        *by_current = lane_select(above, lane_of(slope), *by_current);
        *by_supply = lane_select(above, lane_of(by), *by_supply);
    }
    return drop;
}

/* The lanes in which a clamp may conduct. */
static inline lane_mask stage_near(const sag_stage_opamp *p, lane vo, lane io, lane vp, lane vn)
{
    lane clear = p->clear_v + p->clear_ohm * lane_abs(io);
    return LANE_LESS(vp - vo, clear) | LANE_LESS(vo - vn, clear);
}

/* The drop towards one rail with its derivatives; current counts out of the pin for the high side,
 * into it for the low. */
typedef struct {
    lane drop, by_current, by_supply;
} stage_limit;

/* Under a heavy load the limit of the side that carries the current falls past the other's. Then it
 * rules, and the other gives way to four half-knees beside it: both at once would fight each other.
 */
static inline void stage_part_limits(const sag_stage_opamp *p, lane io, lane supply,
                                     stage_limit *high, stage_limit *low)
{
    double apart = 2 * (p->knee_high_v + p->knee_low_v);
    lane_mask crossed = LANE_LESS(supply - high->drop - low->drop, lane_of(apart));
    if (!lane_any(crossed)) {
        return;
    }
    lane_mask sinks = LANE_LESS(io, lane_of(0)), give_low = crossed & ~sinks,
              give_high = crossed & sinks;
    stage_limit h = *high, l = *low;
    low->drop = lane_select(give_low, supply - h.drop - apart, l.drop);
    low->by_current = lane_select(give_low, h.by_current, l.by_current);
    low->by_supply = lane_select(give_low, 1.0 - h.by_supply, l.by_supply);
    high->drop = lane_select(give_high, supply - l.drop - apart, h.drop);
    high->by_current = lane_select(give_high, l.by_current, h.by_current);
    high->by_supply = lane_select(give_high, 1.0 - l.by_supply, h.by_supply);
}

typedef struct {
    lane sum;                        /* all clamps together, V/s, positive pulls vg down */
    lane by_vo, by_io, by_vp, by_vn; /* derivatives of sum */
    lane_mask near;                  /* lanes in which any may conduct */
} stage_clamps;

static inline stage_clamps stage_clamp(const sag_stage_opamp *p, double widen, lane vo, lane io,
                                       lane vp, lane vn)
{
    lane zero = lane_of(0);
    lane_mask near = stage_near(p, vo, io, vp, vn);
    stage_clamps c = {zero, zero, zero, zero, zero, near};
    if (lane_any(near)) {
        lane slope, supply = vp - vn;
        stage_limit high, low;
        high.drop = stage_drop(&p->high, io, supply, &high.by_current, &high.by_supply);
        low.drop = stage_drop(&p->low, -io, supply, &low.by_current, &low.by_supply);
        stage_part_limits(p, io, supply, &high, &low);
        double gain = widen * p->slew_rise / p->knee_high_v;
        c.sum += gain * lane_ramp(vo - vp + high.drop + p->knee_high_v, p->knee_high_v, &slope);
        slope *= gain;
        c.by_vo += slope;
        c.by_io += slope * high.by_current;
        c.by_vp += slope * (high.by_supply - 1.0);
        c.by_vn -= slope * high.by_supply;
        gain = widen * p->slew_fall / p->knee_low_v;
        c.sum -= gain * lane_ramp(vn + low.drop - vo + p->knee_low_v, p->knee_low_v, &slope);
        slope *= gain;
        c.by_vo += slope;
        c.by_io += slope * low.by_current;
        c.by_vp -= slope * low.by_supply;
        c.by_vn -= slope * (1.0 - low.by_supply);
    }
    lane source_over = io - p->short_source_a + p->knee_source_a;
    lane sink_over = -io - p->short_sink_a + p->knee_sink_a;
    near = LANE_LESS(lane_of(-2 * p->knee_source_a), source_over) |
           LANE_LESS(lane_of(-2 * p->knee_sink_a), sink_over);
    c.near |= near;
    if (lane_any(near)) {
        lane slope;
        double gain = widen * p->slew_rise / p->knee_source_a;
        c.sum += gain * lane_ramp(source_over, p->knee_source_a, &slope);
        c.by_io += gain * slope;
        gain = widen * p->slew_fall / p->knee_sink_a;
        c.sum -= gain * lane_ramp(sink_over, p->knee_sink_a, &slope);
        c.by_io += gain * slope;
    }
    return c;
}

/* What the gain node moves ahead of the EMF for the sides of a class-B output to change over; *slope
 * = d/d io, V/A. */
static inline lane stage_crossing(const sag_stage_opamp *p, lane io, lane *slope)
{
    *slope = lane_of(0);
    if (!(p->dead_band_v > 0)) {
        return lane_of(0);
    }
    lane share = lane_edge((io - p->hand_over_a) / p->hand_half_a, slope);
    *slope *= p->dead_band_v / p->hand_half_a;
    return p->dead_band_v * (share - (p->hand_over_a < 0 ? 1.0 : 0.0));
}

/* w of a pin, and s, of device_lanes.h, with slopes by the pin and both rails. */
typedef struct {
    lane share, by_pin, by_vp, by_vn;
    lane side, side_by_pin, side_by_vp, side_by_vn;
} stage_inside;

static inline stage_inside stage_within(double low_v, double high_v, lane pin, lane vp, lane vn)
{
    lane zero = lane_of(0), one = lane_of(1);
    stage_inside in = {one, zero, zero, zero, zero, zero, zero, zero};
    if (isfinite(low_v)) {
        lane slope;
        in.share = lane_edge((pin - vn - low_v) / SAG_RANGE_EDGE_V, &slope);
        in.by_pin = slope / SAG_RANGE_EDGE_V;
        in.by_vn = -in.by_pin;
        in.side = 1.0 - in.share;
        in.side_by_pin = -in.by_pin;
        in.side_by_vn = in.by_pin;
    }
    if (isfinite(high_v)) {
        lane slope, low_share = in.share;
        lane share = lane_edge((vp - pin - high_v) / SAG_RANGE_EDGE_V, &slope);
        slope /= SAG_RANGE_EDGE_V;
        in.side -= 1.0 - share;
        in.side_by_pin -= slope;
        in.side_by_vp = slope;
        in.share = low_share * share;
        in.by_pin = share * in.by_pin - low_share * slope;
        in.by_vn = share * in.by_vn;
        in.by_vp = low_share * slope;
    }
    return in;
}

/* 1 where both pins, as distances inside a rail, are beyond works_to, b(p) b(m) above; with slopes.
 */
typedef struct {
    lane share, by_p, by_m;
} stage_beyond;

static inline stage_beyond stage_both_beyond(double works_to_v, lane p, lane m)
{
    stage_beyond both = {lane_of(0), lane_of(0), lane_of(0)};
    if (isfinite(works_to_v)) {
        lane slope_p, slope_m;
        lane beyond_p = lane_edge((works_to_v - p) / SAG_RANGE_EDGE_V, &slope_p);
        lane beyond_m = lane_edge((works_to_v - m) / SAG_RANGE_EDGE_V, &slope_m);
        both.share = beyond_p * beyond_m;
        both.by_p = -beyond_m * slope_p / SAG_RANGE_EDGE_V;
        both.by_m = -beyond_p * slope_m / SAG_RANGE_EDGE_V;
    }
    return both;
}

/* The input stage of an op-amp: drive d and gain g with their slopes. */
typedef struct {
    lane drive, by_x, by_p, by_m, by_vp, by_vn;
    lane gain, gain_by_p, gain_by_m, gain_by_vp, gain_by_vn;
} stage_input;

#endif
