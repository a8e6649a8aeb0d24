/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_bias.c - DC voltages and currents, part by part. */
#include "command.h"
#include "drain.h"
#include "label.h"
#include "result.h"
#include "supply_motion.h"
#include "table.h"

#include <math.h>
#include <stdio.h>

/* The bias point of one case, kept while the others are computed; everything NAN where there is
 * none. */
typedef struct {
    double *nodes_v, *currents_a;
    sag_bias_opamp *opamps;
    drain_item *drain;
    size_t drain_count;
    supply_motion motion;
    double settles_s; /* the half-supply reference, after plugging in; NAN: there is none */
} bias_result;

/* "Settled": within this share of where it ends. */
static const double settled_share = 0.05;

/* The figures of an op-amp, for JSON and CSV. */
static const struct {
    const char *key;
    size_t offset;
} opamp_figures[] = {
    {"plus_v", offsetof(sag_bias_opamp, plus_v)},
    {"minus_v", offsetof(sag_bias_opamp, minus_v)},
    {"out_v", offsetof(sag_bias_opamp, out_v)},
    {"rail_positive_v", offsetof(sag_bias_opamp, rail_positive_v)},
    {"rail_negative_v", offsetof(sag_bias_opamp, rail_negative_v)},
    {"to_positive_v", offsetof(sag_bias_opamp, to_positive_v)},
    {"to_negative_v", offsetof(sag_bias_opamp, to_negative_v)},
    {"out_a", offsetof(sag_bias_opamp, out_a)},
    {"supply_a", offsetof(sag_bias_opamp, supply_a)},
    {"gain_bandwidth_hz", offsetof(sag_bias_opamp, gain_bandwidth_hz)},
    {"second_pole_hz", offsetof(sag_bias_opamp, second_pole_hz)},
    {"slew_rise_v_per_s", offsetof(sag_bias_opamp, slew_rise)},
    {"slew_fall_v_per_s", offsetof(sag_bias_opamp, slew_fall)},
    {"open_loop_gain", offsetof(sag_bias_opamp, open_loop_gain)},
    {"output_ohm", offsetof(sag_bias_opamp, output_ohm)},
};
enum { FIGURES = sizeof opamp_figures / sizeof opamp_figures[0] };

static double figure_of(const sag_bias_opamp *opamp, size_t figure)
{
    const void *at = (const char *)opamp + opamp_figures[figure].offset;
    return *(const double *)at;
}

static void set_figure(sag_bias_opamp *opamp, size_t figure, double value)
{
    void *at = (char *)opamp + opamp_figures[figure].offset;
    *(double *)at = value;
}

/* What the signal does to the supply. A reference without a settling time is none. */
static sag_status keep_motion(const session *s, const session_case *c, bias_result *r)
{
    int reference = sag_network_reference(c->network);
    if (reference >= 0) {
        sag_status status = sag_settle_time(c->bias, reference, settled_share, &r->settles_s);
        if (status < SAG_BAD_ARGUMENT || status == SAG_NO_MEMORY) {
            return status;
        }
        if (status != SAG_OK) {
            r->settles_s = (double)NAN;
        }
    }
    return supply_motion_find(&r->motion, s, c);
}

static int keep_case(const session *s, const session_case *c, bias_result *r)
{
    const sag_design *design = s->designs[c->setting];
    r->nodes_v = sag_new(design->node_count, sizeof *r->nodes_v);
    r->currents_a = sag_new(design->part_count, sizeof *r->currents_a);
    r->opamps = sag_new(s->opamp_count, sizeof *r->opamps);
    if (!r->nodes_v || !r->currents_a || !r->opamps) {
        return 0;
    }
    for (size_t i = 0; i < design->node_count; i++) {
        r->nodes_v[i] = c->bias ? sag_bias_node_v(c->bias, (int)i) : (double)NAN;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        r->currents_a[i] = c->bias ? sag_bias_part_current_a(c->bias, i) : (double)NAN;
    }
    for (size_t i = 0; i < s->opamp_count; i++) {
        for (size_t k = 0; k < FIGURES && !c->bias; k++) {
            set_figure(&r->opamps[i], k, (double)NAN);
        }
        if (c->bias) {
            r->opamps[i] = sag_bias_opamp_get(c->bias, i);
        }
    }
    r->motion = supply_motion_none();
    r->settles_s = (double)NAN;
    return !c->bias || (drain_sort(c->bias, &r->drain, &r->drain_count) == SAG_OK &&
                        keep_motion(s, c, r) == SAG_OK);
}

