/* SPDX-License-Identifier: GPL-3.0-or-later */
/* published.h - for the tests against published figures: a circuit from its text or file to its
 * response. */
#ifndef RAILSAG_PUBLISHED_H
#define RAILSAG_PUBLISHED_H

#include "near.h"

#include "railsag.h"

#include <string.h>

/* RAILSAG_SOURCE_DIR: the root of the checkout, as a string, set by the build. */
#define PUBLISHED RAILSAG_SOURCE_DIR "/tests/data/published"

/* A circuit under one set of conditions. */
typedef struct {
    sag_design *design;
    sag_network *network;
    sag_bias *bias;
    sag_response *response;
} board;

static const char *const published_folders[] = {RAILSAG_SOURCE_DIR "/models"};
static const sag_model_path published_path = {published_folders, 1};

static inline void published_demand(sag_status status, const sag_report *report)
{
    if (status != SAG_OK) {
        print_error("%s\n", sag_status_text(status));
        for (size_t i = 0; i < sag_report_count(report); i++) {
            const sag_finding *finding = sag_report_get(report, i);
            print_error("  %s: %s\n", finding->place.path ? finding->place.path : "-",
                        finding->text);
        }
        fail();
    }
}

/* A design from a text in which ' stands for ". Models lie in the folder PUBLISHED. */
static inline sag_design *read_quoted(const char *text)
{
    sag_design *design = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    char *copy = sag_copy_text(text, strlen(text));
    assert_non_null(copy);
    for (char *at = strchr(copy, '\''); at; at = strchr(at, '\'')) {
        *at = '"';
    }
    published_demand(sag_design_read(copy, strlen(copy), PUBLISHED "/circuit.json", &published_path,
                                     &design, report),
                     report);
    sag_free(copy);
    sag_report_free(report);
    return design;
}

static inline sag_design *read_design(const char *file)
{
    char *text = NULL;
    size_t length;
    sag_design *design = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    published_demand(sag_json_load(file, &text, &length, report), report);
    published_demand(sag_design_read(text, length, file, &published_path, &design, report), report);
    sag_free(text);
    sag_report_free(report);
    return design;
}

/* "bass=100%" */
static inline void set_control(sag_design *design, const char *assignment)
{
    assert_int_equal(sag_design_set(design, assignment, NULL), SAG_OK);
}

/* "R7=22k" */
static inline void change_part(sag_design *design, const char *assignment)
{
    assert_int_equal(sag_design_change(design, assignment, NULL), SAG_OK);
}

/* Takes the design over. */
static inline board board_at(sag_design *design, double supply_v, sag_drive drive)
{
    board b = {.design = design};
    sag_report *report = NULL;
    sag_conditions conditions = sag_conditions_defaults(design);
    conditions.supply_v = supply_v;
    conditions.drive = drive;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    published_demand(sag_network_new(design, &conditions, &b.network, report), report);
    published_demand(sag_bias_new(b.network, &b.bias, report), report);
    published_demand(sag_response_new(b.bias, &b.response), report);
    sag_report_free(report);
    return b;
}

/* At its nominal supply, driven by the generator. */
static inline board board_of(sag_design *design)
{
    return board_at(design, design->supply.nominal_v, SAG_DRIVE_BENCH);
}

static inline void board_free(board *b)
{
    sag_response_free(b->response);
    sag_bias_free(b->bias);
    sag_network_free(b->network);
    sag_design_free(b->design);
}

/* CMPLX of complex.h, which not every compiler has. */
static inline double complex complex_of(double real, double imaginary)
{
    const double parts[2] = {real, imaginary};
    double complex value;
    memcpy(&value, parts, sizeof value);
    return value;
}

static inline double complex gain_at(const board *b, double frequency_hz)
{
    double complex gain = 0;
    assert_int_equal(sag_response_gain(b->response, frequency_hz, &gain), SAG_OK);
    return gain;
}

static inline double db_at(const board *b, double frequency_hz)
{
    return sag_gain_db(gain_at(b, frequency_hz));
}

/* The frequency at which the gain to the output, a curve that only falls (or only rises) from
 * low_hz to high_hz, passes the ratio `gain`. */
static inline double frequency_of(const board *b, double gain, double low_hz, double high_hz)
{
    int falls = cabs(gain_at(b, low_hz)) > gain;
    assert_int_not_equal(falls, cabs(gain_at(b, high_hz)) > gain);
    while (high_hz / low_hz > 1 + 1e-12) {
        double middle_hz = sqrt(low_hz * high_hz);
        if ((cabs(gain_at(b, middle_hz)) > gain) == falls) {
            low_hz = middle_hz;
        } else {
            high_hz = middle_hz;
        }
    }
    return low_hz;
}

static inline int node_named(const sag_design *design, const char *name)
{
    for (size_t i = 0; i < design->node_count; i++) {
        if (!strcmp(design->nodes[i], name)) {
            return (int)i;
        }
    }
    fail_msg("no node %s", name);
    return -1;
}

/* The start of a circuit with one op-amp's rails at +-half the supply; parts follow, then "}}". */
#define CIRCUIT(nominal)                                                                           \
    "{'format': 'railsag design 1', 'title': 'circuit',"                                           \
    " 'input': {'node': 'in', 'source': '0R'}, 'output': {'node': 'out'},"                         \
    " 'supply': {'positive': 'vp', 'negative': 'vn', 'middle': 'ground', 'nominal': '" nominal     \
    "'}, 'parts': {"
#define OPAMP(model, plus, minus)                                                                  \
    "'U1': {'opamp': '" model "', 'plus': '" plus "', 'minus': '" minus                            \
    "', 'out': 'out', 'rails': ['vp', 'vn']}"
#define RESISTOR(name, value, a, b)                                                                \
    ", '" name "': {'resistor': '" value "', 'between': ['" a "', '" b "']}"
#define CAPACITOR(name, value, a, b)                                                               \
    ", '" name "': {'capacitor': '" value "', 'between': ['" a "', '" b "']}"

#endif
