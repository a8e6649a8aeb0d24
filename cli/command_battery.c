/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_battery.c - how the battery runs down, how long it lasts, when to replace it. */
#include "battery_run.h"
#include "check_rules.h"
#include "command.h"
#include "label.h"
#include "message.h"
#include "progress.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Rows of a table from fresh to flat: about so many, at round terminal voltages. */
static const double rows_wanted = 11;
enum { MOST_ROWS = 60, HARD = 2 /* of soft, normal, hard, extreme */ };
/* States this near each other are one, V; and how often the state at which the rule holds is looked
 * for between the states around it. */
static const double same_v = 1e-3;
enum { REPLACE_ROUNDS = 4 };

/* Where a discharge ends because a part stops, this near to its least supply it is that part. */
static const double stop_margin_v = 0.05;

/* Drains of two halves that count as different, a ratio. */
static const double uneven_share = 0.05;

const sag_discharge_time *battery_time(const battery_run *run, const battery_case *c, size_t duty,
                                       sag_charge charge, size_t row)
{
    (void)run;
    return &c->times[(duty * CHARGES + (size_t)charge) * c->row_count + row];
}

sag_discharge_state battery_state(const battery_case *c, size_t row)
{
    return sag_discharge_at(c->discharge, c->rows[row].open_circuit_v);
}

double battery_change_db(const battery_case *c, size_t row, size_t tone, int hard)
{
    const sag_wear_row *at = &c->rows[row], *fresh = &c->rows[0];
    return hard ? at->hard_db[tone] - fresh->hard_db[tone]
                : at->soft_db[tone] - fresh->soft_db[tone];
}

static const sag_battery_model *model_of(const session *s)
{
    return s->designs[0]->supply.battery;
}

int battery_outlasts_shelf(const battery_run *run, const battery_case *c, size_t duty)
{
    double shelf_s = sag_discharge_design(c->discharge)->supply.battery->shelf_life_s;
    return battery_time(run, c, duty, SAG_CHARGE_TYPICAL, c->replace_row)->calendar_s > shelf_s;
}

double battery_drain_a(const battery_case *c)
{
    return c->discharge ? sag_discharge_fresh(c->discharge).drain_a : c->fresh->drain_a;
}

int battery_in_series(const battery_case *c)
{
    return c->fresh->batteries;
}

/* The numbers of batteries asked for, or the design's own. Returns an exit status. */
static int choose_in_series(const session *s, options *mine)
{
    const sag_supply *supply = &s->designs[0]->supply;
    const sag_battery_model *battery = supply->battery;
    if (!battery) {
        message_misuse(mine->command->name,
                       "%s names no battery: give one, as in --battery 6lr61 (railsag models lists "
                       "them)",
                       s->designs[0]->file);
        return EXIT_MISUSE;
    }
    double fresh_v = battery->rows[0].open_circuit_v;
    if (mine->in_series_count == 0) {
        int least = sag_battery_in_series(battery, supply->nominal_v);
        int count = least > supply->in_series ? least : supply->in_series;
        mine->in_series[0] = count + (supply->middle >= 0 && count % 2);
        mine->in_series_count = 1;
    }
    for (size_t i = 0; i < mine->in_series_count; i++) {
        if (supply->middle >= 0 && mine->in_series[i] % 2) {
            message_misuse(mine->command->name,
                           "--in-series %d: the supply has two halves, so it takes 2 or another "
                           "even number of batteries",
                           mine->in_series[i]);
            return EXIT_MISUSE;
        }
        if (mine->in_series[i] * fresh_v > 100) {
            message_misuse(mine->command->name,
                           "--in-series %d: that many fresh batteries are %.4g V, and 100 V is the "
                           "most that is computed",
                           mine->in_series[i], mine->in_series[i] * fresh_v);
            return EXIT_MISUSE;
        }
    }
    return EXIT_DONE;
}

