/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Shooting: the start of a period is moved by Newton's method until its end is the same. */
#include "steady_shoot.h"

#include <math.h>
#include <string.h>

#define MOST_DAMPED_SWEEPS 30 /* as SAG_MOST_SWEEPS */
/* Sweeps without progress before a start is given up. */
#define PATIENCE        4
#define DAMPED_PATIENCE 12
/* A share of an update this small that makes the next one no smaller is taken nevertheless. */
#define LEAST_SHARE (1.0 / 64)
/* A shooting step that shrinks the update by less than this asks for the orbit's own sensitivity.
 */
#define GOOD_CONTRACTION 0.3
/* Of a step in which an input flips, where only the neighbourhood of the orbit is looked for. */
#define ROUGH_HALVINGS 2
/* Harmonics beyond a quarter of the steps over the fundamental: above it the grid is too coarse. */
#define COARSE_TAIL 1e-4

static sag_status refine(void *context, double a, sag_map *map)
{
    sag_steady *steady = context;
    return sag_map_fill(steady->maker, a, map);
}

double sag_shooting_allowance(const sag_shooting *g, size_t lane, size_t state)
{
    double reach = fmin(g->level_vpk[lane], g->steady->onset_vpk);
    return 1e-6 * 2 * reach * cabs(g->grid->orbit[state]) + 1e-8;
}

double sag_shooting_tolerance(const sag_shooting *g, size_t lane)
{
    return 1e-9 + 1e-8 * fmin(g->level_vpk[lane], g->steady->onset_vpk);
}

/* No capacitor's voltage is moved by more than this at once: an update that asks for more comes from
 * a sensitivity that does not hold that far, and stages far out of all bounds are slow to solve. */
static double longest_update(const sag_shooting *g, size_t lane)
{
    return g->steady->bias->network->conditions.supply_v + g->level_vpk[lane];
}

/* The largest component of a lane's update over its allowance; and of what a period moves. */
static double update_size(const sag_shooting *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        double size = fabs(steady->update[i * steady->kind->lanes + lane]) /
                      sag_shooting_allowance(g, lane, i);
        largest = isfinite(size) ? fmax(largest, size) : (double)INFINITY;
    }
    return largest;
}

static double period_moves(const sag_shooting *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        size_t at = i * steady->kind->lanes + lane;
        double moved = steady->period.end[at] - steady->start[at];
        largest = fmax(largest, fabs(moved) / sag_shooting_allowance(g, lane, i));
    }
    return largest;
}

/* The update of a lane: B^-1 (end - start), B the matrix that was factored (I - a monodromy) with
 * Broyden's rank-one corrections from the updates made since. C. T. Kelley, Iterative Methods for
 * Linear and Nonlinear Equations, SIAM 1995, algorithm 7.3.1; products are of updates over their
 * allowances. */
static void find_update(sag_shooting *g, size_t lane)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *d = steady->work, *past = steady->past + lane * SAG_MOST_SWEEPS * n;
    for (size_t i = 0; i < n; i++) {
        d[i] = steady->period.end[i * lanes + lane] - steady->start[i * lanes + lane];
    }
    sag_lu_solve(g->has_own[lane] ? steady->own[lane] : g->grid->shoot, d);
    int made = g->updates[lane];
    for (int u = 0; u < made; u++) {
        const double *s = past + (size_t)u * n;
        double along = 0, square = 0;
        for (size_t i = 0; i < n; i++) {
            double weight = 1 / sag_shooting_allowance(g, lane, i);
            along += s[i] * d[i] * weight * weight;
            square += s[i] * s[i] * weight * weight;
        }
        double share = along / square;
        for (size_t i = 0; i < n; i++) {
            /* The last correction scales what has come so far; the earlier ones add the update that
             * followed. */
            if (u + 1 < made) {
                d[i] += share * s[n + i];
            } else {
                d[i] /= fmax(1 - share, 0.1);
            }
        }
    }
    double longest = 0;
    for (size_t i = 0; i < n; i++) {
        longest = fmax(longest, fabs(d[i]));
    }
    double scale = longest > longest_update(g, lane) ? longest_update(g, lane) / longest : 1;
    for (size_t i = 0; i < n; i++) {
        steady->update[i * lanes + lane] = scale * d[i];
        past[(size_t)made * n + i] = scale * d[i];
    }
    g->updates[lane]++;
}

