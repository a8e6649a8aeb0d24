/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench.h - for tests that put an op-amp on a simulated bench: the circuits, with the op-amp, the
 * supply and single values to be chosen. */
#ifndef RAILSAG_BENCH_H
#define RAILSAG_BENCH_H

#include "orbits.h"

static inline void bench_set(sag_design *design, const char *designator, double value)
{
    assert_non_null(sag_design_part(design, designator));
    ((sag_part *)sag_design_part(design, designator))->value = value;
}

/* A design of circuit.h with this op-amp as U1. */
static inline sag_design *bench_design(const char *text, const char *model)
{
    sag_design *design = circuit_read(text);
    char change[64];
    snprintf(change, sizeof change, "U1=%s", model);
    circuit_change(design, change);
    return design;
}

/* The same on a supply of its own. */
static inline circuit bench_open(sag_design *design, double supply_v)
{
    sag_conditions conditions = circuit_at(supply_v);
    return circuit_open_design(design, &conditions);
}

/* A follower from a stiff middle of the supply into a load behind 100 uF. */
static inline circuit bench_follower(const char *model, double supply_v, double load_ohm)
{
    sag_design *design = bench_design(ORBITS_FOLLOWER("tl072", "1V", "10k"), model);
    bench_set(design, "V1", supply_v / 2);
    bench_set(design, "R2", load_ohm);
    return bench_open(design, supply_v);
}

/* A follower whose input is a direct voltage, V1. */
#define BENCH_DC_FOLLOWER                                                                          \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",               \
            "'V1': {'voltage': '1V', 'positive': 'p', 'negative': 'ground'}, "                     \
            "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "                             \
            "'R2': {'resistor': '1M', 'between': ['out', 'ground']}, "                             \
            "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'out', 'out': 'out', "                \
            "'rails': ['bat', 'ground']}")

static inline sag_steady_point bench_point(sag_steady *steady, double frequency_hz,
                                           double level_vpk)
{
    sag_steady_point point = point_at(steady, frequency_hz, level_vpk, NULL);
    if (point.status != SAG_OK) {
        print_error("%g Hz at %g V peak: %s\n", frequency_hz, level_vpk,
                    sag_status_name(point.status));
        fail();
    }
    return point;
}

#endif
