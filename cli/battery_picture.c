/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery_picture.c - discharges as a picture: terminal voltage and margins against hours with the
 * spread of makes and the place to replace, and EQ curves at some states. */
#include "battery_run.h"
#include "label.h"
#include "progress.h"
#include "result_sheet.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Groups of panels. */
enum { VOLTAGE, MARGIN, EQ_HARD, EQ_SOFT };
enum { HARD = 2 }; /* of soft, normal, hard, extreme */

enum { FINE = 160, TONES = 61, STATES = 4 };
static const double lowest_hz = 20, highest_hz = 20e3;

static const double thin_pt = 0.9, heavy_pt = 1.7;

int battery_picture_check(const session *s)
{
    /* Voltage, margins and the EQ curves of each; beside one alone there is room for soft ones. */
    return result_sheet_check(s, s->case_count > 1 ? 3 * s->case_count : 4, SAG_PLAYING_LEVELS + 1);
}

/* States close enough for a smooth line, from fresh to the end, and the hours to each. */
typedef struct {
    double open_circuit_v[FINE], terminal_v[FINE], margin_db[SAG_PLAYING_LEVELS][FINE];
    double hours[CHARGES][FINE];
} fine_states;

/* A figure of the rows at a terminal voltage, straight between them; NAN where one is missing. */
static double between_rows(const battery_case *c, double terminal_v, size_t level)
{
    size_t i = 1;
    while (i + 1 < c->row_count && battery_state(c, i).terminal_v > terminal_v) {
        i++;
    }
    if (c->row_count < 2) {
        return c->rows[0].margin_db[level];
    }
    double a_v = battery_state(c, i - 1).terminal_v, b_v = battery_state(c, i).terminal_v;
    double a = c->rows[i - 1].margin_db[level], b = c->rows[i].margin_db[level];
    double found = a + (b - a) * (terminal_v - a_v) / (b_v - a_v);
    return isfinite(found) ? found : (double)NAN;
}

static sag_status find_fine(const session *s, const battery_case *c, fine_states *fine)
{
    double fresh_v = c->rows[0].open_circuit_v, last_v = c->rows[c->row_count - 1].open_circuit_v;
    for (size_t i = 0; i < FINE; i++) {
        double v = fresh_v + (last_v - fresh_v) * (double)i / (FINE - 1);
        fine->open_circuit_v[i] = v;
        fine->terminal_v[i] = sag_discharge_at(c->discharge, v).terminal_v;
        for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
            fine->margin_db[k][i] = between_rows(c, fine->terminal_v[i], k);
        }
    }
    for (int charge = 0; charge < CHARGES; charge++) {
        sag_discharge_time times[FINE];
        sag_discharge_use use = {.plugged_in = s->options->plugged_in[0],
                                 .charge = (sag_charge)charge};
        TRY(sag_discharge_run(c->discharge, &use, fine->open_circuit_v, FINE, times));
        for (size_t i = 0; i < FINE; i++) {
            double hours = times[i].plugged_s / 3600;
            fine->hours[charge][i] = isfinite(hours) ? hours : (double)NAN;
        }
    }
    return SAG_OK;
}

/* A curve over the hours of one charge, read at some hours; held beyond its end. */
static double at_hours(const double *hours, const double *y, double wanted)
{
    size_t i = 1;
    while (i + 1 < FINE && hours[i] < wanted) {
        i++;
    }
    double share = (wanted - hours[i - 1]) / (hours[i] - hours[i - 1]);
    return y[i - 1] + (share > 1 ? 1 : share) * (y[i] - y[i - 1]);
}

/* Where the figure lies between the poorest make and the best, from the start to the end of the
 * best. */
static void draw_spread(plot *panel, scale_colour colour, const fine_states *fine, const double *y,
                        double scale)
{
    double most = fine->hours[SAG_CHARGE_MOST][FINE - 1];
    plot_band(panel, colour, NULL);
    for (size_t i = 0; i < FINE; i++) {
        double hours = most * (double)i / (FINE - 1);
        double low = at_hours(fine->hours[SAG_CHARGE_LEAST], y, hours);
        double high = at_hours(fine->hours[SAG_CHARGE_MOST], y, hours);
        if (isfinite(low) && isfinite(high)) {
            plot_band_point(panel, hours, low * scale, high * scale);
        }
    }
}

