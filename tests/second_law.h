/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_law.h - the equations of second_opamp.h. Included once with SLOPES 0 and once with SLOPES 1,
 * LAW the name of the function that comes of it: with derivatives, or values alone. */
#include "second_opamp.h"

#include <math.h>
#include <string.h>

/* Half-width of the current limit's knee as a share of it. */
#define CURRENT_KNEE 0.01
/* Half-widths: of an input range's edges, V; of the change of a class-B output's sides, as a share
 * of the current at which they change. */
#define RANGE_EDGE_V   50e-3
#define CROSSING_SHARE 0.5
/* Drive of a reversed input in linear ranges; gain left far outside. */
#define FLIPPED_RANGES 5
#define LEAST_GAIN     1e-9
#define REVERSED_GAIN  0.1

/* ---- quantities ---- */

typedef struct {
    double value;
#if SLOPES
    double by[SECOND_PINS];
#endif
} quantity;

typedef struct {
    const second_opamp *opamp;
    quantity pin[SECOND_PINS];
} work;

static inline quantity constant(double value)
{
    return (quantity){.value = value};
}

/* a + factor b */
static inline quantity plus(quantity a, double factor, quantity b)
{
    a.value += factor * b.value;
#if SLOPES
    for (int i = 0; i < SECOND_PINS; i++) {
        a.by[i] += factor * b.by[i];
    }
#endif
    return a;
}

/* A function of a quantity, given its value and its slope there. */
static inline quantity of(quantity a, double value, double slope)
{
    a.value = value;
    (void)slope;
#if SLOPES
    for (int i = 0; i < SECOND_PINS; i++) {
        a.by[i] *= slope;
    }
#endif
    return a;
}

static inline quantity times(quantity a, quantity b)
{
    quantity product = of(a, a.value * b.value, b.value);
#if SLOPES
    for (int i = 0; i < SECOND_PINS; i++) {
        product.by[i] += a.value * b.by[i];
    }
#endif
    return product;
}

static inline quantity scaled(double factor, quantity a)
{
    return of(a, factor * a.value, factor);
}

static inline quantity over(quantity a, quantity b)
{
    return times(a, of(b, 1 / b.value, -1 / (b.value * b.value)));
}

/* ---- the smooth functions ---- */

/* 0 up to u = -k, u from k on, and (u + k)^3 (3 k - u) / (16 k^3) between. */
static inline quantity ramp(quantity u, double k)
{
    if (u.value <= -k) {
        return constant(0);
    }
    if (u.value >= k) {
        return u;
    }
    double up = u.value + k, cube = 16 * k * k * k;
    return of(u, up * up * up * (3 * k - u.value) / cube, up * up * (8 * k - 4 * u.value) / cube);
}

/* 0 up to t = -1, 1 from 1 on, and 10 p^3 - 15 p^4 + 6 p^5 between, p = (1 + t)/2. */
static inline quantity edge(quantity t)
{
    if (fabs(t.value) >= 1) {
        return constant(t.value > 0);
    }
    double p = (1 + t.value) / 2, q = p * p;
    return of(t, p * q * (10 - 15 * p + 6 * q), 15 * q * (1 - 2 * p + q));
}

/* ---- the parts of the op-amp ---- */

/* Gain-bandwidth or slew rate: data sheets give them over a steady supply, so they are those of the
 * resting point, and of the moment only while that is looked for. */
static quantity against_supply(const work *w, const second_curve *ratio, double figure)
{
    quantity supply = plus(w->pin[SECOND_POSITIVE], -1, w->pin[SECOND_NEGATIVE]);
    if (w->opamp->rest_supply_v > 0) {
        supply = constant(w->opamp->rest_supply_v);
    }
    double slope, value = second_curve_at(ratio, supply.value, &slope);
    return of(supply, figure * value, figure * slope);
}

/* The drop at a load current (sign 1: sourced, -1: sunk). */
static quantity drop(const work *w, const second_drop *surface, quantity io, double sign)
{
    quantity supply = plus(w->pin[SECOND_POSITIVE], -1, w->pin[SECOND_NEGATIVE]);
    double by_current, by_supply;
    double value = second_drop_at(surface, sign * io.value, supply.value, &by_current, &by_supply);
    return plus(of(io, value, sign * by_current), 1, of(supply, 0, by_supply));
}

/* The two ends of the output's range. Where they cross, the one that carries the load rules, and
 * the other stands four half-knees (two of each) behind it. */
static void find_limits(const work *w, quantity io, quantity *high, quantity *low)
{
    const second_opamp *opamp = w->opamp;
    *high = plus(w->pin[SECOND_POSITIVE], -1, drop(w, &opamp->high, io, 1));
    *low = plus(w->pin[SECOND_NEGATIVE], 1, drop(w, &opamp->low, io, -1));
    double apart = 2 * (opamp->knee_high + opamp->knee_low);
    if (high->value - low->value < apart && io.value < 0) {
        *high = plus(*low, 1, constant(apart));
    } else if (high->value - low->value < apart) {
        *low = plus(*high, -1, constant(apart));
    }
}

