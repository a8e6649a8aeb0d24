/* SPDX-License-Identifier: GPL-3.0-or-later */
/* device_lanes.h - the equations of op-amps, rails and diodes at the end of an implicit stage: residuals
 * with their slopes, over lanes. Included with LANE_WIDTH set.
 *
 * Op-amp k, with everything at the end of the stage:
 *     vg' = g SR tanh(wt d / SR) - (vg - vmid) wt/A0 - clamps                             [V/s]
 *     clamps = SR/k [ramp(vo - vhigh + k) - ramp(vlow - vo + k)] + the same for the current limit
 *     io  = (e - vo) / Ro,   vg = e + cross(io)
 *     d   = w(p) w(m) x + E s(p) - E s(m) w(p)
 *   x      v(plus) - v(minus) + offset, behind the second pole                            V
 *   p, m   v(plus), v(minus)                                                              V
 *   d      drive of the input stage                                                       V
 *   w      1 inside the distances from the rails at which a pin reverses the stage, 0 outside
 *   s      1 nearer to the negative rail than that, -1 nearer to the positive one, 0 inside
 *   E      drive of a reversed stage, which saturates it: a plus pin below its range lifts
 *          the output, one above it pulls it down                                         V
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
 *     i_d = i(v_d) - g v_d at the voltage the network gives it, g the reference conductance. */
#ifndef RAILSAG_DEVICE_LANES_H
#define RAILSAG_DEVICE_LANES_H

#include "memory.h"
#include "opamp_lanes.h"

/* Input pins this far inside the edges of their range are not looked at in the next stage's rounds,
 * only after them. */
#define CALM_V 0.1

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
    lane *rest, *seen;   /* observed, then the input pins: before and with the sources; those of an
                          op-amp are up to date while it is hot */
    lane *source;        /* sources as deviations */
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
    work->rest = sag_new(2 * work->rows + 4 * n + work->opamps + 2 * n * n, sizeof(lane));
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
    work->seen = work->rest + work->rows;
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

/* The gain node of op-amp k, its output as last seen. */
static inline lane stage_gain_node(const stage_work *work, size_t k, lane e)
{
    const sag_stage_opamp *p = &work->devices->opamps[k];
    lane vo = work->seen[k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT], slope;
    return e + stage_crossing(p, (e - vo) * p->siemens, &slope);
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

static inline stage_input stage_input_at(const stage_work *work, size_t k, lane x, lane vp, lane vn)
{
    const sag_stage_opamp *o = &work->devices->opamps[k];
    lane one = lane_of(1), zero = lane_of(0);
    stage_input in = {x, one, zero, zero, zero, zero, one, zero, zero, zero, zero};
    if (!work->hot[k] || !lane_any(stage_at_edge(work, k, 0))) {
        return in;
    }
    lane p = work->seen[work->observed + 2 * k], m = work->seen[work->observed + 2 * k + 1];
    const sag_input_range *low = &o->input_low, *high = &o->input_high;
    stage_inside wp = stage_within(low->reverses_at_v, high->reverses_at_v, p, vp, vn);
    stage_inside wm = stage_within(low->reverses_at_v, high->reverses_at_v, m, vp, vn);
    lane flipped = lane_of(o->flipped_v * work->widen);
    in.drive = wp.share * wm.share * x + flipped * wp.side - flipped * wm.side * wp.share;
    in.by_x = wp.share * wm.share;
    lane by_wp = wm.share * x - flipped * wm.side;
    lane by_wm = wp.share * x, by_sm = -flipped * wp.share;
    in.by_p = by_wp * wp.by_pin + flipped * wp.side_by_pin;
    in.by_m = by_wm * wm.by_pin + by_sm * wm.side_by_pin;
    in.by_vp =
        by_wp * wp.by_vp + flipped * wp.side_by_vp + by_wm * wm.by_vp + by_sm * wm.side_by_vp;
    in.by_vn =
        by_wp * wp.by_vn + flipped * wp.side_by_vn + by_wm * wm.by_vn + by_sm * wm.side_by_vn;
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
        lane node = lane_atanh(asked / (asked_slew * in.gain));
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

/* `count` rows from `row` before the sources: what the constants, the drive and the history give. */
static inline void stage_rest(stage_work *work, const sag_map *map, size_t row, size_t count)
{
    const double *m = map->m + (work->states + row) * map->columns;
    for (size_t i = 0; i < count; i++) {
        work->rest[row + i] =
            work->base_observed[row + i] + m[i * map->columns + work->states] * work->drive;
    }
    lane_add_product(m, map->columns, count, work->states, work->history, work->rest + row);
}

/* The same rows with the sources. */
static inline void stage_see_rows(stage_work *work, const sag_map *map, size_t row, size_t count)
{
    for (size_t q = row; q < row + count; q++) {
        work->seen[q] = work->rest[q];
    }
    lane_add_product(map->m + (work->states + row) * map->columns + work->states + 1, map->columns,
                     count, work->sources, work->source, work->seen + row);
}

/* The input pins of op-amp k, which need not be hot. */
static inline void stage_see_pins(stage_work *work, const sag_map *map, size_t k)
{
    stage_rest(work, map, work->observed + 2 * k, 2);
    stage_see_rows(work, map, work->observed + 2 * k, 2);
}

/* What the network makes of the sources. */
static inline void stage_see(stage_work *work, const sag_map *map, const lane *y)
{
    for (size_t j = 0; j < work->sources; j++) {
        work->source[j] = y[j] - work->base_source[j];
    }
    stage_see_rows(work, map, 0, work->observed);
    for (size_t k = 0; k < work->opamps; k++) {
        if (work->hot[k]) {
            stage_see_rows(work, map, work->observed + 2 * k, 2);
        }
    }
}

/* Looks at the input pins that were not looked at in the rounds. Returns 1 when one is near an end of
 * its range. */
static inline int stage_see_edges(stage_work *work, const sag_map *map, lane_mask active)
{
    int found = 0;
    for (size_t k = 0; k < work->opamps; k++) {
        if (work->watched[k] && !work->hot[k]) {
            stage_see_pins(work, map, k);
            work->hot[k] = lane_any(stage_at_edge(work, k, 0) & active) != 0;
            found |= work->hot[k];
        }
    }
    return found;
}

/* Op-amps whose pins are clear of the ends of their range need not be looked at any more. */
static inline void stage_calm(stage_work *work, lane_mask active)
{
    for (size_t k = 0; k < work->opamps; k++) {
        if (work->hot[k] && !lane_any(stage_at_edge(work, k, CALM_V) & active)) {
            work->hot[k] = 0;
        }
    }
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

#endif
