/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The engine against a second one: the circuit's equations written again (second_model), integrated
 * by SUNDIALS IDA (second_run). Resting points, gain of the fundamental and THD of the examples. */
#include "orbits.h"
#include "second_opamp.h"
#include "second_run.h"

#include "value.h"

#include <gsl/gsl_errno.h>
#include <stdlib.h>

/* What the program promises. */
#define GAIN_DB    1e-3
#define THD_POINTS 3e-4
#define THD_SHARE  0.01
/* With so many steps a period the library's own error goes, and what is left is in the equations.
 * Found by trial: the largest differences seen are 6e-5 dB and 1e-5. */
#define FINE_STEPS  8192
#define FINE_DB     1e-4
#define FINE_POINTS 5e-5
/* Both sides solve for rest to 1e-9 V or better; the largest difference seen is 2e-10 V. */
#define REST_V 1e-8
/* Tables are read at rails within 0.1 mV, where no slew rate changes faster than 0.4 a volt. */
#define REST_FIGURES 4e-5
/* IDA's tolerance for a level of 1 V peak or more, and where shooting stops. Ten times less of each
 * moves no gain by 1e-5 dB. */
#define IDA_ERROR_V  1e-7
#define IDA_ENOUGH_V 1e-5
#define MOST_PERIODS 40

#define EXAMPLES RAILSAG_SOURCE_DIR "/examples/"

/* compared: rows of points[] at supplies that all parts of the design work at. */
static const struct {
    const char *file;
    int compared;
} examples[] = {
    {EXAMPLES "heron.json", 18}, {EXAMPLES "plover.json", 18}, {EXAMPLES "curlew.json", 18}};
enum { EXAMPLE_COUNT = sizeof examples / sizeof *examples };

/* A row with the controls full on or half way; levels in dBV or by the design's name for them. */
typedef struct {
    double supply_v, frequency_hz;
    const char *level;
    int half;
} place;

static const place points[] = {
    {18, 31, "-20", 0},      {18, 62, "extreme", 0}, {18, 10000, "0", 1},   {18, 1000, "10", 0},
    {9, 1000, "-40", 0},     {9, 110, "soft", 0},    {9, 400, "normal", 0}, {9, 62, "hard", 0},
    {9, 5000, "0", 0},       {9, 250, "10", 1},      {7, 31, "-10", 0},     {7, 10000, "hard", 0},
    {7, 1000, "extreme", 1}, {5, 110, "normal", 0},  {5, 2500, "0", 1},     {5, 10000, "10", 0},
    {3, 31, "-20", 0},       {3, 630, "normal", 1},
};
enum { POINTS = sizeof points / sizeof *points };

static double level_of(const sag_design *design, const char *level)
{
    for (int i = 0; i < SAG_PLAYING_LEVELS; i++) {
        if (!strcmp(design->playing[i].name, level)) {
            return design->playing[i].vpk;
        }
    }
    return sag_level_peak(strtod(level, NULL));
}

/* Pots full on or half way; switches as the file has them. */
static void set_controls(sag_design *design, int half)
{
    for (size_t i = 0; i < design->control_count; i++) {
        if (!design->controls[i].is_switch) {
            design->controls[i].setting = half ? 0.5 : 1;
        }
    }
}

/* One circuit in both engines. */
typedef struct {
    circuit library;
    second_model *second;
} pair;

/* Takes the design over. 0 where a part does not work at this supply: then there is nothing to
 * compare. */
static int pair_open(pair *p, sag_design *design, const char *const changes[], double supply_v,
                     int half)
{
    sag_conditions conditions = circuit_at(supply_v);
    for (size_t i = 0; changes && changes[i]; i++) {
        circuit_change(design, changes[i]);
    }
    set_controls(design, half);
    *p = (pair){0};
    sag_status status = circuit_try(&p->library, design, &conditions);
    if (status == SAG_WOULD_DAMAGE || status == SAG_STOPPED || status == SAG_NO_SWING) {
        return 0;
    }
    if (status != SAG_OK) {
        print_error("%s at %g V: %s\n", design->title, supply_v, sag_status_text(status));
        circuit_print_report(p->library.report);
        fail();
    }
    assert_int_equal(second_model_new(design, &conditions, &p->second), SAG_OK);
    return 1;
}

static void pair_close(pair *p)
{
    second_model_free(p->second);
    circuit_close(&p->library);
}

/* An input has left its range, or is about to. */
static int is_beyond(const sag_opamp_swing *swings, size_t count)
{
    for (size_t k = 0; k < count; k++) {
        if (swings[k].nearest == SAG_LIMIT_INPUT_RANGE && swings[k].left_db < 0) {
            return 1;
        }
    }
    return 0;
}

typedef enum { USUAL, FINE } accuracy;

