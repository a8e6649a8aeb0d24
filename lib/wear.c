/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "wear.h"

#include "memory.h"
#include "parallel.h"
#include "response.h"
#include "value.h"

#include <math.h>
#include <stdio.h>

const double sag_wear_tone_hz[SAG_WEAR_TONES] = {41, 100, 1e3, 4e3, 10e3};

enum { SOFT = 0, HARD = 2 }; /* of soft, normal, hard, extreme */

/* Where the linear solution comes nearest to a limit, of so many frequencies even on a log axis,
 * the largest clean level is looked for; */
static const double lowest_hz = 31, highest_hz = 20e3;
enum { SCANNED = 57 }; /* six an octave */
/* every so manieth of them is then held against the margin found, and looked at as well where THD
 * is over the limit: diodes and slew distort without meeting a limit. */
enum { STRIDE = 4 };

typedef struct {
    const sag_discharge *discharge;
    const sag_wear_request *request;
    sag_wear_row *rows;
    sag_report **reports; /* one a row */
} wear_work;

/* One state with its bias point. */
typedef struct {
    const sag_design *design;
    const sag_wear_request *request;
    const sag_bias *bias;
    sag_steady *steady;
    sag_wear_row *row;
} wear_state;

static double assumed_vpk(const wear_state *s, size_t level, double hz)
{
    return sag_playing_level_at(s->design->playing[level].vpk, hz, s->request->slope_db);
}

static void clear_row(sag_wear_row *row, double open_circuit_v)
{
    *row = (sag_wear_row){.open_circuit_v = open_circuit_v,
                          .margin_hz = (double)NAN,
                          .limited_by = {-1, SAG_LIMIT_NONE},
                          .hard_thd = (double)NAN};
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        row->margin_db[k] = row->sine_drain_a[k] = (double)NAN;
    }
    for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
        row->soft_db[k] = row->hard_db[k] = (double)NAN;
    }
}

/* Points of all playing levels at one frequency; what finds no solution keeps its NAN. */
static sag_status solve_levels(wear_state *s, double hz, sag_steady_point of[SAG_PLAYING_LEVELS])
{
    size_t order[SAG_PLAYING_LEVELS];
    double rising[SAG_PLAYING_LEVELS] = {0};
    sag_steady_point points[SAG_PLAYING_LEVELS];
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        size_t at = k;
        double vpk = assumed_vpk(s, k, hz);
        for (; at > 0 && rising[at - 1] > vpk; at--) {
            rising[at] = rising[at - 1];
            order[at] = order[at - 1];
        }
        rising[at] = vpk;
        order[at] = k;
    }
    sag_status status = sag_steady_frequency(s->steady, hz);
    if (status >=
        SAG_OK) { /* points at a frequency without a linear solution come back as failed */
        status = sag_steady_solve(s->steady, rising, SAG_PLAYING_LEVELS, points, NULL);
    }
    TRY(status);
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        of[order[k]] = points[k];
    }
    return SAG_OK;
}

static void take_drains(sag_wear_row *row, const sag_steady_point points[SAG_PLAYING_LEVELS])
{
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        row->sine_drain_a[k] = fmax(row->sine_drain_a[k], points[k].drain_a);
    }
}

static sag_status find_tones(wear_state *s)
{
    sag_steady_point points[SAG_PLAYING_LEVELS];
    for (size_t k = 0; k < SAG_WEAR_TONES; k++) {
        TRY(solve_levels(s, sag_wear_tone_hz[k], points));
        s->row->soft_db[k] = points[SOFT].gain_db;
        s->row->hard_db[k] = points[HARD].gain_db;
        take_drains(s->row, points);
    }
    TRY(solve_levels(s, SAG_WEAR_THD_HZ, points));
    s->row->hard_thd = points[HARD].thd;
    take_drains(s->row, points);
    return SAG_OK;
}

static double scanned_hz(size_t i)
{
    return lowest_hz * pow(highest_hz / lowest_hz, (double)i / (SCANNED - 1));
}

/* The frequency at which the linear solution meets a limit at the least level over the one assumed;
 * the lowest when none is met anywhere. */
static double find_weakest(wear_state *s)
{
    double least = (double)INFINITY, at_hz = lowest_hz;
    for (size_t i = 0; i < SCANNED; i++) {
        double hz = scanned_hz(i);
        sag_limit limit;
        if (sag_steady_frequency(s->steady, hz) != SAG_OK) {
            continue;
        }
        double over = sag_steady_linear_onset(s->steady, &limit) / assumed_vpk(s, HARD, hz);
        if (over < least) {
            least = over;
            at_hz = hz;
        }
    }
    return at_hz;
}

/* The largest clean level over the playing level `hard` in dB, and what is met there: infinities as
 * in wear.h, NAN when unknown. */
