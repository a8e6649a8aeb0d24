/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_headroom.c - the largest clean input and output against frequency and supply. */
#include "command.h"
#include "headroom_run.h"
#include "label.h"
#include "progress.h"
#include "result.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Why a point lacks a figure; "ok" when it has both. */
static const char *reason_of(const sag_headroom_point *p)
{
    if (p->max_input_reason != SAG_HEADROOM_FOUND) {
        return sag_headroom_reason_text(p->max_input_reason);
    }
    switch (p->clip_onset_reason) {
    case SAG_HEADROOM_FOUND:
        break;
    case SAG_HEADROOM_OVER_AT_SOFT:
        return "clip onset below soft";
    case SAG_HEADROOM_BEYOND_RANGE:
        return "clip onset beyond +40 dBV";
    case SAG_HEADROOM_UNKNOWN:
        return "clip onset without solution";
    case SAG_HEADROOM_OSCILLATES:
        return "oscillates at clip onset";
    case SAG_HEADROOM_NO_GAIN: /* of both */
        break;
    }
    return sag_status_name(SAG_OK);
}

static double dbv_of(double vpk)
{
    return vpk > 0 ? sag_level_dbv(vpk) : (double)NAN;
}

static headroom_row make_row(const session *s, double frequency_hz, const sag_headroom_point *p)
{
    const sag_design *design = s->designs[0];
    headroom_row row = {
        .clip_onset_dbv = dbv_of(p->clip_onset_vpk),
        .max_input_dbv = dbv_of(p->max_input_vpk),
        .max_output_dbv = dbv_of(p->max_output_vpk),
        .limit = p->limited_by,
        .distorted_by = p->distorted_by,
        .reason = p->max_input_reason,
        .status = reason_of(p),
        .falls_back = p->falls_back,
        .burst_hz = p->burst.opamp >= 0 ? p->burst.frequency_hz : (double)NAN,
    };
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        double assumed =
            sag_playing_level_at(design->playing[k].vpk, frequency_hz, s->options->slope_db);
        row.margin_db[k] = row.max_input_dbv - sag_level_dbv(assumed);
    }
    return row;
}

/* The row of a case without results. */
static headroom_row absent_row(sag_status status)
{
    headroom_row row = {.clip_onset_dbv = (double)NAN,
                        .max_input_dbv = (double)NAN,
                        .max_output_dbv = (double)NAN,
                        .limit = {-1, SAG_LIMIT_NONE},
                        .distorted_by = {-1, SAG_LIMIT_NONE},
                        .reason = SAG_HEADROOM_UNKNOWN,
                        .burst_hz = (double)NAN,
                        .status = sag_status_name(status)};
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        row.margin_db[k] = (double)NAN;
    }
    return row;
}

/* Gathers the frequencies at which it oscillates or may burst on the way to the largest clean
 * level. */
static void find_unrest(const session *s, const headroom_run *run, size_t index,
                        const sag_headroom *found)
{
    for (size_t f = 0; f < s->options->frequency_count; f++) {
        const sag_headroom_point *p = &found->points[f];
        int oscillates = p->max_input_reason == SAG_HEADROOM_OSCILLATES;
        if (p->burst.opamp >= 0) {
            unrest_add_point(run->unrest, oscillates ? UNREST_DRIVEN : UNREST_BURSTS, index,
                             &p->burst, sag_level_dbv(p->burst_vpk), s->options->frequency_hz[f]);
        }
    }
}

/* Says what of a case is missing or odd. */
static void judge_rows(session *s, const headroom_run *run, size_t index, int reported)
{
    size_t count = s->options->frequency_count, unknown = 0, falls_back = 0;
    char supply[LABEL_SIZE], where[LABEL_SIZE];
    for (size_t k = 0; k < count; k++) {
        const headroom_row *row = &run->rows[index * count + k];
        unknown += row->reason == SAG_HEADROOM_UNKNOWN;
        falls_back += row->falls_back != 0;
    }
    snprintf(where, sizeof where, "at %.64s",
             label_value(supply, s->cases[index].supply_v, SAG_VOLT));
    if (unknown > 0) {
        s->failed = 1;
        if (!reported) {
            sag_report_on(
                s->report, SAG_ERROR, where, NULL,
                "no headroom at %zu of %zu frequencies: no periodic solution on the way there",
                unknown, count);
        }
    }
    if (falls_back > 0) {
        sag_report_on(s->report, SAG_WARNING, where, "levels shows the THD level by level",
                      "at %zu of %zu frequencies THD falls back under %.3g %% at levels above the "
                      "largest clean one",
                      falls_back, count, 100 * s->options->thd_limit);
    }
}