/* All clamps as shares: those that stop a rise, of the rising slew rate, and those that stop a fall
 * of the falling one. */
static void find_clamps(const work *w, quantity io, quantity *rise, quantity *fall)
{
    const second_opamp *opamp = w->opamp;
    double source_a = opamp->figures->short_source_a, sink_a = opamp->figures->short_sink_a;
    quantity high, low, out = w->pin[SECOND_OUT];
    find_limits(w, io, &high, &low);
    high = plus(plus(out, -1, high), 1, constant(opamp->knee_high));
    low = plus(plus(low, -1, out), 1, constant(opamp->knee_low));
    *rise = scaled(1 / opamp->knee_high, ramp(high, opamp->knee_high));
    *fall = scaled(1 / opamp->knee_low, ramp(low, opamp->knee_low));
    if (isfinite(source_a)) {
        double k = CURRENT_KNEE * source_a;
        quantity beyond = plus(io, 1, constant(k - source_a));
        *rise = plus(*rise, 1 / k, ramp(beyond, k));
    }
    if (isfinite(sink_a)) {
        double k = CURRENT_KNEE * sink_a;
        quantity beyond = plus(constant(k - sink_a), -1, io);
        *fall = plus(*fall, 1 / k, ramp(beyond, k));
    }
}

/* How far a pin is inside distances from the rails; NAN: no limit. */
static quantity inside(const work *w, int pin, double from_low_v, double from_high_v)
{
    quantity share = constant(1);
    if (!isnan(from_low_v)) {
        quantity up = plus(w->pin[pin], -1, w->pin[SECOND_NEGATIVE]);
        up = plus(up, -1, constant(from_low_v));
        share = edge(scaled(1 / RANGE_EDGE_V, up));
    }
    if (!isnan(from_high_v)) {
        quantity down = plus(w->pin[SECOND_POSITIVE], -1, w->pin[pin]);
        down = plus(down, -1, constant(from_high_v));
        share = times(share, edge(scaled(1 / RANGE_EDGE_V, down)));
    }
    return share;
}

/* 1 beyond the lower distance, -1 beyond the upper one. */
static quantity outside(const work *w, int pin, double from_low_v, double from_high_v)
{
    quantity below = plus(constant(1), -1, inside(w, pin, from_low_v, (double)NAN));
    quantity above = plus(constant(1), -1, inside(w, pin, (double)NAN, from_high_v));
    return plus(below, -1, above);
}

/* What is left of the gain at a rail where both pins are beyond works_to; NAN: no limit. */
static quantity left_at(quantity plus_v, quantity minus_v, double works_to_v)
{
    if (isnan(works_to_v)) {
        return constant(1);
    }
    quantity beyond_p = edge(scaled(1 / RANGE_EDGE_V, plus(constant(works_to_v), -1, plus_v)));
    quantity beyond_m = edge(scaled(1 / RANGE_EDGE_V, plus(constant(works_to_v), -1, minus_v)));
    return plus(constant(1), -1, times(beyond_p, beyond_m));
}

/* d and g. */
static void find_drive(const work *w, quantity range, quantity *drive, quantity *gain)
{
    const sag_input_side *low = &w->opamp->figures->input_low;
    const sag_input_side *high = &w->opamp->figures->input_high;
    quantity wp = inside(w, SECOND_PLUS, low->reverses_at_v, high->reverses_at_v);
    quantity wm = inside(w, SECOND_MINUS, low->reverses_at_v, high->reverses_at_v);
    const quantity *pin = w->pin;
    quantity left =
        times(left_at(plus(pin[SECOND_PLUS], -1, pin[SECOND_NEGATIVE]),
                      plus(pin[SECOND_MINUS], -1, pin[SECOND_NEGATIVE]), low->works_to_v),
              left_at(plus(pin[SECOND_POSITIVE], -1, pin[SECOND_PLUS]),
                      plus(pin[SECOND_POSITIVE], -1, pin[SECOND_MINUS]), high->works_to_v));
    quantity sp = outside(w, SECOND_PLUS, low->reverses_at_v, high->reverses_at_v);
    quantity sm = outside(w, SECOND_MINUS, low->reverses_at_v, high->reverses_at_v);
    quantity flipped = scaled(FLIPPED_RANGES, range);
    *drive = times(times(wp, wm), w->pin[SECOND_INPUT]);
    *drive = plus(*drive, 1, times(flipped, sp));
    *drive = plus(*drive, -1, times(flipped, times(sm, wp)));
    left = plus(constant(LEAST_GAIN - REVERSED_GAIN), 1 - LEAST_GAIN, left);
    *gain = plus(constant(REVERSED_GAIN), 1, times(left, times(wp, wm)));
}