static sag_status search_margin(wear_state *s, double hz, double *margin_db, sag_limit *limit,
                                sag_report *report)
{
    sag_headroom *found = NULL;
    sag_headroom_request request = {.frequency_hz = &hz,
                                    .frequency_count = 1,
                                    .thd_limit = s->request->thd_limit,
                                    .soft_vpk = assumed_vpk(s, SOFT, hz),
                                    .steady = s->request->steady,
                                    .threads = 1};
    TRY(sag_headroom_compute(&s->bias, 1, &request, &found, report));
    const sag_headroom_point *point = &found->points[0];
    *limit = point->distorted_by;
    *margin_db = (double)NAN;
    switch (point->max_input_reason) {
    case SAG_HEADROOM_FOUND:
        *margin_db = 20 * log10(point->max_input_vpk / assumed_vpk(s, HARD, hz));
        break;
    case SAG_HEADROOM_OVER_AT_SOFT:
        *margin_db = -(double)INFINITY;
        break;
    case SAG_HEADROOM_BEYOND_RANGE:
        *margin_db = (double)INFINITY;
        break;
    case SAG_HEADROOM_UNKNOWN:
    case SAG_HEADROOM_OSCILLATES:
    case SAG_HEADROOM_NO_GAIN:
        break;
    }
    sag_headroom_free(found);
    return SAG_OK;
}

/* Whether the output at so many dB over hard playing is clean. */
static sag_status is_clean(wear_state *s, double hz, double margin_db, int *clean)
{
    sag_steady_point point = {.status = SAG_NOT_CONVERGED};
    double vpk = assumed_vpk(s, HARD, hz) * pow(10, margin_db / 20);
    sag_status status = sag_steady_frequency(s->steady, hz);
    if (status >= SAG_OK) {
        status = sag_steady_solve(s->steady, &vpk, 1, &point, NULL);
    }
    *clean = status == SAG_OK && point.status == SAG_OK && point.thd <= s->request->thd_limit;
    return status;
}

static sag_status find_margins(wear_state *s, sag_report *report)
{
    double least_db, at_hz = find_weakest(s);
    sag_limit limit;
    TRY(search_margin(s, at_hz, &least_db, &limit, report));
    for (size_t i = 0; i < SCANNED && isfinite(least_db); i += STRIDE) {
        double hz = scanned_hz(i), margin_db;
        int clean;
        sag_limit met;
        TRY(is_clean(s, hz, least_db, &clean));
        if (!clean) {
            TRY(search_margin(s, hz, &margin_db, &met, report));
            if (!(margin_db >= least_db)) { /* an unknown one could be the least */
                least_db = margin_db;
                at_hz = hz;
                limit = met;
            }
        }
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        s->row->margin_db[k] =
            least_db + 20 * log10(s->design->playing[HARD].vpk / s->design->playing[k].vpk);
    }
    s->row->margin_hz = at_hz;
    s->row->limited_by = limit;
    return SAG_OK;
}

static sag_status find_figures(wear_state *s, sag_report *report)
{
    sag_stability stability;
    TRY(sag_stability_at_rest(s->bias, &stability));
    if (stability.oscillates) {
        return SAG_OSCILLATES;
    }
    int dead = sag_response_without_gain(s->bias);
    if (dead >= 0) {
        s->row->limited_by = (sag_limit){dead, SAG_LIMIT_INPUT_RANGE};
        return SAG_NO_GAIN;
    }
    sag_steady_settings settings = s->request->steady;
    settings.supply_ripple = 1;
    TRY(sag_steady_new(s->bias, &settings, &s->steady));
    sag_status status = find_tones(s);
    if (status == SAG_OK) {
        status = find_margins(s, report);
    }
    sag_steady_free(s->steady);
    return status;
}

/* Network and bias point of a state; what there is of them is the caller's in any case. */
static sag_status open_state(wear_state *s, const sag_discharge *discharge, double open_circuit_v,
                             sag_network **network, sag_bias **bias, sag_report *report)
{
    sag_conditions conditions = sag_discharge_conditions(discharge, open_circuit_v);
    s->design = sag_discharge_design(discharge);
    TRY(sag_network_new(s->design, &conditions, network, report));
    TRY(sag_bias_new(*network, bias, report));
    sag_bias_warn_without_gain(*bias, report);
    s->bias = *bias;
    return SAG_OK;
}

int sag_wear_has_gain(const sag_discharge *discharge, double open_circuit_v)
{
    wear_state state = {.design = NULL};
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    int has = open_state(&state, discharge, open_circuit_v, &network, &bias, NULL) == SAG_OK &&
              sag_response_without_gain(bias) < 0;
    sag_bias_free(bias);
    sag_network_free(network);
    return has;
}

