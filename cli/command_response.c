/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_response.c - the small-signal EQ curve at each supply and control setting. */
#include "command.h"
#include "label.h"
#include "response_run.h"
#include "result.h"
#include "table.h"

#include <math.h>
#include <stdio.h>

enum { COLUMNS = 8 }; /* curves side by side in a printed table */

static response_point solve(session *s, const session_case *c, double frequency_hz)
{
    response_point p = {(double)NAN, (double)NAN, c->status};
    if (c->status != SAG_OK) {
        return p;
    }
    double complex gain;
    p.status = sag_response_gain(c->response, frequency_hz, &gain);
    if (p.status == SAG_OK) {
        p.gain_db = sag_gain_db(gain);
        p.phase_deg = sag_phase_deg(gain);
    } else {
        char supply[LABEL_SIZE], frequency[LABEL_SIZE], where[2 * LABEL_SIZE];
        snprintf(where, sizeof where, "%s, %s", label_value(supply, c->supply_v, SAG_VOLT),
                 label_value(frequency, frequency_hz, SAG_HERTZ));
        sag_report_on(s->report, SAG_ERROR, where, NULL, "no response: %s",
                      sag_status_text(p.status));
        s->failed = 1;
    }
    return p;
}

/* points: [case][frequency] */
static int compute(session *s, response_point *points)
{
    const options *o = s->options;
    for (size_t i = 0; i < s->case_count; i++) {
        if (!session_prepare(s, i, 1)) {
            return EXIT_FAILED;
        }
        for (size_t k = 0; k < o->frequency_count; k++) {
            points[i * o->frequency_count + k] = solve(s, &s->cases[i], o->frequency_hz[k]);
        }
        session_release(s, i, 1);
    }
    return EXIT_DONE;
}

static void write_json(const session *s, const response_point *points)
{
    const options *o = s->options;
    json_writer w = result_json_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        const response_point *row = points + i * o->frequency_count;
        result_json_case(&w, s, &s->cases[i]);
        json_column(&w, "frequency_hz", o->frequency_hz, o->frequency_count,
                    sizeof *o->frequency_hz, 1);
        json_column(&w, "gain_db", &row->gain_db, o->frequency_count, sizeof *row, 1);
        json_column(&w, "phase_deg", &row->phase_deg, o->frequency_count, sizeof *row, 1);
        json_flat_array(&w, "status");
        for (size_t k = 0; k < o->frequency_count; k++) {
            json_text(&w, NULL, sag_status_name(row[k].status));
        }
        json_close(&w);
        json_close(&w);
    }
    result_json_end(&w);
}

static void write_csv(const session *s, const response_point *points)
{
    const options *o = s->options;
    csv w = csv_open(s->csv);
    result_csv_head(&w, s);
    csv_text(&w, "frequency_hz");
    csv_text(&w, "gain_db");
    csv_text(&w, "phase_deg");
    csv_text(&w, "status");
    csv_row(&w);
    for (size_t i = 0; i < s->case_count; i++) {
        for (size_t k = 0; k < o->frequency_count; k++) {
            const response_point *p = &points[i * o->frequency_count + k];
            result_csv_case(&w, s, &s->cases[i]);
            csv_number(&w, o->frequency_hz[k]);
            csv_number(&w, p->gain_db);
            csv_number(&w, p->phase_deg);
            csv_text(&w, sag_status_name(p->status));
            csv_row(&w);
        }
    }
}

/* Up to COLUMNS curves from case `first` on. */
static int write_block(const session *s, const response_point *points, size_t first, size_t count)
{
    const options *o = s->options;
    char align[COLUMNS + 2] = "rrrrrrrrr", text[LABEL_SIZE];
    align[count + 1] = '\0';
    table *t = table_new(align, 2);
    if (!t) {
        return 0;
    }
    table_cell(t, "supply");
    for (size_t i = first; i < first + count; i++) {
        table_cell(t, "%s", label_value(text, s->cases[i].supply_v, SAG_VOLT));
    }
    for (size_t a = 0; a < s->axis_count; a++) {
        if (s->axes[a].count < 2) {
            continue;
        }
        table_cell(t, "%s", "");
        for (size_t i = first; i < first + count; i++) {
            table_cell(t, "%s", label_axis(text, s, &s->axes[a], s->cases[i].setting));
        }
    }
    size_t rows[RESULT_ROWS];
    size_t row_count = result_rows(o->frequency_hz, o->frequency_count, rows);
    for (size_t r = 0; r < row_count; r++) {
        table_cell(t, "%s", label_value(text, o->frequency_hz[rows[r]], SAG_HERTZ));
        for (size_t i = first; i < first + count; i++) {
            table_cell(t, "%s",
                       label_number(text, points[i * o->frequency_count + rows[r]].gain_db, 2));
        }
    }
    output_text(s->table, "\n");
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

static int write_text(const session *s, const response_point *points)
{
    const options *o = s->options;
    char fixed[LABEL_SIZE];
    result_text_start(s);
    output_format(s->table, "Gain in dB from the source (%s) to the output, small signals",
                  o->drive == SAG_DRIVE_PICKUP ? "pickup drive" : "bench drive");
    result_fixed_controls(fixed, s);
    output_format(s->table, "%s%s\n", *fixed ? ", " : "", fixed);
    /* Families of settings are kept together where one fits. */
    size_t families = COLUMNS / s->setting_count;
    size_t width = families > 0 ? families * s->setting_count : COLUMNS;
    int some = 0;
    for (size_t i = 0; i < s->case_count; i++) {
        some |= session_has_results(s, &s->cases[i]);
    }
    for (size_t i = 0; some && i < s->case_count; i += width) {
        size_t left = s->case_count - i;
        if (!write_block(s, points, i, left < width ? left : width)) {
            return session_no_memory();
        }
    }
    output_text(s->table, "\n");
    result_text_marks(s);
    if (some) {
        result_text_rows(s);
    }
    return EXIT_DONE;
}

static int respond(session *s)
{
    size_t count = s->case_count * s->options->frequency_count;
    if (!session_fits(s, (double)count * sizeof(response_point))) {
        return EXIT_MISUSE;
    }
    response_point *points = sag_new(count, sizeof *points);
    if (!points) {
        return session_no_memory();
    }
    int status = compute(s, points);
    if (status == EXIT_DONE && s->json) {
        write_json(s, points);
    }
    if (status == EXIT_DONE && s->csv) {
        write_csv(s, points);
    }
    if (status == EXIT_DONE && s->plot) {
        status = response_picture_write(s, points);
    }
    if (status == EXIT_DONE && s->table) {
        status = write_text(s, points);
    }
    sag_free(points);
    return status;
}

int command_response(const options *o)
{
    session s;
    int status = session_open(&s, o);
    if (status == EXIT_DONE) {
        status = response_picture_check(&s);
    }
    if (status == EXIT_DONE) {
        status = respond(&s);
    }
    return session_close(&s, status);
}