static int compute(session *s, bias_result *results)
{
    for (size_t i = 0; i < s->case_count; i++) {
        if (!session_prepare(s, i, 1)) {
            return EXIT_FAILED;
        }
        int kept = keep_case(s, &s->cases[i], &results[i]);
        session_release(s, i, 1);
        if (!kept) {
            return session_no_memory();
        }
    }
    return EXIT_DONE;
}

static void write_json_motion(json_writer *w, const session *s, const bias_result *r)
{
    json_flat_object(w, "hard_ripple");
    json_number(w, "terminal_v", r->motion.terminal_v);
    json_number(w, "terminal_at_hz", r->motion.terminal_hz);
    json_number(w, "reference_v", r->motion.reference_v);
    json_number(w, "reference_at_hz", r->motion.reference_hz);
    json_close(w);
    json_text(w, "reference", supply_motion_reference(s));
    json_number(w, "reference_settles_s", r->settles_s);
}

static void write_json(const session *s, const bias_result *results)
{
    json_writer w = result_json_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        const session_case *c = &s->cases[i];
        const sag_design *design = s->designs[c->setting];
        result_json_case(&w, s, c);
        json_text(&w, "status", sag_status_name(c->status));
        json_number(&w, "drain_a", c->drain_a);
        json_object(&w, "nodes_v");
        for (size_t k = 0; k < design->node_count; k++) {
            json_number(&w, design->nodes[k], results[i].nodes_v[k]);
        }
        json_close(&w);
        json_object(&w, "currents_a");
        for (size_t k = 0; k < design->part_count; k++) {
            json_number(&w, design->parts[k].designator, results[i].currents_a[k]);
        }
        json_close(&w);
        json_object(&w, "opamps");
        for (size_t k = 0; k < s->opamp_count; k++) {
            json_flat_object(&w, s->opamps[k]->designator);
            for (size_t f = 0; f < FIGURES; f++) {
                json_number(&w, opamp_figures[f].key, figure_of(&results[i].opamps[k], f));
            }
            json_close(&w);
        }
        json_close(&w);
        write_json_motion(&w, s, &results[i]);
        json_close(&w);
    }
    result_json_end(&w);
}

static void write_csv_row(csv *w, const session *s, const session_case *c, const char *of,
                          const char *name, const char *quantity, double value)
{
    result_csv_case(w, s, c);
    csv_text(w, sag_status_name(c->status));
    csv_text(w, of);
    csv_text(w, name);
    csv_text(w, quantity);
    csv_number(w, value);
    csv_row(w);
}

/* One quantity a row, for a design has as many nodes and parts as it likes. */
static void write_csv(const session *s, const bias_result *results)
{
    csv w = csv_open(s->csv);
    result_csv_head(&w, s);
    csv_text(&w, "status");
    csv_text(&w, "of");
    csv_text(&w, "name");
    csv_text(&w, "quantity");
    csv_text(&w, "value");
    csv_row(&w);
    for (size_t i = 0; i < s->case_count; i++) {
        const session_case *c = &s->cases[i];
        const sag_design *design = s->designs[c->setting];
        write_csv_row(&w, s, c, "supply", "", "drain_a", c->drain_a);
        write_csv_row(&w, s, c, "supply", "", "hard_terminal_ripple_v",
                      results[i].motion.terminal_v);
        write_csv_row(&w, s, c, "supply", "", "hard_reference_ripple_v",
                      results[i].motion.reference_v);
        write_csv_row(&w, s, c, "supply", "", "reference_settles_s", results[i].settles_s);
        for (size_t k = 0; k < design->node_count; k++) {
            write_csv_row(&w, s, c, "node", design->nodes[k], "v", results[i].nodes_v[k]);
        }
        for (size_t k = 0; k < design->part_count; k++) {
            write_csv_row(&w, s, c, "part", design->parts[k].designator, "current_a",
                          results[i].currents_a[k]);
        }
        for (size_t k = 0; k < s->opamp_count; k++) {
            for (size_t f = 0; f < FIGURES; f++) {
                write_csv_row(&w, s, c, "opamp", s->opamps[k]->designator, opamp_figures[f].key,
                              figure_of(&results[i].opamps[k], f));
            }
        }
    }
}

