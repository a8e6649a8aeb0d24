/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "session.h"

#include "label.h"
#include "message.h"
#include "session_design.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Bounds that keep any command line within memory; beyond them it is refused with a sentence. */
enum { MOST_CASES = 2000 };
static const double most_bytes = 1024.0 * 1024.0 * 1024.0;

int session_fail(sag_status status)
{
    if (status != SAG_CANCELLED) {
        message_error("%s", sag_status_text(status));
    }
    return EXIT_FAILED;
}

int session_no_memory(void)
{
    return session_fail(SAG_NO_MEMORY);
}

int session_make_cases(session *s)
{
    const options *o = s->options;
    sag_free(s->cases);
    s->case_count = 0;
    if (o->supply_count * s->setting_count > MOST_CASES) {
        message_misuse(o->command->name,
                       "%zu supplies at %zu control settings are too many: %d are possible in all",
                       o->supply_count, s->setting_count, MOST_CASES);
        s->cases = NULL;
        return EXIT_MISUSE;
    }
    s->cases = sag_new(o->supply_count * s->setting_count, sizeof *s->cases);
    if (!s->cases) {
        return session_no_memory();
    }
    s->case_count = o->supply_count * s->setting_count;
    for (size_t i = 0; i < s->case_count; i++) {
        s->cases[i].supply_v = o->supply_v[i / s->setting_count];
        s->cases[i].setting = i % s->setting_count;
        s->cases[i].terminal_v = (double)NAN;
        s->cases[i].drain_a = (double)NAN;
        s->cases[i].worst.opamp = -1;
    }
    return EXIT_DONE;
}

static int list_opamps(session *s)
{
    const sag_design *design = s->designs[0];
    s->opamps = sag_new(design->part_count, sizeof *s->opamps);
    if (!s->opamps) {
        return session_no_memory();
    }
    for (size_t i = 0; i < design->part_count; i++) {
        if (design->parts[i].kind == SAG_OPAMP) {
            s->opamps[s->opamp_count++] = &design->parts[i];
        }
    }
    return EXIT_DONE;
}

/* A drive that the design does not have is a wrong command line. */
static int check_drive(const session *s)
{
    const sag_design *design = s->designs[0];
    for (size_t i = 0; i < design->input_count; i++) {
        if (design->inputs[i].pickup) {
            return EXIT_DONE;
        }
    }
    if (s->options->drive == SAG_DRIVE_BENCH) {
        return EXIT_DONE;
    }
    message_misuse(s->options->command->name,
                   "--drive pickup: %s names no pickup; give one with \"pickup\" in its \"input\"",
                   design->file);
    return EXIT_MISUSE;
}

