/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wear and replace: margins against a scan of the headroom, gains and THD against periodic solutions, a limiter
 * without limits, the rule for replacing on rows that are known, threads. */
#include "orbits.h"

#include "replace.h"
#include "same_point.h"
#include "value.h"

#include <gsl/gsl_errno.h>

enum { SOFT = 0, NORMAL = 1, HARD = 2, EXTREME = 3 };

static sag_wear_request wear_request(int threads)
{
    return (sag_wear_request){
        .thd_limit = 0.01, .slope_db = 6, .steady = sag_steady_defaults(), .threads = threads};
}

static sag_discharge *discharge_of(const sag_design *design, int in_series)
{
    sag_discharge_request request = {.design = design,
                                     .conditions = sag_conditions_defaults(design),
                                     .in_series = in_series,
                                     .until_v = (double)NAN,
                                     .threads = 1};
    sag_discharge *discharge = NULL;
    assert_int_equal(sag_discharge_new(&request, &discharge, NULL), SAG_OK);
    return discharge;
}

static circuit circuit_of(const sag_discharge *discharge, double open_circuit_v)
{
    circuit c = {0};
    sag_conditions conditions = sag_discharge_conditions(discharge, open_circuit_v);
    assert_int_equal(
        sag_network_new(sag_discharge_design(discharge), &conditions, &c.network, NULL), SAG_OK);
    assert_int_equal(sag_bias_new(c.network, &c.bias, NULL), SAG_OK);
    return c;
}

/* The least of max_input over the playing level at many frequencies, in dB. */
static double scan_margin(const circuit *c, double hard_vpk, double soft_vpk)
{
    enum { MANY = 25 };
    double hz[MANY], least = (double)INFINITY;
    for (int i = 0; i < MANY; i++) {
        hz[i] = 31 * pow(20e3 / 31, i / (MANY - 1.0));
    }
    sag_headroom *headroom = NULL;
    sag_headroom_request request = {.frequency_hz = hz,
                                    .frequency_count = MANY,
                                    .thd_limit = 0.01,
                                    .soft_vpk = soft_vpk / 100,
                                    .steady = sag_steady_defaults(),
                                    .threads = 2};
    const sag_bias *bias = c->bias;
    assert_int_equal(sag_headroom_compute(&bias, 1, &request, &headroom, NULL), SAG_OK);
    for (int i = 0; i < MANY; i++) {
        if (headroom->points[i].max_input_reason == SAG_HEADROOM_FOUND) {
            least = fmin(least, 20 * log10(headroom->points[i].max_input_vpk /
                                           sag_playing_level_at(hard_vpk, hz[i], 6)));
        }
    }
    sag_headroom_free(headroom);
    return least;
}

/* Followers with their input at half the supply: one whose output stops 0.1 V short of its rails,
 * and one with diodes across its output, which distorts without meeting any limit. */
#define STAGE(more)                                                                                \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'load', 'load': '100k'}, 'supply': "      \
            "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}",      \
            "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "                                 \
            "'R1': {'resistor': '100k', 'between': ['bat', 'p']}, "                                \
            "'R2': {'resistor': '100k', 'between': ['p', 'ground']}, "                             \
            "'C2': {'capacitor': '10u', 'between': ['out', 'far']}, "                              \
            "'R3': {'resistor': '10k', 'between': ['far', 'load']}, " more                         \
            "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "       \
            "['bat', 'ground']}")

static void margins_are_the_least_of_all_frequencies(void **state)
{
    (void)state;
    static const char *const texts[] = {
        NULL, STAGE(""),
        STAGE("'D1': {'diode': '1n4148', 'anode': 'load', 'cathode': 'ground'}, "
              "'D2': {'diode': '1n4148', 'anode': 'ground', 'cathode': 'load'}, ")};
    for (size_t t = 0; t < sizeof texts / sizeof *texts; t++) {
        sag_design *design = t == 0 ? circuit_load(CIRCUIT_HERON) : circuit_read(texts[t]);
        sag_discharge *discharge = discharge_of(design, 1);
        double last_v = sag_discharge_last(discharge).open_circuit_v;
        sag_wear_row rows[2] = {{.open_circuit_v = 9.2}, {.open_circuit_v = last_v}};
        sag_wear_request request = wear_request(1);
        assert_int_equal(sag_wear_compute(discharge, &request, rows, 2, NULL), SAG_OK);
        for (int i = 0; i < 2; i++) {
            circuit c = circuit_of(discharge, rows[i].open_circuit_v);
            assert_int_equal(rows[i].status, SAG_OK);
            double hard_vpk = design->playing[HARD].vpk;
            /* Frequencies are scanned in steps, and THD creeps up to its limit. */
            near_db(rows[i].margin_db[HARD], scan_margin(&c, hard_vpk, design->playing[SOFT].vpk),
                    0.1, "scan of 25 frequencies");
            near_db(rows[i].margin_db[SOFT] - rows[i].margin_db[HARD],
                    20 * log10(hard_vpk / design->playing[SOFT].vpk), 1e-9, "levels apart");
            near_db(rows[i].margin_db[NORMAL] - rows[i].margin_db[EXTREME],
                    20 * log10(design->playing[EXTREME].vpk / design->playing[NORMAL].vpk), 1e-9,
                    "levels apart");
            sag_bias_free(c.bias);
            sag_network_free(c.network);
        }
        sag_discharge_free(discharge);
        sag_design_free(design);
    }
}

