/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "steady_private.h"

#include "memory.h"

#include <math.h>
#include <string.h>

const int sag_grid_steps[SAG_GRID_COUNT] = {[SAG_GRID_COARSE] = 32,
                                            [SAG_GRID_SCOUT] = 64,
                                            [SAG_GRID_FINE] = 256,
                                            [SAG_GRID_FINER] = 512,
                                            [SAG_GRID_CHECK] = 2048};

/* Sweeps over the period before a start is given up. */
#define MOST_SWEEPS        14
#define MOST_DAMPED_SWEEPS 30
/* Sweeps without progress before a start is given up. */
#define PATIENCE        4
#define DAMPED_PATIENCE 12
/* A share of an update this small that makes the next one no smaller is taken nevertheless. */
#define LEAST_SHARE (1.0 / 64)
/* A shooting step that shrinks the update by less than this asks for the orbit's own sensitivity.
 */
#define GOOD_CONTRACTION 0.3
/* The scouting grid's orbit is only a start: a larger update will do for it. */
#define SCOUT_SIZE 3e4
/* Harmonics beyond a quarter of the steps over the fundamental: above it the grid is too coarse. */
#define COARSE_TAIL 1e-4

sag_steady_settings sag_steady_defaults(void)
{
    return (sag_steady_settings){.thd_bandwidth_hz = (double)INFINITY, .least_steps = 0};
}

void sag_steady_free(sag_steady *steady)
{
    if (!steady) {
        return;
    }
    if (steady->stepper) {
        steady->kind->free(steady->stepper);
    }
    for (size_t i = 0; i < SAG_GRID_COUNT; i++) {
        sag_map_clear(&steady->grid[i].map);
        for (size_t k = 0; k < SAG_SUBSTEP_DEPTH; k++) {
            sag_map_clear(&steady->grid[i].finer[k]);
        }
        sag_free(steady->grid[i].monodromy);
        sag_free(steady->grid[i].orbit);
        sag_lu_free(steady->grid[i].shoot);
    }
    for (size_t i = 0; steady->own && i < steady->kind->lanes; i++) {
        sag_lu_free(steady->own[i]);
    }
    sag_free(steady->own);
    sag_free(steady->instant);
    sag_judge_free(steady->judge);
    sag_free(steady->losses);
    sag_map_maker_free(steady->maker);
    sag_lu_free(steady->lu);
    sag_zlu_free(steady->zlu);
    sag_zlu_free(steady->zlu_states);
    sag_free(steady->zwork);
    sag_free(steady->x);
    sag_free(steady->zstates);
    sag_free(steady->work);
    sag_free(steady->start);
    sag_free(steady->past);
    sag_small_signal_clear(&steady->linear);
    sag_free(steady);
}

static sag_status make_grid(const sag_steady *steady, sag_grid *grid, int steps)
{
    size_t n = steady->states;
    grid->steps = steps;
    TRY(sag_map_new(steady->bias->network, &grid->map));
    for (size_t k = 0; k < SAG_SUBSTEP_DEPTH; k++) {
        TRY(sag_map_new(steady->bias->network, &grid->finer[k]));
    }
    grid->monodromy = sag_new(n * n, sizeof *grid->monodromy);
    grid->orbit = sag_new(n, sizeof *grid->orbit);
    if (!grid->monodromy || !grid->orbit) {
        return SAG_NO_MEMORY;
    }
    return sag_lu_new(n, &grid->shoot);
}

/* Loops that need their gain, unless the caller gives them; none where the natural frequencies at
 * rest are not to be had. */
static sag_status find_losses(sag_steady *steady)
{
    if (steady->settings.unjudged || steady->settings.losses) {
        return SAG_OK;
    }
    sag_status status = sag_stability_losses(steady->bias, &steady->losses);
    steady->settings.losses = steady->losses;
    return status < SAG_OK ? status : SAG_OK;
}