static void factor_own(sag_shooting *g, size_t lane)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *m = steady->work;
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            m[i * n + j] = (i == j) - steady->period.monodromy[(i * n + j) * lanes + lane];
        }
    }
    g->has_own[lane] = sag_lu_factor(steady->own[lane], m, 0, NULL) == SAG_OK;
    g->updates[lane] = 0;
}

/* Past its rails by more than this a gain node does not start a period, whatever an update says. */
#define PAST_RAILS_V 2.0

static void step_on(sag_shooting *g, size_t lane, double share)
{
    sag_steady *steady = g->steady;
    const sag_bias *bias = steady->bias;
    const sag_network *network = bias->network;
    size_t lanes = steady->kind->lanes, gain_nodes = steady->states - network->opamp_count;
    for (size_t i = 0; i < steady->states; i++) {
        double *start = &steady->start[i * lanes + lane];
        *start += share * steady->update[i * lanes + lane];
        if (i >= gain_nodes) {
            const sag_network_opamp_data *opamp = &network->opamps[i - gain_nodes];
            double rest = bias->unknown[i - gain_nodes];
            size_t rail = sag_network_rail_row(network, (size_t)opamp->rail);
            *start = fmin(*start, bias->observed[rail] + PAST_RAILS_V - rest);
            *start = fmax(*start, bias->observed[rail + 1] - PAST_RAILS_V - rest);
        }
    }
}

/* The update just found, of this size, is taken by g->share; or, where neither it nor what the
 * period moved has become smaller, the one before was too long, and half of it is taken instead.
 * P. Deuflhard, Newton Methods for Nonlinear Problems, Springer 2004, section 3.3: the restricted
 * natural monotonicity test. A rectifier's updates stay one emission voltage long all the way,
 * while what the period moves falls from one to the next. */
static void damp(sag_shooting *g, size_t lane, double size, double moved)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *start = steady->kept, *update = steady->kept + n;
    double enough = 1 - g->share / 4;
    if (size > enough * g->size[lane] && moved > enough * g->moved[lane] &&
        g->share > LEAST_SHARE) {
        g->share /= 2;
        for (size_t i = 0; i < n; i++) {
            steady->start[i * lanes + lane] = start[i] + g->share * update[i];
        }
        return;
    }
    if (g->size[lane] < (double)INFINITY) {
        g->share = fmin(1, 2 * g->share);
    }
    g->size[lane] = size;
    g->moved[lane] = moved;
    for (size_t i = 0; i < n; i++) {
        start[i] = steady->start[i * lanes + lane];
        update[i] = steady->update[i * lanes + lane];
    }
    step_on(g, lane, g->share);
}

/* The finer steps that a flipping input asks for make the end of a period jump by some 1e-8 V from
 * start to start. An update that is no larger than that makes it, and of which no share helps, is
 * such a jump. */
#define JUMP_V 1e-5

static int jumps(const sag_shooting *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        largest = fmax(largest, fabs(steady->update[i * steady->kind->lanes + lane]));
    }
    return g->share > 0 && g->share <= 2 * LEAST_SHARE && largest < JUMP_V;
}

/* 1 when neither a lane's updates nor what its periods move have halved for too long. */
static int stalls(sag_shooting *g, size_t lane, double size, double moved)
{
    g->since[lane]++;
    if (size < 0.5 * g->least_size[lane]) {
        g->least_size[lane] = size;
        g->since[lane] = 0;
    }
    if (moved < 0.5 * g->least_moved[lane]) {
        g->least_moved[lane] = moved;
        g->since[lane] = 0;
    }
    return g->since[lane] > (g->share > 0 ? DAMPED_PATIENCE : PATIENCE);
}

