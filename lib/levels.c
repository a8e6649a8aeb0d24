/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "levels.h"

#include "memory.h"
#include "parallel.h"
#include "value.h"

#include <math.h>
#include <stdio.h>

/* Frequencies a work item. */
#define BLOCK 8

typedef struct {
    const sag_bias *const *biases;
    const sag_levels_request *request;
    sag_levels **results;
    sag_gain_loss **losses; /* of each bias point */
} map_work;

static sag_levels *make_levels(const sag_bias *bias, const sag_levels_request *request)
{
    sag_levels *levels = sag_new(1, sizeof *levels);
    if (!levels) {
        return NULL;
    }
    levels->level_count = request->level_count;
    levels->frequency_count = request->frequency_count;
    levels->opamp_count = sag_network_opamp_count(sag_bias_network(bias));
    size_t points = levels->level_count * levels->frequency_count;
    levels->points = sag_new(points, sizeof *levels->points);
    levels->swings = sag_new(points * (levels->opamp_count + 1), sizeof *levels->swings);
    levels->onset_vpk = sag_new(levels->frequency_count, sizeof *levels->onset_vpk);
    levels->onset_limit = sag_new(levels->frequency_count, sizeof *levels->onset_limit);
    levels->effort = sag_new(levels->frequency_count, sizeof *levels->effort);
    if (!levels->points || !levels->swings || !levels->onset_vpk || !levels->onset_limit ||
        !levels->effort) {
        sag_levels_free(levels);
        return NULL;
    }
    return levels;
}

void sag_levels_free(sag_levels *levels)
{
    if (levels) {
        sag_free(levels->points);
        sag_free(levels->swings);
        sag_free(levels->onset_vpk);
        sag_free(levels->onset_limit);
        sag_free(levels->effort);
        sag_free(levels);
    }
}

/* Once a level has met a limit, the levels above it were limited by the same first. */
static void carry_limits(sag_levels *levels, size_t f)
{
    sag_limit first = {-1, SAG_LIMIT_NONE};
    for (size_t l = 0; l < levels->level_count; l++) {
        sag_steady_point *point = &levels->points[l * levels->frequency_count + f];
        if (first.kind == SAG_LIMIT_NONE) {
            first = point->limited_by;
        } else if (point->status == SAG_OK) {
            point->limited_by = first;
        }
    }
}

/* Without them, where the natural frequencies at rest are not to be had, no loop is taken to need its
 * gain; what grows at an instant is still seen. */
static sag_status find_losses(void *context, size_t index)
{
    map_work *work = context;
    return sag_stability_losses(work->biases[index], &work->losses[index]);
}

static sag_status run_block(void *context, size_t bias, size_t from, size_t to)
{
    const map_work *work = context;
    const sag_levels_request *request = work->request;
    sag_steady_settings settings = request->steady;
    settings.losses = work->losses[bias];
    sag_levels *levels = work->results[bias];
    size_t opamps = levels->opamp_count, count = request->level_count;
    sag_steady *steady = NULL;
    sag_steady_point *points = sag_new(count, sizeof *points);
    sag_opamp_swing *swings = sag_new(count * (opamps + 1), sizeof *swings);
    sag_status status = points && swings ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        status = sag_steady_new(work->biases[bias], &settings, &steady);
    }
    sag_steady_effort before = {0};
    for (size_t f = from; status == SAG_OK && f < to; f++) {
        status = sag_steady_frequency(steady, request->frequency_hz[f]);
        levels->onset_limit[f] = (sag_limit){-1, SAG_LIMIT_NONE};
        levels->onset_vpk[f] = status == SAG_OK
                                   ? sag_steady_linear_onset(steady, &levels->onset_limit[f])
                                   : (double)NAN;
        if (status >=
            SAG_OK) { /* points at a frequency that could not be prepared come back as failed */
            status = sag_steady_solve(steady, request->level_vpk, count, points, swings);
        }
        for (size_t l = 0; status == SAG_OK && l < count; l++) {
            size_t at = l * request->frequency_count + f;
            levels->points[at] = points[l];
            for (size_t k = 0; k < opamps; k++) {
                levels->swings[at * opamps + k] = swings[l * opamps + k];
            }
        }
        if (status == SAG_OK) {
            carry_limits(levels, f);
        }
        sag_steady_effort spent = sag_steady_spent(steady);
        levels->effort[f] =
            (sag_steady_effort){spent.sweeps - before.sweeps, spent.steps - before.steps};
        before = spent;
    }
    sag_steady_free(steady);
    sag_free(points);
    sag_free(swings);
    return status;
}