/* None where THD is not known at one of the frequencies, or over its figure at soft already. */
static headroom_least find_least(const session *s, const headroom_run *run, size_t index)
{
    const options *o = s->options;
    headroom_least least = {.at_hz = (double)NAN, .reason = SAG_HEADROOM_BEYOND_RANGE};
    words_margins margins = words_margins_start();
    const headroom_row *worst = NULL;
    for (size_t f = 0; f < o->frequency_count; f++) {
        const headroom_row *row = &run->rows[index * o->frequency_count + f];
        double hz = o->frequency_hz[f];
        if (hz < run->facts.low_hz || hz > run->facts.high_hz) {
            continue;
        }
        if (row->reason == SAG_HEADROOM_OVER_AT_SOFT || row->reason == SAG_HEADROOM_UNKNOWN ||
            row->reason == SAG_HEADROOM_OSCILLATES || row->reason == SAG_HEADROOM_NO_GAIN) {
            least.reason = row->reason;
            least.at_hz = hz;
            worst = NULL;
            break;
        }
        if (isfinite(row->margin_db[0]) && !(margins.least_db <= row->margin_db[0])) {
            worst = row;
        }
        words_margins_add(&margins, row->margin_db[0], hz, "", SAG_LIMIT_NONE);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        least.db[k] = worst ? worst->margin_db[k] : (double)NAN;
    }
    if (worst) {
        least.reason = SAG_HEADROOM_FOUND;
        least.at_hz = margins.hz;
        least.flat = words_margins_flat(&margins);
    }
    return least;
}

static int compute_chunk(session *s, headroom_run *run, progress *bar, size_t first, size_t count)
{
    const options *o = s->options;
    const sag_bias *biases[SESSION_CHUNK];
    sag_headroom *found[SESSION_CHUNK] = {NULL};
    size_t indices[SESSION_CHUNK], usable = 0;
    for (size_t i = first; i < first + count; i++) {
        if (s->cases[i].status == SAG_OK) {
            biases[usable] = s->cases[i].bias;
            indices[usable++] = i;
        }
    }
    sag_headroom_request request = {
        .frequency_hz = o->frequency_hz,
        .frequency_count = o->frequency_count,
        .thd_limit = o->thd_limit,
        .soft_vpk = s->designs[0]->playing[0].vpk,
        .steady = session_steady(),
        .threads = o->threads,
        .progress = progress_step,
        .progress_context = bar,
    };
    request.steady.thd_bandwidth_hz = o->thd_bandwidth_hz;
    size_t findings = sag_report_count(s->report);
    sag_status status =
        usable > 0 ? sag_headroom_compute(biases, usable, &request, found, s->report) : SAG_OK;
    if (status != SAG_OK) {
        return session_fail(status);
    }
    int reported = sag_report_count(s->report) > findings;
    for (size_t i = 0; i < usable; i++) {
        for (size_t f = 0; f < o->frequency_count; f++) {
            run->rows[indices[i] * o->frequency_count + f] =
                make_row(s, o->frequency_hz[f], &found[i]->points[f]);
        }
        find_unrest(s, run, indices[i], found[i]);
        judge_rows(s, run, indices[i], reported);
        sag_headroom_free(found[i]);
    }
    return EXIT_DONE;
}

static int compute(session *s, headroom_run *run)
{
    size_t count = s->options->frequency_count;
    progress bar;
    int status = EXIT_DONE;
    progress_start(&bar, !s->options->quiet, s->case_count);
    words_span(&run->facts, s->options->frequency_hz, count);
    for (size_t i = 0; i < s->case_count && status == EXIT_DONE; i += SESSION_CHUNK) {
        size_t left = s->case_count - i;
        size_t share = left < SESSION_CHUNK ? left : SESSION_CHUNK;
        bar.before = i;
        bar.share = share;
        if (!session_prepare(s, i, share)) {
            status = EXIT_FAILED;
            break;
        }
        for (size_t k = i * count; k < (i + share) * count; k++) {
            run->rows[k] = absent_row(s->cases[k / count].status);
        }
        status = compute_chunk(s, run, &bar, i, share);
        for (size_t k = i; k < i + share; k++) {
            run->least[k] = find_least(s, run, k);
        }
        session_release(s, i, share);
    }
    progress_end(&bar);
    return status;
}

static void write_margins(json_writer *w, const session *s, const headroom_run *run, size_t index)
{
    size_t count = s->options->frequency_count;
    const headroom_row *row = &run->rows[index * count];
    const sag_playing_level *playing = s->designs[0]->playing;
    json_object(w, "margin_db");
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        json_column(w, playing[k].name, &row->margin_db[k], count, sizeof *row, 1);
    }
    json_close(w);
    json_object(w, "least_margin_db");
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        const headroom_least *least = &run->least[index];
        json_flat_object(w, playing[k].name);
        json_number(w, "db", least->db[k]);
        json_number(w, "at_hz", isfinite(least->db[k]) ? least->at_hz : (double)NAN);
        json_close(w);
    }
    json_close(w);
}

