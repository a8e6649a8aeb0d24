/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels_text.c - the levels map as tables, and what it comes to in sentences. */
#include "label.h"
#include "levels_run.h"
#include "result.h"
#include "supply_motion.h"
#include "table.h"
#include "words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { COLUMNS = 10 }; /* levels side by side */

/* A change of the EQ curve that counts as one, dB. */
static const double loss_db = 1;

/* THD above which a gain is marked; ratios. */
static const double marked_thd = 0.01, strongly_marked_thd = 0.1;

static char mark_of(const sag_steady_point *p)
{
    if (p->status == SAG_OK && p->burst.opamp >= 0) {
        return '!';
    }
    if (p->thd > strongly_marked_thd) {
        return '#';
    }
    if (p->thd > marked_thd) {
        return '*';
    }
    return p->limited_by.kind != SAG_LIMIT_NONE ? '~' : ' ';
}

/* Levels by number and playing levels by name stand apart: an empty column goes ahead of this
 * level. */
static int stands_apart(const level_list *levels, size_t first, size_t level)
{
    return level > first && !levels->names[level - 1] != !levels->names[level];
}

static void write_level_heads(table *t, const level_list *levels, size_t first, size_t count)
{
    char text[LABEL_SIZE];
    table_cell(t, "input");
    for (size_t k = first; k < first + count; k++) {
        if (stands_apart(levels, first, k)) {
            table_cell(t, "%s", "");
        }
        table_cell(t, "%s ",
                   levels->names[k] ? levels->names[k] : level_list_dbv(text, levels->vpk[k]));
    }
    table_cell(t, "%s", "");
    table_cell(t, "%s", "");
    for (size_t k = first; k < first + count; k++) {
        if (stands_apart(levels, first, k)) {
            table_cell(t, "%s", "");
        }
        if (levels->names[k]) {
            table_cell(t, "%.3gVpk ", levels->vpk[k]);
        } else {
            table_cell(t, "dBV ");
        }
    }
    table_cell(t, "  first limit");
}

/* The limit of the lowest level, among those shown, that meets one. */
static void write_first_limit(table *t, const session *s, const levels_run *run, size_t index,
                              size_t first, size_t count, size_t frequency)
{
    char text[LABEL_SIZE];
    const sag_steady_point *lowest = NULL;
    double lowest_vpk = (double)INFINITY;
    for (size_t k = first; k < first + count; k++) {
        const sag_steady_point *p = levels_run_point(s, run, index, k, frequency);
        if (p->status == SAG_OK && p->limited_by.kind != SAG_LIMIT_NONE &&
            run->levels.vpk[k] < lowest_vpk) {
            lowest = p;
            lowest_vpk = run->levels.vpk[k];
        }
    }
    const char *limit = lowest ? label_limit(text, s, lowest->limited_by) : NULL;
    table_cell(t, "%s%s", limit ? "  " : "", limit ? limit : "");
}

/* The largest THD of each level; re_total divides by the total rms instead of the fundamental:
 *     THD_R = THD_F / sqrt(1 + THD_F^2)      IEC 60268-3 */
static void write_thd_row(table *t, const session *s, const levels_run *run, size_t index,
                          size_t first, size_t count, int re_total)
{
    double floor_ratio = session_thd_shown(s);
    table_cell(t, re_total ? "THD-R %%" : "THD %%");
    for (size_t k = first; k < first + count; k++) {
        char text[LABEL_SIZE];
        double largest = (double)NAN;
        for (size_t f = 0; f < s->options->frequency_count; f++) {
            double thd = levels_run_point(s, run, index, k, f)->thd;
            if (isfinite(thd) && !(largest >= thd)) {
                largest = thd;
            }
        }
        if (stands_apart(&run->levels, first, k)) {
            table_cell(t, "%s", "");
        }
        double shown = re_total ? largest / sqrt(1 + largest * largest) : largest;
        table_cell(t, "%s ", label_thd(text, shown, floor_ratio));
    }
    table_cell(t, "%s", "");
}