/* Opened before anything is computed, so that a bad path fails at once. */
static int open_outputs(session *s)
{
    const options *o = s->options;
    int owned = (o->json && !strcmp(o->json, "-")) || (o->csv && !strcmp(o->csv, "-")) ||
                (o->plot && !strcmp(o->plot, "-"));
    if ((o->json && !(s->json = output_open(o->json))) ||
        (o->csv && !(s->csv = output_open(o->csv))) ||
        (o->plot && !(s->plot = output_open(o->plot))) ||
        (!owned && !(s->table = output_open("-")))) {
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

int session_open(session *s, const options *o)
{
    memset(s, 0, sizeof *s);
    s->options = o;
    s->unrest = unrest_new();
    if (!s->unrest || sag_report_new(&s->report) != SAG_OK || !folders_find(&s->folders)) {
        return session_no_memory();
    }
    int status = session_read_designs(s);
    if (status == EXIT_DONE) {
        status = check_drive(s);
    }
    if (status == EXIT_DONE) {
        status = session_make_cases(s);
    }
    if (status == EXIT_DONE) {
        status = list_opamps(s);
    }
    return status == EXIT_DONE ? open_outputs(s) : status;
}

int session_unstable(sag_status status)
{
    return status == SAG_OSCILLATES || status == SAG_LATCHES;
}

int session_has_results(const session *s, const session_case *c)
{
    return c->status == SAG_OK || (s->bias_only && session_unstable(c->status));
}

/* Whether a status says something about the circuit rather than about the calculation. */
static int about_circuit(sag_status status)
{
    return status == SAG_STOPPED || status == SAG_WOULD_DAMAGE || status == SAG_NO_SWING ||
           session_unstable(status);
}

/* Moves the findings of one case to the report: a supply that the circuit cannot live on is a
 * warning. */
static void take_findings(session *s, const session_case *c, const sag_report *found)
{
    char supply[LABEL_SIZE], where[LABEL_SIZE];
    snprintf(where, sizeof where, "at %.64s", label_value(supply, c->supply_v, SAG_VOLT));
    for (size_t i = 0; i < sag_report_count(found); i++) {
        const sag_finding *finding = sag_report_get(found, i);
        sag_severity severity = finding->severity;
        if (severity == SAG_ERROR && about_circuit(c->status)) {
            severity = SAG_WARNING;
        }
        sag_report_on(s->report, severity, finding->where ? finding->where : where, finding->hint,
                      "%s", finding->text);
    }
    if (c->status != SAG_OK && !session_unstable(c->status) && sag_report_count(found) == 0) {
        sag_report_on(s->report, about_circuit(c->status) ? SAG_WARNING : SAG_ERROR, where, NULL,
                      "not computed: %s", sag_status_text(c->status));
    }
}

/* Natural frequencies that grow make every signal result meaningless. */
static void judge_stability(session *s, session_case *c)
{
    sag_stability found;
    size_t index = (size_t)(c - s->cases);
    c->status = sag_stability_at_rest(c->bias, &found);
    if (c->status != SAG_OK) {
        return;
    }
    c->worst = found.worst;
    if (found.oscillates) {
        int turns = found.grows.frequency_hz > 0;
        c->status = turns ? SAG_OSCILLATES : SAG_LATCHES;
        unrest_add(s->unrest, turns ? UNREST_OSCILLATES : UNREST_LATCHES, index, &found.grows, 1);
    } else if (found.rings) {
        unrest_add(s->unrest, UNREST_RINGS, index, &found.worst, 1);
    }
}

static void prepare_case(session *s, session_case *c)
{
    const options *o = s->options;
    const sag_design *design = s->designs[c->setting];
    sag_conditions conditions = sag_conditions_defaults(design);
    conditions.supply_v = c->supply_v;
    conditions.stiff = o->stiff;
    conditions.drive = o->drive;
    conditions.load_ohm = o->load_ohm;
    conditions.load_farad = o->load_farad;
    conditions.batteries = c->batteries;
    sag_report *found = NULL;
    c->status = sag_report_new(&found);
    if (c->status == SAG_OK) {
        c->status = sag_network_new(design, &conditions, &c->network, found);
    }
    if (c->status == SAG_OK) {
        c->supply = *sag_network_supply(c->network);
        c->status = sag_bias_new(c->network, &c->bias, found);
    }
    if (c->status == SAG_OK) {
        if (!s->judges_inputs) {
            sag_bias_warn_without_gain(c->bias, found);
        }
        c->terminal_v = sag_bias_terminal_v(c->bias);
        c->drain_a = sag_bias_drain_a(c->bias);
        c->marks = sag_bias_marks(c->bias);
        c->status = sag_response_new(c->bias, &c->response);
    }
    if (c->status == SAG_OK) {
        judge_stability(s, c);
    }
    take_findings(s, c, found);
    s->failed |= c->status > 0 && !about_circuit(c->status);
    sag_report_free(found);
}

/* A supply that the circuit cannot live on is a warning; once none is left, an error. */
static void judge_supplies(session *s)
{
    size_t damage = 0;
    for (size_t i = 0; i < s->case_count; i++) {
        damage += s->cases[i].status == SAG_WOULD_DAMAGE;
        if (session_has_results(s, &s->cases[i]) || !about_circuit(s->cases[i].status)) {
            return;
        }
    }
    s->failed = 1;
    if (damage == s->case_count) {
        sag_report_on(s->report, SAG_ERROR, NULL,
                      s->cases[0].batteries > 0 ? "ask for fewer batteries, as in --in-series 1"
                                                : "ask for a lower one, as in --supply 9V",
                      "every supply asked for is above the absolute maximum of a part");
    } else {
        sag_report_on(s->report, SAG_ERROR, NULL, NULL,
                      "nothing could be computed at any supply asked for");
    }
}

static int stops(void *context)
{
    (void)context;
    return output_interrupted();
}

sag_steady_settings session_steady(void)
{
    sag_steady_settings settings = sag_steady_defaults();
    settings.stops = stops;
    return settings;
}

int session_prepare(session *s, size_t first, size_t count)
{
    for (size_t i = first; i < first + count; i++) {
        if (output_interrupted()) {
            return 0;
        }
        prepare_case(s, &s->cases[i]);
        if (s->cases[i].status < 0) {
            session_fail(s->cases[i].status);
            return 0;
        }
    }
    if (first + count == s->case_count) {
        if (!unrest_report(s->unrest, s, 0, "")) {
            session_no_memory();
            return 0;
        }
        judge_supplies(s);
    }
    return 1;
}

void session_release(session *s, size_t first, size_t count)
{
    for (size_t i = first; i < first + count; i++) {
        session_case *c = &s->cases[i];
        sag_response_free(c->response);
        sag_bias_free(c->bias);
        sag_network_free(c->network);
        c->response = NULL;
        c->bias = NULL;
        c->network = NULL;
    }
}

int session_fits(const session *s, double bytes)
{
    if (bytes <= most_bytes) {
        return 1;
    }
    message_misuse(
        s->options->command->name,
        "that many results would take %.0f MB, and %.0f MB is the most: ask for fewer supplies, "
        "settings, levels or frequencies at a time",
        ceil(bytes / 1048576), most_bytes / 1048576);
    return 0;
}

double session_thd_floor(const session *s)
{
    double largest = (double)NAN;
    for (size_t i = 0; i < s->opamp_count; i++) {
        double floor_ratio = s->opamps[i]->opamp->thd_floor;
        if (isfinite(floor_ratio) && !(largest >= floor_ratio)) {
            largest = floor_ratio;
        }
    }
    return largest;
}

/* The least THD of a table where no data sheet gives a floor, a ratio. */
static const double least_thd = 1e-5;

double session_thd_shown(const session *s)
{
    double floor_ratio = session_thd_floor(s);
    return isnan(floor_ratio) ? least_thd : floor_ratio;
}

void session_load(const session *s, double *ohm, double *farad)
{
    int given = !isnan(s->options->load_ohm);
    *ohm = given ? s->options->load_ohm : s->designs[0]->load_ohm;
    *farad = given ? s->options->load_farad : s->designs[0]->load_farad;
}

/* Files first: when standard output is a pipe whose reader is slow, they stand already. */
static int commit(session *s)
{
    int done = 1;
    output **all[] = {&s->json, &s->csv, &s->plot, &s->table};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        output *out = *all[i];
        *all[i] = NULL;
        done &= !out || output_commit(out);
    }
    return done;
}

int session_close(session *s, int status)
{
    int asked_to_stop = output_interrupted();
    if (asked_to_stop) {
        status = EXIT_FAILED; /* main raises the signal again */
    }
    if (status == EXIT_DONE && !commit(s)) {
        status = EXIT_FAILED;
    }
    if (status == EXIT_DONE && s->failed) {
        status = EXIT_FAILED;
    }
    if (!asked_to_stop && !s->findings_shown) {
        message_report(s->report, s->options->quiet);
    }
    session_release(s, 0, s->case_count);
    output_drop(s->json);
    output_drop(s->csv);
    output_drop(s->plot);
    output_drop(s->table);
    sag_free(s->cases);
    sag_free((void *)s->opamps);
    session_free_designs(s);
    folders_free(&s->folders);
    unrest_free(s->unrest);
    sag_report_free(s->report);
    return status;
}