static void report_failures(const map_work *work, size_t count, sag_report *report)
{
    const sag_levels_request *request = work->request;
    for (size_t b = 0; b < count; b++) {
        const sag_levels *levels = work->results[b];
        double supply_v = sag_network_conditions(sag_bias_network(work->biases[b]))->supply_v;
        for (size_t i = 0; i < request->level_count * request->frequency_count; i++) {
            sag_status status = levels->points[i].status;
            if (status != SAG_OK && status != SAG_OSCILLATES) { /* the points say what it does */
                char where[96];
                snprintf(where, sizeof where, "%.4g V, %.4g dBV, %.5g Hz", supply_v,
                         sag_level_dbv(request->level_vpk[i / request->frequency_count]),
                         request->frequency_hz[i % request->frequency_count]);
                sag_report_on(report, SAG_WARNING, where, NULL,
                              "No periodic solution was found at %s.", where);
            }
        }
    }
}

/* Once a supply: where else than in the state shown the circuit may be. */
static void report_states(const map_work *work, size_t count, sag_report *report)
{
    const sag_levels_request *request = work->request;
    for (size_t b = 0; b < count; b++) {
        const sag_levels *levels = work->results[b];
        double supply_v = sag_network_conditions(sag_bias_network(work->biases[b]))->supply_v;
        double from_vpk = (double)INFINITY, to_vpk = 0, low_hz = (double)INFINITY, high_hz = 0;
        for (size_t i = 0; i < request->level_count * request->frequency_count; i++) {
            const sag_steady_point *point = &levels->points[i];
            if (point->status == SAG_OK && point->two_to_vpk > 0) {
                double hz = request->frequency_hz[i % request->frequency_count];
                from_vpk = fmin(from_vpk, point->two_from_vpk);
                to_vpk = fmax(to_vpk, point->two_to_vpk);
                low_hz = fmin(low_hz, hz);
                high_hz = fmax(high_hz, hz);
            }
        }
        if (to_vpk > 0) {
            char where[32], span[64];
            snprintf(where, sizeof where, "%.4g V", supply_v);
            snprintf(span, sizeof span, low_hz < high_hz ? "%.5g to %.5g Hz" : "%.5g Hz", low_hz,
                     high_hz);
            sag_report_on(report, SAG_WARNING, where,
                          "keep the inputs inside the range at which the op-amp reverses, or take "
                          "one that does not",
                          "Two states between %.3g and %.3g dBV at %s and %s: an input that "
                          "reverses holds itself there once louder playing has driven it in. The "
                          "figures are of the state reached from silence.",
                          sag_level_dbv(from_vpk), sag_level_dbv(to_vpk), where, span);
        }
    }
}

sag_status sag_levels_compute(const sag_bias *const *biases, size_t count,
                              const sag_levels_request *request, sag_levels **results,
                              sag_report *report)
{
    sag_status status = SAG_OK;
    for (size_t i = 0; i < count; i++) {
        results[i] = make_levels(biases[i], request);
        status = results[i] ? status : SAG_NO_MEMORY;
    }
    map_work work = {.biases = biases,
                     .request = request,
                     .results = results,
                     .losses = sag_new(count, sizeof *work.losses)};
    sag_parallel_blocks map = {.biases = count,
                               .frequencies = request->frequency_count,
                               .size = BLOCK,
                               .block = run_block,
                               .context = &work};
    status = work.losses ? status : SAG_NO_MEMORY;
    if (status == SAG_OK && !request->steady.unjudged) {
        status = sag_parallel_run(count, request->threads, find_losses, &work, NULL, NULL);
    }
    if (status == SAG_OK) {
        status =
            sag_parallel_map(&map, request->threads, request->progress, request->progress_context);
    }
    if (status == SAG_OK) {
        report_failures(&work, count, report);
        report_states(&work, count, report);
    } else {
        for (size_t i = 0; i < count; i++) {
            sag_levels_free(results[i]);
            results[i] = NULL;
        }
    }
    for (size_t i = 0; work.losses && i < count; i++) {
        sag_free(work.losses[i]);
    }
    sag_free(work.losses);
    return status;
}