typedef struct {
    const sag_discharge *discharge;
    const sag_wear_request *request;
    double open_circuit_v;
    const double *frequency_hz;
    size_t count;
    double *soft_db, *hard_db;
} curve_work;

/* Frequencies a work item; fixed, so that the results do not depend on the threads. */
enum { BLOCK = 16 };

static sag_status run_curve(void *context, size_t index)
{
    const curve_work *work = context;
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    wear_state state = {.request = work->request};
    sag_status status =
        open_state(&state, work->discharge, work->open_circuit_v, &network, &bias, NULL);
    if (status == SAG_OK) {
        status = sag_steady_new(bias, &work->request->steady, &state.steady);
    }
    size_t end = (index + 1) * BLOCK < work->count ? (index + 1) * BLOCK : work->count;
    for (size_t i = index * BLOCK; i < end && status == SAG_OK; i++) {
        sag_steady_point points[SAG_PLAYING_LEVELS];
        status = solve_levels(&state, work->frequency_hz[i], points);
        if (status == SAG_OK) {
            work->soft_db[i] = points[SOFT].gain_db;
            work->hard_db[i] = points[HARD].gain_db;
        }
    }
    sag_steady_free(state.steady);
    sag_bias_free(bias);
    sag_network_free(network);
    return status < SAG_OK ? status : SAG_OK;
}

sag_status sag_wear_curves(const sag_discharge *discharge, const sag_wear_request *request,
                           double open_circuit_v, const double *frequency_hz, size_t count,
                           double *soft_db, double *hard_db)
{
    curve_work work = {.discharge = discharge,
                       .request = request,
                       .open_circuit_v = open_circuit_v,
                       .frequency_hz = frequency_hz,
                       .count = count,
                       .soft_db = soft_db,
                       .hard_db = hard_db};
    for (size_t i = 0; i < count; i++) {
        soft_db[i] = hard_db[i] = (double)NAN;
    }
    return sag_parallel_run((count + BLOCK - 1) / BLOCK, request->threads, run_curve, &work,
                            request->progress, request->progress_context);
}

static sag_status run_row(void *context, size_t index)
{
    const wear_work *work = context;
    sag_wear_row *row = &work->rows[index];
    sag_report *report = work->reports[index];
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    clear_row(row, row->open_circuit_v);
    wear_state state = {.request = work->request, .row = row};
    row->status = open_state(&state, work->discharge, row->open_circuit_v, &network, &bias, report);
    if (row->status == SAG_OK) {
        row->marks = sag_bias_marks(bias);
        row->status = find_figures(&state, report);
    }
    sag_bias_free(bias);
    sag_network_free(network);
    return row->status < SAG_OK ? row->status : SAG_OK;
}

/* Findings of the rows, in their order; those of a state without figures only, and of those without
 * gain only the first: further down it is no better. */
static void pass_on(const wear_work *work, size_t count, sag_report *report)
{
    int without_gain = 0;
    for (size_t i = 0; i < count; i++) {
        const sag_wear_row *row = &work->rows[i];
        char where[64];
        if (row->status == SAG_NO_GAIN && without_gain++) {
            continue;
        }
        snprintf(where, sizeof where, "%.4g V",
                 sag_discharge_at(work->discharge, row->open_circuit_v).terminal_v);
        int missing = isnan(row->hard_thd) || isnan(row->margin_db[HARD]);
        for (size_t k = 0; missing && k < sag_report_count(work->reports[i]); k++) {
            const sag_finding *finding = sag_report_get(work->reports[i], k);
            sag_report_on(report, SAG_WARNING, where, finding->hint, "%s", finding->text);
        }
        if (row->status != SAG_OK && sag_report_count(work->reports[i]) == 0) {
            sag_report_on(report, SAG_WARNING, where, NULL, "not computed: %s",
                          sag_status_text(row->status));
        }
    }
}

sag_status sag_wear_compute(const sag_discharge *discharge, const sag_wear_request *request,
                            sag_wear_row *rows, size_t count, sag_report *report)
{
    wear_work work = {.discharge = discharge, .request = request, .rows = rows};
    sag_status status = SAG_OK;
    work.reports = sag_new(count, sizeof *work.reports);
    if (!work.reports) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < count && status == SAG_OK; i++) {
        status = sag_report_new(&work.reports[i]);
    }
    if (status == SAG_OK) {
        status = sag_parallel_run(count, request->threads, run_row, &work, request->progress,
                                  request->progress_context);
    }
    if (status == SAG_OK) {
        pass_on(&work, count, report);
    }
    for (size_t i = 0; i < count; i++) {
        sag_report_free(work.reports[i]);
    }
    sag_free(work.reports);
    return status;
}
