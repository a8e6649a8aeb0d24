/* SPDX-License-Identifier: GPL-3.0-or-later */
/* circuit.h - for tests of the numerical core: a design in a few lines, its equations and bias
 * point. */
#ifndef RAILSAG_CIRCUIT_H
#define RAILSAG_CIRCUIT_H

#include "near.h"

#include "bias.h"
#include "json.h"
#include "memory.h"

#include <stdio.h>
#include <string.h>

/* RAILSAG_SOURCE_DIR: the root of the checkout, as a string, set by the build. */
#define CIRCUIT_BENCH RAILSAG_SOURCE_DIR "/tests/data/bench"
#define CIRCUIT_HERON RAILSAG_SOURCE_DIR "/examples/heron.json"

/* A design from its parts and the rest, each without outer braces, in single quotes. */
#define CIRCUIT(rest, parts) "{'format': 'railsag design 1', " rest ", 'parts': {" parts "}}"

static const char *const circuit_folders[] = {
    CIRCUIT_BENCH, RAILSAG_SOURCE_DIR "/tests/data/models", RAILSAG_SOURCE_DIR "/models"};
static const sag_model_path circuit_path = {circuit_folders, 3};

typedef struct {
    sag_design *design;
    sag_report *report;
    sag_network *network;
    sag_bias *bias;
} circuit;

static inline void circuit_print_report(const sag_report *report)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        const sag_finding *finding = sag_report_get(report, i);
        print_error("  %s: %s\n",
                    finding->where        ? finding->where
                    : finding->place.path ? finding->place.path
                                          : "-",
                    finding->text);
    }
}

/* The design of a text with ' in place of ", or of a file's text as it is. */
static inline sag_design *circuit_design(const char *text, size_t length, const char *file)
{
    sag_design *design = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    if (sag_design_read(text, length, file, &circuit_path, &design, report) != SAG_OK) {
        circuit_print_report(report);
        fail();
    }
    sag_report_free(report);
    return design;
}

static inline sag_design *circuit_read(const char *text)
{
    char quoted[8192];
    size_t length = strlen(text);
    assert_true(length < sizeof quoted);
    for (size_t i = 0; i < length; i++) {
        quoted[i] = text[i] == '\'' ? '"' : text[i];
    }
    return circuit_design(quoted, length, CIRCUIT_BENCH "/bench.json");
}

static inline sag_design *circuit_load(const char *file)
{
    char *text;
    size_t length;
    assert_int_equal(sag_json_load(file, &text, &length, NULL), SAG_OK);
    sag_design *design = circuit_design(text, length, file);
    sag_free(text);
    return design;
}

static inline void circuit_set(sag_design *design, const char *assignment)
{
    assert_int_equal(sag_design_set(design, assignment, NULL), SAG_OK);
}

static inline void circuit_change(sag_design *design, const char *assignment)
{
    assert_int_equal(sag_design_change(design, assignment, NULL), SAG_OK);
}

/* Network and bias point of a design, which the circuit then owns; conditions may be NULL. Either
 * may be refused: returns the first status that is not SAG_OK. */
static inline sag_status circuit_try(circuit *c, sag_design *design,
                                     const sag_conditions *conditions)
{
    sag_conditions defaults = sag_conditions_defaults(design);
    *c = (circuit){.design = design};
    assert_int_equal(sag_report_new(&c->report), SAG_OK);
    TRY(sag_network_new(design, conditions ? conditions : &defaults, &c->network, c->report));
    return sag_bias_new(c->network, &c->bias, c->report);
}

static inline circuit circuit_open_design(sag_design *design, const sag_conditions *conditions)
{
    circuit c;
    if (circuit_try(&c, design, conditions) != SAG_OK) {
        circuit_print_report(c.report);
        fail();
    }
    return c;
}

static inline circuit circuit_open(const char *text, const sag_conditions *conditions)
{
    return circuit_open_design(circuit_read(text), conditions);
}

static inline sag_conditions circuit_at(double supply_v)
{
    return (sag_conditions){.supply_v = supply_v,
                            .drive = SAG_DRIVE_BENCH,
                            .load_ohm = (double)NAN,
                            .load_farad = (double)NAN};
}

static inline circuit circuit_heron(double supply_v)
{
    sag_conditions conditions = circuit_at(supply_v);
    return circuit_open_design(circuit_load(CIRCUIT_HERON), &conditions);
}

static inline void circuit_close(circuit *c)
{
    sag_bias_free(c->bias);
    sag_network_free(c->network);
    sag_design_free(c->design);
    sag_report_free(c->report);
    *c = (circuit){0};
}

static inline int circuit_node(const circuit *c, const char *name)
{
    for (size_t i = 0; i < c->design->node_count; i++) {
        if (!strcmp(c->design->nodes[i], name)) {
            return (int)i;
        }
    }
    print_error("no node %s\n", name);
    fail();
    return -1;
}

static inline double circuit_v(const circuit *c, const char *node)
{
    return sag_bias_node_v(c->bias, circuit_node(c, node));
}

static inline size_t circuit_part(const circuit *c, const char *designator)
{
    const sag_part *part = sag_design_part(c->design, designator);
    assert_non_null(part);
    return (size_t)(part - c->design->parts);
}

static inline double circuit_a(const circuit *c, const char *designator)
{
    return sag_bias_part_current_a(c->bias, circuit_part(c, designator));
}

/* A finding about `where` with these words. */
static inline int circuit_reports(const circuit *c, const char *where, const char *words)
{
    for (size_t i = 0; i < sag_report_count(c->report); i++) {
        const sag_finding *finding = sag_report_get(c->report, i);
        if (finding->where && strstr(finding->where, where) && strstr(finding->text, words)) {
            return 1;
        }
    }
    return 0;
}

#endif
