/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "headroom_private.h"

#include "memory.h"
#include "parallel.h"
#include "response.h"
#include "value.h"

#include <math.h>
#include <stdio.h>

/* Frequencies a work item. */
#define BLOCK 8

const char *sag_headroom_reason_text(sag_headroom_reason reason)
{
    switch (reason) {
    case SAG_HEADROOM_FOUND:
        return "";
    case SAG_HEADROOM_OVER_AT_SOFT:
        return "over already at soft";
    case SAG_HEADROOM_BEYOND_RANGE:
        return "beyond +40 dBV";
    case SAG_HEADROOM_UNKNOWN:
        return "no solution";
    case SAG_HEADROOM_OSCILLATES:
        return "oscillates on the way";
    case SAG_HEADROOM_NO_GAIN:
        return "no gain at rest";
    }
    return "";
}

double sag_playing_level_at(double vpk, double frequency_hz, double slope_db_per_octave)
{
    double octaves = frequency_hz > 400 ? log2(frequency_hz / 400) : 0;
    return vpk * pow(10, -slope_db_per_octave * octaves / 20);
}

typedef struct {
    const sag_bias *const *biases;
    const sag_headroom_request *request;
    sag_headroom **results;
    sag_gain_loss **losses; /* of each bias point */
} map_work;

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
    const sag_headroom_request *request = work->request;
    sag_headroom *headroom = work->results[bias];
    sag_headroom_search *search;
    TRY(sag_headroom_search_new(work->biases[bias], request, work->losses[bias], &search));
    sag_status status = SAG_OK;
    if (sag_response_without_gain(work->biases[bias]) >= 0) {
        for (size_t f = from; f < to; f++) { /* what leaks past it has no clean level */
            headroom->points[f] = sag_headroom_unknown(SAG_HEADROOM_NO_GAIN);
        }
        to = from;
    }
    for (size_t f = from; status == SAG_OK && f < to; f++) {
        status = sag_headroom_search_run(search, request->frequency_hz[f], &headroom->points[f]);
    }
    sag_headroom_search_free(search);
    return status;
}

void sag_headroom_free(sag_headroom *headroom)
{
    if (headroom) {
        sag_free(headroom->points);
        sag_free(headroom);
    }
}

static void report_failures(const map_work *work, size_t count, sag_report *report)
{
    for (size_t b = 0; b < count; b++) {
        double supply_v = sag_network_conditions(sag_bias_network(work->biases[b]))->supply_v;
        for (size_t f = 0; f < work->request->frequency_count; f++) {
            const sag_headroom_point *point = &work->results[b]->points[f];
            if (point->clip_onset_reason == SAG_HEADROOM_UNKNOWN ||
                point->max_input_reason == SAG_HEADROOM_UNKNOWN) {
                char where[96];
                snprintf(where, sizeof where, "%.4g V, %.5g Hz", supply_v,
                         work->request->frequency_hz[f]);
                sag_report_on(report, SAG_WARNING, where, NULL,
                              "The headroom at %s was not found: a level on the way has no "
                              "periodic solution.",
                              where);
            }
        }
    }
}

sag_status sag_headroom_compute(const sag_bias *const *biases, size_t count,
                                const sag_headroom_request *request, sag_headroom **results,
                                sag_report *report)
{
    sag_status status = SAG_OK;
    for (size_t i = 0; i < count; i++) {
        results[i] = sag_new(1, sizeof **results);
        if (results[i]) {
            results[i]->frequency_count = request->frequency_count;
            results[i]->points = sag_new(request->frequency_count, sizeof *results[i]->points);
        }
        status = results[i] && results[i]->points ? status : SAG_NO_MEMORY;
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
    } else {
        for (size_t i = 0; i < count; i++) {
            sag_headroom_free(results[i]);
            results[i] = NULL;
        }
    }
    for (size_t i = 0; work.losses && i < count; i++) {
        sag_free(work.losses[i]);
    }
    sag_free(work.losses);
    return status;
}