static int finish_table(const session *s, table *t)
{
    int done = table_write(t, s->table);
    table_free(t);
    return done;
}

static void decimals_cell(table *t, double value)
{
    char text[LABEL_SIZE];
    table_cell(t, "%s", label_number(text, value, 3));
}

static int write_opamps(const session *s, const bias_result *r)
{
    static const char *const heads[] = {"op-amp",    "model",  "+in",    "-in",
                                        "out",       "rail+",  "rail-",  "left up",
                                        "left down", "out mA", "idle mA"};
    table *t = table_new("llrrrrrrrrr", 2);
    if (!t) {
        return 0;
    }
    output_text(s->table,
                "\nOp-amps, V against ground; left: how far the output may still go each way\n");
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        table_cell(t, "%s", heads[i]);
    }
    for (size_t i = 0; i < s->opamp_count; i++) {
        const sag_bias_opamp *at = &r->opamps[i];
        const double volts[] = {at->plus_v,          at->minus_v,         at->out_v,
                                at->rail_positive_v, at->rail_negative_v, at->to_positive_v,
                                at->to_negative_v};
        table_cell(t, "%s", s->opamps[i]->designator);
        table_cell(t, "%s", s->opamps[i]->opamp->head.name);
        for (size_t k = 0; k < sizeof volts / sizeof volts[0]; k++) {
            decimals_cell(t, volts[k]);
        }
        decimals_cell(t, 1e3 * at->out_a);
        decimals_cell(t, 1e3 * at->supply_a);
    }
    return finish_table(s, t);
}

/* Voltage between two pins of a part; NAN where a lug is open. */
static double across(const sag_part *part, const bias_result *r, int a, int b)
{
    int from = part->node[a], to = part->node[b];
    return from < 0 || to < 0 ? (double)NAN : r->nodes_v[from] - r->nodes_v[to];
}

/* Less is nothing here, and would print as a stray sign. */
static const double least_v = 1e-4;

static void volts_cell(table *t, double volts)
{
    char text[LABEL_SIZE];
    table_cell(t, "%s", label_value(text, fabs(volts) < least_v ? 0 : volts, SAG_VOLT));
}

/* Without a sign, which would hang on the order in which the file names the nodes: the positive one
 * is shown instead. */
static void capacitor_cells(table *t, const sag_design *design, const sag_part *part, double dc_v)
{
    char text[LABEL_SIZE];
    int positive = part->node[dc_v < 0];
    volts_cell(t, fabs(dc_v));
    table_cell(t, "%s", fabs(dc_v) < least_v || positive < 0 ? "" : design->nodes[positive]);
    table_cell(t, "%s", label_value(text, part->rated_v, SAG_VOLT));
}

static int write_parts(const session *s, const sag_design *design, const bias_result *r,
                       sag_part_kind kind)
{
    static const char *const heads[2][5] = {
        {"capacitor", "value", "DC across", "positive at", "rated"},
        {"pot", "value", "DC end to end", "first end to wiper", "wiper to second end"}};
    table *t = table_new(kind == SAG_CAPACITOR ? "lrrlr" : "lrrrr", 2);
    if (!t) {
        return 0;
    }
    size_t count = 0;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        char text[LABEL_SIZE];
        if (part->kind != kind) {
            continue;
        }
        for (size_t k = 0; k < 5 && count == 0; k++) {
            table_cell(t, "%s", heads[kind == SAG_POT][k]);
        }
        count++;
        table_cell(t, "%s", part->designator);
        table_cell(t, "%s", label_value(text, part->value, kind == SAG_POT ? SAG_OHM : SAG_FARAD));
        if (kind == SAG_CAPACITOR) {
            capacitor_cells(t, design, part, across(part, r, 0, 1));
        } else {
            volts_cell(t, across(part, r, SAG_PIN_END0, SAG_PIN_END1));
            volts_cell(t, across(part, r, SAG_PIN_END0, SAG_PIN_WIPER));
            volts_cell(t, across(part, r, SAG_PIN_WIPER, SAG_PIN_END1));
        }
    }
    if (count > 0) {
        output_text(s->table, "\n");
    }
    return finish_table(s, t);
}

