/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_opamp.h - the op-amp of the second model: what it takes from its nodes.
 *
 *     vg' = g SR tanh(wt d / SR) - (vg - vmid) wt/A0 - clamps        gain node               [V/s]
 *     clamps = SR/k [ramp(vo - vhigh + k) - ramp(vlow - vo + k)] + the same on io at +-Isc
 *     d = w(p) w(m) x + E s(p) - E s(m) w(p)                         drive                     [V]
 *     g = r + (l - r) w(p) w(m),  l = 1e-9 + (1 - 1e-9) (1 - b(p) b(m)) of either rail, r = 0.1
 *     x + x'/p2 = p - m + offset                                     input                     [V]
 *     vg = e + cross(io)                                             EMF e of the output       [V]
 *     io = (e - vo)/Ro                                               out of the pin            [A]
 *   vs     v(positive) - v(negative) of the moment, which drops and supply current are read at; gain-bandwidth
 *          and slew rate are read at the resting supply
 *   vhigh  v(positive) - drop(io, vs);  vlow  v(negative) + drop(-io, vs)
 *   vmid   half way between the rails
 *   k      half-width of the knee: a quarter of the drop at no load, 0.5 to 10 mV; Isc/100
 *   p2     wt sin(PM) tan(PM)
 *   p, m   the input pins;  w  1 inside reverses_at, b  1 beyond works_to at a rail, over 100 mV;
 *          s  1 beyond reverses_at of the negative rail, -1 beyond that of the positive one
 *   E      five linear ranges SR/wt
 *   cross  over the dead band as io passes the class-A current of the side that gives way first,
 *          from half of it to half as much again; 0 at rest
 * The positive rail gives io/2 + (sqrt(io^2 + s^2) - s)/2 and the negative takes the rest; s is a
 * twentieth of the quiescent current of one amplifier. */
#ifndef RAILSAG_SECOND_OPAMP_H
#define RAILSAG_SECOND_OPAMP_H

#include "second_tables.h"

/* What an op-amp stands between. */
enum {
    SECOND_PLUS,
    SECOND_MINUS,
    SECOND_OUT,
    SECOND_POSITIVE,
    SECOND_NEGATIVE,
    SECOND_GAIN,  /* vg */
    SECOND_INPUT, /* x */
    SECOND_EMF,   /* e; the gain node itself where nothing crosses */
    SECOND_PINS
};

typedef struct {
    const sag_opamp_model *figures;
    second_curve gain_bandwidth, slew; /* ratios over supply */
    second_drop high, low;
    double ohm;                 /* Ro, at least 1 */
    double knee_high, knee_low; /* half-widths, V */
    double scale_s;             /* turns the gain node's rate into volts: 1/wt at rest */
    double split_a;
    double rest_supply_v; /* 0: not known yet */
    int at[SECOND_PINS];  /* unknowns; -1 ground */
} second_opamp;

sag_status second_opamp_make(second_opamp *opamp, const sag_opamp_model *figures);
/* The figures that stay those of the resting supply: gain-bandwidth, slew rate, knees, scale. */
void second_opamp_rest(second_opamp *opamp, double supply_v);

/* row: currents leaving the nodes into the part (A), then the equations of gain node, input and EMF
 * (V; none for an EMF that is the gain node). by: derivatives by v. rate_by: by the rate of the gain
 * node and of the input, each in its own row. */
typedef struct {
    double row[SECOND_PINS];
    double by[SECOND_PINS][SECOND_PINS];
    double gain_by_rate, input_by_rate;
} second_opamp_terms;

/* second_opamp_values leaves the derivatives by v as they are. */
void second_opamp_values(const second_opamp *opamp, const double v[SECOND_PINS], double gain_rate,
                         double input_rate, second_opamp_terms *terms);
void second_opamp_slopes(const second_opamp *opamp, const double v[SECOND_PINS], double gain_rate,
                         double input_rate, second_opamp_terms *terms);

/* 1 where the output is of class B and its EMF an unknown of its own. */
int second_opamp_crosses(const second_opamp *opamp);

/* The curve of a ratio over supply: 0 gain-bandwidth, 1 slew rate, 2 supply current; 1 throughout
 * where the model gives none. */
void second_ratio_make(second_curve *curve, const sag_opamp_model *figures, int which);

#endif