static double replace_hours(const battery_run *run, const battery_case *c)
{
    return battery_time(run, c, 0, SAG_CHARGE_TYPICAL, c->replace_row)->plugged_s / 3600;
}

static const char *panel_name(char *buffer, const session *s, const battery_case *c)
{
    char setting[LABEL_SIZE], label[LABEL_SIZE];
    battery_label(label, s, c);
    label_family(setting, s, c->fresh->setting);
    snprintf(buffer, LABEL_SIZE, "%.60s%s%.180s", label, *setting ? ", " : "", setting);
    return buffer;
}

static int add_voltage(sheet *page, const session *s, const battery_run *run, const battery_case *c,
                       const fine_states *fine)
{
    char name[LABEL_SIZE], detail[LABEL_SIZE], hours[LABEL_SIZE];
    double each = 1.0 / battery_in_series(c);
    snprintf(detail, sizeof detail, "%s after %s",
             s->designs[0]->supply.battery->rechargeable ? "charge" : "replace",
             battery_hours(hours, 3600 * replace_hours(run, c)));
    plot *panel = sheet_panel(page, panel_name(name, s, c), detail);
    if (!panel) {
        return 0;
    }
    scale_line line = {scale_supply(0, 1).colour, heavy_pt, SCALE_SOLID};
    plot_curve(panel, &line, NULL, NULL);
    for (size_t i = 0; i < FINE; i++) {
        plot_point(panel, fine->hours[SAG_CHARGE_TYPICAL][i], fine->terminal_v[i] * each);
    }
    draw_spread(panel, line.colour, fine, fine->terminal_v, each);
    plot_vertical(panel, replace_hours(run, c), NULL);
    plot_mark(panel, PLOT_FILLED, plot_ink, replace_hours(run, c),
              battery_state(c, c->replace_row).terminal_v * each);
    return 1;
}

static int add_margins(sheet *page, const session *s, const battery_run *run, const battery_case *c,
                       const fine_states *fine)
{
    char name[LABEL_SIZE];
    plot *panel = sheet_panel(page, panel_name(name, s, c), "over each playing level");
    if (!panel) {
        return 0;
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        scale_line line = {scale_supply(k, SAG_PLAYING_LEVELS).colour,
                           k == HARD ? heavy_pt : thin_pt,
                           k == HARD ? SCALE_SOLID : scale_family_dash(k + 1)};
        plot_curve(panel, &line, s->designs[0]->playing[k].name, NULL);
        for (size_t i = 0; i < FINE; i++) {
            plot_point(panel, fine->hours[SAG_CHARGE_TYPICAL][i], fine->margin_db[k][i]);
        }
        if (k == HARD) {
            draw_spread(panel, line.colour, fine, fine->margin_db[k], 1);
        }
    }
    plot_horizontal(panel, 0, NULL);
    plot_include(panel, 0);
    plot_vertical(panel, replace_hours(run, c), NULL);
    plot_mark(panel, PLOT_FILLED, plot_ink, replace_hours(run, c),
              c->rows[c->replace_row].margin_db[HARD]);
    return 1;
}

/* The states whose EQ curves are drawn, falling, each once; returns their number. */
static size_t list_states(const battery_case *c, double *open_circuit_v, const char **names)
{
    static const char *const ends[] = {
        [SAG_END_UNTIL] = "end", [SAG_END_FLAT] = "flat", [SAG_END_STOPPED] = "stop"};
    const struct {
        double v;
        const char *name;
    } all[STATES] = {
        {c->rows[0].open_circuit_v, "fresh"},
        {sag_discharge_find_depth(c->discharge, 0.5), "half"},
        {c->replace.open_circuit_v, "replace"},
        {c->rows[c->row_count - 1].open_circuit_v, ends[sag_discharge_end_reason(c->discharge)]}};
    size_t count = 0;
    for (size_t i = 0; i < STATES; i++) {
        size_t at = count;
        int again = isnan(all[i].v);
        for (size_t k = 0; k < count; k++) {
            again |= fabs(open_circuit_v[k] - all[i].v) < 1e-6;
        }
        if (again) {
            continue;
        }
        for (; at > 0 && open_circuit_v[at - 1] < all[i].v; at--) {
            open_circuit_v[at] = open_circuit_v[at - 1];
            names[at] = names[at - 1];
        }
        open_circuit_v[at] = all[i].v;
        names[at] = all[i].name;
        count++;
    }
    return count;
}