static sag_status fill(sag_steady *steady)
{
    const sag_bias *bias = steady->bias;
    TRY(sag_small_signal_make(&steady->linear, bias));
    size_t n = steady->states = steady->linear.states, size = steady->linear.size;
    size_t lanes = steady->kind->lanes;
    sag_stepper_setup setup = {.devices = &bias->devices,
                               .rest_observed = bias->observed,
                               .rest_unknown = bias->unknown,
                               .with_supply = steady->settings.supply_ripple};
    TRY(steady->kind->make(&setup, &steady->stepper, &steady->period));
    TRY(sag_map_maker_new(&bias->devices, &steady->maker));
    TRY(sag_judge_new(bias, &steady->judge));
    TRY(find_losses(steady));
    for (size_t i = 0; i < SAG_GRID_COUNT; i++) {
        TRY(make_grid(steady, &steady->grid[i], sag_grid_steps[i]));
    }
    TRY(sag_lu_new(size, &steady->lu));
    TRY(sag_zlu_new(size, &steady->zlu));
    TRY(sag_zlu_new(n, &steady->zlu_states));
    steady->zwork = sag_new(size * size, sizeof *steady->zwork);
    steady->x = sag_new(size, sizeof *steady->x);
    steady->zstates = sag_new(n * n, sizeof *steady->zstates);
    steady->work = sag_new(2 * n * n + 2 * n + 1 + size * size + size, sizeof *steady->work);
    steady->start = sag_new(2 * n * lanes + 3 * n, sizeof *steady->start);
    steady->past = sag_new(lanes * MOST_SWEEPS * n, sizeof *steady->past);
    steady->own = sag_new(lanes, sizeof *steady->own);
    steady->instant =
        sag_new(bias->network->source_count + bias->network->row_count, sizeof *steady->instant);
    if (!steady->zwork || !steady->x || !steady->zstates || !steady->work || !steady->start ||
        !steady->past || !steady->own || !steady->instant) {
        return SAG_NO_MEMORY;
    }
    steady->update = steady->start + n * lanes;
    steady->last_start = steady->update + n * lanes;
    steady->kept = steady->last_start + n;
    for (size_t i = 0; i < lanes; i++) {
        TRY(sag_lu_new(n, &steady->own[i]));
    }
    return SAG_OK;
}

sag_status sag_steady_new(const sag_bias *bias, const sag_steady_settings *settings,
                          sag_steady **out)
{
    *out = NULL;
    sag_steady *steady = sag_new(1, sizeof *steady);
    if (!steady) {
        return SAG_NO_MEMORY;
    }
    steady->bias = bias;
    steady->settings = *settings;
    steady->kind = settings->one_lane ? &sag_stepper_1 : sag_stepper_best();
    sag_status status = fill(steady);
    if (status != SAG_OK) {
        sag_steady_free(steady);
        return status;
    }
    *out = steady;
    return SAG_OK;
}

sag_status sag_steady_frequency(sag_steady *steady, double frequency_hz)
{
    if (!(frequency_hz > 0) || !isfinite(frequency_hz)) {
        return SAG_BAD_ARGUMENT;
    }
    steady->frequency_hz = frequency_hz;
    steady->last_level_vpk = 0;
    steady->last_has_own = 0;
    for (size_t i = 0; i < SAG_GRID_COUNT; i++) {
        steady->grid[i].ready = 0;
    }
    sag_status status = sag_steady_prepare(steady);
    steady->prepared = status == SAG_OK;
    return status;
}

double sag_steady_linear_onset(sag_steady *steady, sag_limit *limit)
{
    *limit = steady->onset_limit;
    return steady->onset_vpk;
}

static sag_status refine(void *context, double a, sag_map *map)
{
    sag_steady *steady = context;
    return sag_map_fill(steady->maker, a, map);
}

/* One group of levels in lanes, at one number of steps. */
typedef struct {
    sag_steady *steady;
    sag_grid *grid;
    double level_vpk[SAG_MOST_LANES];
    unsigned char active[SAG_MOST_LANES]; /* still to be solved */
    unsigned char converged[SAG_MOST_LANES];
    unsigned char has_own[SAG_MOST_LANES]; /* its own sensitivity is factored */
    int updates[SAG_MOST_LANES];           /* made since the matrix in use was factored */
    double size[SAG_MOST_LANES];           /* of the last update, over what is allowed */
    double moved[SAG_MOST_LANES];          /* the period from its start, likewise */
    double least_size[SAG_MOST_LANES], least_moved[SAG_MOST_LANES]; /* see stalls */
    int since[SAG_MOST_LANES];
    int sweeps[SAG_MOST_LANES];
    int steps_taken[SAG_MOST_LANES];
    double share; /* of an update that is taken, of a lane that is shot at by damped(); 0: no
                     damping */
} group;