/* One case for each number of fresh batteries, at each control setting. */
static int make_cases(session *s, options *mine)
{
    double fresh_v = model_of(s)->rows[0].open_circuit_v;
    mine->supply_v = sag_new(mine->in_series_count, sizeof *mine->supply_v);
    if (!mine->supply_v) {
        return session_no_memory();
    }
    mine->supply_count = mine->in_series_count;
    for (size_t i = 0; i < mine->in_series_count; i++) {
        mine->supply_v[i] = mine->in_series[i] * fresh_v;
    }
    int status = session_make_cases(s);
    for (size_t i = 0; i < s->case_count; i++) {
        s->cases[i].batteries = mine->in_series[i / s->setting_count];
    }
    return status;
}

static void set_rule(battery_run *run, const options *o)
{
    sag_replace_rule *rule = &run->rule;
    *rule = sag_replace_defaults();
    rule->at_v = o->replace_at_v;
    run->rule_is_given = !isnan(rule->at_v);
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        rule->margin_db[k] = o->replace_margin_db[k];
        run->rule_is_given |= !isnan(rule->margin_db[k]);
    }
    if (run->rule_is_given) {
        rule->lost_db = rule->changed_db = rule->used = (double)NAN;
    }
}

/* Terminal voltages asked for have to lie below that of fresh batteries. */
static int check_voltages(const session *s)
{
    const options *o = s->options;
    const struct {
        const char *name;
        double volts;
    } asked[] = {{"until", o->until_v}, {"replace-at", o->replace_at_v}};
    for (size_t i = 0; i < s->case_count; i++) {
        double fresh_v = s->cases[i].terminal_v / s->cases[i].batteries;
        for (size_t k = 0; k < sizeof asked / sizeof asked[0]; k++) {
            if (asked[k].volts >= fresh_v) {
                message_misuse(o->command->name,
                               "--%s %.4g V: a fresh battery is at %.4g V in this circuit; give "
                               "less",
                               asked[k].name, asked[k].volts, fresh_v);
                return EXIT_MISUSE;
            }
        }
    }
    return EXIT_DONE;
}

/* The fresh bias points with their warnings, and the ratings. */
static int look_at_fresh(session *s)
{
    for (size_t i = 0; i < s->case_count; i++) {
        s->cases[i].status = SAG_NOT_CONVERGED;
    }
    check_rules *rules = check_rules_new(s);
    int status = rules ? EXIT_DONE : session_no_memory();
    for (size_t i = 0; i < s->case_count && status == EXIT_DONE; i++) {
        if (!session_prepare(s, i, 1)) {
            status = EXIT_FAILED;
            break;
        }
        check_rules_case(rules, i);
        session_release(s, i, 1);
    }
    if (status == EXIT_DONE) {
        check_rules_fresh(rules);
        check_rules_keep_ratings(rules);
        status = check_rules_report(rules, s->report) ? EXIT_DONE : session_no_memory();
    }
    check_rules_free(rules);
    return status == EXIT_DONE ? check_voltages(s) : status;
}

/* 1, 2 or 5 times a power of ten, near the volts given. */
static double round_step(double volts)
{
    double decade = pow(10, floor(log10(volts))), over = volts / decade;
    return decade * (over < 1.5 ? 1 : over < 3.5 ? 2 : over < 7.5 ? 5 : 10);
}

/* Open-circuit voltages of the rows: fresh, round terminal voltages, the end. Returns their number.
 */
