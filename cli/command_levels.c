/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_levels.c - the EQ curve at each input level and supply, with THD and the limiting stage.
 */
#include "command.h"
#include "label.h"
#include "levels_run.h"
#include "progress.h"
#include "result.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const sag_steady_point *levels_run_point(const session *s, const levels_run *run, size_t index,
                                         size_t level, size_t frequency)
{
    const sag_levels *map = run->maps[index];
    size_t row = run->levels.place[level] * s->options->frequency_count;
    return map ? &map->points[row + frequency] : &run->absent[index];
}

const sag_opamp_swing *levels_run_swings(const session *s, const levels_run *run, size_t index,
                                         size_t level, size_t frequency)
{
    const sag_levels *map = run->maps[index];
    size_t row = run->levels.place[level] * s->options->frequency_count;
    return map ? &map->swings[(row + frequency) * map->opamp_count] : NULL;
}

/* Small-signal gains, against which the curves of loud signals are held. */
static void find_small_gains(session *s, levels_run *run, size_t index)
{
    const options *o = s->options;
    for (size_t k = 0; k < o->frequency_count; k++) {
        double complex gain;
        int found =
            s->cases[index].status == SAG_OK &&
            sag_response_gain(s->cases[index].response, o->frequency_hz[k], &gain) == SAG_OK;
        run->small_db[index * o->frequency_count + k] = found ? sag_gain_db(gain) : (double)NAN;
    }
}

/* Maps of the prepared cases first to first + count - 1. */
static int compute_chunk(session *s, levels_run *run, progress *bar, size_t first, size_t count)
{
    const options *o = s->options;
    const sag_bias *biases[SESSION_CHUNK];
    sag_levels *maps[SESSION_CHUNK] = {NULL};
    size_t indices[SESSION_CHUNK], usable = 0;
    for (size_t i = first; i < first + count; i++) {
        find_small_gains(s, run, i);
        if (s->cases[i].status == SAG_OK) {
            biases[usable] = s->cases[i].bias;
            indices[usable++] = i;
        }
    }
    if (usable == 0) {
        return EXIT_DONE;
    }
    sag_levels_request request = {
        .frequency_hz = o->frequency_hz,
        .frequency_count = o->frequency_count,
        .level_vpk = run->levels.rising_vpk,
        .level_count = run->levels.rising_count,
        .steady = session_steady(),
        .threads = o->threads,
        .progress = progress_step,
        .progress_context = bar,
    };
    request.steady.thd_bandwidth_hz = o->thd_bandwidth_hz;
    request.steady.supply_ripple = 1;
    sag_status status = sag_levels_compute(biases, usable, &request, maps, s->report);
    for (size_t i = 0; i < usable && status == SAG_OK; i++) {
        run->maps[indices[i]] = maps[i];
    }
    return status == SAG_OK ? EXIT_DONE : session_fail(status);
}

/* Gathers the points that oscillate or may burst. */
static void find_unrest(const session *s, const levels_run *run, size_t index)
{
    const sag_levels *map = run->maps[index];
    size_t frequencies = s->options->frequency_count;
    for (size_t i = 0; map && i < map->level_count * frequencies; i++) {
        const sag_steady_point *p = &map->points[i];
        if (p->status == SAG_OSCILLATES || p->burst.opamp >= 0) {
            unrest_add_point(run->unrest,
                             p->status == SAG_OSCILLATES ? UNREST_DRIVEN : UNREST_BURSTS, index,
                             &p->burst, sag_level_dbv(run->levels.rising_vpk[i / frequencies]),
                             s->options->frequency_hz[i % frequencies]);
        }
    }
}

/* Counts the points without a solution; those that the circuit is to blame for are told of
 * elsewhere, and do not fail the work. */
