/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stage_lanes.h - Newton's method on one implicit stage, over lanes. Included with LANE_WIDTH set.
 *
 * Op-amp k, with everything at the end of the stage:
 *     vg' = g SR tanh(wt d / SR) - (vg - vmid) wt/A0 - clamps                             [V/s]
 *     clamps = SR/k [ramp(vo - vhigh + k) - ramp(vlow - vo + k)] + the same for the current limit
 *     io  = (e - vo) / Ro,   vg = e + cross(io)
 *     d   = w(p) w(m) x + E (1 - w(p)) - E (1 - w(m)) w(p)
 *   x      v(plus) - v(minus) + offset, behind the second pole                            V
 *   p, m   v(plus), v(minus)                                                              V
 *   d      drive of the input stage                                                       V
 *   w      1 inside the distances from the rails at which a pin reverses the stage, 0 outside
 *   E      drive of a reversed stage, which saturates it: a plus pin out of range lifts
 *          the output                                                                     V
 *   g      r + (l - r) w(p) w(m): r of a reversed stage, l of an upright one
 *   l      (1 - b(p) b(m)) for either rail, at least SAG_LEAST_GAIN; b is 1 beyond the distance
 *          from the rail to which the stage works. One pin inside is enough: it carries the
 *          tail current (TI SNOSBW5C application hints: one input beyond the upper limit
 *          leaves the output right)
 *   vo     output pin;  e  EMF behind Ro;  io  out of the pin                             V, V, A
 *   vhigh  positive rail less the drop at io and the supply of the moment; vlow likewise  V
 *   vmid   half way between the rails of the moment                                       V
 *   SR     slew rate, of the direction d asks for; it and wt are those of the resting supply,
 *          for data sheets give them over a steady one                                   V/s
 *   k      half-width of the knee: a clamp begins 2 k inside the limit and carries the whole
 *          slew rate at it                                                                V
 *   cross  0 while the side of the output that conducts at rest does; minus the dead band
 *          when the sinking side has taken over, plus it when the sourcing side has       V
 * Limits: small x and vo clear of the limits: one pole at wt/A0, DC gain A0. Large x: vg' = +-SR.
 * Rail pair r:
 *     H = Iq(vs) + sum over its op-amps of (sqrt(io^2 + s^2) - s)/2
 *   Iq     quiescent current, along its tangent at the resting supply                     A
 *   s      the split current; with the even half in the linear part, the positive rail then
 *          delivers io when io > s, and nothing when io < -s                              A
 * Diode d:
 *     i_d = i(v_d) - g v_d at the voltage the network gives it, g the reference conductance.
 *
 * tanh is linearised at d, or at the point where it would supply the slope that vg asks for,
 * whichever is nearer zero: plain Newton overshoots where tanh saturates. The solution is the same.
 */
#ifndef RAILSAG_STAGE_LANES_H
#define RAILSAG_STAGE_LANES_H

#include "memory.h"
#include "smooth_lanes.h"
#include "stage.h"

#include <string.h>

#define STAGE_MOST_ITERATIONS 40
/* Rates of settling: from far above every op-amp's to where a second changes nothing. */
#define STAGE_FASTEST_PER_S 1e9
#define STAGE_SLOWEST_PER_S 1e-4
#define STAGE_MOST_TRIES    300
/* Newton that has not arrived by then goes round a bend of a table or a limit: shorter steps break
 * the cycle. */
#define STAGE_FULL_STEPS 10
#define STAGE_HALF_STEPS 18
/* An iteration whose steps, V, are below the first of these, and below the second of the one before,
 * arrives. */
#define STAGE_CLOSE_V 0.1
#define STAGE_FALLING 0.75
/* What an estimate of the error left must stay below, over the tolerance: slow states sum up what
 * each stage leaves. */
#define EARLY 1e-4
/* The rate of the last two steps is believed for steps up to this, over the tolerance: longer ones
 * may have crossed a bend. */
#define RATED 100.0
/* At rest, after so many rounds, an update below it that is no smaller than the one before is
 * rounding: the current of a conducting diode counts by what it would move without the diode, up to
 * a megohm times its last digits. */
#define STAGE_ROUNDING 6
#define ROUNDING_V     1e-9
/* Input pins this far inside the edges of their range are not looked at in the next stage's rounds,
 * only after them. */
#define CALM_V             0.1
#define STAGE_MARGIN_KNEES 1.0 /* knees past its limit that a Newton step may take an output to */

/* What one residual row depends on: an observed quantity, with the derivative. */
typedef struct {
    size_t observed;
    lane by;
} stage_slope;

/* A diode where it was evaluated last. */
typedef struct {
    double volts, current, slope, hint;
} stage_diode_point;

