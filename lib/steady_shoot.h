/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady_shoot.h - shooting at the orbits of one group of levels (private to the periodic solution). */
#ifndef RAILSAG_STEADY_SHOOT_H
#define RAILSAG_STEADY_SHOOT_H

#include "steady_private.h"

/* One group of levels in lanes, at one number of steps. */
typedef struct {
    sag_steady *steady;
    sag_grid *grid;
    double level_vpk[SAG_MOST_LANES];
    unsigned char active[SAG_MOST_LANES]; /* still to be solved */
    unsigned char converged[SAG_MOST_LANES];
    unsigned char has_own[SAG_MOST_LANES]; /* its own sensitivity is factored */
    /* [state] start of an orbit known at the level, or NULL: a lane that comes near it is drawn to it,
     * and is given up as arrived. */
    const double *known[SAG_MOST_LANES];
    unsigned char arrived[SAG_MOST_LANES];
    int wanders[SAG_MOST_LANES];  /* one more than the op-amp that goes on by itself, see
                                    sag_steady_follow; 0: none is known to */
    int updates[SAG_MOST_LANES];  /* made since the matrix in use was factored */
    double size[SAG_MOST_LANES];  /* of the last update, over what is allowed */
    double moved[SAG_MOST_LANES]; /* the period from its start, likewise */
    double least_size[SAG_MOST_LANES], least_moved[SAG_MOST_LANES]; /* see stalls */
    int since[SAG_MOST_LANES];
    int sweeps[SAG_MOST_LANES];
    int steps_taken[SAG_MOST_LANES];
    int rough;    /* 1: steps in which an input flips are halved just a few times */
    double share; /* of an update that is taken, of a lane that is shot at by damped(); 0: no
                     damping */
} sag_shooting;

/* Where the results of a group go. */
typedef struct {
    sag_steady_point *points;
    sag_opamp_swing *swings; /* or NULL */
    size_t first;            /* index of lane 0's level */
    int accept_coarse; /* 0: lanes whose orbit the grid does not resolve are left for a finer one */
    unsigned char taken[SAG_MOST_LANES]; /* out: the lane's point is filled in */
} sag_taking;

/* The sensitivity of the period to its start that a shooting begins with. */
typedef enum { SAG_FROM_LINEAR, SAG_FROM_KEPT, SAG_FROM_OWN } sag_sensitivity;

/* What an update of a state may come to, and still be none: 1e-6 of the linear peak to peak plus
 * 1e-8. */
double sag_shooting_allowance(const sag_shooting *g, size_t lane, size_t state);

/* What Newton's updates within the steps may come to. */
double sag_shooting_tolerance(const sag_shooting *g, size_t lane);

/* Start of a lane: the orbit below it with what the linear solution adds for the rest of the level,
 * as far as clip onset; below_vpk 0: the linear orbit at time 0 under u = A sin w t. */
void sag_shooting_start(sag_shooting *g, size_t lane, const double *below, double below_vpk);

/* Integrates a period of the active lanes from steady->start. */
void sag_shooting_run(sag_shooting *g, const double *tolerance_v, int with_monodromy);

/* Shoots from steady->start until every active lane repeats itself or is given up; steady->start
 * then holds the starts of the orbits found. A lane is done when its update is below `enough` of
 * what is allowed. t may be NULL. */
void sag_shoot(sag_shooting *g, sag_sensitivity from, double enough, sag_taking *t);

/* Shoots at one lane with damped steps, from start ([state]; NULL: what stands in steady->start). */
void sag_shoot_damped(sag_shooting *g, size_t lane, const double *start, sag_taking *t);

/* steady_follow.c: follows a lane in time, from the last orbit solved, and shoots at it from there.
 * to_the_end: if that fails, looks whether it ever repeats with the signal. */
void sag_steady_follow(sag_shooting *g, size_t lane, int to_the_end, sag_taking *t);

/* A point without figures, and that of a lane that was not taken. */
void sag_steady_fail(const sag_steady *steady, sag_steady_point *point, sag_opamp_swing *swings,
                     sag_status status);
void sag_steady_give_up(const sag_shooting *g, size_t lane, sag_steady_point *point,
                        sag_opamp_swing *swings);

/* The start of a lane's orbit becomes that of the last level solved. */
void sag_steady_keep_start(sag_steady *steady, size_t lane, double level_vpk);

#endif