/* A follower of 0.1 V drop clips at half the terminal voltage less that: the margin over 1 V peak
 * follows the battery. The limit's knee takes 0 to 20 mV more. 1 % THD (harmonics up to the 15th)
 * comes where a sine is 0.252 dB over the limit that cuts it: from the series of a cut sine. */
static void a_follower_has_half_its_terminal_voltage(void **state)
{
    (void)state;
    sag_design *design = circuit_read(STAGE(""));
    sag_discharge *discharge = discharge_of(design, 1);
    sag_wear_row rows[3] = {
        {.open_circuit_v = 9.55}, {.open_circuit_v = 7.5}, {.open_circuit_v = 5.3}};
    sag_wear_request request = wear_request(1);
    assert_int_equal(sag_wear_compute(discharge, &request, rows, 3, NULL), SAG_OK);
    for (int i = 0; i < 3; i++) {
        double clips_v = sag_discharge_at(discharge, rows[i].open_circuit_v).terminal_v / 2 - 0.1;
        near_db(rows[i].margin_db[HARD], 20 * log10(clips_v - 0.01) + 0.252, 0.04, CLOSED);
        for (int k = 0; k < SAG_WEAR_TONES; k++) { /* 10 kohm into 100 kohm */
            near_db(rows[i].soft_db[k], 20 * log10(10.0 / 11), 0.01, CLOSED);
        }
    }
    sag_discharge_free(discharge);
    sag_design_free(design);
}

