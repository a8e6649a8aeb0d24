/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "steady_private.h"

#include "memory.h"

#include <math.h>
#include <string.h>

const int sag_grid_steps[SAG_GRID_COUNT] = {32, 256, 512, 2048};

/* Sweeps over the period before a start is given up. */
#define MOST_SWEEPS 14
/* A shooting step that shrinks the update by less than this asks for the orbit's own sensitivity. */
#define GOOD_CONTRACTION 0.3
/* Harmonics beyond a quarter of the steps over the fundamental: above it the grid is too coarse. */
#define COARSE_TAIL 1e-4

sag_steady_settings sag_steady_defaults(void)
{
    return (sag_steady_settings){.thd_bandwidth_hz = INFINITY, .least_steps = 0};
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
    sag_map_maker_free(steady->maker);
    sag_lu_free(steady->lu);
    sag_zlu_free(steady->zlu);
    sag_zlu_free(steady->zlu_states);
    sag_free(steady->zwork);
    sag_free(steady->x);
    sag_free(steady->zstates);
    sag_free(steady->work);
    sag_free(steady->start);
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

static sag_status fill(sag_steady *steady)
{
    const sag_bias *bias = steady->bias;
    TRY(sag_small_signal_make(&steady->linear, bias));
    size_t n = steady->states = steady->linear.states, size = steady->linear.size;
    size_t lanes = steady->kind->lanes;
    sag_stepper_setup setup = {.devices = &bias->devices,
                               .rest_observed = bias->observed,
                               .rest_source = bias->source,
                               .rest_unknown = bias->unknown};
    TRY(steady->kind->make(&setup, &steady->stepper, &steady->period));
    TRY(sag_map_maker_new(&bias->devices, &steady->maker));
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
    steady->start = sag_new(3 * n * lanes + n, sizeof *steady->start);
    steady->own = sag_new(lanes, sizeof *steady->own);
    if (!steady->zwork || !steady->x || !steady->zstates || !steady->work || !steady->start || !steady->own) {
        return SAG_NO_MEMORY;
    }
    steady->trial = steady->start + n * lanes;
    steady->update = steady->trial + n * lanes;
    steady->last_start = steady->update + n * lanes;
    for (size_t i = 0; i < lanes; i++) {
        TRY(sag_lu_new(n, &steady->own[i]));
    }
    return SAG_OK;
}

sag_status sag_steady_new(const sag_bias *bias, const sag_steady_settings *settings, sag_steady **out)
{
    *out = NULL;
    sag_steady *steady = sag_new(1, sizeof *steady);
    if (!steady) {
        return SAG_NO_MEMORY;
    }
    steady->bias = bias;
    steady->settings = *settings;
    steady->kind = settings->one_lane ? &sag_stepper_1 : &sag_stepper_4;
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
    for (size_t i = 0; i < SAG_GRID_COUNT; i++) {
        steady->grid[i].ready = 0;
    }
    return sag_steady_prepare(steady);
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
    double level_vpk[4];
    unsigned char active[4];    /* still to be solved */
    unsigned char converged[4];
    unsigned char has_own[4];   /* its own sensitivity is factored */
    double size[4];             /* of the last update, over what is allowed */
    int sweeps[4];
} group;

/* The largest component of a lane's update over its allowance: 1e-6 of the linear peak to peak plus 1e-8. */
static double update_size(const group *g, size_t lane)
{
    const sag_steady *steady = g->steady;
    double largest = 0;
    for (size_t i = 0; i < steady->states; i++) {
        double reach = fmin(g->level_vpk[lane], steady->onset_vpk);
        double allowed = 1e-6 * 2 * reach * cabs(g->grid->orbit[i]) + 1e-8;
        double size = fabs(steady->update[i * steady->kind->lanes + lane]) / allowed;
        largest = isfinite(size) ? fmax(largest, size) : (double)INFINITY;
    }
    return largest;
}

/* update = (I - monodromy)^-1 (end - start) of a lane, with its own sensitivity or the linear one. */
static void find_update(const group *g, size_t lane)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    double *b = steady->work;
    for (size_t i = 0; i < n; i++) {
        b[i] = steady->period.end[i * lanes + lane] - steady->start[i * lanes + lane];
    }
    sag_lu_solve(g->has_own[lane] ? steady->own[lane] : g->grid->shoot, b);
    for (size_t i = 0; i < n; i++) {
        steady->update[i * lanes + lane] = b[i];
    }
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
}

/* Where the results of a group go. */
typedef struct {
    sag_steady_point *points;
    sag_opamp_swing *swings; /* or NULL */
    size_t first;            /* index of lane 0's level */
    int accept_coarse;       /* 0: lanes whose orbit the grid does not resolve are left for a finer one */
    unsigned char taken[4];  /* out: the lane's point is filled in */
} taking;

static void take(group *g, size_t lane, taking *t)
{
    const sag_steady *steady = g->steady;
    sag_orbit_check check = sag_steady_check(steady, g->grid, lane);
    int coarse = g->grid->steps < 256 && (check.clipped || check.spectrum_tail > COARSE_TAIL);
    if (coarse && !t->accept_coarse) {
        return;
    }
    size_t opamps = steady->bias->network->opamp_count, at = t->first + lane;
    sag_steady_read(steady, g->grid, lane, g->level_vpk[lane], check.clipped, &t->points[at],
                    t->swings ? t->swings + at * opamps : NULL);
    t->points[at].sweeps = g->sweeps[lane];
    t->taken[lane] = 1;
}

/* Shoots from steady->start until every active lane repeats itself or is given up; steady->start then holds the starts of
 * the orbits found. own_at_once: with each orbit's own sensitivity from the first sweep. t may be NULL. */