/* What an update of a state may come to, and still be none: 1e-6 of the linear peak to peak plus
 * 1e-8. */
static double allowance(const group *g, size_t lane, size_t state)
{
    double reach = fmin(g->level_vpk[lane], g->steady->onset_vpk);
    return 1e-6 * 2 * reach * cabs(g->grid->orbit[state]) + 1e-8;
}

/* What Newton's updates within the steps may come to. */
static double tolerance(const group *g, size_t lane)
{
    return 1e-9 + 1e-8 * fmin(g->level_vpk[lane], g->steady->onset_vpk);
}

/* No capacitor's voltage is moved by more than this at once: an update that asks for more comes from
 * a sensitivity that does not hold that far, and stages far out of all bounds are slow to solve. */
static double longest_update(const group *g, size_t lane)
{
    return g->steady->bias->network->conditions.supply_v + g->level_vpk[lane];
}

/* The largest component of a lane's update over its allowance; and of what a period moves. */
static double update_size(const group *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        double size = fabs(steady->update[i * steady->kind->lanes + lane]) / allowance(g, lane, i);
        largest = isfinite(size) ? fmax(largest, size) : (double)INFINITY;
    }
    return largest;
}

static double period_moves(const group *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        size_t at = i * steady->kind->lanes + lane;
        double moved = steady->period.end[at] - steady->start[at];
        largest = fmax(largest, fabs(moved) / allowance(g, lane, i));
    }
    return largest;
}

/* The update of a lane: B^-1 (end - start), B the matrix that was factored (I - a monodromy) with
 * Broyden's rank-one corrections from the updates made since. C. T. Kelley, Iterative Methods for
 * Linear and Nonlinear Equations, SIAM 1995, algorithm 7.3.1; products are of updates over their
 * allowances. */
static void find_update(group *g, size_t lane)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *d = steady->work, *past = steady->past + lane * MOST_SWEEPS * n;
    for (size_t i = 0; i < n; i++) {
        d[i] = steady->period.end[i * lanes + lane] - steady->start[i * lanes + lane];
    }
    sag_lu_solve(g->has_own[lane] ? steady->own[lane] : g->grid->shoot, d);
    int made = g->updates[lane];
    for (int u = 0; u < made; u++) {
        const double *s = past + (size_t)u * n;
        double along = 0, square = 0;
        for (size_t i = 0; i < n; i++) {
            double weight = 1 / allowance(g, lane, i);
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

static void factor_own(group *g, size_t lane)
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

static void step_on(group *g, size_t lane, double share)
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
static void damp(group *g, size_t lane, double size, double moved)
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

static int jumps(const group *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        largest = fmax(largest, fabs(steady->update[i * steady->kind->lanes + lane]));
    }
    return g->share > 0 && g->share <= 2 * LEAST_SHARE && largest < JUMP_V;
}

/* 1 when neither a lane's updates nor what its periods move have halved for too long. */
static int stalls(group *g, size_t lane, double size, double moved)
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

/* A point without figures. */
static void fail_point(const sag_steady *steady, sag_steady_point *point, sag_opamp_swing *swings,
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

/* Where the results of a group go. */
typedef struct {
    sag_steady_point *points;
    sag_opamp_swing *swings; /* or NULL */
    size_t first;            /* index of lane 0's level */
    int accept_coarse; /* 0: lanes whose orbit the grid does not resolve are left for a finer one */
    unsigned char taken[SAG_MOST_LANES]; /* out: the lane's point is filled in */
} taking;

static void take(group *g, size_t lane, taking *t)
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
        fail_point(steady, &t->points[at], swings, status);
    }
    t->points[at].burst = burst;
    t->points[at].sweeps = g->sweeps[lane];
    t->points[at].steps_taken = g->steps_taken[lane];
    t->taken[lane] = 1;
}

/* The sensitivity of the period to its start that a shooting begins with. */
typedef enum { FROM_LINEAR, FROM_KEPT, FROM_OWN } sensitivity;

/* Shoots from steady->start until every active lane repeats itself or is given up; steady->start
 * then holds the starts of the orbits found. A lane is done when its update is below `enough` of
 * what is allowed. t may be NULL. */
