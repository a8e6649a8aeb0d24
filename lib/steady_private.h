/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady_private.h - the parts of the periodic solution: its linear start, the shooting, the
 * reading of the orbit. */
#ifndef RAILSAG_STEADY_PRIVATE_H
#define RAILSAG_STEADY_PRIVATE_H

#include "small_signal.h"
#include "stability_private.h"
#include "steady.h"
#include "stepper.h"

/* Numbers of steps a period, each a power of two. */
enum {
    SAG_GRID_COARSE, /* where nothing bends */
    SAG_GRID_SCOUT,  /* finds roughly where a clipped orbit lies, and its sensitivity */
    SAG_GRID_FINE,
    SAG_GRID_FINER,
    SAG_GRID_CHECK, /* only when asked for */
    SAG_GRID_COUNT
};
extern const int sag_grid_steps[SAG_GRID_COUNT];

/* Sweeps over the period before a start is given up. */
#define SAG_MOST_SWEEPS 14
/* and before a point is: those that come to an orbit at all take up to about a thousand. */
#define SAG_POINT_SWEEPS 2000

/* Windows of periods in which it is judged whether a circuit comes to repeat. */
#define SAG_FOLLOW_WINDOWS 4

/* What is prepared for one frequency and one number of steps. */
typedef struct {
    int ready;
    int steps;
    sag_map map;
    sag_map finer[SAG_SUBSTEP_DEPTH];
    double *monodromy;     /* states x states, of the linear period map */
    sag_lu *shoot;         /* I - monodromy */
    double complex *orbit; /* linear periodic solution after whole steps, z for u = e^{j w t} */
    double complex output; /* the fundamental of the output on this grid, per unit of drive */
} sag_grid;

struct sag_steady {
    const sag_bias *bias;
    sag_steady_settings settings;
    const sag_stepper_kind *kind;
    void *stepper;
    sag_period period;
    sag_small_signal linear;
    sag_judge *judge;
    sag_gain_loss *losses; /* where settings.losses was NULL */
    double *instant;       /* unknowns and observations of one, for the judge */
    sag_map_maker *maker;
    sag_steady_effort spent;
    int cancelled; /* settings.stops has asked to stop */
    size_t states; /* network's and gain nodes */
    double frequency_hz;
    int prepared;        /* the linear solution at the frequency stands */
    double complex gain; /* exact small-signal gain at the frequency */
    double onset_vpk;    /* linear estimate of clip onset, and the limit */
    sag_limit onset_limit;
    sag_grid grid[SAG_GRID_COUNT];
    sag_lu *lu; /* size of the linearised network */
    sag_zlu *zlu, *zlu_states;
    double complex *zwork, *x, *zstates;
    double *work;           /* 2 size^2 + ...: see sag_steady_new */
    double *start, *update; /* [state][lane] */
    double *past;           /* [lane][update][state]: the updates made */
    sag_lu **own;           /* one a lane: I - its own monodromy */
    double *last_start; /* [state]: start of the highest level solved at this frequency, and that
                           level */
    double last_level_vpk;
    double *starts; /* [level][state]: of the orbits of one solve, where an input can reverse */
    size_t starts_count;
    double *followed; /* [state] followed in time; then what each window moved it, and where it was
                         before: see steady_follow.c */
    double *kept; /* [state] of a damped shooting: the start it last went on from, and the update */
    int last_has_own; /* own[0] is its sensitivity, on the fine grid or its scout */
};

/* steady_linear.c */
sag_status sag_steady_prepare(sag_steady *steady); /* gain, onset */
sag_status sag_steady_prepare_grid(sag_steady *steady, size_t index);

/* steady_orbit.c: what a lane of the last period says. clipped: a clamp carried more than 1e-3 of a
 * slew rate. */
typedef struct {
    int clipped;
    double
        spectrum_tail; /* largest harmonic from a quarter to half the steps over the fundamental */
} sag_orbit_check;

sag_orbit_check sag_steady_check(const sag_steady *steady, const sag_grid *grid, size_t lane);
void sag_steady_read(const sag_steady *steady, const sag_grid *grid, size_t lane, double level_vpk,
                     int clipped, sag_steady_point *point, sag_opamp_swing *swings);

/* steady_stability.c: what of the last period's orbit of a lane grows. SAG_OSCILLATES when it grows
 * throughout; burst says what and where. */
sag_status sag_steady_judge(const sag_steady *steady, size_t lane, sag_burst *burst);

/* steady_search.c: sag_steady_solve without regard to other states. starts: [level][state], of the
 * orbits found; may be NULL. */
sag_status sag_steady_search(sag_steady *steady, const double *level_vpk, size_t level_count,
                             sag_steady_point *points, sag_opamp_swing *swings, double *starts);

/* One level, from the start of the last orbit solved (last_start at last_level_vpk; 0: from
 * silence), which it replaces. */
sag_status sag_steady_next(sag_steady *steady, double level_vpk, sag_steady_point *point,
                           sag_opamp_swing *swings);

/* Up to as many levels as there are lanes at once, each from the start of an orbit at another level.
 * arrived: 1 where that comes near the start of the orbit known; the point is then not filled in.
 * What was solved last is forgotten. */
typedef struct {
    double level_vpk, start_vpk;
    const double *start, *known;
} sag_steady_probe;
sag_status sag_steady_from(sag_steady *steady, const sag_steady_probe *probes, size_t count,
                           sag_steady_point *points, unsigned char *arrived);

/* Runs the period of the last orbit solved once more in lane 0 of the fine grid, with its sensitivity.
 * 0 when a step fails. */
int sag_steady_run_once(sag_steady *steady, double level_vpk);

/* steady_branches.c: where an op-amp can reverse, whether the orbits found are those reached from
 * silence; puts in those that are, and marks levels at which there are others. starts:
 * [level][state]. */
int sag_steady_can_reverse(const sag_steady *steady);
sag_status sag_steady_branches(sag_steady *steady, const double *level_vpk, size_t level_count,
                               const double *starts, sag_steady_point *points,
                               sag_opamp_swing *swings);

#endif