static void judge_points(session *s, const levels_run *run, size_t index, int reported)
{
    const sag_levels *map = run->maps[index];
    size_t points = map ? map->level_count * map->frequency_count : 0;
    size_t failed = 0, no_swing = 0;
    for (size_t i = 0; i < points; i++) {
        sag_status status = map->points[i].status;
        no_swing += status == SAG_NO_SWING;
        failed += status != SAG_OK && !session_unstable(status) && status != SAG_NO_SWING;
    }
    s->failed |= failed > 0;
    if (failed + no_swing > 0 && !reported) {
        char supply[LABEL_SIZE], where[LABEL_SIZE];
        snprintf(where, sizeof where, "at %.64s",
                 label_value(supply, s->cases[index].supply_v, SAG_VOLT));
        sag_report_on(s->report, failed > 0 ? SAG_ERROR : SAG_WARNING, where, NULL,
                      "%zu of %zu points have no periodic solution and are left out",
                      failed + no_swing, points);
    }
}

static int compute(session *s, levels_run *run)
{
    progress bar;
    int status = EXIT_DONE;
    progress_start(&bar, !s->options->quiet, s->case_count);
    for (size_t i = 0; i < s->case_count && status == EXIT_DONE; i += SESSION_CHUNK) {
        size_t left = s->case_count - i;
        size_t count = left < SESSION_CHUNK ? left : SESSION_CHUNK;
        bar.before = i;
        bar.share = count;
        if (!session_prepare(s, i, count)) {
            status = EXIT_FAILED;
            break;
        }
        size_t findings = sag_report_count(s->report);
        status = compute_chunk(s, run, &bar, i, count);
        int reported = sag_report_count(s->report) > findings;
        for (size_t k = i; k < i + count && status == EXIT_DONE; k++) {
            judge_points(s, run, k, reported);
            find_unrest(s, run, k);
        }
        session_release(s, i, count);
    }
    progress_end(&bar);
    for (size_t i = 0; i < s->case_count; i++) {
        sag_steady_point *absent = &run->absent[i];
        absent->status = s->cases[i].status;
        absent->gain_db = absent->thd = absent->output_peak_v = absent->output_trough_v =
            (double)NAN;
        absent->terminal_ripple_v = absent->reference_ripple_v = absent->drain_a = (double)NAN;
        absent->limited_by.opamp = absent->burst.opamp = -1;
        for (size_t k = 0; k <= SAG_HARMONICS; k++) {
            absent->harmonic_vpk[k] = (double)NAN;
        }
    }
    return status;
}

/* Frequency of what may burst, or does; NAN for nothing. */
static double burst_hz(const sag_steady_point *p)
{
    return p->burst.opamp >= 0 ? p->burst.frequency_hz : (double)NAN;
}

/* Ends of the levels at which there is another state; NAN for none. */
static double states_dbv(const sag_steady_point *p, int to)
{
    double vpk = to ? p->two_to_vpk : p->two_from_vpk;
    return vpk > 0 ? sag_level_dbv(vpk) : (double)NAN;
}

/* Amplitude of harmonic k over the fundamental in dB. */
static double harmonic_db(const sag_steady_point *p, size_t k)
{
    return p->harmonic_vpk[k] > 0 ? 20 * log10(p->harmonic_vpk[k] / p->harmonic_vpk[1])
                                  : (double)NAN;
}

static void write_level_opamps(json_writer *w, const session *s, const levels_run *run,
                               size_t index, size_t level)
{
    static const sag_opamp_swing absent = {
        .peak_v = (double)NAN, .trough_v = (double)NAN, .left_db = (double)NAN};
    size_t count = s->options->frequency_count;
    const sag_opamp_swing *swings = levels_run_swings(s, run, index, level, 0);
    size_t step = swings ? s->opamp_count * sizeof *swings : 0;
    json_object(w, "opamps");
    for (size_t k = 0; k < s->opamp_count; k++) {
        const sag_opamp_swing *at = swings ? &swings[k] : &absent;
        json_object(w, s->opamps[k]->designator);
        json_column(w, "peak_v", &at->peak_v, count, step, 1);
        json_column(w, "trough_v", &at->trough_v, count, step, 1);
        json_column(w, "left_db", &at->left_db, count, step, 1);
        json_close(w);
    }
    json_close(w);
}

