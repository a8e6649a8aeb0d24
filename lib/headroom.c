/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "headroom.h"

#include "memory.h"
#include "parallel.h"
#include "response.h"
#include "value.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <stdio.h>

/* Frequencies a work item. */
#define BLOCK 4
/* The scan for the distortion-limited level goes up in steps of this, as far as HIGHEST_DBV. */
#define SCAN_DB     3.0
#define HIGHEST_DBV 40.0
/* Levels are found to this. */
#define LEVEL_DB 1e-3

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

/* Root finders ask again for levels just solved. */
#define REMEMBERED 4

typedef struct {
    double level_dbv, left_db, thd;
} solved;

typedef struct {
    sag_steady *steady;
    solved memory[REMEMBERED]; /* the last ones, in a ring; cleared with the frequency */
    size_t remembered;
    size_t opamps;
    double thd_limit;
    sag_steady_point point; /* the last one solved */
    sag_opamp_swing *swings;
    int failed;       /* a level had no periodic solution */
    sag_status error; /* no memory: ends everything */
    int oscillates;   /* because it oscillates there */
    sag_burst burst;
    double burst_dbv; /* the lowest level that bursts or oscillates; INFINITY: none */
} search;

static void solve(search *s, double level_dbv)
{
    double vpk = sag_level_peak(level_dbv);
    sag_status status = sag_steady_solve(s->steady, &vpk, 1, &s->point, s->swings);
    s->error = status < SAG_OK ? status : s->error;
    if (status != SAG_OK || s->point.status != SAG_OK) {
        s->failed = 1;
        s->oscillates |= s->point.status == SAG_OSCILLATES;
    }
    if (s->point.burst.opamp >= 0 && level_dbv < s->burst_dbv) {
        s->burst = s->point.burst;
        s->burst_dbv = level_dbv;
    }
}

static void forget_failure(search *s)
{
    s->failed = s->oscillates = 0;
}

/* Why a search that failed did. */
static sag_headroom_reason why(const search *s)
{
    return s->oscillates ? SAG_HEADROOM_OSCILLATES : SAG_HEADROOM_UNKNOWN;
}

static solved look_up(search *s, double level_dbv)
{
    for (size_t i = 0; i < REMEMBERED && i < s->remembered; i++) {
        if (s->memory[i].level_dbv == level_dbv) { /* the very number asked for before */
            return s->memory[i];
        }
    }
    solve(s, level_dbv);
    solved found = {.level_dbv = level_dbv, .left_db = (double)INFINITY, .thd = s->point.thd};
    for (size_t k = 0; k < s->opamps; k++) {
        found.left_db = fmin(found.left_db, s->swings[k].left_db);
    }
    if (!s->failed) {
        s->memory[s->remembered++ % REMEMBERED] = found;
    }
    return found;
}

/* dB left to the nearest limit of any op-amp: falls through zero at clip onset, one dB a dB while
 * all is linear. */
static double left_db(double level_dbv, void *context)
{
    search *s = context;
    double left = look_up(s, level_dbv).left_db;
    return s->failed ? (double)NAN : left;
}

/* Log of THD over its limit: positive above it. */
static double excess(double level_dbv, void *context)
{
    search *s = context;
    double thd = look_up(s, level_dbv).thd;
    return s->failed ? (double)NAN : log(fmax(thd, 1e-12) / s->thd_limit);
}

/* Brent's method between two levels where f changes its sign. */
static sag_status find_root(double (*f)(double, void *), search *s, double low, double high,
                            double *root)
{
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!solver) {
        return SAG_NO_MEMORY;
    }
    gsl_function sought = {.function = f, .params = s};
    int status = gsl_root_fsolver_set(solver, &sought, low, high);
    for (int i = 0; i < 60 && status == GSL_SUCCESS; i++) {
        status = gsl_root_fsolver_iterate(solver);
        low = gsl_root_fsolver_x_lower(solver);
        high = gsl_root_fsolver_x_upper(solver);
        if (status != GSL_SUCCESS || high - low < LEVEL_DB) {
            break;
        }
    }
    *root = gsl_root_fsolver_root(solver);
    gsl_root_fsolver_free(solver);
    return status == GSL_SUCCESS && !s->failed ? SAG_OK : SAG_NOT_CONVERGED;
}