static size_t list_rows(const battery_case *c, double *list)
{
    sag_discharge_state fresh = sag_discharge_fresh(c->discharge);
    sag_discharge_state last = sag_discharge_last(c->discharge);
    int each = battery_in_series(c);
    double span_v = fmax((fresh.terminal_v - last.terminal_v) / each, 1e-3);
    double step_v = each * round_step(span_v / rows_wanted);
    size_t count = 0;
    list[count++] = fresh.open_circuit_v;
    for (double k = ceil(fresh.terminal_v / step_v) - 1; count < MOST_ROWS - 1; k--) {
        double at_v = sag_discharge_find(c->discharge, k * step_v);
        if (!(k * step_v > last.terminal_v) || isnan(at_v)) {
            break;
        }
        /* A round voltage right at an end would only repeat it. */
        if (fresh.terminal_v - k * step_v > step_v / 10 &&
            k * step_v - last.terminal_v > step_v / 10 && at_v < list[count - 1]) {
            list[count++] = at_v;
        }
    }
    if (last.open_circuit_v < list[count - 1]) {
        list[count++] = last.open_circuit_v;
    }
    return count;
}

static sag_status compute_rows(session *s, sag_discharge *discharge, progress *bar,
                               sag_wear_row *rows, size_t count)
{
    const options *o = s->options;
    sag_wear_request request = {.thd_limit = o->thd_limit,
                                .slope_db = o->slope_db,
                                .steady = session_steady(),
                                .threads = o->threads,
                                .progress = progress_step,
                                .progress_context = bar};
    request.steady.thd_bandwidth_hz = o->thd_bandwidth_hz;
    return sag_wear_compute(discharge, &request, rows, count, s->report);
}

/* Index of the row at an open-circuit voltage, or of the one it would come before. */
static size_t find_row(const sag_wear_row *rows, size_t count, double open_circuit_v)
{
    size_t place = 0;
    while (place < count && rows[place].open_circuit_v > open_circuit_v + same_v) {
        place++;
    }
    return place;
}

static int is_row(const sag_wear_row *rows, size_t count, size_t place, double open_circuit_v)
{
    return place < count && fabs(rows[place].open_circuit_v - open_circuit_v) <= same_v;
}

static void insert_row(sag_wear_row *rows, size_t *count, size_t place, const sag_wear_row *row)
{
    memmove(rows + place + 1, rows + place, (*count - place) * sizeof *rows);
    rows[place] = *row;
    ++*count;
}

/* Puts the state at which the battery is replaced among the rows. It is looked for between them, and
 * again with the figures found there: a margin bends between two rows. */
static sag_status add_replace_row(session *s, battery_run *run, battery_case *c, progress *bar)
{
    sag_replace_rule rule = run->rule;
    sag_wear_row tried[MOST_ROWS + REPLACE_ROUNDS];
    size_t count = c->row_count, place = 0;
    rule.at_v *= battery_in_series(c);
    memcpy(tried, c->rows, count * sizeof *tried);
    for (int round = 0; round < REPLACE_ROUNDS; round++) {
        c->replace = sag_replace_find(c->discharge, &rule, tried, count);
        place = find_row(tried, count, c->replace.open_circuit_v);
        if (place == count || is_row(tried, count, place, c->replace.open_circuit_v)) {
            break;
        }
        sag_wear_row row = {.open_circuit_v = c->replace.open_circuit_v};
        TRY(compute_rows(s, c->discharge, bar, &row, 1));
        insert_row(tried, &count, place, &row);
    }
    place = place < count ? place : count - 1; /* below the end by rounding alone */
    c->replace.open_circuit_v = tried[place].open_circuit_v;
    c->replace_row = find_row(c->rows, c->row_count, c->replace.open_circuit_v);
    if (!is_row(c->rows, c->row_count, c->replace_row, c->replace.open_circuit_v)) {
        insert_row(c->rows, &c->row_count, c->replace_row, &tried[place]);
    }
    return SAG_OK;
}

static sag_status find_times(const options *o, battery_case *c)
{
    c->times = sag_new(o->duty_count * CHARGES * c->row_count, sizeof *c->times);
    double list[MOST_ROWS + 1];
    if (!c->times) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < c->row_count; i++) {
        list[i] = c->rows[i].open_circuit_v;
    }
    for (size_t k = 0; k < o->duty_count * CHARGES; k++) {
        sag_discharge_use use = {.plugged_in = o->plugged_in[k / CHARGES],
                                 .charge = (sag_charge)(k % CHARGES)};
        TRY(sag_discharge_run(c->discharge, &use, list, c->row_count, c->times + k * c->row_count));
    }
    return SAG_OK;
}

