/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_check.c - the parts list, and everything worth a second look. */
#include "check_rules.h"
#include "command.h"
#include "label.h"
#include "message.h"
#include "result.h"
#include "table.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MOST_LISTED = 8 }; /* supplies named one by one */

static const char *taper_name(sag_taper taper)
{
    switch (taper) {
    case SAG_TAPER_LINEAR:
        return "linear";
    case SAG_TAPER_AUDIO:
        return "audio";
    case SAG_TAPER_REVERSE_AUDIO:
        return "reverse audio";
    case SAG_TAPER_BLEND:
        return "blend";
    }
    return "";
}

/* Value or model of a part, as a parts list gives it. */
static void value_cell(table *t, const sag_design *design, const sag_part *part)
{
    char text[LABEL_SIZE];
    switch (part->kind) {
    case SAG_RESISTOR:
        table_cell(t, "%s", label_value(text, part->value, SAG_OHM));
        break;
    case SAG_CAPACITOR:
        table_cell(t, "%s", label_value(text, part->value, SAG_FARAD));
        break;
    case SAG_INDUCTOR:
        table_cell(t, "%s", label_value(text, part->value, SAG_HENRY));
        break;
    case SAG_VOLTAGE:
        table_cell(t, "%s", label_value(text, part->value, SAG_VOLT));
        break;
    case SAG_POT:
        table_cell(t, "%s %s%s%s", label_value(text, part->value, SAG_OHM), taper_name(part->taper),
                   part->control >= 0 ? ", " : "",
                   part->control >= 0 ? design->controls[part->control].name : "");
        break;
    case SAG_OPAMP:
        table_cell(t, "%s", part->opamp->head.name);
        break;
    case SAG_DIODE:
        table_cell(t, "%s", part->diode->head.name);
        break;
    case SAG_SWITCH:
        table_cell(t, "%d throw%s%s%s", part->throw_count, part->throw_count == 1 ? "" : "s",
                   part->control >= 0 ? ", " : "",
                   part->control >= 0 ? design->controls[part->control].name : "");
        break;
    }
}

static void nodes_cell(table *t, const sag_design *design, const sag_part *part)
{
    char text[LABEL_SIZE] = "";
    for (int k = 0; k < part->pin_count; k++) {
        size_t used = strlen(text);
        snprintf(text + used, sizeof text - used, "%s%s", k > 0 ? " " : "",
                 part->node[k] == SAG_OPEN ? "open" : design->nodes[part->node[k]]);
    }
    table_cell(t, "%s", text);
}

static int write_parts(const session *s)
{
    static const char *const heads[] = {"part", "kind", "value", "tolerance", "rated", "nodes"};
    const sag_design *design = s->designs[0];
    table *t = table_new("lllrrl", 2);
    if (!t) {
        return 0;
    }
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        table_cell(t, "%s", heads[i]);
    }
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        char text[LABEL_SIZE];
        table_cell(t, "%s", part->designator);
        table_cell(t, "%s", sag_part_kind_name(part->kind));
        value_cell(t, design, part);
        table_cell(t, "%s",
                   isfinite(part->tolerance) && part->tolerance > 0
                       ? label_value(text, part->tolerance, SAG_RATIO)
                       : "");
        table_cell(t, "%s",
                   part->kind == SAG_CAPACITOR && isfinite(part->rated_v)
                       ? label_value(text, part->rated_v, SAG_VOLT)
                       : "");
        nodes_cell(t, design, part);
    }
    output_text(s->table, "\n");
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

static void write_supplies(const session *s)
{
    char list[LABEL_SIZE] = "", volts[LABEL_SIZE], line[2 * LABEL_SIZE];
    const options *o = s->options;
    const sag_battery_model *battery = o->stiff ? NULL : s->designs[0]->supply.battery;
    double low_v = o->supply_v[0], high_v = low_v;
    for (size_t i = 0; i < o->supply_count; i++) {
        low_v = fmin(low_v, o->supply_v[i]);
        high_v = fmax(high_v, o->supply_v[i]);
        label_list(list, label_value(volts, o->supply_v[i], SAG_VOLT), i, o->supply_count);
    }
    if (o->supply_count > MOST_LISTED) {
        char low[LABEL_SIZE];
        snprintf(list, sizeof list, "%zu from %.40s to %.40s", o->supply_count,
                 label_value(low, low_v, SAG_VOLT), label_value(volts, high_v, SAG_VOLT));
    }
    const char *title = battery && battery->head.title ? battery->head.title : "";
    snprintf(line, sizeof line, "Supplies looked at: %s, of %.64s%s%.100s%s", list,
             battery ? battery->head.name : "a bench supply", *title ? " (" : "", title,
             *title ? ")" : "");
    output_text(s->table, "\n");
    output_wrapped(s->table, line, 0, 0);
}