void sag_steady_fail(const sag_steady *steady, sag_steady_point *point, sag_opamp_swing *swings,
                     sag_status status)
{
    *point = (sag_steady_point){.status = status,
                                .gain_db = (double)NAN,
                                .phase_deg = (double)NAN,
                                .thd = (double)NAN,
                                .output_peak_v = (double)NAN,
                                .output_trough_v = (double)NAN,
                                .limited_by = {-1, SAG_LIMIT_NONE},
                                .terminal_ripple_v = (double)NAN,
                                .reference_ripple_v = (double)NAN,
                                .drain_a = (double)NAN,
                                .burst = {.opamp = -1},
                                .two_from_vpk = (double)NAN,
                                .two_to_vpk = (double)NAN};
    for (int i = 0; i <= SAG_HARMONICS; i++) {
        point->harmonic_vpk[i] = (double)NAN;
    }
    for (size_t k = 0; swings && k < steady->bias->network->opamp_count; k++) {
        swings[k] = (sag_opamp_swing){
            .peak_v = (double)NAN, .trough_v = (double)NAN, .left_db = (double)NAN};
    }
}

static void take(sag_shooting *g, size_t lane, sag_taking *t)
{
    const sag_steady *steady = g->steady;
    sag_orbit_check check = sag_steady_check(steady, g->grid, lane);
    int coarse = g->grid->steps < sag_grid_steps[SAG_GRID_FINE] &&
                 (check.clipped || check.spectrum_tail > COARSE_TAIL);
    if (coarse && !t->accept_coarse) {
        return;
    }
    size_t opamps = steady->bias->network->opamp_count, at = t->first + lane;
    sag_opamp_swing *swings = t->swings ? t->swings + at * opamps : NULL;
    sag_burst burst = {.opamp = -1};
    sag_status status = steady->settings.unjudged ? SAG_OK : sag_steady_judge(steady, lane, &burst);
    if (status == SAG_OK) {
        sag_steady_read(steady, g->grid, lane, g->level_vpk[lane], check.clipped, &t->points[at],
                        swings);
    } else {
        sag_steady_fail(steady, &t->points[at], swings, status);
    }
    t->points[at].burst = burst;
    t->points[at].sweeps = g->sweeps[lane];
    t->points[at].steps_taken = g->steps_taken[lane];
    t->taken[lane] = 1;
}

/* Orbits whose starts are nearer than this to each other, over what an update may come to, are one: a
 * third of a percent. */
#define SAME_ORBIT 3e3

static int arrives(const sag_shooting *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    const double *known = g->known[lane];
    if (!known) {
        return 0;
    }
    for (size_t i = 0; i < steady->states; i++) {
        double away = steady->start[i * steady->kind->lanes + lane] - known[i];
        if (!(fabs(away) < SAME_ORBIT * sag_shooting_allowance(g, lane, i))) {
            return 0;
        }
    }
    return 1;
}

void sag_shooting_run(sag_shooting *g, const double *tolerance_v, int with_monodromy)
{
    sag_steady *steady = g->steady;
    if (steady->settings.stops && steady->settings.stops(steady->settings.stops_context)) {
        steady->cancelled = 1;
    }
    sag_run how = {.map = &g->grid->map,
                   .finer = g->grid->finer,
                   .refine = refine,
                   .refine_context = steady,
                   .steps = (size_t)g->grid->steps,
                   .flip_halvings = g->rough ? ROUGH_HALVINGS : SAG_SUBSTEP_DEPTH,
                   .with_monodromy = with_monodromy,
                   .level_vpk = g->level_vpk,
                   .tolerance_v = tolerance_v,
                   .active = g->active,
                   .start = steady->start};
    steady->kind->run(steady->stepper, &how);
    for (size_t lane = 0; lane < steady->kind->lanes; lane++) {
        steady->spent.sweeps += g->active[lane];
    }
    steady->spent.steps += steady->period.steps_run;
}