/* Playing draws more than rest: at most what a steady sine does. */
static sag_status find_sines(const options *o, battery_case *c)
{
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        double extra_a = 0;
        for (size_t i = 0; i <= c->replace_row; i++) {
            double added_a = c->rows[i].sine_drain_a[k] - battery_state(c, i).drain_a;
            if (!(added_a <= extra_a)) { /* one that is not known makes all unknown */
                extra_a = added_a;
            }
            if (isnan(extra_a)) {
                break;
            }
        }
        c->sine_extra_a[k] = extra_a;
        c->sine_s[k] = (double)NAN;
        if (!isnan(extra_a)) {
            sag_discharge_use use = {
                .plugged_in = o->plugged_in[0], .charge = SAG_CHARGE_TYPICAL, .extra_a = extra_a};
            sag_discharge_time time;
            TRY(sag_discharge_run(c->discharge, &use, &c->rows[c->replace_row].open_circuit_v, 1,
                                  &time));
            c->sine_s[k] = time.plugged_s;
        }
    }
    return SAG_OK;
}

/* Where each package leaves its rated supply and where it stops: that of its first amplifier. */
static sag_status find_parts(battery_case *c)
{
    const sag_design *design = sag_discharge_design(c->discharge);
    c->parts = sag_new(design->package_count, sizeof *c->parts);
    if (!c->parts) {
        return SAG_NO_MEMORY;
    }
    c->part_count = design->package_count;
    for (size_t i = 0; i < c->part_count; i++) {
        c->parts[i] = (battery_part){
            .package = &design->packages[i], .leaves_v = (double)NAN, .stops_v = (double)NAN};
    }
    size_t opamp = 0;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        if (part->kind != SAG_OPAMP) {
            continue;
        }
        battery_part *at = &c->parts[part->package];
        at->leaves_v = sag_discharge_find_rail(c->discharge, opamp, part->opamp->supply_min_v);
        if (sag_discharge_end_reason(c->discharge) == SAG_END_STOPPED &&
            !isnan(sag_discharge_find_rail(c->discharge, opamp,
                                           part->opamp->stops_below_v + stop_margin_v))) {
            at->stops_v = sag_discharge_last(c->discharge).open_circuit_v;
        }
        opamp++;
    }
    return SAG_OK;
}

/* Findings of one discharge, with the number of batteries as their place. */
static void take_findings(session *s, const battery_case *c, const sag_report *found)
{
    char where[LABEL_SIZE];
    battery_label(where, s, c);
    for (size_t i = 0; i < sag_report_count(found); i++) {
        const sag_finding *finding = sag_report_get(found, i);
        sag_report_on(s->report, finding->severity, where, finding->hint, "%s", finding->text);
    }
}

/* Two halves of a supply that draw differently. */
static void warn_uneven(session *s, const battery_case *c)
{
    double evenness = sag_discharge_evenness(c->discharge);
    if (evenness < 1 - uneven_share) {
        char where[LABEL_SIZE];
        sag_report_on(
            s->report, SAG_WARNING, battery_label(where, s, c),
            "replace both at once all the same: used ones do not go with fresh ones",
            "the halves are not drained alike: one takes %.0f %% of the other's drain; the "
            "hours are those of the more drained one",
            100 * evenness);
    }
}