/* The linear solution says where to look: it is exact up to the knees of the limits, unless an
 * earlier stage bends first. */
static sag_status find_onset(search *s, sag_headroom_point *point)
{
    sag_limit limit;
    double guess = sag_steady_linear_onset(s->steady, &limit);
    point->clip_onset_vpk = (double)NAN;
    point->clip_onset_reason = SAG_HEADROOM_UNKNOWN;
    point->limited_by = (sag_limit){-1, SAG_LIMIT_NONE};
    if (!(guess > 0) || sag_level_dbv(guess) > HIGHEST_DBV) {
        point->clip_onset_reason = SAG_HEADROOM_BEYOND_RANGE;
        return SAG_OK;
    }
    double low = sag_level_dbv(guess) - 0.05, high = low + 0.1, step = 0.25;
    while (left_db(low, s) < 0 && !s->failed && low > -140) {
        high = low;
        low -= step;
        step *= 2;
    }
    step = 0.25;
    while (!s->failed && left_db(high, s) >= 0) {
        low = high;
        high += step;
        step *= 2;
        if (low > HIGHEST_DBV) {
            point->clip_onset_reason = SAG_HEADROOM_BEYOND_RANGE;
            return SAG_OK;
        }
    }
    double onset;
    if (s->failed) {
        point->clip_onset_reason = why(s);
        return SAG_OK;
    }
    sag_status status = find_root(left_db, s, low, high, &onset);
    if (status == SAG_OK) {
        point->clip_onset_reason = SAG_HEADROOM_FOUND;
        point->clip_onset_vpk = sag_level_peak(onset);
        point->limited_by = limit;
        solve(s, onset + 2 * LEVEL_DB); /* just past it: what is met there */
        if (s->point.limited_by.opamp >= 0) {
            point->limited_by = s->point.limited_by;
        }
    } else {
        point->clip_onset_reason = why(s);
    }
    return status < SAG_OK ? status : SAG_OK;
}

/* Distortion this far below the clip onset is of another kind than what the limit does. */
#define BEFORE_ONSET_DB 0.5

/* What distorts at the level just solved. */
static sag_limit find_cause(const search *s, double level_dbv, const sag_headroom_point *point)
{
    double nearest_db = (double)INFINITY;
    sag_limit cause = point->limited_by;
    if (level_dbv > sag_level_dbv(point->clip_onset_vpk) - BEFORE_ONSET_DB) {
        return cause;
    }
    for (size_t k = 0; k < s->opamps; k++) {
        if (s->swings[k].crosses_over) {
            return (sag_limit){(int)k, SAG_LIMIT_CROSSOVER};
        }
        if (s->swings[k].left_db < nearest_db) {
            nearest_db = s->swings[k].left_db;
            cause = (sag_limit){(int)k, s->swings[k].nearest};
        }
    }
    return cause;
}

/* A hard limit gives 1 % THD a quarter of a dB above its onset: a level this far above is the first
 * to try. */
#define PAST_ONSET_DB 0.5

static sag_status find_distortion_limit(search *s, double soft_vpk, sag_headroom_point *point)
{
    double low = sag_level_dbv(soft_vpk), high = low;
    point->max_input_vpk = point->max_output_vpk = (double)NAN;
    point->max_input_reason = SAG_HEADROOM_UNKNOWN;
    point->distorted_by = (sag_limit){-1, SAG_LIMIT_NONE};
    forget_failure(s);
    if (excess(low, s) > 0) {
        point->max_input_reason = SAG_HEADROOM_OVER_AT_SOFT;
        point->distorted_by = find_cause(s, low, point);
        return SAG_OK;
    }
    double onset = sag_level_dbv(point->clip_onset_vpk);
    do {
        low = high;
        high += SCAN_DB;
        if (onset > low && onset < high) { /* a NAN is neither */
            high = onset;
        } else if (onset == low) { /* the level put there above */
            high = onset + PAST_ONSET_DB;
        }
        if (low >= HIGHEST_DBV) {
            point->max_input_reason = SAG_HEADROOM_BEYOND_RANGE;
            return SAG_OK;
        }
    } while (!s->failed && excess(high, s) <= 0);
    if (s->failed) {
        point->max_input_reason = why(s);
        return SAG_OK;
    }
    double thd_above =
        look_up(s, high + SCAN_DB).thd; /* NAN without a solution there: no fall known */
    forget_failure(s);
    double limit;
    sag_status status = find_root(excess, s, low, high, &limit);
    if (status == SAG_OK) {
        solve(s, limit);
        point->max_input_reason = SAG_HEADROOM_FOUND;
        point->max_input_vpk = sag_level_peak(limit);
        point->max_output_vpk = s->point.harmonic_vpk[1];
        point->distorted_by = find_cause(s, limit, point);
        point->falls_back = thd_above < s->thd_limit;
    } else {
        point->max_input_reason = why(s);
    }
    return status < SAG_OK ? status : SAG_OK;
}