static void write_level(json_writer *w, const session *s, const levels_run *run, size_t index,
                        size_t level)
{
    const options *o = s->options;
    size_t count = o->frequency_count;
    const sag_steady_point *row = levels_run_point(s, run, index, level, 0);
    size_t step = run->maps[index] ? sizeof *row : 0;
    char text[LABEL_SIZE];
    result_json_case(w, s, &s->cases[index]);
    json_number(w, "input_dbv", sag_level_dbv(run->levels.vpk[level]));
    json_number(w, "input_vpk", run->levels.vpk[level]);
    json_text(w, "playing_level", run->levels.names[level]);
    json_column(w, "frequency_hz", o->frequency_hz, count, sizeof *o->frequency_hz, 1);
    json_column(w, "gain_db", &row->gain_db, count, step, 1);
    json_column(w, "thd_f_percent", &row->thd, count, step, 100);
    json_number(w, "thd_floor_percent", 100 * session_thd_floor(s));
    json_column(w, "output_peak_v", &row->output_peak_v, count, step, 1);
    json_column(w, "output_trough_v", &row->output_trough_v, count, step, 1);
    json_column(w, "terminal_ripple_v", &row->terminal_ripple_v, count, step, 1);
    json_column(w, "reference_ripple_v", &row->reference_ripple_v, count, step, 1);
    json_flat_array(w, "limited_by");
    for (size_t k = 0; k < count; k++) {
        const sag_steady_point *p = levels_run_point(s, run, index, level, k);
        json_text(w, NULL, p->status == SAG_OK ? label_limit(text, s, p->limited_by) : NULL);
    }
    json_close(w);
    json_flat_array(w, "burst_hz");
    for (size_t k = 0; k < count; k++) {
        json_number(w, NULL, burst_hz(levels_run_point(s, run, index, level, k)));
    }
    json_close(w);
    for (int to = 0; to < 2; to++) {
        json_flat_array(w, to ? "two_states_to_dbv" : "two_states_from_dbv");
        for (size_t k = 0; k < count; k++) {
            json_number(w, NULL, states_dbv(levels_run_point(s, run, index, level, k), to));
        }
        json_close(w);
    }
    json_flat_array(w, "status");
    for (size_t k = 0; k < count; k++) {
        json_text(w, NULL, sag_status_name(levels_run_point(s, run, index, level, k)->status));
    }
    json_close(w);
    json_flat_array(w, "harmonics_db");
    for (size_t k = 0; k < count; k++) {
        const sag_steady_point *p = levels_run_point(s, run, index, level, k);
        json_array(w, NULL);
        for (size_t h = 2; h <= SAG_HARMONICS; h++) {
            json_number(w, NULL, harmonic_db(p, h));
        }
        json_close(w);
    }
    json_close(w);
    write_level_opamps(w, s, run, index, level);
    json_close(w);
}

static void write_json(const session *s, const levels_run *run)
{
    json_writer w = result_json_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        for (size_t k = 0; k < run->levels.count; k++) {
            write_level(&w, s, run, i, k);
        }
    }
    result_json_end(&w);
}

static void write_csv_head(csv *w, const session *s)
{
    static const char *const columns[] = {
        "input_dbv",       "input_vpk",           "playing_level",      "frequency_hz",
        "gain_db",         "thd_f_percent",       "thd_floor_percent",  "output_peak_v",
        "output_trough_v", "terminal_ripple_v",   "reference_ripple_v", "limited_by",
        "burst_hz",        "two_states_from_dbv", "two_states_to_dbv",  "status"};
    char name[LABEL_SIZE];
    result_csv_head(w, s);
    for (size_t i = 0; i < sizeof columns / sizeof columns[0]; i++) {
        csv_text(w, columns[i]);
    }
    for (int h = 2; h <= SAG_HARMONICS; h++) {
        snprintf(name, sizeof name, "h%d_db", h);
        csv_text(w, name);
    }
    for (size_t k = 0; k < s->opamp_count; k++) {
        static const char *const figures[] = {"peak_v", "trough_v", "left_db"};
        for (size_t f = 0; f < 3; f++) {
            snprintf(name, sizeof name, "%.200s_%s", s->opamps[k]->designator, figures[f]);
            csv_text(w, name);
        }
    }
    csv_row(w);
}