/* vg' + ..., as volts. */
static quantity gain_equation(const work *w, quantity io)
{
    const sag_opamp_model *f = w->opamp->figures;
    quantity wt = against_supply(w, &w->opamp->gain_bandwidth, 2 * M_PI * f->gain_bandwidth_hz);
    quantity rise = against_supply(w, &w->opamp->slew, f->slew_rise);
    quantity fall = against_supply(w, &w->opamp->slew, f->slew_fall);
    quantity drive, gain, clamp_rise, clamp_fall;
    find_drive(w, over(f->slew_rise > f->slew_fall ? rise : fall, wt), &drive, &gain);
    find_clamps(w, io, &clamp_rise, &clamp_fall);
    quantity slew = drive.value < 0 ? fall : rise;
    quantity reach = over(times(wt, drive), slew);
    double t = tanh(reach.value);
    quantity pull = times(times(gain, slew), of(reach, t, 1 - t * t));
    quantity off_middle = plus(w->pin[SECOND_GAIN], -0.5, w->pin[SECOND_POSITIVE]);
    off_middle = plus(off_middle, -0.5, w->pin[SECOND_NEGATIVE]);
    quantity sum = scaled(1 / f->open_loop_gain, times(off_middle, wt));
    sum = plus(sum, -1, pull);
    sum = plus(sum, 1, times(rise, clamp_rise));
    sum = plus(sum, -1, times(fall, clamp_fall));
    return scaled(w->opamp->scale_s, sum);
}

/* x + x'/p2 - (p - m + offset); *by_rate is 1/p2. */
static quantity input_equation(const work *w, double rate, double *by_rate)
{
    const sag_opamp_model *f = w->opamp->figures;
    quantity sum = plus(w->pin[SECOND_INPUT], -1, w->pin[SECOND_PLUS]);
    sum = plus(plus(sum, 1, w->pin[SECOND_MINUS]), -1, constant(f->offset_v));
    *by_rate = 0;
    if (!isnan(f->phase_margin_deg)) {
        double margin = f->phase_margin_deg * M_PI / 180;
        double figure = 2 * M_PI * f->gain_bandwidth_hz * sin(margin) * tan(margin);
        quantity pole = against_supply(w, &w->opamp->gain_bandwidth, figure);
        *by_rate = 1 / pole.value;
        sum = plus(sum, 1, over(constant(rate), pole));
    }
    return sum;
}

/* vg - e - cross(io) of a class-B output. */
static quantity emf_equation(const work *w, quantity io)
{
    const sag_opamp_model *f = w->opamp->figures;
    int sinks = f->class_a_sink_a < f->class_a_source_a; /* is the side that gives way first */
    double at_a = sinks ? -f->class_a_sink_a : f->class_a_source_a;
    quantity t = scaled(1 / (CROSSING_SHARE * fabs(at_a)), plus(io, -1, constant(at_a)));
    quantity share = plus(edge(t), -1, constant(sinks));
    quantity sum = plus(w->pin[SECOND_GAIN], -1, w->pin[SECOND_EMF]);
    return plus(sum, -f->dead_band_v, share);
}

static inline void keep(second_opamp_terms *terms, int row, quantity q)
{
    terms->row[row] = q.value;
#if SLOPES
    memcpy(terms->by[row], q.by, sizeof q.by);
#endif
}

void LAW(const second_opamp *opamp, const double v[SECOND_PINS], double gain_rate,
         double input_rate, second_opamp_terms *terms)
{
    work w = {.opamp = opamp};
    for (int i = 0; i < SECOND_PINS; i++) {
        w.pin[i] = constant(v[i]);
#if SLOPES
        w.pin[i].by[i] = 1;
#endif
    }
    quantity io = plus(w.pin[SECOND_EMF], -1, w.pin[SECOND_OUT]);
    io = scaled(1 / opamp->ohm, io);
    double s = opamp->split_a, root = sqrt(io.value * io.value + s * s);
    keep(terms, SECOND_PLUS, constant(0));
    keep(terms, SECOND_MINUS, constant(0));
    keep(terms, SECOND_OUT, scaled(-1, io));
    keep(terms, SECOND_POSITIVE, of(io, (io.value + root - s) / 2, (1 + io.value / root) / 2));
    keep(terms, SECOND_NEGATIVE, of(io, (io.value - root + s) / 2, (1 - io.value / root) / 2));
    keep(terms, SECOND_GAIN, plus(gain_equation(&w, io), opamp->scale_s, constant(gain_rate)));
    terms->gain_by_rate = opamp->scale_s;
    keep(terms, SECOND_INPUT, input_equation(&w, input_rate, &terms->input_by_rate));
    keep(terms, SECOND_EMF, second_opamp_crosses(opamp) ? emf_equation(&w, io) : constant(0));
}