static void shoot(group *g, sensitivity from, double enough, taking *t)
{
    sag_steady *steady = g->steady;
    size_t lanes = steady->kind->lanes;
    unsigned char want_own[SAG_MOST_LANES];
    double tolerance_v[SAG_MOST_LANES] = {0};
    for (size_t lane = 0; lane < lanes && lane < SAG_MOST_LANES; lane++) {
        g->size[lane] = g->moved[lane] = (double)INFINITY;
        g->least_size[lane] = g->least_moved[lane] = (double)INFINITY;
        g->since[lane] = 0;
        g->has_own[lane] = from == FROM_KEPT && g->has_own[lane];
        g->converged[lane] = 0;
        g->updates[lane] = 0;
        want_own[lane] = from == FROM_OWN;
        tolerance_v[lane] = tolerance(g, lane) * fmin(enough, 100);
    }
    int most = g->share > 0 ? MOST_DAMPED_SWEEPS : MOST_SWEEPS;
    for (int sweep = 0; sweep < most; sweep++) {
        int any = 0, any_own = 0;
        for (size_t lane = 0; lane < lanes && lane < SAG_MOST_LANES; lane++) {
            any |= g->active[lane];
            any_own |= g->active[lane] && want_own[lane];
        }
        if (!any) {
            return;
        }
        steady->kind->run(steady->stepper, &g->grid->map, g->grid->finer, refine, steady,
                          (size_t)g->grid->steps, g->level_vpk, g->active, steady->start,
                          tolerance_v, any_own);
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
            if (stalls(g, lane, size, moved)) {
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
        }
    }
    memset(g->active, 0, sizeof g->active);
}

/* Start of a lane: the orbit below it with what the linear solution adds for the rest of the level,
 * as far as clip onset; below_vpk 0: the linear orbit at time 0 under u = A sin w t. */
static void start_from(group *g, size_t lane, const double *below, double below_vpk)
{
    const sag_steady *steady = g->steady;
    double add = fmax(fmin(g->level_vpk[lane], steady->onset_vpk) - below_vpk, 0);
    for (size_t i = 0; i < steady->states; i++) {
        double base = below_vpk > 0 ? below[i] : 0;
        steady->start[i * steady->kind->lanes + lane] = base + add * cimag(g->grid->orbit[i]);
    }
}

static void keep_start(sag_steady *steady, size_t lane, double level_vpk)
{
    for (size_t i = 0; i < steady->states; i++) {
        steady->last_start[i] = steady->start[i * steady->kind->lanes + lane];
    }
    steady->last_level_vpk = level_vpk;
}

#define DB_RATIO 1.1220184543019633 /* 1 dB */

/* A lane that did not converge from its start: raised to its level from clip onset, in steps of at
 * most 1 dB, smaller where that fails. Leaves the orbit's start as the last one solved. */