static int write_block(const session *s, const levels_run *run, size_t index, size_t first,
                       size_t count)
{
    const options *o = s->options;
    char align[2 * COLUMNS + 3], text[LABEL_SIZE];
    size_t columns = 1 + count;
    for (size_t k = first; k < first + count; k++) {
        columns += (size_t)stands_apart(&run->levels, first, k);
    }
    memset(align, 'r', columns);
    align[columns] = 'l';
    align[columns + 1] = '\0';
    table *t = table_new(align, 1);
    if (!t) {
        return 0;
    }
    write_level_heads(t, &run->levels, first, count);
    size_t rows[RESULT_ROWS];
    size_t row_count = result_rows(o->frequency_hz, o->frequency_count, rows);
    for (size_t r = 0; r < row_count; r++) {
        table_cell(t, "%s", label_value(text, o->frequency_hz[rows[r]], SAG_HERTZ));
        for (size_t k = first; k < first + count; k++) {
            const sag_steady_point *p = levels_run_point(s, run, index, k, rows[r]);
            if (stands_apart(&run->levels, first, k)) {
                table_cell(t, "%s", "");
            }
            table_cell(t, "%s%c", label_number(text, p->gain_db, 1), mark_of(p));
        }
        write_first_limit(t, s, run, index, first, count, rows[r]);
    }
    write_thd_row(t, s, run, index, first, count, 0);
    write_thd_row(t, s, run, index, first, count, 1);
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

/* The level at which a first limit is met at a frequency, in dBV; NAN for none. */
static double find_onset(const levels_run *run, size_t index, size_t frequency, sag_limit *limit)
{
    const sag_levels *map = run->maps[index];
    if (!map || !isfinite(map->onset_vpk[frequency])) {
        return (double)NAN;
    }
    *limit = map->onset_limit[frequency];
    return sag_level_dbv(map->onset_vpk[frequency]);
}

static void take_margins(const session *s, const levels_run *run, const words_facts *facts,
                         size_t index, words_supply *supply)
{
    const options *o = s->options;
    char setting[LABEL_SIZE];
    words_margins margins = words_margins_start();
    for (size_t f = 0; f < o->frequency_count; f++) {
        sag_limit limit = {-1, SAG_LIMIT_NONE};
        double hz = o->frequency_hz[f];
        if (hz < facts->low_hz || hz > facts->high_hz) {
            continue;
        }
        double onset_dbv = find_onset(run, index, f, &limit);
        double hard_dbv = sag_level_dbv(sag_playing_level_at(facts->hard_vpk, hz, 6));
        words_margins_add(&margins, onset_dbv - hard_dbv, hz,
                          limit.opamp >= 0 ? s->opamps[limit.opamp]->designator : "", limit.kind);
    }
    words_margin(supply, &margins, label_family(setting, s, s->cases[index].setting));
}

/* The lowest level at which the curve has lost loss_db somewhere, and the largest loss at that
 * level. */
static void take_loss(const session *s, const levels_run *run, size_t index, words_supply *supply)
{
    size_t count = s->options->frequency_count;
    for (size_t k = 0; k < run->levels.count; k++) {
        double dbv = sag_level_dbv(run->levels.vpk[k]);
        for (size_t f = 0; f < count; f++) {
            const sag_steady_point *p = levels_run_point(s, run, index, k, f);
            double lost = run->small_db[index * count + f] - p->gain_db;
            supply->holes |= p->status != SAG_OK;
            int lower = !(dbv >= supply->lost_dbv);
            int same = dbv >= supply->lost_dbv && dbv <= supply->lost_dbv;
            if (lost >= loss_db && (lower || (same && lost > supply->lost_db))) {
                supply->lost_dbv = dbv;
                supply->lost_db = lost;
                supply->lost_name = run->levels.names[k];
                supply->lost_hz = s->options->frequency_hz[f];
            }
        }
    }
}

/* Why a supply has no figures: its own status, or that of its points when none has a solution. */
static sag_status judge(const session *s, const levels_run *run, size_t index)
{
    sag_status status = s->cases[index].status;
    for (size_t k = 0; k < run->levels.count; k++) {
        for (size_t f = 0; f < s->options->frequency_count; f++) {
            status = levels_run_point(s, run, index, k, f)->status;
            if (status == SAG_OK) {
                return SAG_OK;
            }
        }
    }
    return status;
}

static int write_words(const session *s, const levels_run *run)
{
    words_facts facts = {.extrapolated = 1};
    if (!words_start(&facts, s)) {
        return 0;
    }
    facts.bottom_dbv = sag_level_dbv(run->levels.rising_vpk[0]);
    facts.top_dbv = sag_level_dbv(run->levels.rising_vpk[run->levels.rising_count - 1]);
    words_span(&facts, s->options->frequency_hz, s->options->frequency_count);
    for (size_t i = 0; i < s->case_count; i++) {
        words_supply *supply = words_case(&facts, s, i, judge(s, run, i));
        if (supply) {
            take_margins(s, run, &facts, i, supply);
            take_loss(s, run, i, supply);
        }
    }
    output_text(s->table, "\n");
    words_write(s->table, &facts);
    sag_free(facts.supplies);
    return 1;
}

/* How far the loudest points move the supply. */
static void write_motion(const session *s, const levels_run *run, size_t index)
{
    supply_motion motion = supply_motion_none();
    for (size_t k = 0; k < run->levels.count; k++) {
        for (size_t f = 0; f < s->options->frequency_count; f++) {
            supply_motion_take(&motion, levels_run_point(s, run, index, k, f),
                               s->options->frequency_hz[f], run->levels.vpk[k]);
        }
    }
    supply_motion_write(s->table, s, &motion, "At most the signal");
}

static int any_burst(const levels_run *run, const session *s)
{
    for (size_t i = 0; i < s->case_count; i++) {
        const sag_levels *map = run->maps[i];
        for (size_t k = 0; map && k < map->level_count * map->frequency_count; k++) {
            if (map->points[k].status == SAG_OK && map->points[k].burst.opamp >= 0) {
                return 1;
            }
        }
    }
    return 0;
}

int levels_text_write(const session *s, const levels_run *run)
{
    result_text_start(s);
    output_text(s->table,
                "Gain in dB, fundamental at the output over the source, at each input level\n"
                "~ a limit is met   * THD over 1 %   # THD over 10 %\n");
    if (any_burst(run, s)) {
        output_text(s->table, "! may burst into oscillation: see the warnings\n");
    }
    output_text(s->table, "THD %: the largest of all frequencies, over the fundamental; "
                          "THD-R %: over the total rms\n");
    result_text_rows(s);
    for (size_t i = 0; i < s->case_count; i++) {
        result_text_case(s, &s->cases[i]);
        for (size_t k = 0; run->maps[i] && k < run->levels.count; k += COLUMNS) {
            size_t left = run->levels.count - k;
            output_text(s->table, "\n");
            if (!write_block(s, run, i, k, left < COLUMNS ? left : COLUMNS)) {
                return session_no_memory();
            }
        }
        write_motion(s, run, i);
    }
    return write_words(s, run) ? EXIT_DONE : session_no_memory();
}
