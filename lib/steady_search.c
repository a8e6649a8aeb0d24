/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From which start a level is shot at, on which number of steps, and what is tried where that fails. */
#include "steady_shoot.h"

#include <math.h>
#include <string.h>

/* The scouting grid's orbit is only a start: a larger update will do for it. */
#define SCOUT_SIZE 3e4
#define DB_RATIO   1.1220184543019633 /* 1 dB */

/* A lane that did not converge from its start: raised to its level from clip onset, in steps of at
 * most 1 dB, smaller where that fails. Leaves the orbit's start as the last one solved. */
static void climb(sag_shooting *g, size_t lane, sag_taking *t)
{
    sag_steady *steady = g->steady;
    double target = g->level_vpk[lane], ratio = DB_RATIO;
    if (!(steady->last_level_vpk > 0) || steady->last_level_vpk > target) {
        steady->last_level_vpk = 0;
    }
    double reached = steady->last_level_vpk;
    for (int tries = 0; tries < 150 && ratio > 1.002 && g->sweeps[lane] < SAG_POINT_SWEEPS;
         tries++) {
        double next = reached > 0 ? reached * ratio : 0.9 * steady->onset_vpk;
        int last = next >= target;
        g->level_vpk[lane] = last ? target : next;
        sag_shooting_start(g, lane, steady->last_start, reached);
        g->active[lane] = 1;
        sag_shoot(g, SAG_FROM_OWN, 1, last ? t : NULL);
        if (g->converged[lane]) {
            reached = g->level_vpk[lane];
            sag_steady_keep_start(steady, lane, reached);
            if (last) {
                break;
            }
        } else if (reached > 0) {
            ratio = sqrt(ratio);
        } else {
            break;
        }
    }
    g->level_vpk[lane] = target;
}

/* A lane that did not converge from its start, from there again with damped steps. */
static void shoot_damped(sag_shooting *g, size_t lane, sag_taking *t)
{
    sag_shooting_start(g, lane, g->steady->last_start, g->steady->last_level_vpk);
    sag_shoot_damped(g, lane, NULL, t);
}

/* The grid to begin with: the coarsest, or the one asked for. */
static size_t first_grid(const sag_steady *steady)
{
    size_t grid = 0;
    while (grid + 1 < SAG_GRID_COUNT && sag_grid_steps[grid] < steady->settings.least_steps) {
        grid++;
    }
    return grid;
}

/* Chooses the lanes still to be solved; returns 1 when there are any. */
static int choose_lanes(sag_shooting *g, const sag_taking *t, size_t count, double highest_vpk)
{
    int any = 0;
    for (size_t lane = 0; lane < count; lane++) {
        g->active[lane] = !t->taken[lane] && g->level_vpk[lane] <= highest_vpk;
        any |= g->active[lane];
    }
    return any;
}

/* Runs the chosen lanes on a grid. started: lanes whose start is in steady->start already; updated.
 */
static sag_status run_grid(sag_shooting *g, size_t grid, sag_sensitivity from, double enough,
                           sag_taking *t, unsigned char started[SAG_MOST_LANES])
{
    sag_steady *steady = g->steady;
    TRY(sag_steady_prepare_grid(steady, grid));
    g->grid = &steady->grid[grid];
    for (size_t lane = 0; lane < steady->kind->lanes && lane < SAG_MOST_LANES; lane++) {
        if (g->active[lane] && !started[lane]) {
            sag_shooting_start(g, lane, steady->last_start, steady->last_level_vpk);
        }
    }
    unsigned char chosen[SAG_MOST_LANES];
    memcpy(chosen, g->active, sizeof chosen);
    sag_shoot(g, from, enough, t);
    for (size_t lane = 0; lane < steady->kind->lanes && lane < SAG_MOST_LANES; lane++) {
        if (chosen[lane]) {
            started[lane] = g->converged[lane];
        }
    }
    return SAG_OK;
}

static int near_last(const sag_steady *steady, double level_vpk)
{
    double ratio = level_vpk / steady->last_level_vpk;
    return steady->last_has_own && ratio > 1 / (DB_RATIO * DB_RATIO) && ratio < DB_RATIO * DB_RATIO;
}