typedef struct {
    const sag_devices *devices;
    const double *base_observed; /* resting values that the map's deviations add to */
    const double *base_source;
    lane tolerance_v;       /* a Newton update below it is the last */
    double smooth_step_v;   /* an update below it cannot go far past a limit */
    int crosses;            /* an output is of class B */
    unsigned char *watched; /* op-amps that have an input range */
    unsigned char *hot;     /* of these, those with a pin near its end: looked at in each round */
    double settle; /* rate at which gain nodes are held to anchor, 1/s; 0: not, see stage_settle */
    lane *anchor, *trial; /* [op-amp] gain nodes; [source] room for stage_settle */
    double widen;         /* 1; more widens the linear range of every op-amp, for continuation */
    int frozen; /* 1: only slopes are asked for, at an instant at which vg may be moving */
    size_t states, opamps, rails, diodes, sources;
    size_t observed, rows; /* without and with the op-amps' input pins */
    size_t slope_room;     /* slopes a row */
    lane *rest, *seen; /* observed: before and with the sources; seen has the input pins as well */
    lane *source;      /* sources as deviations */
    const lane *history; /* of the stage being solved, and its drive */
    lane drive;
    lane *residual, *update;
    lane *jacobian;      /* sources x sources, then its LU factors */
    lane *direct;        /* sources x sources: derivative by the unknowns not through the map */
    stage_slope *slopes; /* sources x slope_room */
    size_t *slope_count;
    stage_diode_point *last; /* [diode][lane]: where each was evaluated last */
    lane_mask bent;          /* lanes in which a clamp conducts or could within a knee */
} stage_work;

static inline void stage_work_clear(stage_work *work)
{
    sag_free(work->rest);
    sag_free(work->slopes);
    sag_free(work->slope_count);
    sag_free(work->watched);
    sag_free(work->last);
    *work = (stage_work){0}; /* may be cleared again */
}

static inline sag_status stage_work_make(stage_work *work, const sag_devices *devices)
{
    const sag_network *network = devices->network;
    *work = (stage_work){.devices = devices,
                         .tolerance_v = lane_of(1e-9),
                         .smooth_step_v = SAG_SMOOTH_STEP_V,
                         .widen = 1,
                         .states = network->state_count,
                         .opamps = network->opamp_count,
                         .rails = network->rail_count,
                         .diodes = network->diode_count,
                         .sources = network->source_count,
                         .observed = network->observed_count,
                         .rows = network->row_count,
                         .slope_room = network->opamp_count + 6};
    size_t n = work->sources;
    work->rest =
        sag_new(work->observed + work->rows + 4 * n + work->opamps + 2 * n * n, sizeof(lane));
    work->slopes = sag_new(n * work->slope_room, sizeof *work->slopes);
    work->slope_count = sag_new(n, sizeof *work->slope_count);
    work->last = sag_new(work->diodes * LANE_WIDTH, sizeof *work->last);
    for (size_t i = 0; work->last && i < work->diodes * LANE_WIDTH; i++) {
        work->last[i].volts = (double)INFINITY;
    }
    work->watched = sag_new(2 * work->opamps, 1);
    if (!work->rest || !work->slopes || !work->slope_count || !work->last || !work->watched) {
        stage_work_clear(work);
        return SAG_NO_MEMORY;
    }
    work->seen = work->rest + work->observed;
    work->source = work->seen + work->rows;
    work->residual = work->source + n;
    work->update = work->residual + n;
    work->jacobian = work->update + n;
    work->direct = work->jacobian + n * n;
    work->trial = work->direct + n * n;
    work->anchor = work->trial + n;
    work->hot = work->watched + work->opamps;
    for (size_t k = 0; k < work->opamps; k++) {
        work->watched[k] = isfinite(devices->opamps[k].input_low.watch_v) ||
                           isfinite(devices->opamps[k].input_high.watch_v);
        work->crosses |= devices->opamps[k].dead_band_v > 0;
    }
    return SAG_OK;
}

static inline void stage_add_slope(stage_work *work, size_t row, size_t observed, lane by)
{
    work->slopes[row * work->slope_room + work->slope_count[row]++] = (stage_slope){observed, by};
}

