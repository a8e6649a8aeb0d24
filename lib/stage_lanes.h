/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stage_lanes.h - Newton's method on one implicit stage, over lanes. Included with LANE_WIDTH set.
 *
 * Op-amp k, with everything at the end of the stage:
 *     vg' = SR tanh(wt x / SR) - (vg - vmid) wt/A0 - clamps                               [V/s]
 *     clamps = SR/k [ramp(vo - vhigh + k) - ramp(vlow - vo + k)] + the same for the current limit
 *     io  = (e - vo) / Ro,   vg = e
 *   x      v(plus) - v(minus) + offset, behind the second pole                             V
 *   vo     output pin;  e  EMF behind Ro;  io  out of the pin                              V, V, A
 *   vhigh  positive rail less the drop at io and the supply of the moment; vlow likewise   V
 *   vmid   half way between the rails of the moment                                        V
 *   SR     slew rate, of the direction x asks for                                          V/s
 *   k      half-width of the knee: a clamp begins 2 k inside the limit and carries the whole slew
 * rate at it Limits: small x and vo clear of the limits: one pole at wt/A0, DC gain A0. Large x:
 * vg' = +-SR. Rail pair r:   H = Iq(vs) + (Iq along its tangent at the resting supply) sum over its
 * op-amps of (sqrt(io^2 + s^2) - s)/2,  s the split current; with the even half in the linear part,
 * the positive rail then delivers io when io > s, and nothing when io < -s. Diode d:       i_d =
 * i(v_d) - g v_d at the voltage the network gives it, g the reference conductance.
 *
 * tanh is linearised at x, or at the point where it would supply the slope that vg asks for,
 * whichever is nearer zero: plain Newton overshoots where tanh saturates. The solution is the same.
 */
#ifndef RAILSAG_STAGE_LANES_H
#define RAILSAG_STAGE_LANES_H

#include "memory.h"
#include "smooth_lanes.h"
#include "stage.h"

#define STAGE_MOST_ITERATIONS 40
/* Newton that has not arrived by then goes round a bend of a table or a limit: shorter steps break
 * the cycle. */
#define STAGE_FULL_STEPS 10
#define STAGE_HALF_STEPS 18
/* What an estimate of the error left must stay below, over the tolerance: slow states sum up what
 * each stage leaves. */
#define EARLY 1e-4
/* The rate of the last two steps is believed for steps up to this, over the tolerance: longer ones
 * may have crossed a bend. */
#define RATED              100.0
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
    double tolerance_v;   /* a Newton update below it is the last */
    double smooth_step_v; /* an update below it cannot go far past a limit */
    double settle;        /* at rest: rate of the gain nodes alone, 1/s; 0: none, see bias.c */
    double widen;         /* 1; more widens the linear range of every op-amp, for continuation */
    size_t states, opamps, rails, diodes, sources, observed;
    size_t slope_room; /* slopes a row */
    lane *rest, *seen; /* observed: before and with the sources */
    lane *source;      /* sources as deviations */
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
    sag_free(work->last);
    *work = (stage_work){0}; /* may be cleared again */
}