/* The library's figures. Where an input leaves its range its usual steps keep less than is promised
 * (DEVELOPERS.md, known gaps); its fine ones are held to it instead. */
static sag_steady_point library_at(const pair *p, const place *at, accuracy wanted)
{
    double level_vpk = level_of(p->library.design, at->level);
    sag_opamp_swing swings[SAG_MAX_OPAMPS];
    sag_steady *steady = steady_of(&p->library, wanted == FINE ? FINE_STEPS : 0, 0);
    sag_steady_point point = point_at(steady, at->frequency_hz, level_vpk, swings);
    sag_steady_free(steady);
    if (wanted == USUAL && is_beyond(swings, sag_network_opamp_count(p->library.network))) {
        return library_at(p, at, FINE);
    }
    return point;
}

/* Prints what differs by more than is allowed; 1 when anything does. */
static int differs(const pair *p, const char *what, const place *at, accuracy wanted)
{
    double level_vpk = level_of(p->library.design, at->level);
    sag_steady_point point = library_at(p, at, wanted);
    second_run *run;
    second_figures second;
    assert_int_equal(second_run_new(p->second, &run), SAG_OK);
    sag_status status =
        second_run_orbit(run, at->frequency_hz, level_vpk, IDA_ERROR_V * fmin(level_vpk, 1),
                         IDA_ENOUGH_V * fmin(level_vpk, 1), MOST_PERIODS, &second);
    second_run_free(run);
    /* Where a stage that runs out of its range leaves less fundamental than harmonics, the same
     * error of the wave is a larger one of the fundamental (with 8192 steps it is not). */
    double gain_db = (wanted == FINE ? FINE_DB : GAIN_DB) * fmax(1, second.thd);
    double thd = wanted == FINE ? FINE_POINTS : fmax(THD_POINTS, THD_SHARE * second.thd);
    if (point.status == SAG_OK && status == SAG_OK &&
        fabs(point.gain_db - second.gain_db) <= gain_db && fabs(point.thd - second.thd) <= thd) {
        return 0;
    }
    print_error("%s at %g V, %s, %g Hz, controls %s:\n", what, at->supply_v, at->level,
                at->frequency_hz, at->half ? "half way" : "full on");
    print_error("  library %s: gain %.6f dB, THD %.5f %%, %d steps\n",
                sag_status_name(point.status), point.gain_db, 100 * point.thd, point.steps);
    print_error("  IDA     %s: gain %.6f dB, THD %.5f %%; may differ by %g dB, %.2g points\n",
                sag_status_name(status), second.gain_db, 100 * second.thd, gain_db, 100 * thd);
    return 1;
}

/* ---- what is checked ---- */

/* Node by node; and slew rates are those of the rails found, not of the supply or of rails on the
 * way there. */
static void compare_rest(const pair *p)
{
    const double *rest = second_model_rest(p->second);
    for (size_t node = 1; node < p->library.design->node_count; node++) {
        near_abs(sag_bias_node_v(p->library.bias, (int)node),
                 rest[second_model_node(p->second, (int)node)], REST_V,
                 "the second model's resting point");
    }
    for (size_t k = 0; k < sag_network_opamp_count(p->library.network); k++) {
        sag_bias_opamp opamp = sag_bias_opamp_get(p->library.bias, k);
        const sag_opamp_model *figures = sag_network_opamp(p->library.network, k)->opamp;
        second_curve ratio;
        double slope;
        second_ratio_make(&ratio, figures, 1);
        near_rel(opamp.slew_rise,
                 figures->slew_rise *
                     second_curve_at(&ratio, opamp.rail_positive_v - opamp.rail_negative_v, &slope),
                 REST_FIGURES, "the model's table at the rails");
    }
}

static void resting_points_agree(void **state)
{
    (void)state;
    for (size_t e = 0; e < EXAMPLE_COUNT; e++) {
        for (int i = 0; i < 80; i++) {
            pair p;
            if (pair_open(&p, circuit_load(examples[e].file), NULL, 2.6 + 0.2 * i, i % 2)) {
                compare_rest(&p);
            }
            pair_close(&p);
        }
    }
}

static void gain_and_thd_agree(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t e = 0; e < EXAMPLE_COUNT; e++) {
        int compared = 0;
        for (size_t i = 0; i < POINTS; i++) {
            pair p;
            if (pair_open(&p, circuit_load(examples[e].file), NULL, points[i].supply_v,
                          points[i].half)) {
                wrong += differs(&p, p.library.design->title, &points[i], USUAL);
                compared++;
            }
            pair_close(&p);
        }
        assert_int_equal(compared, examples[e].compared);
    }
    assert_int_equal(wrong, 0);
}