/* The drop of one side, lane by lane: tables do not vectorise, and few points need them. */
static inline lane stage_drop(const sag_drop_line *line, lane current, lane supply,
                              lane *by_current, lane *by_supply)
{
    lane drop = lane_of(0);
    *by_current = *by_supply = drop;
    for (int i = 0; i < LANE_WIDTH; i++) {
        double c, s;
        lane_put(&drop, i,
                 sag_drop_line_at(line, lane_get(current, i), lane_get(supply, i), &c, &s));
        lane_put(by_current, i, c);
        lane_put(by_supply, i, s);
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

/* The gain node of op-amp k, its output as last seen. */
static inline lane stage_gain_node(const stage_work *work, size_t k, lane e)
{
    const sag_stage_opamp *p = &work->devices->opamps[k];
    lane vo = work->seen[k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT], slope;
    return e + stage_crossing(p, (e - vo) * p->siemens, &slope);
}

/* Where tanh would give the share c of the slew rate, in units of SR/wt; infinite where no point
 * does. */
static inline lane stage_atanh(lane c)
{
    lane x = c;
    for (int i = 0; i < LANE_WIDTH; i++) {
        double share = lane_get(c, i);
        lane_put(&x, i, fabs(share) < 1 - 1e-12 ? atanh(share) : copysign((double)INFINITY, share));
    }
    return x;
}

/* Share of 1 that a pin inside the range leaves, w above, with slopes by the pin and both rails. */
typedef struct {
    lane share, by_pin, by_vp, by_vn;
} stage_inside;

static inline stage_inside stage_within(double low_v, double high_v, lane pin, lane vp, lane vn)
{
    stage_inside in = {lane_of(1), lane_of(0), lane_of(0), lane_of(0)};
    if (isfinite(low_v)) {
        lane slope;
        in.share = lane_edge((pin - vn - low_v) / SAG_RANGE_EDGE_V, &slope);
        in.by_pin = slope / SAG_RANGE_EDGE_V;
        in.by_vn = -in.by_pin;
    }
    if (isfinite(high_v)) {
        lane slope, low_share = in.share;
        lane share = lane_edge((vp - pin - high_v) / SAG_RANGE_EDGE_V, &slope);
        slope = low_share * slope / SAG_RANGE_EDGE_V;
        in.share = low_share * share;
        in.by_pin = share * in.by_pin - slope;
        in.by_vn = share * in.by_vn;
        in.by_vp = slope;
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

static inline stage_input stage_input_at(const stage_work *work, size_t k, lane x, lane vp, lane vn)
{
    const sag_stage_opamp *o = &work->devices->opamps[k];
    lane one = lane_of(1), zero = lane_of(0);
    stage_input in = {x, one, zero, zero, zero, zero, one, zero, zero, zero, zero};
    if (!work->hot[k]) {
        return in;
    }
    lane p = work->seen[work->observed + 2 * k], m = work->seen[work->observed + 2 * k + 1];
    const sag_input_range *low = &o->input_low, *high = &o->input_high;
    stage_inside wp = stage_within(low->reverses_at_v, high->reverses_at_v, p, vp, vn);
    stage_inside wm = stage_within(low->reverses_at_v, high->reverses_at_v, m, vp, vn);
    lane flipped = lane_of(o->flipped_v * work->widen);
    in.drive = wp.share * wm.share * x + flipped * (1.0 - wp.share) -
               flipped * (1.0 - wm.share) * wp.share;
    in.by_x = wp.share * wm.share;
    lane by_wp = wm.share * x - flipped - flipped * (1.0 - wm.share);
    lane by_wm = wp.share * x + flipped * wp.share;
    in.by_p = by_wp * wp.by_pin;
    in.by_m = by_wm * wm.by_pin;
    in.by_vp = by_wp * wp.by_vp + by_wm * wm.by_vp;
    in.by_vn = by_wp * wp.by_vn + by_wm * wm.by_vn;
    stage_beyond at_low = stage_both_beyond(low->works_to_v, p - vn, m - vn);
    stage_beyond at_high = stage_both_beyond(high->works_to_v, vp - p, vp - m);
    lane in_low = 1.0 - at_low.share, in_high = 1.0 - at_high.share;
    double scale = 1 - SAG_LEAST_GAIN;
    lane upright = wp.share * wm.share;
    lane more = SAG_LEAST_GAIN + scale * in_low * in_high - SAG_REVERSED_GAIN;
    in.gain = SAG_REVERSED_GAIN + more * upright;
    /* of the gain left upright, by the distances */
    lane low_by_p = -scale * in_high * at_low.by_p, low_by_m = -scale * in_high * at_low.by_m;
    lane high_by_p = -scale * in_low * at_high.by_p, high_by_m = -scale * in_low * at_high.by_m;
    in.gain_by_p = (low_by_p - high_by_p) * upright + more * wm.share * wp.by_pin;
    in.gain_by_m = (low_by_m - high_by_m) * upright + more * wp.share * wm.by_pin;
    in.gain_by_vp =
        (high_by_p + high_by_m) * upright + more * (wm.share * wp.by_vp + wp.share * wm.by_vp);
    in.gain_by_vn =
        more * (wm.share * wp.by_vn + wp.share * wm.by_vn) - (low_by_p + low_by_m) * upright;
    return in;
}

/* The lanes in which a pin of op-amp k is within `beyond` volts of an edge of its range. */
static inline lane_mask stage_at_edge(const stage_work *work, size_t k, double beyond)
{
    const sag_stage_opamp *o = &work->devices->opamps[k];
    size_t rail = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * o->rail;
    lane vp = work->seen[rail], vn = work->seen[rail + 1];
    lane p = work->seen[work->observed + 2 * k], m = work->seen[work->observed + 2 * k + 1];
    return LANE_LESS(lane_min(p, m) - vn, lane_of(o->input_low.watch_v + beyond)) |
           LANE_LESS(vp - lane_max(p, m), lane_of(o->input_high.watch_v + beyond));
}

/* Residual and slopes of op-amp k's gain node, scaled by ts to volts. linear: as if no limit were
 * there. */
static inline void stage_opamp(stage_work *work, double a, double ts, size_t k, const lane *y,
                               lane gain_history, int linear)
{
    const sag_stage_opamp *p = &work->devices->opamps[k];
    size_t row = k * SAG_OBSERVED_PER_OPAMP;
    size_t rail = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * p->rail;
    lane x = work->seen[row + SAG_OBSERVED_DRIVE], vo = work->seen[row + SAG_OBSERVED_OUT];
    lane vp = work->seen[rail], vn = work->seen[rail + 1];
    lane e = y[k], io = (e - vo) * p->siemens, zero = lane_of(0);
    stage_clamps c = {zero, zero, zero, zero, zero, LANE_LESS(zero, zero)};
    if (!linear) {
        c = stage_clamp(p, work->widen, vo, io, vp, vn);
        work->bent |= c.near;
    }
    lane crossing_slope = zero, vg = e;
    if (!linear) {
        vg += stage_crossing(p, io, &crossing_slope);
    }
    double held = a + work->settle;
    crossing_slope *= (held + p->leak) * p->siemens;
    lane asked = a * (vg - gain_history) + p->leak * (vg - 0.5 * (vp + vn)) + c.sum;
    if (work->settle > 0) {
        asked += work->settle * (vg - work->anchor[k]);
    }
    stage_input in = stage_input_at(work, k, x, vp, vn);
    if (work->hot[k]) {
        work->bent |= stage_at_edge(work, k, 0);
    }
    lane slew =
        lane_select(LANE_LESS(in.drive, zero), lane_of(p->slew_fall), lane_of(p->slew_rise)) *
        work->widen;
    lane drive = p->wt * in.drive / slew, at = drive, sech2;
    if (linear) {
        at = zero;
    } else if (!work->frozen && lane_any(LANE_LESS(lane_of(0.5), lane_abs(drive)))) {
        lane asked_slew =
            lane_select(LANE_LESS(asked, zero), lane_of(p->slew_fall), lane_of(p->slew_rise)) *
            work->widen;
        lane node = stage_atanh(asked / (asked_slew * in.gain));
        lane_mask take =
            LANE_LESS(lane_abs(node), lane_abs(drive)) & LANE_LESS(lane_of(0.5), lane_abs(drive));
        slew = lane_select(take, asked_slew, slew);
        drive = p->wt * in.drive / slew;
        at = lane_select(take, node, drive);
    }
    lane t = lane_tanh(at, &sech2);
    lane pull = slew * t, by_drive = in.gain * p->wt * sech2;
    work->residual[k] = ts * (asked - in.gain * (pull + slew * sech2 * (drive - at)));
    work->slope_count[k] = 0;
    stage_add_slope(work, k, row + SAG_OBSERVED_DRIVE, -ts * by_drive * in.by_x);
    stage_add_slope(work, k, row + SAG_OBSERVED_OUT,
                    ts * (c.by_vo - p->siemens * c.by_io - crossing_slope));
    stage_add_slope(work, k, rail,
                    ts * (c.by_vp - 0.5 * p->leak - by_drive * in.by_vp - pull * in.gain_by_vp));
    stage_add_slope(work, k, rail + 1,
                    ts * (c.by_vn - 0.5 * p->leak - by_drive * in.by_vn - pull * in.gain_by_vn));
    if (work->hot[k]) {
        size_t pins = work->observed + 2 * k;
        stage_add_slope(work, k, pins, -ts * (by_drive * in.by_p + pull * in.gain_by_p));
        stage_add_slope(work, k, pins + 1, -ts * (by_drive * in.by_m + pull * in.gain_by_m));
    }
    work->direct[k * work->sources + k] =
        ts * (held + p->leak + p->siemens * c.by_io + crossing_slope);
}

static inline void stage_rail(stage_work *work, size_t r, const lane *y)
{
    const sag_devices *devices = work->devices;
    size_t row = work->opamps + r, seen = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * r;
    lane supply = work->seen[seen] - work->seen[seen + 1];
    double slope = devices->quiet_slope[r];
    lane residual = y[row] - devices->quiet_a[r] - slope * (supply - devices->rail_v[r]);
    work->slope_count[row] = 0;
    stage_add_slope(work, row, seen, lane_of(-slope));
    stage_add_slope(work, row, seen + 1, lane_of(slope));
    double split = devices->split_a[r];
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &devices->opamps[k];
        if (p->rail != r) {
            continue;
        }
        size_t out = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
        lane io = (y[k] - work->seen[out]) * p->siemens, root = io * io + split * split;
        for (int i = 0; i < LANE_WIDTH; i++) {
            lane_put(&root, i, sqrt(lane_get(root, i)));
        }
        lane by_io = 0.5 * io / root;
        residual -= 0.5 * (root - split);
        work->direct[row * work->sources + k] = -by_io * p->siemens;
        stage_add_slope(work, row, out, by_io * p->siemens);
    }
    work->direct[row * work->sources + row] = lane_of(1);
    work->residual[row] = residual;
}

/* A diode whose voltage has moved less than this share of its emission voltage is taken along its
 * tangent: the error is half the square of it, below 1e-10 of the current. */
#define STAGE_SAME_VOLTAGE 1e-5

/* A diode is linearised at the voltage the network gives it, or at the one at which it passes the
 * current asked of it, whichever is nearer zero: a step that overshoots by volts would come back
 * one emission voltage at a time. The solution is the same. */
static inline double stage_diode_volts(const sag_diode_law *law, double volts, double current)
{
    if ((volts > 0) != (current > 0)) {
        return volts;
    }
    double asked = sag_diode_voltage(law, current);
    return isfinite(asked) && (asked > 0) == (volts > 0) && fabs(asked) < fabs(volts) ? asked
                                                                                      : volts;
}

static inline void stage_diode(stage_work *work, size_t d, const lane *y)
{
    const sag_diode_law *law = &work->devices->network->diodes[d].law;
    size_t row = work->opamps + work->rails + d;
    size_t seen = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * work->rails + d;
    lane v = work->seen[seen], current = v, slope = v;
    for (int i = 0; i < LANE_WIDTH; i++) {
        stage_diode_point *last = &work->last[d * LANE_WIDTH + (size_t)i];
        double volts = lane_get(v, i), moved = volts - last->volts;
        if (!(fabs(moved) < STAGE_SAME_VOLTAGE * law->emission_v)) {
            double asked_a = lane_get(y[row], i) + SAG_DIODE_REFERENCE_S * volts;
            double at = stage_diode_volts(law, volts, asked_a);
            last->current = sag_diode_current_near(law, at, &last->slope, &last->hint);
            last->volts = at;
            moved = volts - at;
            if (fabs(moved) > STAGE_SAME_VOLTAGE * law->emission_v) {
                lane_mask_put(&work->bent, i, 1);
            }
        }
        lane_put(&current, i, last->current + last->slope * moved);
        lane_put(&slope, i, last->slope);
    }
    work->residual[row] = y[row] - current + SAG_DIODE_REFERENCE_S * v;
    work->slope_count[row] = 0;
    stage_add_slope(work, row, seen, SAG_DIODE_REFERENCE_S - slope);
    work->direct[row * work->sources + row] = lane_of(1);
}

/* The input pins of op-amp k. */
static inline void stage_see_pins(stage_work *work, const sag_map *map, size_t k)
{
    size_t row = work->observed + 2 * k;
    const double *m = map->m + (work->states + row) * map->columns;
    for (size_t i = 0; i < 2; i++) {
        work->seen[row + i] =
            work->base_observed[row + i] + m[i * map->columns + work->states] * work->drive;
    }
    lane_add_product(m, map->columns, 2, work->states, work->history, work->seen + row);
    lane_add_product(m + work->states + 1, map->columns, 2, work->sources, work->source,
                     work->seen + row);
}

/* What the network makes of the sources. */
static inline void stage_see(stage_work *work, const sag_map *map, const lane *y)
{
    for (size_t j = 0; j < work->sources; j++) {
        work->source[j] = y[j] - work->base_source[j];
    }
    for (size_t q = 0; q < work->observed; q++) {
        work->seen[q] = work->rest[q];
    }
    lane_add_product(map->m + work->states * map->columns + work->states + 1, map->columns,
                     work->observed, work->sources, work->source, work->seen);
    for (size_t k = 0; k < work->opamps; k++) {
        if (work->hot[k]) {
            stage_see_pins(work, map, k);
        }
    }
}

/* Looks at all input pins. Returns 1 when one is near an end of its range that was not looked at in
 * the rounds; calm: op-amps that are clear of theirs need not be looked at any more. */
static inline int stage_see_edges(stage_work *work, const sag_map *map, lane_mask active, int calm)
{
    int found = 0;
    for (size_t k = 0; k < work->opamps; k++) {
        if (!work->watched[k]) {
            continue;
        }
        stage_see_pins(work, map, k);
        if (!work->hot[k] && lane_any(stage_at_edge(work, k, 0) & active)) {
            work->hot[k] = 1;
            found = 1;
        } else if (calm && work->hot[k] && !lane_any(stage_at_edge(work, k, CALM_V) & active)) {
            work->hot[k] = 0;
        }
    }
    return found;
}

/* residual row's derivative by column `column` of the map (a history, or a source). */
static inline lane stage_through(const stage_work *work, const sag_map *map, size_t row,
                                 size_t column)
{
    lane sum = lane_of(0);
    const stage_slope *slope = work->slopes + row * work->slope_room;
    for (size_t s = 0; s < work->slope_count[row]; s++) {
        sum += slope[s].by * map->m[(work->states + slope[s].observed) * map->columns + column];
    }
    return sum;
}

/* LU in place without exchanges (each diagonal is one plus a loop gain), its pivots inverted.
 * Returns the lanes with a vanishing pivot. */
static inline lane_mask stage_factor(lane *m, size_t n)
{
    lane_mask bad = LANE_LESS(lane_of(0), lane_of(0));
    for (size_t k = 0; k < n; k++) {
        lane pivot = m[k * n + k];
        bad |= ~LANE_LESS(lane_of(1e-12), lane_abs(pivot));
        lane inverse = m[k * n + k] = 1.0 / pivot;
        for (size_t i = k + 1; i < n; i++) {
            lane factor = m[i * n + k] * inverse;
            m[i * n + k] = factor;
            for (size_t j = k + 1; j < n; j++) {
                m[i * n + j] -= factor * m[k * n + j];
            }
        }
    }
    return bad;
}

static inline void stage_substitute(const lane *m, size_t n, lane *b)
{
    for (size_t i = 1; i < n; i++) {
        for (size_t j = 0; j < i; j++) {
            b[i] -= m[i * n + j] * b[j];
        }
    }
    for (size_t i = n; i-- > 0;) {
        for (size_t j = i + 1; j < n; j++) {
            b[i] -= m[i * n + j] * b[j];
        }
        b[i] *= m[i * n + i];
    }
}

/* Takes EMFs back where a step has thrown an output far past its limits (taken at no load current,
 * where they are widest) or past its current limit. Returns 1 when it moved any. */
static inline int stage_project(stage_work *work, const sag_map *map, lane *y, lane_mask which)
{
    int moved = 0;
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &work->devices->opamps[k];
        size_t row = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
        size_t rail = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * p->rail;
        lane vo = work->seen[row], vp = work->seen[rail], vn = work->seen[rail + 1],
             zero = lane_of(0);
        double gain = map->m[(work->states + row) * map->columns + work->states + 1 + k];
        lane_mask near = stage_near(p, vo, zero, vp, vn);
        if (lane_any(near) && gain > 1e-6) {
            lane by_current, by_supply;
            lane over = vo - vp + stage_drop(&p->high, zero, vp - vn, &by_current, &by_supply) -
                        2 * STAGE_MARGIN_KNEES * p->knee_high_v;
            lane under = vn + stage_drop(&p->low, zero, vp - vn, &by_current, &by_supply) - vo -
                         2 * STAGE_MARGIN_KNEES * p->knee_low_v;
            /* A heavy load may hold the output beyond the limit of the side that does not carry it,
             * but hardly a whole supply beyond the rail. */
            lane load = y[k] - vo, supply = vp - vn;
            over = lane_select(LANE_LESS(load, zero), lane_min(over, vo - vp - supply), over);
            under = lane_select(LANE_LESS(zero, load), lane_min(under, vn - vo - supply), under);
            if (lane_any(LANE_LESS(zero, over) | LANE_LESS(zero, under))) {
                y[k] +=
                    lane_select(which, (lane_max(under, zero) - lane_max(over, zero)) / gain, zero);
                vo += lane_max(under, zero) - lane_max(over, zero);
                moved = 1;
            }
        }
        lane io = (y[k] - vo) * p->siemens;
        lane over = io - p->short_source_a - 2 * STAGE_MARGIN_KNEES * p->knee_source_a;
        lane under = -io - p->short_sink_a - 2 * STAGE_MARGIN_KNEES * p->knee_sink_a;
        /* An output that something else holds past a rail carries more than its limit. */
        over = lane_select(LANE_LESS(vo, vn), lane_min(over, zero), over);
        under = lane_select(LANE_LESS(vp, vo), lane_min(under, zero), under);
        double current_gain = (1 - gain) * p->siemens;
        if (current_gain > 1e-9 * p->siemens &&
            lane_any(LANE_LESS(zero, over) | LANE_LESS(zero, under))) {
            /* A diode's current that has yet to follow makes the load look like none, and the way
             * back endless. */
            lane back = (lane_max(under, zero) - lane_max(over, zero)) / current_gain;
            back = lane_max(lane_min(back, vp - vn), vn - vp);
            y[k] += lane_select(which, back, zero);
            moved = 1;
        }
    }
    return moved;
}

/* The EMF that puts the gain node at vg when the rest of the network holds the output at held +
 * gain e: e + cross(io) is a rising function of e, and lies within the dead band of it. */
static inline double stage_emf_for(const sag_stage_opamp *p, double vg, double held, double gain)
{
    double low = p->hand_over_a < 0 ? vg : vg - p->dead_band_v, high = low + p->dead_band_v;
    double e = p->hand_over_a < 0 ? low : high; /* where it does not cross */
    for (int i = 0; i < 60; i++) {
        double t = (((1 - gain) * e - held) * p->siemens - p->hand_over_a) / p->hand_half_a;
        double q = fmin(fmax(0.5 + 0.5 * t, 0), 1), edge = q * q * q * (10 - q * (15 - 6 * q));
        double over = e - vg + p->dead_band_v * (edge - (p->hand_over_a < 0 ? 1 : 0));
        double slope = 1 + p->dead_band_v * 15 * q * q * (1 - q) * (1 - q) * (1 - gain) *
                               p->siemens / p->hand_half_a;
        *(over > 0 ? &high : &low) = e;
        double step = over / slope, next = e - step;
        if (fabs(step) <= 1e-15 * (1 + fabs(e))) {
            break;
        }
        e = next > low && next < high ? next : 0.5 * (low + high);
    }
    return e;
}

/* A step of Newton's is right for the gain node, not for the EMF of a class-B output: in the dead
 * band the EMF hardly moves while the gain node crosses it, and outside they move as one. So the
 * step is taken in the gain node, and the EMF found for where it leads. size: raised to the EMFs'
 * steps. */
static inline void stage_cross(stage_work *work, const sag_map *map, const lane *y, lane *size)
{
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &work->devices->opamps[k];
        if (!(p->dead_band_v > 0)) {
            continue;
        }
        size_t row = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
        const double *m = map->m + (work->states + row) * map->columns + work->states + 1;
        lane vo = work->seen[row], moves = lane_of(0), slope;
        for (size_t j = 0; j < work->sources; j++) {
            moves += m[j] * work->update[j];
        }
        lane vg = y[k] + stage_crossing(p, (y[k] - vo) * p->siemens, &slope);
        lane step = work->update[k] + slope * p->siemens * (work->update[k] - moves);
        lane held = vo + moves - m[k] * (y[k] + work->update[k]), target = vg + step;
        for (int i = 0; i < LANE_WIDTH; i++) {
            double e =
                stage_emf_for(p, lane_get(target, i), lane_get(held, i), m[k]) - lane_get(y[k], i);
            if (isfinite(e)) {
                lane_put(&work->update[k], i, e);
            }
        }
        *size = lane_max(*size, lane_abs(work->update[k]));
    }
}

/* Bound of what the last update left undone: the second-order terms of what was linearised, as
 * volts. Only where no clamp is near. tanh: slew |X| dX^2 for X = wt x / SR; rails: dio^2 / (4
 * split); diodes: (i + Is) dv^2 / (2 (n Vt)^2). */
static inline lane stage_remainder(const stage_work *work, const sag_map *map, double ts)
{
    lane largest = lane_of(0);
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &work->devices->opamps[k];
        size_t row = k * SAG_OBSERVED_PER_OPAMP;
        const double *mx =
            map->m + (work->states + row + SAG_OBSERVED_DRIVE) * map->columns + work->states + 1;
        const double *mo =
            map->m + (work->states + row + SAG_OBSERVED_OUT) * map->columns + work->states + 1;
        lane dx = lane_of(0), dv = lane_of(0);
        for (size_t j = 0; j < work->sources; j++) {
            dx += mx[j] * work->update[j];
            dv += mo[j] * work->update[j];
        }
        double slew = p->slew_rise < p->slew_fall ? p->slew_rise : p->slew_fall;
        lane before = lane_abs(p->wt / slew * work->seen[row + SAG_OBSERVED_DRIVE]);
        lane step = lane_abs(p->wt / slew * dx);
        lane current = (work->update[k] - dv) * p->siemens;
        largest = lane_max(largest, ts * slew * (before + step) * step * step);
        largest =
            lane_max(largest, current * current * (10.0 / (4 * work->devices->split_a[p->rail])));
    }
    for (size_t d = 0; d < work->diodes; d++) {
        const sag_diode_law *law = &work->devices->network->diodes[d].law;
        size_t row = work->observed - 1 - work->diodes + d, own = work->opamps + work->rails + d;
        const double *m = map->m + (work->states + row) * map->columns + work->states + 1;
        lane dv = lane_of(0);
        for (size_t j = 0; j < work->sources; j++) {
            dv += m[j] * work->update[j];
        }
        double ohm = fabs(m[own]);
        lane share = dv / law->emission_v;
        /* The slope is at most (i + Is)/(n Vt); what the current does reaches the node through ohm
         * in parallel with it. */
        lane current = lane_abs(work->source[own] + work->base_source[own]) + law->saturation_a;
        lane volts = lane_min(current * ohm, lane_of(law->emission_v) + current * law->series_ohm);
        largest = lane_max(largest, 0.5 * share * share * volts);
    }
    return largest;
}

