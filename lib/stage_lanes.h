/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stage_lanes.h - Newton's method on one implicit stage, over lanes: the equations are those of
 * device_lanes.h. Included with LANE_WIDTH set.
 *
 * tanh is linearised at d, or at the point where it would supply the slope that vg asks for,
 * whichever is nearer zero: plain Newton overshoots where tanh saturates. The solution is the same.
 */
#ifndef RAILSAG_STAGE_LANES_H
#define RAILSAG_STAGE_LANES_H

#include "device_lanes.h"

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
/* At rest, after so many rounds, an update that is no smaller than the one before is rounding when
 * it is below ROUNDING_V, or below this share of a current: that of a conducting diode counts by what
 * it would move without the diode, up to a megohm times its last digits. */
#define STAGE_ROUNDING     6
#define ROUNDING_V         1e-9
#define ROUNDING_SHARE     2e-12
#define STAGE_MARGIN_KNEES 1.0 /* knees past its limit that a Newton step may take an output to */

/* LU in place without exchanges (each diagonal is one plus a loop gain), its pivots inverted. Raises
 * the lanes with a vanishing pivot in bad. */
LANE_INLINE void stage_factor_size(lane *m, lane_mask *bad, size_t n)
{
    for (size_t k = 0; k < n; k++) {
        lane pivot = m[k * n + k];
        *bad |= ~LANE_LESS(lane_of(1e-12), lane_abs(pivot));
        lane inverse = m[k * n + k] = 1.0 / pivot;
        for (size_t i = k + 1; i < n; i++) {
            lane factor = m[i * n + k] * inverse;
            m[i * n + k] = factor;
            for (size_t j = k + 1; j < n; j++) {
                m[i * n + j] -= factor * m[k * n + j];
            }
        }
    }
}

LANE_INLINE void stage_substitute_size(const lane *m, lane *b, size_t n)
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

static inline void stage_substitute(const lane *m, size_t n, lane *b)
{
    LANE_FOR_SIZE(n, stage_substitute_size, m, b);
}

/* The Jacobian of the residuals by the unknowns: directly, and through what the network makes of
 * them. */
LANE_INLINE void stage_jacobian_size(stage_work *work, const sag_map *map, size_t n)
{
    const double *seen = map->m + work->states * map->columns + work->states + 1;
    for (size_t i = 0; i < n; i++) {
        const stage_slope *slope = work->slopes + i * work->slope_room;
        lane *row = work->jacobian + i * n;
        for (size_t j = 0; j < n; j++) {
            row[j] = work->direct[i * n + j];
        }
        for (size_t s = 0; s < work->slope_count[i]; s++) {
            const double *m = seen + slope[s].observed * map->columns;
            for (size_t j = 0; j < n; j++) {
                row[j] += slope[s].by * m[j];
            }
        }
    }
}

/* The factored Jacobian, and Newton's update; raises the lanes without one in bad. */
LANE_INLINE void stage_update_size(stage_work *work, const sag_map *map, lane_mask *bad, size_t n)
{
    stage_jacobian_size(work, map, n);
    stage_factor_size(work->jacobian, bad, n);
    for (size_t i = 0; i < n; i++) {
        work->update[i] = -work->residual[i];
    }
    stage_substitute_size(work->jacobian, work->update, n);
}

static inline lane_mask stage_update(stage_work *work, const sag_map *map)
{
    lane_mask bad = LANE_LESS(lane_of(0), lane_of(0));
    LANE_FOR_SIZE(work->sources, stage_update_size, work, map, &bad);
    return bad;
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
 * gain e: e + cross(io) is a rising function of e, and lies within the dead band of it. near: an
 * EMF to begin with. */
static inline double stage_emf_for(const sag_stage_opamp *p, double vg, double held, double gain,
                                   double near)
{
    double low = p->hand_over_a < 0 ? vg : vg - p->dead_band_v, high = low + p->dead_band_v;
    double e = fmin(fmax(near, low), high);
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
static inline void stage_cross(stage_work *work, const sag_map *map, const lane *y, lane_mask which,
                               lane *size)
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
            double from = lane_get(y[k], i);
            double e = lane_mask_get(which, i)
                           ? stage_emf_for(p, lane_get(target, i), lane_get(held, i), m[k],
                                           from + lane_get(work->update[k], i))
                           : from;
            if (isfinite(e)) {
                lane_put(&work->update[k], i, e - from);
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
    stage_rest(work, map, 0, work->observed);
    for (size_t k = 0; k < work->opamps; k++) {
        if (work->hot[k]) {
            stage_rest(work, map, work->observed + 2 * k, 2);
        }
    }
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
        lane_mask bad = stage_update(work, map);
        double share = round < STAGE_FULL_STEPS ? 1 : round < STAGE_HALF_STEPS ? 0.5 : 0.25;
        lane largest = lane_of(0), rounding = lane_of(ROUNDING_V);
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
                rounding = lane_max(rounding, lane_abs(y[i]) * (ROUNDING_SHARE * fmax(ohm, 10.0)));
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
            stage_cross(work, map, y, open, &largest);
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
            done |= LANE_LESS(largest, rounding) & LANE_LESS(lane_of(1), ratio);
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
    while (stage_see_edges(work, map, open)) {
        left = stage_rounds(work, map, history, u, y, open, 0);
    }
    stage_calm(work, open);
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
