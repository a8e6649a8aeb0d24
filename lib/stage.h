/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stage.h - one implicit stage: the linear part condensed onto the op-amps, their rails and the
 * diodes.
 *
 * A stage solves the network's equations with every state's rate written as a (s - s*), where s* is
 * known from the stages before (a = 0: at rest). The linear part is factored once for each a, and
 * leaves
 *     [states; observed] = M [s*; u; src]          as deviations from a base
 * so that Newton runs on one unknown an op-amp, one a pair of rails and one a diode:
 *     e_k   EMF behind the output resistance of op-amp k                                     V
 *     H_r   current through rail pair r from positive to negative: quiescent current and the
 *           part of the load currents that does not split evenly                             A
 *     i_d   current of diode d less its reference conductance times its voltage              A
 * These are the network's sources themselves, so that every iterate obeys the linear equations.
 * device_lanes.h has the equations. */
#ifndef RAILSAG_STAGE_H
#define RAILSAG_STAGE_H

#include "network_private.h"

/* A Newton step shorter than this cannot have brought an output from clear of its limits into a
 * clamp. */
#define SAG_SMOOTH_STEP_V 5e-3

/* A limit counts as met when its clamp carries this share of the slew rate: the output has come to
 * the limit's knee. A larger share would also ask for a large drive: a tenth of the slew rate takes
 * 70 mV at the input of a slow-input JFET part, and its stage has 3 percent THD by then. */
#define SAG_CLAMP_MET 2e-3
/* The clamp's ramp (smooth_lanes.h) over its half-width is that at this times it: root of (t+1)^3
 * (3-t) = 16 * 2e-3. */
#define SAG_RAMP_MET (-0.7964883372)
/* The slew rate counts as met where |tanh| is 0.9: |wt x / SR| there. */
#define SAG_SLEW_MET 1.4722194895832204

/* The change-over of a class-B output stage is as wide as the current at which it happens; half of
 * that. Estimate: one side has to run out of current before the other takes over. */
#define SAG_HAND_OVER 0.5

/* Half-width of the edges of an input range: from full gain to none, or from upright to reversed,
 * within 100 mV, nine tenths of it within 50 mV. */
#define SAG_RANGE_EDGE_V 50e-3
/* The input range counts as met where an edge has come down to 0.9; its place on the edge
 * (lane_edge in smooth_lanes.h), over the half-width. */
#define SAG_RANGE_MET 0.506727093423
/* What is left of gain-bandwidth and slew rate where both pins are far outside: next to nothing, so
 * that an output stays where it is for longer than a period of sound; above zero for a part without
 * leak, whose output would rest anywhere. */
#define SAG_LEAST_GAIN 1e-9
/* Gain-bandwidth and slew rate that drive the output of a reversed stage. Estimate: the jump is seen
 * to be faster than any sound, and so is this one; a tenth can still be followed in steps. */
#define SAG_REVERSED_GAIN 0.1

/* One side of an input range: distances inside the rail, V, -INFINITY where there is no limit. */
typedef struct {
    double works_to_v, reverses_at_v;
    double watch_v; /* no edge reaches further inside than this */
    double met_v;   /* the range counts as met here */
} sag_input_range;

/* The drop of one side about the resting supply: the surface there, and its slope in supply. */
typedef struct {
    size_t count;
    double supply_v;
    const double *current;             /* the surface's */
    double *value, *slope, *by_supply; /* at each current */
} sag_drop_line;

/* The drop at a load current and a supply near the resting one, with derivatives. */
double sag_drop_line_at(const sag_drop_line *line, double current_a, double supply_v,
                        double *by_current, double *by_supply);

/* Figures of one op-amp at its supply. */
typedef struct {
    double wt;                   /* 2 pi GBW, rad/s */
    double slew_rise, slew_fall; /* V/s */
    double leak;                 /* wt / A0, 1/s */
    double siemens;              /* 1 / Ro */
    double second_pole;          /* rad/s; INFINITY: none */
    double short_source_a, short_sink_a;
    double knee_high_v, knee_low_v; /* half-width of the knee of each limit */
    double knee_source_a, knee_sink_a;
    double clear_v,
        clear_ohm; /* no clamp conducts further inside both rails than clear_v + clear_ohm |io| */
    sag_drop_line high, low;
    sag_input_range input_low, input_high;
    double dead_band_v;              /* class-B output: 0 none */
    double hand_over_a, hand_half_a; /* load current at which its sides change over, half the width
                                        of the change */
    double flipped_v;                /* drive of a reversed input stage */
    size_t rail;
} sag_stage_opamp;

typedef struct {
    const sag_network *network;
    sag_stage_opamp *opamps;
    double *kappa;  /* weights of the network's states, second poles filled in */
    double *rail_v; /* each rail pair: resting supply, quiescent current there and its slope, A/V */
    double *quiet_a, *quiet_slope;
    double *split_a; /* each rail pair: load current over which the split between the rails changes
                        over */
} sag_devices;

/* The op-amps' figures with rail_v volts between each pair of rails (network->rail_count values).
 */
sag_status sag_devices_make(sag_devices *devices, const sag_network *network, const double *rail_v);
void sag_devices_clear(sag_devices *devices);

/* M for one a, row-major: rows states, then observed (row_count), then those of the supply; columns
 * states (history), the drive, sources. */
typedef struct {
    double a; /* 1/s */
    size_t rows, columns;
    double *m;
    double *
        rest; /* observed values with no history, drive or sources: what the constants alone give */
} sag_map;

/* Room for a map of the network; filled by sag_map_fill. */
sag_status sag_map_new(const sag_network *network, sag_map *map);
void sag_map_clear(sag_map *map);

typedef struct sag_map_maker sag_map_maker; /* workspace for filling maps */
sag_status sag_map_maker_new(const sag_devices *devices, sag_map_maker **out);
void sag_map_maker_free(sag_map_maker *maker);
sag_status sag_map_fill(sag_map_maker *maker, double a, sag_map *map);

/* The unknowns x themselves, from the resting map's sources (a = 0): for reading back the bias
 * point. */
sag_status sag_map_unknowns(sag_map_maker *maker, const double *source, double *x);

#endif