/* Newton's rounds, with the ranges of the op-amps that are hot. As stage_solve below. */
static inline lane_mask stage_rounds(stage_work *work, const sag_map *map, const lane *history,
                                     lane u, lane *y, lane_mask open, int linear_start)
{
    double a = map->a, held = a + work->settle, ts = held > 0 ? 1 / held : 0;
    work->history = history;
    work->drive = u;
    const double *seen_rows = map->m + work->states * map->columns;
    for (size_t q = 0; q < work->observed; q++) {
        work->rest[q] = work->base_observed[q] + seen_rows[q * map->columns + work->states] * u;
    }
    lane_add_product(seen_rows, map->columns, work->observed, work->states, history, work->rest);
    lane before = lane_of(0);
    for (int round = 0; round < STAGE_MOST_ITERATIONS && lane_any(open); round++) {
        size_t n = work->sources;
        stage_see(work, map, y);
        /* Only a long step can have gone far past a limit. Outputs that settle may start past one,
         * and a short implicit step keeps them there. Where Newton's step is always the way back
         * from a projection, that is where the solution lies. */
        lane_mask far = open & LANE_LESS(lane_of(work->smooth_step_v), before);
        if (!(work->settle > 0) && round < STAGE_FULL_STEPS && lane_any(far) &&
            stage_project(work, map, y, far)) {
            stage_see(work, map, y);
        }
        work->bent = LANE_LESS(lane_of(0), lane_of(0));
        for (size_t k = 0; k < work->opamps; k++) {
            double scale = ts > 0 ? ts : 1 / work->devices->opamps[k].wt;
            stage_opamp(work, a, scale, k, y, history[work->states + k],
                        linear_start && round == 0);
        }
        for (size_t r = 0; r < work->rails; r++) {
            stage_rail(work, r, y);
        }
        for (size_t d = 0; d < work->diodes; d++) {
            stage_diode(work, d, y);
        }
        for (size_t i = 0; i < n; i++) {
            work->update[i] = -work->residual[i];
            for (size_t j = 0; j < n; j++) {
                work->jacobian[i * n + j] =
                    work->direct[i * n + j] + stage_through(work, map, i, work->states + 1 + j);
            }
        }
        lane_mask bad = stage_factor(work->jacobian, n);
        stage_substitute(work->jacobian, n, work->update);
        double share = round < STAGE_FULL_STEPS ? 1 : round < STAGE_HALF_STEPS ? 0.5 : 0.25;
        lane largest = lane_of(0);
        for (size_t i = 0; i < n; i++) {
            lane size = lane_abs(work->update[i]);
            if (i >= work->opamps) { /* a current counts by the voltage it moves most directly, and
                                        at least 10 ohm */
                size_t row = i < work->opamps + work->rails
                                 ? work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * (i - work->opamps)
                                 : work->observed - 1 - work->sources + i;
                double ohm =
                    fabs(map->m[(work->states + row) * map->columns + work->states + 1 + i]);
                size = size * fmax(ohm, 10.0);
            }
            largest = lane_max(largest, size);
        }
        /* The last step, any within the tolerance, and those of an iteration that is arriving are
         * whole ones: halves would go on to the end of the rounds. */
        lane_mask arriving =
            LANE_LESS(largest, lane_of(STAGE_CLOSE_V)) & LANE_LESS(largest, STAGE_FALLING * before);
        lane whole = lane_select(LANE_LESS(largest, work->tolerance_v) | arriving, lane_of(1),
                                 lane_of(share));
        for (size_t i = 0; i < n; i++) {
            work->update[i] *= whole;
        }
        if (work->crosses && !(linear_start && round == 0)) {
            stage_cross(work, map, y, &largest);
            work->bent = ~LANE_LESS(lane_of(0), lane_of(0));
        }
        for (size_t i = 0; i < n; i++) {
            y[i] += lane_select(open, work->update[i], lane_of(0));
        }
        lane_mask done = LANE_LESS(largest, work->tolerance_v);
        /* Two steps tell the rate: Newton's error after this one is about its size times their
         * ratio squared. */
        lane ratio = largest / before;
        if (!(map->a > 0) && round >= STAGE_ROUNDING) {
            done |= LANE_LESS(largest, lane_of(ROUNDING_V)) & LANE_LESS(lane_of(1), ratio);
        }
        if (map->a > 0 && round < STAGE_FULL_STEPS) {
            done |= LANE_LESS(ratio, lane_of(0.05)) &
                    LANE_LESS(largest, RATED * work->tolerance_v) &
                    LANE_LESS(largest * ratio * ratio, EARLY * work->tolerance_v);
        }
        before = largest;
        /* A small step that had no clamp near it leaves only the smooth curves' second order. */
        lane_mask smooth = ~work->bent & LANE_LESS(largest, lane_of(work->smooth_step_v));
        if (map->a > 0 && lane_any(smooth & ~done & open)) {
            done |= smooth & LANE_LESS(stage_remainder(work, map, ts), EARLY * work->tolerance_v);
        }
        done &= ~bad;
        if (linear_start && round == 0) {
            done &= LANE_LESS(lane_of(1), lane_of(0));
        }
        open &= ~done;
    }
    stage_see(work, map, y); /* with the last update: states and outputs are read from this */
    return open;
}