static sag_status run_case(session *s, battery_run *run, battery_case *c, progress *bar)
{
    const options *o = s->options;
    const sag_design *design = s->designs[c->fresh->setting];
    sag_discharge_request request = {.design = design,
                                     .conditions = sag_conditions_defaults(design),
                                     .in_series = battery_in_series(c),
                                     .until_v = o->until_v * battery_in_series(c),
                                     .threads = o->threads,
                                     .progress = progress_step,
                                     .progress_context = bar};
    request.conditions.drive = o->drive;
    request.conditions.load_ohm = o->load_ohm;
    request.conditions.load_farad = o->load_farad;
    sag_report *found = NULL;
    TRY(sag_report_new(&found));
    sag_status status = sag_discharge_new(&request, &c->discharge, found);
    take_findings(s, c, found);
    sag_report_free(found);
    TRY(status);
    warn_uneven(s, c);
    double list[MOST_ROWS];
    c->row_count = list_rows(c, list);
    c->rows = sag_new(c->row_count + 1, sizeof *c->rows);
    if (!c->rows) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < c->row_count; i++) {
        c->rows[i].open_circuit_v = list[i];
    }
    bar->before++;
    bar->share = 9;
    TRY(compute_rows(s, c->discharge, bar, c->rows, c->row_count));
    TRY(add_replace_row(s, run, c, bar));
    TRY(find_times(o, c));
    TRY(find_sines(o, c));
    return find_parts(c);
}

/* Whether a row lacks figures that the circuit would have. */
static int has_holes(const battery_case *c)
{
    int some = 0;
    for (size_t i = 0; i < c->row_count; i++) {
        const sag_wear_row *row = &c->rows[i];
        some |= row->status == SAG_NOT_CONVERGED || row->status == SAG_SINGULAR;
        some |= row->status == SAG_OK && (isnan(row->hard_thd) || isnan(row->margin_db[HARD]));
    }
    return some;
}

static int compute(session *s, battery_run *run)
{
    progress bar;
    int status = look_at_fresh(s);
    progress_start(&bar, !s->options->quiet, 10 * s->case_count);
    for (size_t i = 0; i < s->case_count && status == EXIT_DONE; i++) {
        battery_case *c = &run->cases[i];
        c->fresh = &s->cases[i];
        c->status = c->fresh->status;
        bar.before = 10 * i;
        bar.share = 1;
        if (c->status == SAG_OK || c->status == SAG_OSCILLATES) {
            c->status = run_case(s, run, c, &bar);
            s->failed |= c->status > SAG_OK || has_holes(c);
        }
        if (c->status < SAG_OK) {
            status = session_fail(c->status);
        }
    }
    progress_end(&bar);
    return status;
}

static int compute_and_write(session *s, options *mine)
{
    battery_run run = {.duties = mine->duty_count};
    int status = choose_in_series(s, mine);
    if (status == EXIT_DONE) {
        status = make_cases(s, mine);
    }
    if (status == EXIT_DONE) {
        status = battery_picture_check(s);
    }
    if (status == EXIT_DONE) {
        set_rule(&run, mine);
        run.cases = sag_new(s->case_count, sizeof *run.cases);
        status = run.cases ? compute(s, &run) : session_no_memory();
    }
    if (status == EXIT_DONE && s->json) {
        battery_write_json(s, &run);
    }
    if (status == EXIT_DONE && s->csv) {
        battery_write_csv(s, &run);
    }
    if (status == EXIT_DONE && s->plot) {
        status = battery_picture_write(s, &run);
    }
    if (status == EXIT_DONE && s->table) {
        status = battery_text_write(s, &run);
    }
    for (size_t i = 0; run.cases && i < s->case_count; i++) {
        sag_discharge_free(run.cases[i].discharge);
        sag_free(run.cases[i].rows);
        sag_free(run.cases[i].times);
        sag_free(run.cases[i].parts);
    }
    sag_free(run.cases);
    return status;
}

int command_battery(const options *o)
{
    session s;
    options mine = *o; /* its supplies are found in the design */
    int status = session_open(&s, &mine);
    if (status == EXIT_DONE) {
        status = compute_and_write(&s, &mine);
    }
    status = session_close(&s, status);
    sag_free(mine.supply_v);
    return status;
}