static void write_json(const session *s, const headroom_run *run)
{
    const options *o = s->options;
    size_t count = o->frequency_count;
    json_writer w = result_json_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        const headroom_row *row = &run->rows[i * count];
        char text[LABEL_SIZE];
        result_json_case(&w, s, &s->cases[i]);
        json_column(&w, "frequency_hz", o->frequency_hz, count, sizeof *o->frequency_hz, 1);
        json_column(&w, "clip_onset_input_dbv", &row->clip_onset_dbv, count, sizeof *row, 1);
        json_column(&w, "max_input_dbv", &row->max_input_dbv, count, sizeof *row, 1);
        json_column(&w, "max_output_dbv", &row->max_output_dbv, count, sizeof *row, 1);
        json_flat_array(&w, "limited_by");
        for (size_t k = 0; k < count; k++) {
            json_text(&w, NULL, label_limit(text, s, row[k].limit));
        }
        json_close(&w);
        json_flat_array(&w, "distorted_by");
        for (size_t k = 0; k < count; k++) {
            json_text(&w, NULL, label_limit(text, s, row[k].distorted_by));
        }
        json_close(&w);
        json_column(&w, "burst_hz", &row->burst_hz, count, sizeof *row, 1);
        json_flat_array(&w, "status");
        for (size_t k = 0; k < count; k++) {
            json_text(&w, NULL, row[k].status);
        }
        json_close(&w);
        write_margins(&w, s, run, i);
        json_close(&w);
    }
    result_json_end(&w);
}

static void write_csv(const session *s, const headroom_run *run)
{
    const options *o = s->options;
    csv w = csv_open(s->csv);
    char text[LABEL_SIZE];
    static const char *const columns[] = {
        "frequency_hz", "clip_onset_input_dbv", "max_input_dbv", "max_output_dbv",
        "limited_by",   "distorted_by",         "burst_hz",      "status"};
    result_csv_head(&w, s);
    for (size_t k = 0; k < sizeof columns / sizeof columns[0]; k++) {
        csv_text(&w, columns[k]);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        snprintf(text, sizeof text, "margin_%.64s_db", s->designs[0]->playing[k].name);
        csv_text(&w, text);
    }
    csv_row(&w);
    for (size_t i = 0; i < s->case_count * o->frequency_count; i++) {
        const headroom_row *row = &run->rows[i];
        result_csv_case(&w, s, &s->cases[i / o->frequency_count]);
        csv_number(&w, o->frequency_hz[i % o->frequency_count]);
        csv_number(&w, row->clip_onset_dbv);
        csv_number(&w, row->max_input_dbv);
        csv_number(&w, row->max_output_dbv);
        csv_text(&w, label_limit(text, s, row->limit));
        csv_text(&w, label_limit(text, s, row->distorted_by));
        csv_number(&w, row->burst_hz);
        csv_text(&w, row->status);
        for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
            csv_number(&w, row->margin_db[k]);
        }
        csv_row(&w);
    }
}

static int compute_and_write(session *s, headroom_run *run)
{
    size_t rows = s->case_count * s->options->frequency_count;
    if (!session_fits(s, (double)rows * (sizeof *run->rows + sizeof(sag_headroom_point)))) {
        return EXIT_MISUSE;
    }
    run->rows = sag_new(rows, sizeof *run->rows);
    run->least = sag_new(s->case_count, sizeof *run->least);
    run->unrest = unrest_new();
    if (!run->rows || !run->least || !run->unrest) {
        return session_no_memory();
    }
    int status = compute(s, run);
    if (status == EXIT_DONE &&
        !unrest_report(run->unrest, s, s->options->frequency_count, "frequencies")) {
        status = session_no_memory();
    }
    if (status == EXIT_DONE && s->json) {
        write_json(s, run);
    }
    if (status == EXIT_DONE && s->csv) {
        write_csv(s, run);
    }
    if (status == EXIT_DONE && s->plot) {
        status = headroom_picture_write(s, run);
    }
    if (status == EXIT_DONE && s->table) {
        status = headroom_text_write(s, run);
    }
    return status;
}

int command_headroom(const options *o)
{
    session s;
    headroom_run run;
    memset(&run, 0, sizeof run);
    int status = session_open(&s, o);
    if (status == EXIT_DONE) {
        status = headroom_picture_check(&s);
    }
    if (status == EXIT_DONE) {
        status = compute_and_write(&s, &run);
    }
    sag_free(run.rows);
    sag_free(run.least);
    unrest_free(run.unrest);
    return session_close(&s, status);
}
