/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A signal switched on, followed in time: where shooting finds no orbit, this finds one to shoot at, or
 * that there is none. */
#include "steady_shoot.h"

#include <math.h>
#include <string.h>

/* Periods followed before a shot. A rectifier's charge moves Newton's steps about far more than it
 * moves the circuit: a few periods bring it to where the diode really conducts, and the slow linear
 * rest is what shooting is good at. */
static const int before_shots[] = {8, 32};

/* Whether the circuit comes to rest is looked at in windows of so many periods. This and the three
 * that follow are estimates, held against points of designs drawn by chance that were stepped 400 periods. */
#define WINDOW_PERIODS 64
/* A state goes on by itself that moves at least this share in each window of what it moved in the
 * first, */
#define GOES_ON 0.25
/* and comes back from where it went: a charge that builds up goes one way. */
#define COMES_BACK 0.25
/* Moves of a period smaller than this, over what an update may come to, are not looked at. */
#define MOVES 1e3

/* Goes on from followed[] by some periods. path: [state], grows by what each period moves; may be
 * NULL. 0 when a step fails. */
static int follow(sag_shooting *g, size_t lane, int periods, double *path)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *now = steady->followed, tolerance_v[SAG_MOST_LANES] = {0};
    tolerance_v[lane] = sag_shooting_tolerance(g, lane);
    for (int period = 0; period < periods; period++) {
        if (steady->cancelled || g->sweeps[lane] >= SAG_POINT_SWEEPS) {
            return 0;
        }
        for (size_t i = 0; i < n; i++) {
            steady->start[i * lanes + lane] = now[i];
        }
        g->active[lane] = 1;
        sag_shooting_run(g, tolerance_v, 0);
        g->active[lane] = 0;
        g->sweeps[lane]++;
        g->steps_taken[lane] += g->grid->steps;
        if (steady->period.failed[lane]) {
            return 0;
        }
        for (size_t i = 0; i < n; i++) {
            double end = steady->period.end[i * lanes + lane];
            if (path) {
                path[i] += fabs(end - now[i]);
            }
            now[i] = end;
        }
    }
    return 1;
}

/* Whether a state goes on by itself, of its paths in all windows and where it was before and after
 * them. */
static int goes_on(const sag_shooting *g, size_t lane, size_t state)
{
    const sag_steady *steady = g->steady;
    size_t n = steady->states;
    const double *path = steady->followed + n, *began = path + SAG_FOLLOW_WINDOWS * n;
    double least = MOVES * WINDOW_PERIODS * sag_shooting_allowance(g, lane, state), sum = 0;
    for (size_t window = 0; window < SAG_FOLLOW_WINDOWS; window++) {
        double moved = path[window * n + state];
        if (moved < least || moved < GOES_ON * path[state]) {
            return 0;
        }
        sum += moved;
    }
    return fabs(steady->followed[state] - began[state]) < COMES_BACK * sum;
}

/* Follows the lane further. 1 when it never comes to repeat with the signal: then g->wanders is the
 * op-amp that moves most from period to period. */
static int wanders(sag_shooting *g, size_t lane)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, opamps = steady->bias->network->opamp_count;
    double *path = steady->followed + n, *began = path + SAG_FOLLOW_WINDOWS * n;
    memset(path, 0, SAG_FOLLOW_WINDOWS * n * sizeof *path);
    memcpy(began, steady->followed, n * sizeof *began);
    for (size_t window = 0; window < SAG_FOLLOW_WINDOWS; window++) {
        if (!follow(g, lane, WINDOW_PERIODS, path + window * n)) {
            return 0;
        }
    }
    int any = 0;
    for (size_t i = 0; i < n; i++) {
        any |= goes_on(g, lane, i);
    }
    if (any) {
        const double *last = path + SAG_FOLLOW_WINDOWS * n - opamps;
        size_t most = 0;
        for (size_t k = 1; k < opamps; k++) {
            most = last[k] > last[most] ? k : most;
        }
        g->wanders[lane] = (int)most + 1;
    }
    return any;
}

void sag_steady_follow(sag_shooting *g, size_t lane, int to_the_end, sag_taking *t)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    sag_shooting_start(g, lane, steady->last_start, steady->last_level_vpk);
    for (size_t i = 0; i < n; i++) {
        steady->followed[i] = steady->start[i * lanes + lane];
    }
    for (size_t shot = 0; shot < sizeof before_shots / sizeof *before_shots; shot++) {
        if (!follow(g, lane, before_shots[shot], NULL)) {
            return;
        }
        sag_shoot_damped(g, lane, steady->followed, t);
        if (t->taken[lane] || g->arrived[lane]) {
            return;
        }
    }
    if (to_the_end && !wanders(g, lane)) {
        sag_shoot_damped(g, lane, steady->followed, t);
    }
}