static void gains_and_thd_are_those_of_the_periodic_solution(void **state)
{
    (void)state;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    sag_discharge *discharge = discharge_of(design, 1);
    sag_wear_row row = {.open_circuit_v = 7.2};
    sag_wear_request request = wear_request(1);
    assert_int_equal(sag_wear_compute(discharge, &request, &row, 1, NULL), SAG_OK);
    circuit c = circuit_of(discharge, 7.2);
    sag_steady *steady = steady_of(&c, 0, 1);
    sag_steady_settings settings_of_supply = sag_steady_defaults();
    for (int k = 0; k < SAG_WEAR_TONES; k++) {
        for (int level = SOFT; level <= HARD; level += HARD) {
            double hz = sag_wear_tone_hz[k];
            double vpk = sag_playing_level_at(design->playing[level].vpk, hz, 6);
            near_db(level == SOFT ? row.soft_db[k] : row.hard_db[k],
                    point_at(steady, hz, vpk, NULL).gain_db, 1e-3, "one level alone");
        }
    }
    settings_of_supply.supply_ripple = 1;
    sag_steady *watching = NULL;
    assert_int_equal(sag_steady_new(c.bias, &settings_of_supply, &watching), SAG_OK);
    double most_a = point_at(watching, 98, design->playing[HARD].vpk, NULL).drain_a;
    for (int k = 0; k < SAG_WEAR_TONES; k++) {
        double hz = sag_wear_tone_hz[k];
        double vpk = sag_playing_level_at(design->playing[HARD].vpk, hz, 6);
        most_a = fmax(most_a, point_at(watching, hz, vpk, NULL).drain_a);
    }
    near_rel(row.sine_drain_a[HARD], most_a, 1e-4, "one level alone");
    assert_true(row.sine_drain_a[SOFT] > sag_bias_drain_a(c.bias) &&
                row.sine_drain_a[HARD] > row.sine_drain_a[SOFT]);
    sag_steady_free(watching);
    near_rel(row.hard_thd, point_at(steady, 98, design->playing[HARD].vpk, NULL).thd, 1e-3,
             "one level alone");
    assert_true(row.hard_thd > 0.05); /* so that there is something to compare */
    sag_steady_free(steady);
    sag_bias_free(c.bias);
    sag_network_free(c.network);
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* ---- the rule ---- */

enum { ROWS = 5 };

/* Rows half a volt apart. The margin over hard playing falls by a dB a row, 6 dB less over extreme;
 * the gain at 4 kHz by 0.4 dB a row. */
static void make_rows(const sag_discharge *discharge, double fresh_db, sag_wear_row rows[ROWS])
{
    for (int i = 0; i < ROWS; i++) {
        double terminal_v = 9 - i / 2.0;
        rows[i] = (sag_wear_row){.open_circuit_v =
                                     i == 0 ? 9.55 : sag_discharge_find(discharge, terminal_v)};
        for (int k = 0; k < SAG_PLAYING_LEVELS; k++) {
            rows[i].margin_db[k] = fresh_db - i + 6 * (HARD - k);
        }
        for (int k = 0; k < SAG_WEAR_TONES; k++) {
            rows[i].soft_db[k] = 3 - (k == 3 ? 0.4 * i : 0);
        }
    }
}

static void the_rule_says_when_and_why(void **state)
{
    (void)state;
    const double none = (double)NAN;
    static const double no = 1e9; /* for "not asked for" in the table */
    static const struct {
        double fresh_db, at_v, hard_db, extreme_db, lost_db, changed_db, used;
        sag_replace_reason reason;
        double terminal_v; /* NAN: the end */
        size_t which;
    } cases[] = {
        {3, 7.3, 1e9, 1e9, 1e9, 1e9, 1e9, SAG_REPLACE_AT, 7.3, 0},
        {3, 1e9, 1.5, 1e9, 1e9, 1e9, 1e9, SAG_REPLACE_MARGIN, 8.25, HARD},
        /* -3 dB at the start over extreme playing, one less a row */
        {3, 1e9, -9, -4.25, 1e9, 1e9, 1e9, SAG_REPLACE_MARGIN, 8.375, EXTREME},
        /* to 0 dB, and to 3 dB less than fresh: the lower of the two */
        {3.5, 1e9, 1e9, 1e9, 3, 1e9, 1e9, SAG_REPLACE_LOST, 7.25, HARD},
        {-5, 1e9, 1e9, 1e9, 3, 1e9, 1e9, SAG_REPLACE_LOST, 7.5, HARD},
        {2, 1e9, 1e9, 1e9, 3, 1e9, 1e9, SAG_REPLACE_LOST, 7.5, HARD},
        {30, 1e9, 1e9, 1e9, 3, 1e9, 1e9, SAG_REPLACE_END, 0, 0},
        {30, 1e9, 1e9, 1e9, 3, 1, 1e9, SAG_REPLACE_CHANGED, 7.75, 3},
        {30, 7, 1e9, 1e9, 3, 1, 0.01, SAG_REPLACE_USED, 0, 0},
        {30, 1e9, 1e9, 1e9, 1e9, 1e9, 1e9, SAG_REPLACE_END, 0, 0},
    };
    sag_design *design = circuit_read(STAGE(""));
    sag_discharge *discharge = discharge_of(design, 1);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_wear_row rows[ROWS];
        make_rows(discharge, cases[i].fresh_db, rows);
        sag_replace_rule rule = sag_replace_defaults();
        rule.at_v = cases[i].at_v < no ? cases[i].at_v : none;
        rule.margin_db[HARD] = cases[i].hard_db < no ? cases[i].hard_db : none;
        rule.margin_db[EXTREME] = cases[i].extreme_db < no ? cases[i].extreme_db : none;
        rule.lost_db = cases[i].lost_db < no ? cases[i].lost_db : none;
        rule.changed_db = cases[i].changed_db < no ? cases[i].changed_db : none;
        rule.used = cases[i].used < no ? cases[i].used : none;
        sag_replace found = sag_replace_find(discharge, &rule, rows, ROWS);
        sag_discharge_state at = sag_discharge_at(discharge, found.open_circuit_v);
        if (found.reason != cases[i].reason || found.which != cases[i].which) {
            print_error("case %zu: reason %d of %zu at %g V\n", i, (int)found.reason, found.which,
                        at.terminal_v);
            fail();
        }
        assert_false(found.from_fresh);
        if (found.reason == SAG_REPLACE_USED) {
            near_abs(at.depth, 0.01, 1e-9, "the rule");
        } else if (found.reason == SAG_REPLACE_END) {
            near_rel(found.open_circuit_v, sag_discharge_last(discharge).open_circuit_v, 1e-12,
                     "the end");
        } else {
            /* The first row lies at the fresh terminal voltage, a little over 9 V. */
            near_abs(at.terminal_v, cases[i].terminal_v,
                     found.open_circuit_v > rows[1].open_circuit_v ? 0.5 : 1e-3,
                     "straight between rows");
        }
    }
    sag_discharge_free(discharge);
    sag_design_free(design);
}