/* EQ curves, [state][tone]. */
typedef struct {
    double open_circuit_v[STATES];
    const char *names[STATES];
    size_t count;
    double soft_db[STATES][TONES], hard_db[STATES][TONES];
} eq_curves;

static double tone_hz(size_t i)
{
    return i + 1 == TONES ? highest_hz
                          : lowest_hz * pow(highest_hz / lowest_hz, (double)i / (TONES - 1));
}

static sag_status find_curves(const session *s, const battery_case *c, eq_curves *curves,
                              progress *bar)
{
    const options *o = s->options;
    double hz[TONES];
    sag_wear_request request = {.thd_limit = o->thd_limit,
                                .slope_db = o->slope_db,
                                .steady = session_steady(),
                                .threads = o->threads,
                                .progress = progress_step,
                                .progress_context = bar};
    for (size_t i = 0; i < TONES; i++) {
        hz[i] = tone_hz(i);
    }
    curves->count = list_states(c, curves->open_circuit_v, curves->names);
    for (size_t k = 0; k < curves->count; k++) {
        TRY(sag_wear_curves(c->discharge, &request, curves->open_circuit_v[k], hz, TONES,
                            curves->soft_db[k], curves->hard_db[k]));
        bar->before++;
    }
    return SAG_OK;
}

static int add_eq(sheet *page, const session *s, const battery_case *c, const eq_curves *curves,
                  int hard)
{
    char name[LABEL_SIZE], detail[LABEL_SIZE];
    snprintf(detail, sizeof detail, "EQ curve, %s playing", hard ? "hard" : "soft");
    plot *panel = sheet_panel(page, panel_name(name, s, c), detail);
    if (!panel) {
        return 0;
    }
    for (size_t k = 0; k < curves->count; k++) {
        scale_line line = scale_supply(k, curves->count);
        const double *db = hard ? curves->hard_db[k] : curves->soft_db[k];
        plot_curve(panel, &line, curves->names[k], NULL);
        for (size_t i = 0; i < TONES; i++) {
            plot_point(panel, tone_hz(i), db[i]);
        }
    }
    return 1;
}

/* A panel that says why there is nothing in it. */
static int add_empty(sheet *page, const session *s, const battery_case *c)
{
    char name[LABEL_SIZE], text[LABEL_SIZE];
    plot *panel = sheet_panel(page, panel_name(name, s, c), NULL);
    if (panel) {
        snprintf(text, sizeof text, "not computed: %s", sag_status_text(c->status));
        plot_message(panel, text);
    }
    return panel != NULL;
}

static void set_axes(sheet *page, const session *s)
{
    int several = 0;
    for (size_t i = 0; i < s->case_count; i++) {
        several |= s->cases[i].batteries > 1;
    }
    page->axes[VOLTAGE].x_title = page->axes[MARGIN].x_title = "hours plugged in";
    page->axes[VOLTAGE].y_title = several ? "volts of each battery" : "terminal voltage, V";
    page->axes[VOLTAGE].least_y = 1;
    page->axes[MARGIN].y_title = "margin, dB";
    page->axes[MARGIN].least_y = 10;
    for (int group = EQ_HARD; group <= EQ_SOFT; group++) {
        page->axes[group].x_title = "frequency, Hz";
        page->axes[group].y_title = "gain, dB";
        page->axes[group].x_spacing = PLOT_LOG;
        page->axes[group].least_y = 10;
        page->axes[group].deepest_y = 90;
    }
}