static void shoot(group *g, int own_at_once, taking *t)
{
    sag_steady *steady = g->steady;
    size_t n = steady->states, lanes = steady->kind->lanes;
    int want_own = own_at_once;
    for (size_t lane = 0; lane < lanes; lane++) {
        g->size[lane] = INFINITY;
        g->has_own[lane] = 0;
        g->converged[lane] = 0;
    }
    for (int sweep = 0; sweep < MOST_SWEEPS; sweep++) {
        int any = 0;
        double highest = 0;
        for (size_t lane = 0; lane < lanes; lane++) {
            any |= g->active[lane];
            highest = g->active[lane] ? fmax(highest, g->level_vpk[lane]) : highest;
        }
        if (!any) {
            return;
        }
        double tolerance_v = 1e-9 + 1e-8 * fmin(highest, steady->onset_vpk);
        steady->kind->run(steady->stepper, &g->grid->map, g->grid->finer, refine, steady,
                          (size_t)g->grid->steps, g->level_vpk, g->active, steady->start, tolerance_v,
                          want_own);
        int next_own = 0;
        for (size_t lane = 0; lane < lanes; lane++) {
            if (!g->active[lane]) {
                continue;
            }
            g->sweeps[lane]++;
            if (steady->period.failed[lane]) {
                g->active[lane] = 0;
                continue;
            }
            if (want_own) {
                factor_own(g, lane);
            }
            find_update(g, lane);
            double size = update_size(g, lane);
            if (size < 1) {
                g->converged[lane] = 1;
                g->active[lane] = 0;
                if (t) {
                    take(g, lane, t);
                }
                continue;
            }
            next_own |= size > GOOD_CONTRACTION * g->size[lane];
            g->size[lane] = size;
            for (size_t i = 0; i < n; i++) {
                steady->start[i * lanes + lane] += steady->update[i * lanes + lane];
            }
        }
        want_own = next_own;
    }
    memset(g->active, 0, sizeof g->active);
}

/* Start of a lane: the orbit below it with what the linear solution adds for the rest of the level, as far as clip onset;
 * below_vpk 0: the linear orbit at time 0 under u = A sin w t. */
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

/* A lane that did not converge from its start: raised to its level from clip onset, in steps of at most 1 dB, smaller where
 * that fails. Leaves the orbit's start as the last one solved. */
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
        shoot(g, 1, last ? t : NULL);
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

static void fail_point(const sag_steady *steady, sag_steady_point *point, sag_opamp_swing *swings, int sweeps)
{
    *point = (sag_steady_point){.status = SAG_NOT_CONVERGED,
                                .gain_db = NAN,
                                .phase_deg = NAN,
                                .thd = NAN,
                                .output_peak_v = NAN,
                                .output_trough_v = NAN,
                                .limited_by = {-1, SAG_LIMIT_NONE},
                                .sweeps = sweeps};
    for (int i = 0; i <= SAG_HARMONICS; i++) {
        point->harmonic_vpk[i] = NAN;
    }
    for (size_t k = 0; swings && k < steady->bias->network->opamp_count; k++) {
        swings[k] = (sag_opamp_swing){.peak_v = NAN, .trough_v = NAN, .left_db = NAN};
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

static sag_status solve_group(sag_steady *steady, group *g, taking *t, size_t count)
{
    size_t coarse = first_grid(steady);
    unsigned char started[4] = {0};
    for (size_t grid = coarse; grid < SAG_GRID_COUNT && (grid == coarse || sag_grid_steps[grid] <= 512); grid++) {
        int any = 0, finest = grid > 0;
        for (size_t lane = 0; lane < count; lane++) {
            /* What the linear solution takes past a limit is not worth trying on a coarse grid. */
            int hopeless = grid == 0 && g->level_vpk[lane] > 1.02 * steady->onset_vpk;
            g->active[lane] = !t->taken[lane] && !hopeless;
            any |= g->active[lane];
        }
        if (!any) {
            continue;
        }
        TRY(sag_steady_prepare_grid(steady, grid));
        g->grid = &steady->grid[grid];
        t->accept_coarse = grid == coarse && steady->settings.least_steps > 0;
        for (size_t lane = 0; lane < count; lane++) {
            if (g->active[lane] && !started[lane]) {
                start_from(g, lane, steady->last_start, steady->last_level_vpk);
            }
        }
        shoot(g, finest, t);
        for (size_t lane = 0; lane < count; lane++) {
            started[lane] = g->converged[lane];
            if (finest && !t->taken[lane]) {
                climb(g, lane, t);
            }
        }
    }
    return SAG_OK;
}

sag_status sag_steady_solve(sag_steady *steady, const double *level_vpk, size_t level_count,
                            sag_steady_point *points, sag_opamp_swing *swings)
{
    size_t lanes = steady->kind->lanes, opamps = steady->bias->network->opamp_count;
    for (size_t first = 0; first < level_count; first += lanes) {
        size_t count = level_count - first < lanes ? level_count - first : lanes;
        group g = {.steady = steady};
        taking t = {.points = points, .swings = swings, .first = first};
        for (size_t lane = 0; lane < count; lane++) {
            g.level_vpk[lane] = level_vpk[first + lane];
        }
        TRY(solve_group(steady, &g, &t, count));
        for (size_t lane = 0; lane < count; lane++) {
            size_t at = first + lane;
            if (!t.taken[lane]) {
                fail_point(steady, &points[at], swings ? swings + at * opamps : NULL, g.sweeps[lane]);
            } else {
                keep_start(steady, lane, level_vpk[at]);
            }
        }
    }
    return SAG_OK;
}
