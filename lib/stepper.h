/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stepper.h - integrates the network over one period of a sine, a few levels in lockstep.
 *
 * SDIRK2 (two stages, gamma = 1 - 1/sqrt 2, L-stable, second order): both stages share the map with
 * a = 1/(gamma h) = (2 + sqrt 2)/h. The first stage starts from z(t), the second from z + (1 + sqrt
 * 2)(z1 - z); the second is the step's result. Alexander, SIAM J. Numer. Anal. 14, 1006, 1977.
 *
 * State z: deviations of the network's states from rest, then the gain nodes' from rest. Arrays
 * over lanes are laid out [index][lane]. */
#ifndef RAILSAG_STEPPER_H
#define RAILSAG_STEPPER_H

#include "stage.h"

#define SAG_MOST_STEPS 2048
#define SAG_MOST_LANES 4
/* A step that fails, or in which an input flips, is halved up to this often. */
#define SAG_SUBSTEP_DEPTH 10
/* Instants of a period at which it can be linearised; divides every number of steps. */
#define SAG_FROZEN    16
#define SAG_STEP_A(h) ((2 + M_SQRT2) / (h))

/* What stands between an op-amp and a limit; the share used of each. */
enum {
    SAG_USE_RAIL_POSITIVE,
    SAG_USE_RAIL_NEGATIVE,
    SAG_USE_SLEW,
    SAG_USE_CURRENT,
    SAG_USE_INPUT_RANGE,
    SAG_USE_LIMITS,                     /* those above are limits of the output or the input */
    SAG_USE_CROSSOVER = SAG_USE_LIMITS, /* of a class-B output: a hundredth of its dead band is 1 */
    SAG_USE_COUNT
};

typedef struct {
    const sag_devices *devices;
    const double *rest_observed; /* at the bias point */
    const double *rest_unknown;  /* the Newton unknowns there, which are the network's sources */
    int with_supply;             /* 1: fill in supply_v */
} sag_stepper_setup;

/* One period. All arrays belong to the stepper and hold the last period. */
typedef struct {
    double *end;       /* [state] */
    double *monodromy; /* [row][column] d end / d start, when asked for */
    double *output;    /* [step]: deviation of the output after each step */
    double *wave;      /* [step]: the same for Fourier sums: where a step was run in finer ones, the
                          samples      before and after it make up for what it did between them */
    double *opamp_out; /* [op-amp][step] */
    double *supply_v;  /* [SAG_SUPPLY_ROWS][step]: deviations; zero unless asked for */
    double *use;       /* [op-amp][SAG_USE_COUNT]: largest share of each limit used; 1 is met */
    double *clamp;     /* largest share of a slew rate that any clamp carried; 1 where an input
                          range bent the drive */
    double *drive;     /* largest |wt x / SR| of any op-amp */
    double *upright;   /* least share of upright drive that any input stage passed; 0: reversed */
    double *frozen_unknown;  /* [instant][unknown]: after each of SAG_FROZEN equal parts */
    double *frozen_observed; /* [instant][observed] */
    unsigned char *failed;   /* lanes where a step found no solution */
    long long steps_run;     /* of all active lanes, with those that steps were halved into */
} sag_period;

/* How a period is to be run. */
typedef struct {
    const sag_map *map; /* for the step */
    sag_map *finer;     /* one for each halving, filled by `refine` on first need */
    sag_status (*refine)(void *context, double a, sag_map *map);
    void *refine_context;
    size_t steps;
    int flip_halvings; /* most, of a step in which an input flips; SAG_SUBSTEP_DEPTH or less */
    int with_monodromy;
    const double *level_vpk, *tolerance_v; /* [lane] */
    const unsigned char *active;           /* [lane] */
    const double *start;                   /* [state][lane] */
} sag_run;

typedef struct sag_stepper_kind sag_stepper_kind;
struct sag_stepper_kind {
    size_t lanes;
    sag_status (*make)(const sag_stepper_setup *setup, void **stepper, sag_period *period);
    void (*free)(void *stepper);
    void (*run)(void *stepper, const sag_run *how);
};

extern const sag_stepper_kind sag_stepper_1, sag_stepper_4;
#ifdef RAILSAG_AVX2
extern const sag_stepper_kind sag_stepper_4_avx2;
#endif

/* The quickest kind of four lanes on this processor. */
const sag_stepper_kind *sag_stepper_best(void);

#endif