/* "fresh 9.54 V, half 7.69 V, ...": the states of the EQ curves. */
static void note_states(sheet *page, const session *s, const battery_case *c,
                        const eq_curves *curves)
{
    char note[SHEET_NOTE] = "", name[LABEL_SIZE], volts[LABEL_SIZE];
    size_t used = 0;
    for (size_t k = 0; k < curves->count && used < sizeof note; k++) {
        double v = sag_discharge_at(c->discharge, curves->open_circuit_v[k]).terminal_v;
        used += (size_t)snprintf(note + used, sizeof note - used, "%s%s %.60s", k > 0 ? ", " : "",
                                 curves->names[k], label_value(volts, v, SAG_VOLT));
    }
    sheet_note(page, "EQ curves of %s at the terminals: %s", panel_name(name, s, c), note);
}

static void note_page(sheet *page, const session *s, const battery_run *run)
{
    char rule[1024];
    sheet_note(page, "Rule: %s", battery_rule_text(rule, sizeof rule, s, run));
    sheet_note(page,
               "Band: from the poorest make of battery to the best (margins: hard playing). Mark: "
               "where the rule holds. Plugged in %s",
               s->options->duty[0]);
    sheet_note(page,
               "Margin: largest level with a THD up to %.3g %% over the playing level, which falls "
               "%.3g dB an octave above 400 Hz, here and in the EQ curves",
               100 * s->options->thd_limit, s->options->slope_db);
}

/* Everything that is drawn of a case. */
typedef struct {
    fine_states fine;
    eq_curves eq;
} drawing;

static int add_panels(sheet *page, const session *s, const battery_run *run,
                      const drawing *drawings, size_t group)
{
    int done = 1;
    page->group = group;
    for (size_t i = 0; i < s->case_count && done; i++) {
        const battery_case *c = &run->cases[i];
        if (c->status != SAG_OK) {
            done = add_empty(page, s, c);
        } else if (group == VOLTAGE) {
            done = add_voltage(page, s, run, c, &drawings[i].fine);
        } else if (group == MARGIN) {
            done = add_margins(page, s, run, c, &drawings[i].fine);
        } else {
            done = add_eq(page, s, c, &drawings[i].eq, group == EQ_HARD);
        }
    }
    return done;
}

int battery_picture_write(const session *s, const battery_run *run)
{
    drawing *drawings = sag_new(s->case_count, sizeof *drawings);
    progress bar;
    sag_status status = drawings ? SAG_OK : SAG_NO_MEMORY;
    progress_start(&bar, !s->options->quiet, STATES * s->case_count);
    for (size_t i = 0; i < s->case_count && status == SAG_OK; i++) {
        const battery_case *c = &run->cases[i];
        bar.before = STATES * i;
        bar.share = 1;
        if (c->status == SAG_OK) {
            status = find_fine(s, c, &drawings[i].fine);
        }
        if (c->status == SAG_OK && status == SAG_OK) {
            status = find_curves(s, c, &drawings[i].eq, &bar);
        }
    }
    progress_end(&bar);
    if (status != SAG_OK) {
        sag_free(drawings);
        return session_fail(status);
    }
    sheet page;
    char shown[LABEL_SIZE];
    result_sheet_start(&page, s);
    snprintf(shown, sizeof shown, "How the battery runs down: %.60s, %.100s",
             s->designs[0]->supply.battery->head.name, s->designs[0]->supply.battery->head.title);
    page.shown = shown;
    set_axes(&page, s);
    int made = 1;
    for (size_t group = VOLTAGE; group <= (s->case_count > 1 ? EQ_HARD : EQ_SOFT) && made;
         group++) {
        made = add_panels(&page, s, run, drawings, group);
    }
    for (size_t i = 0; i < s->case_count && made; i++) {
        if (run->cases[i].status == SAG_OK) {
            note_states(&page, s, &run->cases[i], &drawings[i].eq);
        }
    }
    sag_free(drawings);
    if (!made) {
        sheet_free(&page);
        return session_no_memory();
    }
    note_page(&page, s, run);
    result_sheet_conditions(&page, s);
    return result_sheet_end(&page, s);
}