/* Lanes that no start brought to an orbit, once more from the first one, in the shortest steps: where
 * Newton finds no way through a step, shorter ones may go another. */
static sag_status try_shortest(sag_shooting *g, sag_taking *t, size_t count)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    int any = 0;
    for (size_t lane = 0; lane < count; lane++) {
        g->active[lane] = !t->taken[lane] && !g->wanders[lane];
        any |= g->active[lane];
    }
    return any ? run_grid(g, SAG_GRID_CHECK, SAG_FROM_OWN, 1, t, started) : SAG_OK;
}

static sag_status solve_group(sag_steady *steady, sag_shooting *g, sag_taking *t, size_t count)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    size_t first = first_grid(steady);
    if (first == SAG_GRID_COARSE) {
        /* What the linear solution takes past a limit is not worth trying on the coarse grid. */
        if (choose_lanes(g, t, count, 1.02 * steady->onset_vpk)) {
            TRY(run_grid(g, SAG_GRID_COARSE, SAG_FROM_LINEAR, 1, t, started));
        }
        first = SAG_GRID_FINE;
    }
    t->accept_coarse = 1;
    /* One level near the last one solved: its start and its sensitivity are as good as a scout's.
     */
    if (first == SAG_GRID_FINE && count == 1 && near_last(steady, g->level_vpk[0]) &&
        choose_lanes(g, t, count, (double)INFINITY)) {
        g->has_own[0] = 1;
        TRY(run_grid(g, first, SAG_FROM_KEPT, 1, t, started));
    }
    size_t finest = first > SAG_GRID_FINER ? first : SAG_GRID_FINER;
    for (size_t grid = first; grid <= finest; grid++) {
        if (!choose_lanes(g, t, count, (double)INFINITY)) {
            break;
        }
        if (grid > SAG_GRID_SCOUT) {
            TRY(run_grid(g, SAG_GRID_SCOUT, SAG_FROM_OWN, SCOUT_SIZE, NULL, started));
            choose_lanes(g, t, count, (double)INFINITY);
        }
        TRY(run_grid(g, grid, SAG_FROM_KEPT, 1, t, started));
        for (size_t lane = 0; lane < count; lane++) {
            if (!t->taken[lane]) {
                shoot_damped(g, lane, t);
            }
            if (!t->taken[lane]) {
                climb(g, lane, t);
            }
            if (!t->taken[lane]) {
                sag_steady_follow(g, lane, grid == finest, t);
            }
        }
    }
    return finest < SAG_GRID_CHECK ? try_shortest(g, t, count) : SAG_OK;
}

sag_status sag_steady_from(sag_steady *steady, const sag_steady_probe *probes, size_t count,
                           sag_steady_point *points, unsigned char *arrived)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    sag_shooting g = {.steady = steady};
    sag_taking t = {.points = points, .accept_coarse = 1};
    TRY(sag_steady_prepare_grid(steady, SAG_GRID_SCOUT));
    g.grid = &steady->grid[SAG_GRID_SCOUT];
    for (size_t lane = 0; lane < count; lane++) {
        g.level_vpk[lane] = probes[lane].level_vpk;
        g.active[lane] = started[lane] = 1;
        sag_shooting_start(&g, lane, probes[lane].start, probes[lane].start_vpk);
    }
    TRY(run_grid(&g, SAG_GRID_SCOUT, SAG_FROM_OWN, SCOUT_SIZE, NULL, started));
    for (size_t lane = 0; lane < count; lane++) {
        g.known[lane] = probes[lane].known;
        g.active[lane] = 1;
        if (!started[lane]) {
            sag_shooting_start(&g, lane, probes[lane].start, probes[lane].start_vpk);
            started[lane] = 1;
        }
    }
    TRY(run_grid(&g, SAG_GRID_FINE, SAG_FROM_KEPT, 1, &t, started));
    for (size_t lane = 0; lane < count; lane++) {
        memcpy(steady->last_start, probes[lane].start, steady->states * sizeof *steady->last_start);
        steady->last_level_vpk = probes[lane].start_vpk;
        if (!t.taken[lane] && !g.arrived[lane]) {
            shoot_damped(&g, lane, &t);
        }
        if (!t.taken[lane] && !g.arrived[lane]) {
            sag_steady_follow(&g, lane, 0, &t);
        }
        arrived[lane] = g.arrived[lane];
        if (!t.taken[lane]) {
            sag_steady_give_up(&g, lane, &points[lane], NULL);
        }
    }
    steady->last_has_own = 0;
    return steady->cancelled ? SAG_CANCELLED : SAG_OK;
}