/* Fine steps leave only what the equations differ by. */
static void with_fine_steps_they_agree_better(void **state)
{
    (void)state;
    static const place fine[] = {{9, 62, "hard", 0}, {18, 1000, "10", 0}, {5, 5000, "normal", 0}};
    int wrong = 0;
    for (size_t e = 0; e < EXAMPLE_COUNT; e++) {
        for (size_t i = 0; i < sizeof fine / sizeof *fine; i++) {
            pair p;
            if (pair_open(&p, circuit_load(examples[e].file), NULL, fine[i].supply_v,
                          fine[i].half)) {
                wrong += differs(&p, p.library.design->title, &fine[i], FINE);
            }
            pair_close(&p);
        }
    }
    assert_int_equal(wrong, 0);
}

/* Tables of all shapes: with and without a supply, down to millivolts, steep ones, second poles or
 * none. Bias currents of bipolar inputs ask for less than Heron's 10 Mohm. */
static void every_opamp_agrees(void **state)
{
    (void)state;
    static const char *const models[] = {"lm358", "ne5532", "opa1678", "opa2134",
                                         "tl062", "tl072",  "tlv2372"};
    static const place where[] = {{9, 62, "hard", 0}, {9, 5000, "0", 0}, {9, 400, "extreme", 0}};
    int wrong = 0;
    for (size_t m = 0; m < sizeof models / sizeof *models; m++) {
        char change[32];
        snprintf(change, sizeof change, "U1A,U1B=%s", models[m]);
        const char *const changes[] = {change, "R3=100k", NULL};
        for (size_t i = 0; i < sizeof where / sizeof *where; i++) {
            pair p;
            assert_true(pair_open(&p, circuit_load(CIRCUIT_HERON), changes, where[i].supply_v,
                                  where[i].half));
            compare_rest(&p);
            wrong += differs(&p, models[m], &where[i], USUAL);
            pair_close(&p);
        }
    }
    assert_int_equal(wrong, 0);
}

/* Reversal at either rail (tl072, lm358, upside) and loss of gain alone; diodes between inputs (ne5532), a class-B output
 * (lm358). */
static void inputs_out_of_range_agree(void **state)
{
    (void)state;
    static const char *const models[] = {"lm358", "ne5532", "opa2134", "tl072", "upside"};
    static const place where[] = {{9, 100, "10", 0}, {9, 1000, "10", 1}, {5, 3000, "10", 1}};
    int wrong = 0;
    for (size_t m = 0; m < sizeof models / sizeof *models; m++) {
        char change[32];
        snprintf(change, sizeof change, "U1A,U1B=%s", models[m]);
        const char *const changes[] = {change, "R3=100k", NULL};
        for (size_t i = 0; i < sizeof where / sizeof *where; i++) {
            pair p;
            assert_true(pair_open(&p, circuit_load(CIRCUIT_HERON), changes, where[i].supply_v,
                                  where[i].half));
            compare_rest(&p);
            wrong += differs(&p, models[m], &where[i], USUAL);
            pair_close(&p);
        }
    }
    assert_int_equal(wrong, 0);
}

/* The kinds of parts that the examples have not, and the limits that they do not meet: current,
 * slewing one way. A supply with a middle, diodes that clip. It is about the equations, so with
 * fine steps. */
static const char parts_box[] = CIRCUIT(
    "'input': {'node': 'in', 'source': '600R'}, 'output': {'node': 'out', 'load': '10k + 1n'}, "
    "'supply': {'positive': 'vp', 'negative': 'vn', 'middle': 'ground', 'nominal': '9V', "
    "'battery': '6lr61', 'resistance': '5R'}, 'controls': {'tone': '70%', 'voice': 1}",
    "'C1': {'capacitor': '1u', 'between': ['in', 'p'], 'series_resistance': '20R'}, "
    "'R1': {'resistor': '100k', 'between': ['p', 'ground']}, "
    "'U1A': {'opamp': 'leaky', 'plus': 'p', 'minus': 'm', 'out': 'a', 'rails': ['vp', 'vn']}, "
    "'R2': {'resistor': '10k', 'between': ['a', 'm']}, "
    "'R3': {'resistor': '2k2', 'between': ['m', 'ground']}, "
    "'R4': {'resistor': '1k', 'between': ['a', 'b']}, "
    "'D1': {'diode': '1n4148', 'anode': 'b', 'cathode': 'ground'}, "
    "'D2': {'diode': 'sample-diode', 'anode': 'd', 'cathode': 'b'}, "
    "'R5': {'resistor': '10R', 'between': ['d', 'ground']}, "
    "'D3': {'diode': 'led-red', 'anode': 'a', 'cathode': 'e'}, "
    "'R6': {'resistor': '1k', 'between': ['e', 'vn']}, "
    "'VR1': {'pot': '10k', 'ends': ['ground', 'b'], 'wiper': 'w', 'taper': 'audio', "
    "'control': 'tone'}, "
    "'S1': {'switch': ['t1', 't2'], 'common': 'w', 'control': 'voice'}, "
    "'L1': {'inductor': '100m', 'between': ['t1', 'q'], 'series_resistance': '40R'}, "
    "'C2': {'capacitor': '22n', 'between': ['t2', 'q']}, "
    "'R12': {'resistor': '1M', 'between': ['t2', 'q']}, "
    "'V1': {'voltage': '0.2V', 'positive': 'ref', 'negative': 'ground', 'resistance': '1k'}, "
    "'R7': {'resistor': '22k', 'between': ['ref', 'q']}, "
    "'U2A': {'opamp': 'weak', 'plus': 'q', 'minus': 'n', 'out': 'f', 'rails': ['vp', 'vn']}, "
    "'R8': {'resistor': '22k', 'between': ['f', 'n']}, "
    "'R9': {'resistor': '10k', 'between': ['n', 'ground']}, "
    "'R10': {'resistor': '330R', 'between': ['f', 'out']}, "
    "'C3': {'capacitor': '100n', 'between': ['f', 'ground'], 'series_resistance': '100R'}, "
    "'U3A': {'opamp': 'lazy', 'plus': 'out', 'minus': 'o', 'out': 'o', 'rails': ['vp', 'vn']}, "
    "'R11': {'resistor': '1k', 'between': ['o', 'ground']}");

