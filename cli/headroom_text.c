/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom_text.c - headroom as tables, and what it comes to in sentences. */
#include "headroom_run.h"
#include "label.h"
#include "result.h"
#include "table.h"

#include <math.h>
#include <stdio.h>

enum { HARD = 2 }; /* of soft, normal, hard, extreme */

static void write_heads(table *t, const session *s)
{
    const sag_playing_level *playing = s->designs[0]->playing;
    static const char *const heads[] = {"", "clip onset", "max input", "max output", ""};
    static const char *const units[] = {"", "dBV", "dBV", "dBV", "limited by"};
    for (size_t k = 0; k < 5; k++) {
        table_cell(t, "%s", heads[k]);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        table_cell(t, "%s", playing[k].name);
    }
    for (size_t k = 0; k < 5; k++) {
        table_cell(t, "%s", units[k]);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        table_cell(t, "dB");
    }
}

/* A level that was not found shows on which side it lies. */
static void write_level(table *t, double dbv, sag_headroom_reason reason)
{
    char text[LABEL_SIZE];
    if (isfinite(dbv)) {
        table_cell(t, "%s", label_number(text, dbv, 1));
    } else if (reason == SAG_HEADROOM_BEYOND_RANGE) {
        table_cell(t, "> 40");
    } else if (reason == SAG_HEADROOM_OVER_AT_SOFT) {
        table_cell(t, "< soft");
    } else {
        table_cell(t, "-");
    }
}

static int write_table(const session *s, const headroom_row *all)
{
    const options *o = s->options;
    size_t rows[RESULT_ROWS];
    size_t row_count = result_rows(o->frequency_hz, o->frequency_count, rows);
    table *t = table_new("rrrrlrrrr", 2);
    char text[LABEL_SIZE];
    if (!t) {
        return 0;
    }
    write_heads(t, s);
    for (size_t r = 0; r < row_count; r++) {
        const headroom_row *row = &all[rows[r]];
        const char *limit = label_limit(text, s, row->distorted_by);
        char hz[LABEL_SIZE];
        table_cell(t, "%s", label_value(hz, o->frequency_hz[rows[r]], SAG_HERTZ));
        write_level(t, row->clip_onset_dbv,
                    isfinite(row->max_input_dbv) && row->limit.kind == SAG_LIMIT_NONE
                        ? SAG_HEADROOM_BEYOND_RANGE
                        : row->reason);
        write_level(t, row->max_input_dbv, row->reason);
        table_cell(t, "%s", label_number(hz, row->max_output_dbv, 1));
        table_cell(t, "%s", limit ? limit : "-");
        for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
            char margin[LABEL_SIZE];
            table_cell(t, "%s", label_db(margin, row->margin_db[k]));
        }
    }
    output_text(s->table, "\n");
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

/* The frequency of the least margin is the same for all playing levels, which fall alike. */
static void write_least(const session *s, const headroom_run *run, size_t index)
{
    const headroom_least *least = &run->least[index];
    char low[LABEL_SIZE], high[LABEL_SIZE], hz[LABEL_SIZE], db[LABEL_SIZE], line[1024];
    int one = run->facts.low_hz >= run->facts.high_hz;
    label_value(low, run->facts.low_hz, SAG_HERTZ);
    label_value(high, run->facts.high_hz, SAG_HERTZ);
    label_value(hz, least->at_hz, SAG_HERTZ);
    size_t used = (size_t)snprintf(line, sizeof line, "Least margin of max input %s %.40s%s%.40s: ",
                                   one ? "at" : "from", low, one ? "" : " to ", one ? "" : high);
    double percent = 100 * s->options->thd_limit;
    switch (least->reason) {
    case SAG_HEADROOM_FOUND:
        for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
            used += (size_t)snprintf(line + used, sizeof line - used, "%s%.40s %s dB",
                                     k > 0 ? ", " : "", s->designs[0]->playing[k].name,
                                     label_db(db, least->db[k]));
        }
        if (!least->flat) {
            used += (size_t)snprintf(line + used, sizeof line - used, ", at %.40s", hz);
        }
        break;
    case SAG_HEADROOM_OVER_AT_SOFT:
        used += (size_t)snprintf(line + used, sizeof line - used,
                                 "none, for THD is over %.3g %% at soft playing already, at %.40s",
                                 percent, hz);
        break;
    case SAG_HEADROOM_BEYOND_RANGE:
        used += (size_t)snprintf(line + used, sizeof line - used,
                                 "%.3g %% THD is not reached up to +40 dBV", percent);
        break;
    case SAG_HEADROOM_UNKNOWN:
        used += (size_t)snprintf(line + used, sizeof line - used,
                                 "not known, for there is no solution at %.40s", hz);
        break;
    case SAG_HEADROOM_NO_GAIN:
        used += (size_t)snprintf(line + used, sizeof line - used,
                                 "none, for an op-amp that the signal passes has no gain at rest");
        break;
    case SAG_HEADROOM_OSCILLATES:
        used += (size_t)snprintf(line + used, sizeof line - used,
                                 "none, for it oscillates on the way there at %.40s", hz);
        break;
    }
    snprintf(line + used, sizeof line - used, ".");
    output_text(s->table, "\n");
    output_wrapped(s->table, line, 0, 0);
}