static void write_csv_row(csv *w, const session *s, const levels_run *run, size_t index,
                          size_t level, size_t frequency)
{
    const sag_steady_point *p = levels_run_point(s, run, index, level, frequency);
    const sag_opamp_swing *swings = levels_run_swings(s, run, index, level, frequency);
    char text[LABEL_SIZE];
    result_csv_case(w, s, &s->cases[index]);
    csv_number(w, sag_level_dbv(run->levels.vpk[level]));
    csv_number(w, run->levels.vpk[level]);
    csv_text(w, run->levels.names[level]);
    csv_number(w, s->options->frequency_hz[frequency]);
    csv_number(w, p->gain_db);
    csv_number(w, 100 * p->thd);
    csv_number(w, 100 * session_thd_floor(s));
    csv_number(w, p->output_peak_v);
    csv_number(w, p->output_trough_v);
    csv_number(w, p->terminal_ripple_v);
    csv_number(w, p->reference_ripple_v);
    csv_text(w, p->status == SAG_OK ? label_limit(text, s, p->limited_by) : NULL);
    csv_number(w, burst_hz(p));
    csv_number(w, states_dbv(p, 0));
    csv_number(w, states_dbv(p, 1));
    csv_text(w, sag_status_name(p->status));
    for (size_t h = 2; h <= SAG_HARMONICS; h++) {
        csv_number(w, harmonic_db(p, h));
    }
    for (size_t k = 0; k < s->opamp_count; k++) {
        csv_number(w, swings ? swings[k].peak_v : (double)NAN);
        csv_number(w, swings ? swings[k].trough_v : (double)NAN);
        csv_number(w, swings ? swings[k].left_db : (double)NAN);
    }
    csv_row(w);
}

static void write_csv(const session *s, const levels_run *run)
{
    csv w = csv_open(s->csv);
    write_csv_head(&w, s);
    for (size_t i = 0; i < s->case_count; i++) {
        for (size_t k = 0; k < run->levels.count; k++) {
            for (size_t f = 0; f < s->options->frequency_count; f++) {
                write_csv_row(&w, s, run, i, k, f);
            }
        }
    }
}

static int compute_and_write(session *s, levels_run *run)
{
    size_t curves = s->case_count * s->options->frequency_count;
    double each =
        (double)run->levels.rising_count *
            (sizeof(sag_steady_point) + (double)s->opamp_count * sizeof(sag_opamp_swing)) +
        sizeof(double);
    if (!session_fits(s, each * (double)curves)) {
        return EXIT_MISUSE;
    }
    run->maps = sag_new(s->case_count, sizeof *run->maps);
    run->absent = sag_new(s->case_count, sizeof *run->absent);
    run->small_db = sag_new(curves, sizeof *run->small_db);
    run->unrest = unrest_new();
    if (!run->maps || !run->absent || !run->small_db || !run->unrest) {
        return session_no_memory();
    }
    int status = compute(s, run);
    if (status == EXIT_DONE &&
        !unrest_report(run->unrest, s, run->levels.rising_count * s->options->frequency_count,
                       "points")) {
        status = session_no_memory();
    }
    if (status == EXIT_DONE && s->json) {
        write_json(s, run);
    }
    if (status == EXIT_DONE && s->csv) {
        write_csv(s, run);
    }
    if (status == EXIT_DONE && s->plot) {
        status = levels_picture_write(s, run);
    }
    if (status == EXIT_DONE && s->table) {
        status = levels_text_write(s, run);
    }
    return status;
}

int command_levels(const options *o)
{
    session s;
    levels_run run;
    memset(&run, 0, sizeof run);
    int status = session_open(&s, o);
    if (status == EXIT_DONE) {
        status = level_list_read(&run.levels, &s);
    }
    if (status == EXIT_DONE) {
        status = levels_picture_check(&s, &run);
    }
    if (status == EXIT_DONE) {
        status = compute_and_write(&s, &run);
    }
    for (size_t i = 0; run.maps && i < s.case_count; i++) {
        sag_levels_free(run.maps[i]);
    }
    sag_free((void *)run.maps);
    sag_free(run.small_db);
    sag_free(run.absent);
    unrest_free(run.unrest);
    level_list_free(&run.levels);
    return session_close(&s, status);
}