static void figures_that_do_not_exist_do_not_mislead(void **state)
{
    (void)state;
    sag_design *design = circuit_read(STAGE(""));
    sag_discharge *discharge = discharge_of(design, 1);
    sag_wear_row rows[ROWS];
    sag_replace_rule rule = sag_replace_defaults();
    rule.changed_db = (double)NAN;
    /* An unknown margin is passed over; not clean even softly counts as under any margin. */
    make_rows(discharge, 1, rows);
    rows[1].margin_db[HARD] = (double)NAN;
    rows[2].margin_db[HARD] = (double)INFINITY;
    rows[3].margin_db[HARD] = -(double)INFINITY;
    sag_replace found = sag_replace_find(discharge, &rule, rows, ROWS);
    assert_int_equal(found.reason, SAG_REPLACE_LOST);
    near_rel(found.open_circuit_v, rows[3].open_circuit_v, 1e-12, "the row that is not clean");
    /* Holds when fresh. */
    rule.margin_db[SOFT] = 40;
    found = sag_replace_find(discharge, &rule, rows, ROWS);
    assert_int_equal(found.reason, SAG_REPLACE_MARGIN);
    assert_true(found.from_fresh);
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* ---- states without figures ---- */

/* A cable on an output without a resistor: the ringing op-amp of the tests oscillates. */
static void an_oscillating_stage_has_no_figures(void **state)
{
    (void)state;
    sag_design *design = circuit_read(STAGE("'C3': {'capacitor': '100n', 'between': ['out', "
                                            "'ground']}, "));
    circuit_change(design, "U1A=ringing");
    sag_discharge *discharge = discharge_of(design, 1);
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    sag_wear_row row = {.open_circuit_v = 8};
    sag_wear_request request = wear_request(1);
    assert_int_equal(sag_wear_compute(discharge, &request, &row, 1, report), SAG_OK);
    assert_int_equal(row.status, SAG_OSCILLATES);
    assert_true(isnan(row.margin_db[HARD]) && isnan(row.hard_thd) && isnan(row.soft_db[0]));
    assert_true(sag_report_count(report) > 0);
    sag_report_free(report);
    sag_discharge_free(discharge);
    sag_design_free(design);
}

static void threads_do_not_change_a_bit(void **state)
{
    (void)state;
    enum { COUNT = 4 };
    sag_design *design = circuit_load(CIRCUIT_HERON);
    sag_discharge *discharge = discharge_of(design, 2);
    sag_wear_row rows[2][COUNT];
    for (int t = 0; t < 2; t++) {
        sag_wear_request request = wear_request(1 + 2 * t);
        for (int i = 0; i < COUNT; i++) {
            rows[t][i] = (sag_wear_row){.open_circuit_v = 19 - 2 * i};
        }
        assert_int_equal(sag_wear_compute(discharge, &request, rows[t], COUNT, NULL), SAG_OK);
    }
    for (int i = 0; i < COUNT; i++) {
        assert_true(same_double(rows[0][i].margin_db[HARD], rows[1][i].margin_db[HARD]));
        assert_true(same_double(rows[0][i].hard_thd, rows[1][i].hard_thd));
        assert_true(same_double(rows[0][i].hard_db[0], rows[1][i].hard_db[0]));
        assert_true(same_limit(rows[0][i].limited_by, rows[1][i].limited_by));
    }
    sag_discharge_free(discharge);
    sag_design_free(design);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(margins_are_the_least_of_all_frequencies),
        cmocka_unit_test(a_follower_has_half_its_terminal_voltage),
        cmocka_unit_test(gains_and_thd_are_those_of_the_periodic_solution),
        cmocka_unit_test(the_rule_says_when_and_why),
        cmocka_unit_test(figures_that_do_not_exist_do_not_mislead),
        cmocka_unit_test(an_oscillating_stage_has_no_figures),
        cmocka_unit_test(threads_do_not_change_a_bit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