/* What of the levels looked at bears on the point: not those above the largest clean one. */
static void take_burst(const search *s, sag_headroom_point *point)
{
    double burst_vpk = sag_level_peak(s->burst_dbv);
    point->burst = (sag_burst){.opamp = -1};
    point->burst_vpk = (double)NAN;
    if (isfinite(burst_vpk) && !(burst_vpk > point->max_input_vpk)) {
        point->burst = s->burst;
        point->burst_vpk = burst_vpk;
    }
}

typedef struct {
    const sag_bias *const *biases;
    const sag_headroom_request *request;
    sag_headroom **results;
    sag_gain_loss **losses; /* of each bias point */
} map_work;

static sag_headroom_point unknown_point(sag_headroom_reason reason)
{
    return (sag_headroom_point){.clip_onset_vpk = (double)NAN,
                                .clip_onset_reason = reason,
                                .limited_by = {-1, SAG_LIMIT_NONE},
                                .max_input_vpk = (double)NAN,
                                .max_input_reason = reason,
                                .distorted_by = {-1, SAG_LIMIT_NONE},
                                .max_output_vpk = (double)NAN,
                                .burst = {.opamp = -1},
                                .burst_vpk = (double)NAN};
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
    const sag_headroom_request *request = work->request;
    const sag_bias *at = work->biases[bias];
    sag_headroom *headroom = work->results[bias];
    search s = {.opamps = sag_network_opamp_count(sag_bias_network(at)),
                .thd_limit = request->thd_limit};
    sag_steady_settings settings = request->steady;
    settings.one_lane = 1; /* a search has one level at a time */
    settings.losses = work->losses[bias];
    s.swings = sag_new(s.opamps + 1, sizeof *s.swings);
    sag_status status = s.swings ? sag_steady_new(at, &settings, &s.steady) : SAG_NO_MEMORY;
    sag_steady_effort before = {0};
    if (sag_response_without_gain(at) >= 0) { /* what leaks past it has no clean level */
        for (size_t f = from; f < to; f++) {
            headroom->points[f] = unknown_point(SAG_HEADROOM_NO_GAIN);
        }
        to = from;
    }
    for (size_t f = from; status == SAG_OK && f < to; f++) {
        forget_failure(&s);
        s.remembered = 0;
        s.burst_dbv = (double)INFINITY;
        status = sag_steady_frequency(s.steady, request->frequency_hz[f]);
        if (status > SAG_OK) { /* no linear solution: a hole, not the end of the block */
            headroom->points[f] = unknown_point(SAG_HEADROOM_UNKNOWN);
            status = SAG_OK;
            continue;
        }
        if (status == SAG_OK) {
            status = find_onset(&s, &headroom->points[f]);
        }
        if (status == SAG_OK) {
            status = find_distortion_limit(&s, request->soft_vpk, &headroom->points[f]);
            take_burst(&s, &headroom->points[f]);
        }
        status = s.error < SAG_OK ? s.error : status;
        sag_steady_effort spent = sag_steady_spent(s.steady);
        headroom->points[f].effort =
            (sag_steady_effort){spent.sweeps - before.sweeps, spent.steps - before.steps};
        before = spent;
    }
    sag_steady_free(s.steady);
    sag_free(s.swings);
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
