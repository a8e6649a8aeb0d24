/* SPDX-License-Identifier: GPL-3.0-or-later */
/* orbits.h - for tests of periodic solutions: a workspace, a point, a follower to drive. */
#ifndef RAILSAG_ORBITS_H
#define RAILSAG_ORBITS_H

#include "circuit.h"
#include "near.h"

#include "steady.h"

#define CLOSED "closed form of the circuit"

static inline sag_steady *steady_of(const circuit *c, int least_steps, int one_lane)
{
    sag_steady_settings settings = sag_steady_defaults();
    settings.least_steps = least_steps;
    settings.one_lane = one_lane;
    sag_steady *steady = NULL;
    assert_int_equal(sag_steady_new(c->bias, &settings, &steady), SAG_OK);
    return steady;
}

static inline sag_steady_point point_at(sag_steady *steady, double frequency_hz, double level_vpk,
                                        sag_opamp_swing *swings)
{
    sag_steady_point point;
    assert_int_equal(sag_steady_frequency(steady, frequency_hz), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, &level_vpk, 1, &point, swings), SAG_OK);
    return point;
}

/* A follower whose plus input rests at a given voltage between stiff rails of 10 V. */
#define ORBITS_FOLLOWER(model, rest, load)                                                         \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",               \
            "'V1': {'voltage': '" rest "', 'positive': 'mid', 'negative': 'ground'}, "             \
            "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "                                 \
            "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "                                \
            "'C2': {'capacitor': '100u', 'between': ['x', 'out']}, "                               \
            "'R2': {'resistor': '" load "', 'between': ['out', 'ground']}, "                       \
            "'U1A': {'opamp': '" model                                                             \
            "', 'plus': 'p', 'minus': 'x', 'out': 'x', 'rails': ['bat', 'ground']}")

#endif