sag_status sag_steady_next(sag_steady *steady, double level_vpk, sag_steady_point *point,
                           sag_opamp_swing *swings)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    sag_shooting g = {.steady = steady, .level_vpk = {level_vpk}};
    sag_taking t = {.points = point, .swings = swings, .accept_coarse = 1};
    int near = near_last(steady, level_vpk);
    sag_status status = steady->prepared ? SAG_OK : SAG_SINGULAR;
    if (status == SAG_OK && !(steady->last_level_vpk > 0)) {
        status = solve_group(steady, &g, &t, 1);
    } else if (status == SAG_OK) {
        g.active[0] = 1;
        g.has_own[0] = (unsigned char)near;
        status = run_grid(&g, SAG_GRID_FINE, near ? SAG_FROM_KEPT : SAG_FROM_OWN, 1, &t, started);
        if (status == SAG_OK && !t.taken[0]) {
            shoot_damped(&g, 0, &t);
        }
        if (status == SAG_OK && !t.taken[0]) {
            sag_steady_follow(&g, 0, 1, &t);
        }
    }
    if (status < SAG_OK) {
        return status;
    }
    if (t.taken[0]) {
        sag_steady_keep_start(steady, 0, level_vpk);
    } else {
        sag_steady_give_up(&g, 0, point, swings);
    }
    steady->last_has_own =
        t.taken[0] && g.has_own[0] && point->steps == sag_grid_steps[SAG_GRID_FINE];
    return steady->cancelled ? SAG_CANCELLED : SAG_OK;
}

int sag_steady_run_once(sag_steady *steady, double level_vpk)
{
    sag_shooting g = {.steady = steady,
                      .grid = &steady->grid[SAG_GRID_FINE],
                      .level_vpk = {level_vpk},
                      .active = {1}};
    double tolerance_v[SAG_MOST_LANES] = {sag_shooting_tolerance(&g, 0)};
    sag_shooting_start(&g, 0, steady->last_start, fmax(level_vpk, steady->onset_vpk));
    sag_shooting_run(&g, tolerance_v, 1);
    return !steady->period.failed[0];
}

sag_status sag_steady_search(sag_steady *steady, const double *level_vpk, size_t level_count,
                             sag_steady_point *points, sag_opamp_swing *swings, double *starts)
{
    size_t lanes = steady->kind->lanes, opamps = steady->bias->network->opamp_count;
    for (size_t first = 0; first < level_count; first += lanes) {
        size_t count = level_count - first < lanes ? level_count - first : lanes;
        sag_shooting g = {.steady = steady};
        sag_taking t = {.points = points, .swings = swings, .first = first};
        for (size_t lane = 0; lane < count; lane++) {
            g.level_vpk[lane] = level_vpk[first + lane];
        }
        /* Singular equations (a natural frequency there, or growth without bound) leave holes, as
         * levels do. */
        sag_status status = steady->prepared ? solve_group(steady, &g, &t, count) : SAG_SINGULAR;
        if (status < SAG_OK || steady->cancelled) {
            return status < SAG_OK ? status : SAG_CANCELLED;
        }
        for (size_t lane = 0; lane < count; lane++) {
            size_t at = first + lane;
            if (!t.taken[lane]) {
                sag_steady_give_up(&g, lane, &points[at], swings ? swings + at * opamps : NULL);
                steady->last_has_own = 0; /* a climb has factored others into it */
            } else {
                sag_steady_keep_start(steady, lane, level_vpk[at]);
                if (starts) {
                    memcpy(starts + at * steady->states, steady->last_start,
                           steady->states * sizeof *starts);
                }
                steady->last_has_own = lane == 0 && g.has_own[lane] &&
                                       points[at].steps == sag_grid_steps[SAG_GRID_FINE];
            }
        }
    }
    return SAG_OK;
}