static void climb(group *g, size_t lane, taking *t)
{
    sag_steady *steady = g->steady;
    double target = g->level_vpk[lane], ratio = DB_RATIO;
    if (!(steady->last_level_vpk > 0) || steady->last_level_vpk > target) {
        steady->last_level_vpk = 0;
    }
    double reached = steady->last_level_vpk;
    for (int tries = 0; tries < 150 && ratio > 1.002; tries++) {
        double next = reached > 0 ? reached * ratio : 0.9 * steady->onset_vpk;
        int last = next >= target;
        g->level_vpk[lane] = last ? target : next;
        start_from(g, lane, steady->last_start, reached);
        g->active[lane] = 1;
        shoot(g, FROM_OWN, 1, last ? t : NULL);
        if (g->converged[lane]) {
            reached = g->level_vpk[lane];
            keep_start(steady, lane, reached);
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
static void shoot_damped(group *g, size_t lane, taking *t)
{
    start_from(g, lane, g->steady->last_start, g->steady->last_level_vpk);
    g->active[lane] = 1;
    g->share = 1;
    shoot(g, FROM_OWN, 1, t);
    g->share = 0;
}

/* A lane that climbing did not bring to its level: followed in time, as a signal switched on is,
 * and shot at from there. A rectifier's charge moves Newton's steps about far more than it moves
 * the circuit: a few periods bring it to where the diode really conducts, and the slow linear rest
 * is what shooting is good at. */
static void follow(group *g, size_t lane, taking *t)
{
    static const int periods[] = {8, 32};
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *followed = steady->work + 2 * n * n; /* what shooting leaves alone */
    double tolerance_v[SAG_MOST_LANES] = {0};
    tolerance_v[lane] = tolerance(g, lane);
    start_from(g, lane, steady->last_start, steady->last_level_vpk);
    for (size_t i = 0; i < n; i++) {
        followed[i] = steady->start[i * lanes + lane];
    }
    for (size_t more = 0; more < sizeof periods / sizeof *periods && !t->taken[lane]; more++) {
        for (int period = 0; period < periods[more]; period++) {
            g->active[lane] = 1;
            for (size_t i = 0; i < n; i++) {
                steady->start[i * lanes + lane] = followed[i];
            }
            steady->kind->run(steady->stepper, &g->grid->map, g->grid->finer, refine, steady,
                              (size_t)g->grid->steps, g->level_vpk, g->active, steady->start,
                              tolerance_v, 0);
            g->active[lane] = 0;
            g->sweeps[lane]++;
            g->steps_taken[lane] += g->grid->steps;
            if (steady->period.failed[lane]) {
                return;
            }
            for (size_t i = 0; i < n; i++) {
                followed[i] = steady->period.end[i * lanes + lane];
            }
        }
        for (size_t i = 0; i < n; i++) {
            steady->start[i * lanes + lane] = followed[i];
        }
        g->active[lane] = 1;
        g->share = 1;
        shoot(g, FROM_OWN, 1, t);
        g->share = 0;
    }
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
static int choose_lanes(group *g, const taking *t, size_t count, double highest_vpk)
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
static sag_status run_grid(group *g, size_t grid, sensitivity from, double enough, taking *t,
                           unsigned char started[SAG_MOST_LANES])
{
    sag_steady *steady = g->steady;
    TRY(sag_steady_prepare_grid(steady, grid));
    g->grid = &steady->grid[grid];
    for (size_t lane = 0; lane < steady->kind->lanes && lane < SAG_MOST_LANES; lane++) {
        if (g->active[lane] && !started[lane]) {
            start_from(g, lane, steady->last_start, steady->last_level_vpk);
        }
    }
    unsigned char chosen[SAG_MOST_LANES];
    memcpy(chosen, g->active, sizeof chosen);
    shoot(g, from, enough, t);
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

static sag_status solve_group(sag_steady *steady, group *g, taking *t, size_t count)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    size_t first = first_grid(steady);
    if (first == SAG_GRID_COARSE) {
        /* What the linear solution takes past a limit is not worth trying on the coarse grid. */
        if (choose_lanes(g, t, count, 1.02 * steady->onset_vpk)) {
            TRY(run_grid(g, SAG_GRID_COARSE, FROM_LINEAR, 1, t, started));
        }
        first = SAG_GRID_FINE;
    }
    t->accept_coarse = 1;
    /* One level near the last one solved: its start and its sensitivity are as good as a scout's.
     */
    if (first == SAG_GRID_FINE && count == 1 && near_last(steady, g->level_vpk[0]) &&
        choose_lanes(g, t, count, (double)INFINITY)) {
        g->has_own[0] = 1;
        TRY(run_grid(g, first, FROM_KEPT, 1, t, started));
    }
    for (size_t grid = first; grid <= (first > SAG_GRID_FINER ? first : SAG_GRID_FINER); grid++) {
        if (!choose_lanes(g, t, count, (double)INFINITY)) {
            break;
        }
        if (grid > SAG_GRID_SCOUT) {
            TRY(run_grid(g, SAG_GRID_SCOUT, FROM_OWN, SCOUT_SIZE, NULL, started));
            choose_lanes(g, t, count, (double)INFINITY);
        }
        TRY(run_grid(g, grid, FROM_KEPT, 1, t, started));
        for (size_t lane = 0; lane < count; lane++) {
            if (!t->taken[lane]) {
                shoot_damped(g, lane, t);
            }
            if (!t->taken[lane]) {
                climb(g, lane, t);
            }
            if (!t->taken[lane]) {
                follow(g, lane, t);
            }
        }
    }
    return SAG_OK;
}

sag_status sag_steady_next(sag_steady *steady, double level_vpk, sag_steady_point *point,
                           sag_opamp_swing *swings)
{
    unsigned char started[SAG_MOST_LANES] = {0};
    group g = {.steady = steady, .level_vpk = {level_vpk}};
    taking t = {.points = point, .swings = swings, .accept_coarse = 1};
    int near = near_last(steady, level_vpk);
    sag_status status = steady->prepared ? SAG_OK : SAG_SINGULAR;
    if (status == SAG_OK && !(steady->last_level_vpk > 0)) {
        status = solve_group(steady, &g, &t, 1);
    } else if (status == SAG_OK) {
        g.active[0] = 1;
        g.has_own[0] = (unsigned char)near;
        status = run_grid(&g, SAG_GRID_FINE, near ? FROM_KEPT : FROM_OWN, 1, &t, started);
        if (status == SAG_OK && !t.taken[0]) {
            shoot_damped(&g, 0, &t);
        }
        if (status == SAG_OK && !t.taken[0]) {
            follow(&g, 0, &t);
        }
    }
    if (status < SAG_OK) {
        return status;
    }
    if (t.taken[0]) {
        keep_start(steady, 0, level_vpk);
    } else {
        fail_point(steady, point, swings, SAG_NOT_CONVERGED);
        point->sweeps = g.sweeps[0];
    }
    steady->last_has_own =
        t.taken[0] && g.has_own[0] && point->steps == sag_grid_steps[SAG_GRID_FINE];
    return SAG_OK;
}

int sag_steady_run_once(sag_steady *steady, double level_vpk)
{
    group g = {.steady = steady,
               .grid = &steady->grid[SAG_GRID_FINE],
               .level_vpk = {level_vpk},
               .active = {1}};
    double tolerance_v[SAG_MOST_LANES] = {tolerance(&g, 0)};
    start_from(&g, 0, steady->last_start, fmax(level_vpk, steady->onset_vpk));
    steady->kind->run(steady->stepper, &g.grid->map, g.grid->finer, refine, steady,
                      (size_t)g.grid->steps, g.level_vpk, g.active, steady->start, tolerance_v, 1);
    return !steady->period.failed[0];
}

/* starts: [level][state], of the orbits found; may be NULL. */
static sag_status solve_levels(sag_steady *steady, const double *level_vpk, size_t level_count,
                               sag_steady_point *points, sag_opamp_swing *swings, double *starts)
{
    size_t lanes = steady->kind->lanes, opamps = steady->bias->network->opamp_count;
    for (size_t first = 0; first < level_count; first += lanes) {
        size_t count = level_count - first < lanes ? level_count - first : lanes;
        group g = {.steady = steady};
        taking t = {.points = points, .swings = swings, .first = first};
        for (size_t lane = 0; lane < count; lane++) {
            g.level_vpk[lane] = level_vpk[first + lane];
        }
        /* Singular equations (a natural frequency there, or growth without bound) leave holes, as
         * levels do. */
        sag_status status = steady->prepared ? solve_group(steady, &g, &t, count) : SAG_SINGULAR;
        if (status < SAG_OK) {
            return status;
        }
        for (size_t lane = 0; lane < count; lane++) {
            size_t at = first + lane;
            if (!t.taken[lane]) {
                fail_point(steady, &points[at], swings ? swings + at * opamps : NULL,
                           SAG_NOT_CONVERGED);
                points[at].sweeps = g.sweeps[lane];
                steady->last_has_own = 0; /* a climb has factored others into it */
            } else {
                keep_start(steady, lane, level_vpk[at]);
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

sag_status sag_steady_solve(sag_steady *steady, const double *level_vpk, size_t level_count,
                            sag_steady_point *points, sag_opamp_swing *swings)
{
    if (!sag_steady_can_reverse(steady)) {
        return solve_levels(steady, level_vpk, level_count, points, swings, NULL);
    }
    double *starts = sag_new(level_count * steady->states, sizeof *starts);
    if (!starts) {
        return SAG_NO_MEMORY;
    }
    sag_status status = solve_levels(steady, level_vpk, level_count, points, swings, starts);
    if (status == SAG_OK) {
        status = sag_steady_branches(steady, level_vpk, level_count, starts, points, swings);
    }
    sag_free(starts);
    return status;
}
