/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom_picture.c - the largest clean input against frequency as a picture: one panel a control
 * setting, one curve a supply, playing levels behind. */
#include "headroom_run.h"
#include "label.h"
#include "result_sheet.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Up to here a playing level is what it says; above it is assumed to fall. Hz */
static const double corner_hz = 400;

int headroom_picture_check(const session *s)
{
    return result_sheet_check(s, s->setting_count, s->options->supply_count);
}

static double playing_dbv(const session *s, size_t level, double hz)
{
    return sag_level_dbv(
        sag_playing_level_at(s->designs[0]->playing[level].vpk, hz, s->options->slope_db));
}

/* A line of its own from one end of the axis to the other, for a single frequency as well. */
static void draw_playing_level(plot *panel, const session *s, size_t level)
{
    const options *o = s->options;
    const double *hz = o->frequency_hz;
    if (o->frequency_count == 1) {
        plot_point(panel, hz[0] / 2, playing_dbv(s, level, hz[0] / 2));
        plot_point(panel, 2 * hz[0], playing_dbv(s, level, 2 * hz[0]));
        return;
    }
    for (size_t k = 0; k < o->frequency_count; k++) {
        if (k > 0 && hz[k - 1] < corner_hz && hz[k] > corner_hz) {
            plot_point(panel, corner_hz, playing_dbv(s, level, corner_hz));
        }
        plot_point(panel, hz[k], playing_dbv(s, level, hz[k]));
    }
}

static void draw_playing_levels(plot *panel, const session *s)
{
    const options *o = s->options;
    for (size_t i = 0; i < SAG_PLAYING_LEVELS; i++) {
        const sag_playing_level *playing = &s->designs[0]->playing[i];
        char name[LABEL_SIZE];
        snprintf(name, sizeof name, "%.64s %.3g Vpk", playing->name, playing->vpk);
        plot_reference(panel, name);
        plot_include(panel, playing_dbv(s, i, o->frequency_hz[0]));
        draw_playing_level(panel, s, i);
    }
}

static int add_panel(sheet *page, const session *s, const headroom_run *run, size_t setting)
{
    const options *o = s->options;
    char name[LABEL_SIZE];
    plot *panel = sheet_panel(page, label_family(name, s, setting), NULL);
    if (!panel) {
        return 0;
    }
    for (size_t i = setting; i < s->case_count; i += s->setting_count) {
        scale_line line = result_supply_line(s, &s->cases[i]);
        snprintf(name, sizeof name, "%.3g", s->cases[i].supply_v);
        plot_curve(panel, &line, name, "V");
        for (size_t k = 0; k < o->frequency_count; k++) {
            plot_point(panel, o->frequency_hz[k],
                       run->rows[i * o->frequency_count + k].max_input_dbv);
        }
    }
    draw_playing_levels(panel, s);
    return 1;
}

/* The curves with gaps of one kind, and how many of the frequencies these are, as one note. */
static void note_gaps(sheet *page, const session *s, const headroom_run *run,
                      sag_headroom_reason reason, const char *text)
{
    size_t frequencies = s->options->frequency_count, used = 0;
    char note[SHEET_NOTE];
    for (size_t i = 0; i < s->case_count && used < sizeof note; i++) {
        size_t count = 0;
        char name[LABEL_SIZE];
        for (size_t k = 0; k < frequencies && s->cases[i].status == SAG_OK; k++) {
            count += run->rows[i * frequencies + k].reason == reason;
        }
        if (count > 0) {
            used += (size_t)snprintf(note + used, sizeof note - used,
                                     "%s%s at %zu of %zu frequencies", used > 0 ? ", " : "",
                                     result_panel_name(name, s, &s->cases[i]), count, frequencies);
        }
    }
    if (used > 0) {
        sheet_note(page, "Gaps, %s: %s", text, note);
    }
}

int headroom_picture_write(const session *s, const headroom_run *run)
{
    const options *o = s->options;
    char shown[LABEL_SIZE], name[LABEL_SIZE];
    sheet page;
    result_sheet_start(&page, s);
    snprintf(shown, sizeof shown, "Headroom: the largest input with THD up to %.3g %%%s%.100s",
             100 * o->thd_limit, o->supply_count == 1 ? ", " : "",
             o->supply_count == 1 ? label_supply(name, s, &s->cases[0]) : "");
    page.shown = shown;
    page.axes[0].x_title = "frequency, Hz";
    page.axes[0].y_title = "largest clean input, dBV";
    page.axes[0].x_spacing = PLOT_LOG;
    page.axes[0].least_y = 10;
    for (size_t i = 0; i < s->setting_count; i++) {
        if (!add_panel(&page, s, run, i)) {
            sheet_free(&page);
            return session_no_memory();
        }
    }
    sheet_note(&page, "Grey: playing levels, assumed to fall %.3g dB an octave above 400 Hz",
               o->slope_db);
    note_gaps(&page, s, run, SAG_HEADROOM_OVER_AT_SOFT, "not clean even at soft playing");
    note_gaps(&page, s, run, SAG_HEADROOM_BEYOND_RANGE, "clean beyond +40 dBV");
    result_sheet_conditions(&page, s);
    return result_sheet_end(&page, s);
}