static inline sag_status stage_work_make(stage_work *work, const sag_devices *devices)
{
    const sag_network *network = devices->network;
    *work = (stage_work){.devices = devices,
                         .tolerance_v = 1e-9,
                         .smooth_step_v = SAG_SMOOTH_STEP_V,
                         .widen = 1,
                         .states = network->state_count,
                         .opamps = network->opamp_count,
                         .rails = network->rail_count,
                         .diodes = network->diode_count,
                         .sources = network->source_count,
                         .observed = network->observed_count,
                         .slope_room = network->opamp_count + 4};
    size_t n = work->sources;
    work->rest = sag_new(2 * work->observed + 3 * n + 2 * n * n, sizeof(lane));
    work->slopes = sag_new(n * work->slope_room, sizeof *work->slopes);
    work->slope_count = sag_new(n, sizeof *work->slope_count);
    work->last = sag_new(work->diodes * LANE_WIDTH, sizeof *work->last);
    for (size_t i = 0; work->last && i < work->diodes * LANE_WIDTH; i++) {
        work->last[i].volts = (double)INFINITY;
    }
    if (!work->rest || !work->slopes || !work->slope_count || !work->last) {
        stage_work_clear(work);
        return SAG_NO_MEMORY;
    }
    work->seen = work->rest + work->observed;
    work->source = work->seen + work->observed;
    work->residual = work->source + n;
    work->update = work->residual + n;
    work->jacobian = work->update + n;
    work->direct = work->jacobian + n * n;
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
    lane asked = a * (e - gain_history) + p->leak * (e - 0.5 * (vp + vn)) + c.sum;
    lane slew =
        lane_select(LANE_LESS(x, zero), lane_of(p->slew_fall), lane_of(p->slew_rise)) * work->widen;
    lane drive = p->wt * x / slew, at = drive, sech2;
    if (linear) {
        at = zero;
    } else if (lane_any(LANE_LESS(lane_of(0.5), lane_abs(drive)))) {
        lane asked_slew =
            lane_select(LANE_LESS(asked, zero), lane_of(p->slew_fall), lane_of(p->slew_rise)) *
            work->widen;
        lane node = stage_atanh(asked / asked_slew);
        lane_mask take =
            LANE_LESS(lane_abs(node), lane_abs(drive)) & LANE_LESS(lane_of(0.5), lane_abs(drive));
        slew = lane_select(take, asked_slew, slew);
        drive = p->wt * x / slew;
        at = lane_select(take, node, drive);
    }
    lane t = lane_tanh(at, &sech2);
    work->residual[k] = ts * (asked - slew * (t + sech2 * (drive - at)));
    work->slope_count[k] = 0;
    stage_add_slope(work, k, row + SAG_OBSERVED_DRIVE, -ts * p->wt * sech2);
    stage_add_slope(work, k, row + SAG_OBSERVED_OUT, ts * (c.by_vo - p->siemens * c.by_io));
    stage_add_slope(work, k, rail, ts * (c.by_vp - 0.5 * p->leak));
    stage_add_slope(work, k, rail + 1, ts * (c.by_vn - 0.5 * p->leak));
    work->direct[k * work->sources + k] = ts * (a + p->leak + p->siemens * c.by_io);
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
            last->current = sag_diode_current_near(law, volts, &last->slope, &last->hint);
            last->volts = volts;
            moved = 0;
        }
        lane_put(&current, i, last->current + last->slope * moved);
        lane_put(&slope, i, last->slope);
    }
    work->residual[row] = y[row] - current + SAG_DIODE_REFERENCE_S * v;
    work->slope_count[row] = 0;
    stage_add_slope(work, row, seen, SAG_DIODE_REFERENCE_S - slope);
    work->direct[row * work->sources + row] = lane_of(1);
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
    double a = map->a > 0 ? map->a : work->settle, ts = a > 0 ? 1 / a : 0;
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
         * and a short implicit step keeps them there. */
        if (!(work->settle > 0) && lane_any(LANE_LESS(lane_of(work->smooth_step_v), before)) &&
            stage_project(work, map, y, open)) {
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
        /* The last step, and any within the tolerance, is a whole one. */
        lane whole =
            lane_select(LANE_LESS(largest, lane_of(work->tolerance_v)), lane_of(1), lane_of(share));
        for (size_t i = 0; i < n; i++) {
            y[i] += lane_select(open, whole * work->update[i], lane_of(0));
        }
        lane_mask done = LANE_LESS(largest, lane_of(work->tolerance_v));
        /* Two steps tell the rate: Newton's error after this one is about its size times their
         * ratio squared. */
        lane ratio = largest / before;
        if (map->a > 0 && round < STAGE_FULL_STEPS) {
            done |= LANE_LESS(ratio, lane_of(0.05)) &
                    LANE_LESS(largest, lane_of(RATED * work->tolerance_v)) &
                    LANE_LESS(largest * ratio * ratio, lane_of(EARLY * work->tolerance_v));
        }
        before = largest;
        /* A small step that had no clamp near it leaves only the smooth curves' second order. */
        lane_mask smooth = ~work->bent & LANE_LESS(largest, lane_of(work->smooth_step_v));
        if (map->a > 0 && lane_any(smooth & ~done & open)) {
            done |= smooth &
                    LANE_LESS(stage_remainder(work, map, ts), lane_of(EARLY * work->tolerance_v));
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

/* stage_solve, and for lanes where it fails the same with a linear range made wide and narrowed
 * again, each from the solution before. */
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
    return open;
}

#endif