static void every_kind_of_part_agrees(void **state)
{
    (void)state;
    static const place where[] = {{9, 50, "-10", 0}, {9, 1000, "0", 0}, {9, 8000, "0", 0},
                                  {9, 2, "0", 1},    {5, 200, "10", 0}, {18, 3000, "10", 0}};
    int wrong = 0;
    for (size_t i = 0; i < 2 * (sizeof where / sizeof *where); i++) {
        const place *at = &where[i / 2];
        const char *const changes[] = {NULL};
        sag_design *design = circuit_read(parts_box);
        pair p;
        circuit_set(design, i % 2 ? "voice=2" : "voice=1");
        assert_true(pair_open(&p, design, changes, at->supply_v, at->half));
        compare_rest(&p);
        wrong += differs(&p, i % 2 ? "parts box, voice 2" : "parts box, voice 1", at, FINE);
        pair_close(&p);
    }
    assert_int_equal(wrong, 0);
}

/* What IDA and the search for rest go by: the slopes against differences, at rest and far from it,
 * with clamps, junctions and saturated inputs. */
static void slopes_are_those_of_the_residual(void **state)
{
    (void)state;
    pair p;
    assert_true(pair_open(&p, circuit_load(CIRCUIT_HERON), NULL, 9, 0));
    size_t n = second_model_size(p.second);
    double *jacobian = sag_new(n * n + 5 * n, sizeof *jacobian);
    assert_non_null(jacobian);
    double *y = jacobian + n * n, *rate = y + n, *above = rate + n, *below = above + n;
    const double a = 1e4, h = 1e-7;
    unsigned seed = 1;
    for (int trial = 0; trial < 60; trial++) {
        for (size_t i = 0; i < n; i++) {
            seed = seed * 1664525u + 1013904223u;
            double chance = (seed >> 8) / (double)(1 << 24) - 0.5;
            double far = second_model_is_current(p.second, i) ? 0.01 : trial % 3 ? 2 : 0.05;
            y[i] = second_model_rest(p.second)[i] + (trial ? far * chance : 0);
            rate[i] = trial ? 1e3 * chance : 0;
        }
        second_model_jacobian(p.second, a, y, rate, jacobian);
        for (size_t j = 0; j < n; j++) {
            double y_there = y[j], rate_there = rate[j];
            y[j] = y_there + h;
            rate[j] = rate_there + a * h;
            second_model_residual(p.second, 0, y, rate, above);
            y[j] = y_there - h;
            rate[j] = rate_there - a * h;
            second_model_residual(p.second, 0, y, rate, below);
            y[j] = y_there;
            rate[j] = rate_there;
            for (size_t i = 0; i < n; i++) {
                double slope = (above[i] - below[i]) / (2 * h);
                /* what the row's terms leave of their digits */
                double terms = 1;
                for (size_t k = 0; k < n; k++) {
                    terms = fmax(terms, fabs(jacobian[k * n + i] * y[k]));
                }
                near_abs(jacobian[j * n + i], slope, 1e-5 * fabs(slope) + 1e-15 / h * terms,
                         "central difference");
            }
        }
    }
    sag_free(jacobian);
    pair_close(&p);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(slopes_are_those_of_the_residual),
        cmocka_unit_test(resting_points_agree),
        cmocka_unit_test(gain_and_thd_agree),
        cmocka_unit_test(with_fine_steps_they_agree_better),
        cmocka_unit_test(every_opamp_agrees),
        cmocka_unit_test(inputs_out_of_range_agree),
        cmocka_unit_test(every_kind_of_part_agrees),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