static void write_findings(const session *s)
{
    size_t count = sag_report_count(s->report);
    if (count == 0) {
        output_text(s->table, "Nothing to warn about.\n");
        return;
    }
    for (size_t i = 0; i < count; i++) {
        static const char *const labels[] = {"note: ", "warning: ", "error: "};
        const sag_finding *finding = sag_report_get(s->report, i);
        char place[1024], text[2048], line[3200];
        message_finding_place(finding, 0, NULL, place, sizeof place);
        snprintf(line, sizeof line, "%s%s%s%s.", labels[finding->severity], place,
                 *place ? ": " : "", message_finding_text(finding, text, sizeof text));
        output_text(s->table, "\n");
        output_wrapped(s->table, line, 0, 2);
    }
}

static int write_text(session *s, const check_rules *rules)
{
    result_text_start(s);
    if (!write_parts(s)) {
        return session_no_memory();
    }
    write_supplies(s);
    write_findings(s);
    int batteries = check_rules_batteries(rules);
    if (batteries > 1) {
        char volts[LABEL_SIZE], line[512];
        double fresh_v = batteries * s->designs[0]->supply.battery->rows[0].open_circuit_v;
        snprintf(line, sizeof line,
                 "Caution: %d fresh batteries in series are %s. Do not short or recharge them; the "
                 "data sheets of "
                 "the parts and your local rules decide.",
                 batteries, label_value(volts, fresh_v, SAG_VOLT));
        output_text(s->table, "\n");
        output_wrapped(s->table, line, 0, 0);
    }
    s->findings_shown = 1;
    return EXIT_DONE;
}

/* The pair that an op-amp damps least. */
static void write_worst(json_writer *w, const session *s, const sag_mode *worst)
{
    int there = worst->opamp >= 0 && (size_t)worst->opamp < s->opamp_count;
    json_flat_object(w, "least_damped");
    json_text(w, "opamp", there ? s->opamps[worst->opamp]->designator : NULL);
    json_number(w, "frequency_hz", there ? worst->frequency_hz : (double)NAN);
    json_number(w, "q", there && worst->growth_per_s < 0 ? worst->q : (double)NAN);
    json_close(w);
}

static void write_json(const session *s)
{
    json_writer w = result_json_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        result_json_case(&w, s, &s->cases[i]);
        json_text(&w, "status", sag_status_name(s->cases[i].status));
        json_number(&w, "drain_a", s->cases[i].drain_a);
        write_worst(&w, s, &s->cases[i].worst);
        json_close(&w);
    }
    result_json_end(&w);
}

/* A plug in the jack connects the battery's foot to ground; with two halves it can do so for one.
 */
static void note_halves(session *s)
{
    const sag_supply *supply = &s->designs[0]->supply;
    if (supply->middle >= 0 && supply->battery && !s->options->stiff) {
        sag_report_on(s->report, SAG_NOTE, "supply",
                      "switch both, at a jack or switch with two contacts of its own",
                      "the supply has two halves: where the jack's contact breaks one battery, the "
                      "other stays connected and runs down");
    }
}

/* Loops that are stable only while they have all of their gain. */
static sag_status check_losses(const session *s, size_t index, unrest *conditional)
{
    sag_gain_loss *losses = NULL;
    if (s->cases[index].status != SAG_OK) {
        return SAG_OK;
    }
    sag_status status = sag_stability_losses(s->cases[index].bias, &losses);
    for (size_t k = 0; status == SAG_OK && k < s->opamp_count; k++) {
        sag_mode mode = losses[k].grows;
        mode.opamp = (int)k; /* the one that loses its gain */
        if (losses[k].share > 0) {
            unrest_add(conditional, UNREST_CONDITIONAL, index, &mode, losses[k].share);
        }
    }
    sag_free(losses);
    return status;
}

static int compute_cases(session *s, check_rules *rules, unrest *conditional)
{
    for (size_t i = 0; i < s->case_count; i++) {
        if (!session_prepare(s, i, 1)) {
            return EXIT_FAILED;
        }
        check_rules_case(rules, i);
        sag_status status = check_losses(s, i, conditional);
        session_release(s, i, 1);
        if (status != SAG_OK) {
            return session_fail(status);
        }
    }
    return unrest_report(conditional, s, 0, "") ? EXIT_DONE : session_no_memory();
}

static int compute(session *s, check_rules *rules)
{
    unrest *conditional = unrest_new();
    int status = conditional ? compute_cases(s, rules, conditional) : session_no_memory();
    unrest_free(conditional);
    if (status != EXIT_DONE) {
        return status;
    }
    check_rules_fresh(rules);
    note_halves(s);
    return check_rules_report(rules, s->report) ? EXIT_DONE : session_no_memory();
}

static int compute_and_write(session *s)
{
    check_rules *rules = check_rules_new(s);
    int status = rules ? compute(s, rules) : session_no_memory();
    if (status == EXIT_DONE && s->json) {
        write_json(s);
    }
    if (status == EXIT_DONE && s->table) {
        status = write_text(s, rules);
    }
    check_rules_free(rules);
    return status;
}

int command_check(const options *o)
{
    session s;
    int status = session_open(&s, o);
    s.bias_only = 1;
    s.judges_inputs = 1;
    if (status == EXIT_DONE) {
        status = compute_and_write(&s);
    }
    return session_close(&s, status);
}