/* Node voltages, four side by side. */
static int write_nodes(const session *s, const sag_design *design, const bias_result *r)
{
    table *t = table_new("lrlrlrlr", 2);
    if (!t) {
        return 0;
    }
    output_text(s->table, "\nNodes, V against ground\n");
    size_t count = design->node_count - 1; /* without ground itself */
    size_t rows = (count + 3) / 4;
    for (size_t row = 0; row < rows; row++) {
        for (size_t column = 0; column < 4; column++) {
            size_t node = 1 + column * rows + row;
            table_cell(t, "%s%s", column > 0 && node <= count ? "  " : "",
                       node <= count ? design->nodes[node] : "");
            if (node <= count) {
                decimals_cell(t, r->nodes_v[node]);
            } else {
                table_cell(t, "%s", "");
            }
        }
    }
    return finish_table(s, t);
}

static int write_drain(const session *s, const session_case *c, const bias_result *r)
{
    char text[LABEL_SIZE];
    table *t = table_new("lrr", 2);
    if (!t) {
        return 0;
    }
    output_format(s->table, "\nDrain %s, taken by\n", label_value(text, c->drain_a, SAG_AMPERE));
    for (size_t i = 0; i < r->drain_count; i++) {
        table_cell(t, "%s", r->drain[i].name ? r->drain[i].name : "the rest");
        table_cell(t, "%s", label_value(text, r->drain[i].current_a, SAG_AMPERE));
        table_cell(t, "%.1f %%", 100 * r->drain[i].current_a / c->drain_a);
    }
    return finish_table(s, t);
}

static void write_settling(const session *s, const session_case *c, const bias_result *r)
{
    char seconds[LABEL_SIZE], volts[LABEL_SIZE];
    const sag_design *design = s->designs[c->setting];
    int node = sag_design_reference(design);
    if (isfinite(r->settles_s)) {
        output_format(s->table, "After plugging in, %.100s is within %.0f %% of %s after %s.\n",
                      design->nodes[node], 100 * settled_share,
                      label_value(volts, r->nodes_v[node], SAG_VOLT),
                      label_value(seconds, r->settles_s, SAG_SECOND));
    }
}

static int write_text(const session *s, const bias_result *results)
{
    result_text_start(s);
    for (size_t i = 0; i < s->case_count; i++) {
        const session_case *c = &s->cases[i];
        const sag_design *design = s->designs[c->setting];
        result_text_case(s, c);
        if (!isfinite(c->terminal_v)) {
            continue;
        }
        if (!write_opamps(s, &results[i]) || !write_parts(s, design, &results[i], SAG_CAPACITOR) ||
            !write_parts(s, design, &results[i], SAG_POT) || !write_nodes(s, design, &results[i]) ||
            !write_drain(s, c, &results[i])) {
            return session_no_memory();
        }
        supply_motion_write(s->table, s, &results[i].motion, "Hard playing");
        if (isfinite(results[i].settles_s)) {
            output_text(s->table, "\n");
            write_settling(s, c, &results[i]);
        }
    }
    return EXIT_DONE;
}

static int run(session *s)
{
    const sag_design *design = s->designs[0];
    double each = (double)(design->node_count + design->part_count) * sizeof(double) +
                  (double)s->opamp_count * sizeof(sag_bias_opamp);
    if (!session_fits(s, each * (double)s->case_count)) {
        return EXIT_MISUSE;
    }
    bias_result *results = sag_new(s->case_count, sizeof *results);
    if (!results) {
        return session_no_memory();
    }
    int status = compute(s, results);
    if (status == EXIT_DONE && s->json) {
        write_json(s, results);
    }
    if (status == EXIT_DONE && s->csv) {
        write_csv(s, results);
    }
    if (status == EXIT_DONE && s->table) {
        status = write_text(s, results);
    }
    for (size_t i = 0; i < s->case_count; i++) {
        sag_free(results[i].nodes_v);
        sag_free(results[i].currents_a);
        sag_free(results[i].opamps);
        sag_free(results[i].drain);
    }
    sag_free(results);
    return status;
}

int command_bias(const options *o)
{
    session s;
    int status = session_open(&s, o);
    s.bias_only = 1;
    if (status == EXIT_DONE) {
        status = run(&s);
    }
    return session_close(&s, status);
}
