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
    sag_free(steady->starts);
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
    steady->start =
        sag_new(2 * n * lanes + 3 * n + (2 + SAG_FOLLOW_WINDOWS) * n, sizeof *steady->start);
    steady->past = sag_new(lanes * SAG_MOST_SWEEPS * n, sizeof *steady->past);
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
    steady->followed = steady->kept + 2 * n;
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

sag_steady_effort sag_steady_spent(const sag_steady *steady)
{
    return steady->spent;
}

double sag_steady_linear_onset(sag_steady *steady, sag_limit *limit)
{
    *limit = steady->onset_limit;
    return steady->onset_vpk;
}

sag_status sag_steady_solve(sag_steady *steady, const double *level_vpk, size_t level_count,
                            sag_steady_point *points, sag_opamp_swing *swings)
{
    if (level_count == 0 || !sag_steady_can_reverse(steady)) {
        return sag_steady_search(steady, level_vpk, level_count, points, swings, NULL);
    }
    if (level_count > steady->starts_count) {
        sag_free(steady->starts);
        steady->starts = sag_new(level_count * steady->states, sizeof *steady->starts);
        steady->starts_count = steady->starts ? level_count : 0;
    }
    if (!steady->starts) {
        return SAG_NO_MEMORY;
    }
    TRY(sag_steady_search(steady, level_vpk, level_count, points, swings, steady->starts));
    return sag_steady_branches(steady, level_vpk, level_count, steady->starts, points, swings);
}