void sag_shoot(sag_shooting *g, sag_sensitivity from, double enough, sag_taking *t)
{
    sag_steady *steady = g->steady;
    size_t lanes = steady->kind->lanes;
    unsigned char want_own[SAG_MOST_LANES];
    double tolerance_v[SAG_MOST_LANES] = {0};
    for (size_t lane = 0; lane < lanes && lane < SAG_MOST_LANES; lane++) {
        g->size[lane] = g->moved[lane] = (double)INFINITY;
        g->least_size[lane] = g->least_moved[lane] = (double)INFINITY;
        g->since[lane] = 0;
        g->has_own[lane] = from == SAG_FROM_KEPT && g->has_own[lane];
        g->converged[lane] = 0;
        g->updates[lane] = 0;
        want_own[lane] = from == SAG_FROM_OWN;
        tolerance_v[lane] = sag_shooting_tolerance(g, lane) * fmin(enough, 100);
    }
    g->rough = enough > 1;
    int most = g->share > 0 ? MOST_DAMPED_SWEEPS : SAG_MOST_SWEEPS;
    for (int sweep = 0; sweep < most; sweep++) {
        int any = 0, any_own = 0;
        for (size_t lane = 0; lane < lanes && lane < SAG_MOST_LANES; lane++) {
            any |= g->active[lane];
            any_own |= g->active[lane] && want_own[lane];
        }
        if (!any || steady->cancelled) {
            break;
        }
        sag_shooting_run(g, tolerance_v, any_own);
        for (size_t lane = 0; lane < lanes && lane < SAG_MOST_LANES; lane++) {
            if (!g->active[lane]) {
                continue;
            }
            g->sweeps[lane]++;
            g->steps_taken[lane] += g->grid->steps;
            if (steady->period.failed[lane]) {
                g->active[lane] = 0;
                continue;
            }
            if (want_own[lane]) {
                factor_own(g, lane);
            }
            find_update(g, lane);
            double size = update_size(g, lane), moved = period_moves(g, lane);
            if (size < enough || jumps(g, lane)) {
                g->converged[lane] = 1;
                g->active[lane] = 0;
                if (t) {
                    take(g, lane, t);
                }
                continue;
            }
            if (stalls(g, lane, size, moved) || g->sweeps[lane] >= SAG_POINT_SWEEPS) {
                g->active[lane] = 0;
                continue;
            }
            want_own[lane] = size > GOOD_CONTRACTION * g->size[lane] || g->share > 0;
            if (g->share > 0) {
                damp(g, lane, size, moved);
            } else {
                g->size[lane] = size;
                step_on(g, lane, 1);
            }
            if (arrives(g, lane)) {
                g->arrived[lane] = 1;
                g->active[lane] = 0;
            }
        }
    }
    memset(g->active, 0, sizeof g->active);
}

void sag_shooting_start(sag_shooting *g, size_t lane, const double *below, double below_vpk)
{
    const sag_steady *steady = g->steady;
    double add = fmax(fmin(g->level_vpk[lane], steady->onset_vpk) - below_vpk, 0);
    for (size_t i = 0; i < steady->states; i++) {
        double base = below_vpk > 0 ? below[i] : 0;
        steady->start[i * steady->kind->lanes + lane] = base + add * cimag(g->grid->orbit[i]);
    }
}

void sag_shoot_damped(sag_shooting *g, size_t lane, const double *start, sag_taking *t)
{
    const sag_steady *steady = g->steady;
    for (size_t i = 0; start && i < steady->states; i++) {
        steady->start[i * steady->kind->lanes + lane] = start[i];
    }
    g->active[lane] = 1;
    g->share = 1;
    sag_shoot(g, SAG_FROM_OWN, 1, t);
    g->share = 0;
}

void sag_steady_give_up(const sag_shooting *g, size_t lane, sag_steady_point *point,
                        sag_opamp_swing *swings)
{
    sag_steady_fail(g->steady, point, swings,
                    g->wanders[lane] ? SAG_OSCILLATES : SAG_NOT_CONVERGED);
    if (g->wanders[lane]) {
        point->burst = (sag_burst){
            .opamp = g->wanders[lane] - 1, .frequency_hz = (double)NAN, .growth_db = (double)NAN};
    }
    point->sweeps = g->sweeps[lane];
    point->steps_taken = g->steps_taken[lane];
}

void sag_steady_keep_start(sag_steady *steady, size_t lane, double level_vpk)
{
    for (size_t i = 0; i < steady->states; i++) {
        steady->last_start[i] = steady->start[i * steady->kind->lanes + lane];
    }
    steady->last_level_vpk = level_vpk;
}