/* Solves a stage.
 *   history   states then gain nodes, deviations (gain nodes absolute)        u  drive
 *   y         in: first guess, out: solution
 *   open      the lanes to solve; the others keep their y
 *   linear_start  1: the first iteration takes every op-amp as linear
 * Returns the lanes that did not converge. Leaves the factored Jacobian and the slopes of the last
 * iteration in work. */
static inline lane_mask stage_solve(stage_work *work, const sag_map *map, const lane *history,
                                    lane u, lane *y, lane_mask open, int linear_start)
{
    lane_mask left = stage_rounds(work, map, history, u, y, open, linear_start);
    while (stage_see_edges(work, map, open, 0)) {
        left = stage_rounds(work, map, history, u, y, open, 0);
    }
    stage_see_edges(work, map, open, 1);
    return left;
}

/* Where Newton finds no way, the gain nodes are let go from anchor with the states' history held,
 * and followed as they slew to where they stay: held to where they were by a rate that is halved
 * each time they have moved. Of several solutions this finds the one that the circuit would reach,
 * and a stable one. For one lane; returns 1 when it arrived. */
static inline int stage_settle(stage_work *work, const sag_map *map, const lane *history, lane u,
                               lane *y, int which, int most_tries)
{
    lane_mask only = LANE_LESS(lane_of(0), lane_of(0));
    lane_mask_put(&only, which, 1);
    double rate = fmax(STAGE_FASTEST_PER_S, 10 * map->a);
    double slowest = fmax(STAGE_SLOWEST_PER_S, 1e-4 * map->a);
    for (int tries = 0; tries < most_tries && rate > slowest; tries++) {
        memcpy(work->trial, y, work->sources * sizeof *y);
        work->settle = rate;
        if (!lane_any(stage_solve(work, map, history, u, work->trial, only, 0))) {
            for (size_t k = 0; k < work->sources; k++) {
                y[k] = lane_select(only, work->trial[k], y[k]);
            }
            for (size_t k = 0; k < work->opamps; k++) {
                work->anchor[k] =
                    lane_select(only, stage_gain_node(work, k, y[k]), work->anchor[k]);
            }
            rate *= 0.5;
        } else {
            rate *= 5;
        }
    }
    work->settle = 0;
    return !lane_any(stage_solve(work, map, history, u, y, only, 0));
}