static void write_assumptions(const session *s)
{
    char text[LABEL_SIZE];
    output_format(s->table,
                  "clip onset: the input at which a first op-amp meets a limit; "
                  "max: up to %.3g %% THD\nmargin of max input over",
                  100 * s->options->thd_limit);
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        const sag_playing_level *playing = &s->designs[0]->playing[k];
        output_format(s->table, "%s %s %s", k > 0 ? "," : "", playing->name,
                      label_value(text, playing->vpk, SAG_VOLT));
    }
    output_format(s->table, " peak,\nassumed to fall %.3g dB an octave above 400 Hz\n",
                  s->options->slope_db);
}

static const char *stage_of(const session *s, sag_limit limit)
{
    int known = limit.opamp >= 0 && (size_t)limit.opamp < s->opamp_count;
    return known ? s->opamps[limit.opamp]->designator : "";
}

/* Supplies of the sentences: margins of the largest clean level over hard playing. */
static void take_margins(const session *s, const headroom_run *run, size_t index,
                         words_supply *supply)
{
    const options *o = s->options;
    char setting[LABEL_SIZE];
    words_margins margins = words_margins_start();
    for (size_t f = 0; f < o->frequency_count; f++) {
        const headroom_row *row = &run->rows[index * o->frequency_count + f];
        double hz = o->frequency_hz[f];
        if (hz < run->facts.low_hz || hz > run->facts.high_hz) {
            continue;
        }
        const char *stage = stage_of(s, row->distorted_by);
        if (row->reason == SAG_HEADROOM_OVER_AT_SOFT) {
            supply->margin_db = -(double)INFINITY;
            supply->margin_hz = hz;
            supply->stage = stage;
            supply->limit = row->distorted_by.kind;
            label_family(setting, s, s->cases[index].setting);
            snprintf(supply->setting, sizeof supply->setting, "%.100s", setting);
            return;
        }
        words_margins_add(&margins, row->margin_db[HARD], hz, stage, row->distorted_by.kind);
    }
    words_margin(supply, &margins, label_family(setting, s, s->cases[index].setting));
}

/* SAG_OK when any frequency of a case came out. */
static sag_status judge(const session *s, const headroom_run *run, size_t index)
{
    size_t count = s->options->frequency_count;
    sag_status status = SAG_NOT_CONVERGED;
    for (size_t f = 0; f < count; f++) {
        sag_headroom_reason reason = run->rows[index * count + f].reason;
        if (reason == SAG_HEADROOM_OSCILLATES) {
            status = SAG_OSCILLATES;
        } else if (reason == SAG_HEADROOM_NO_GAIN) {
            status = SAG_NO_GAIN;
        } else if (reason != SAG_HEADROOM_UNKNOWN) {
            return SAG_OK;
        }
    }
    return s->cases[index].status == SAG_OK ? status : s->cases[index].status;
}

static int write_words(const session *s, headroom_run *run)
{
    words_facts *facts = &run->facts;
    if (!words_start(facts, s)) {
        return 0;
    }
    facts->thd_percent = 100 * s->options->thd_limit;
    for (size_t i = 0; i < s->case_count; i++) {
        words_supply *supply = words_case(facts, s, i, judge(s, run, i));
        if (supply) {
            take_margins(s, run, i, supply);
        }
    }
    output_text(s->table, "\n");
    words_write(s->table, facts);
    sag_free(facts->supplies);
    facts->supplies = NULL;
    return 1;
}

int headroom_text_write(const session *s, headroom_run *run)
{
    result_text_start(s);
    write_assumptions(s);
    result_text_rows(s);
    for (size_t i = 0; i < s->case_count; i++) {
        result_text_case(s, &s->cases[i]);
        if (s->cases[i].status != SAG_OK) {
            continue;
        }
        if (!write_table(s, &run->rows[i * s->options->frequency_count])) {
            return session_no_memory();
        }
        write_least(s, run, i);
    }
    return write_words(s, run) ? EXIT_DONE : session_no_memory();
}