/* stage_solve, and for lanes where it fails the same with a linear range made wide and narrowed
 * again, each from the solution before; at last the outputs are let go and followed. */
static inline lane_mask stage_solve_surely(stage_work *work, const sag_map *map,
                                           const lane *history, lane u, lane *y, lane_mask active,
                                           int linear_start)
{
    static const double ladder[] = {1000, 100, 30, 10, 4, 2, 1.4, 1};
    lane_mask open = stage_solve(work, map, history, u, y, active, linear_start);
    if (lane_any(open)) {
        lane_mask ladder_lanes = open;
        for (size_t i = 0; i < sizeof ladder / sizeof ladder[0]; i++) {
            work->widen = ladder[i];
            open = stage_solve(work, map, history, u, y, ladder_lanes, i == 0);
        }
        work->widen = 1;
    }
    for (int i = 0; map->a > 0 && i < LANE_WIDTH; i++) {
        if (lane_mask_get(open, i)) {
            for (size_t k = 0; k < work->sources; k++) {
                int gain_node = k < work->opamps;
                lane_put(&y[k], i,
                         gain_node ? lane_get(history[work->states + k], i) : work->base_source[k]);
                if (gain_node) {
                    work->anchor[k] = history[work->states + k];
                }
            }
            lane_mask_put(&open, i, !stage_settle(work, map, history, u, y, i, STAGE_MOST_TRIES));
        }
    }
    return open;
}

#endif
