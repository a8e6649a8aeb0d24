/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Parts, inputs and supplies on a bench, in the small-signal response and in the periodic solution
 * alike: losses and polarity of capacitors, two pickups, split supplies, amplifiers that idle. */
#include "bench.h"

#include "dense.h"
#include "response.h"

#include <gsl/gsl_errno.h>

static double complex small_gain(const circuit *c, double frequency_hz)
{
    sag_response *response;
    double complex gain = 0;
    assert_int_equal(sag_response_new(c->bias, &response), SAG_OK);
    assert_int_equal(sag_response_gain(response, frequency_hz, &gain), SAG_OK);
    sag_response_free(response);
    return gain;
}

/* The same from a period of a sine. */
static double complex period_gain(const circuit *c, double frequency_hz, double level_vpk)
{
    sag_steady *steady = steady_of(c, 0, 0);
    sag_steady_point point = bench_point(steady, frequency_hz, level_vpk);
    double angle = point.phase_deg * M_PI / 180;
    sag_steady_free(steady);
    return pow(10, point.gain_db / 20) * sag_complex(cos(angle), sin(angle));
}

static void check_gain(const circuit *c, double frequency_hz, double complex expected,
                       const char *origin)
{
    near_abs(cabs(small_gain(c, frequency_hz) - expected), 0, 1e-9 * cabs(expected) + 1e-12,
             origin);
    near_abs(cabs(period_gain(c, frequency_hz, 0.1) - expected), 0, 1e-6 * cabs(expected) + 1e-12,
             origin);
}

/* ---- capacitors ---- */

/* A reference of two 47 kohm, smoothed by an electrolytic that leaks 5 uA at its rated 16 V (3.2 Mohm):
 * the leak pulls the reference down. And an output capacitor of 22 uF with 12 ohm in series: at its
 * plateau 600 ohm lose 50 + 12 ohm's share. */
static void capacitors_leak_and_have_resistance(void **state)
{
    (void)state;
    circuit c = bench_open(
        circuit_read(CIRCUIT(
            "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '600R'}, "
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
            "'R1': {'resistor': '47k', 'between': ['bat', 'ref']}, "
            "'R2': {'resistor': '47k', 'between': ['ref', 'ground']}, "
            "'C1': {'capacitor': '47u', 'between': ['ref', 'ground'], 'positive': 'ref', "
            "'leakage': '5uA', 'rated': '16V', 'series_resistance': '2R'}, "
            "'C2': {'capacitor': '22u', 'between': ['in', 'out'], 'series_resistance': '12R'}")),
        9);
    double leak_ohm = 16 / 5e-6, lower = 1 / (1 / 47e3 + 1 / leak_ohm),
           ref = 9 * lower / (47e3 + lower);
    near_rel(circuit_v(&c, "ref"), ref, 1e-9, CLOSED);
    near_rel(circuit_a(&c, "C1"), ref / leak_ohm, 1e-9, CLOSED);
    static const double frequencies[] = {5, 12, 98, 1000, 20000};
    for (size_t f = 0; f < 5; f++) {
        double complex z = 1 / sag_complex(0, 2 * M_PI * frequencies[f] * 22e-6);
        check_gain(&c, frequencies[f], 600 / (600 + 50 + 12 + z), CLOSED);
    }
    circuit_close(&c);
}

/* The stated positive side says which way round the capacitor was meant, and changes no result. */
static void polarity_changes_no_result(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "'between': ['x', 'out']",
        "'between': ['x', 'out'], 'positive': 'x'",
        "'between': ['x', 'out'], 'positive': 'out'",
        "'between': ['out', 'x'], 'positive': 'x'",
    };
    double complex first = 0;
    for (size_t i = 0; i < 4; i++) {
        char text[1024];
        snprintf(text, sizeof text,
                 CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                         "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                         "'V1': {'voltage': '4V', 'positive': 'mid', 'negative': 'ground'}, "
                         "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "
                         "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
                         "'C2': {'capacitor': '1u', 'leakage': '2uA', 'rated': '16V', %s}, "
                         "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'x', 'out': 'x', "
                         "'rails': ['bat', 'ground']}"),
                 texts[i]);
        circuit c = bench_open(circuit_read(text), 9);
        const sag_part *part = sag_design_part(c.design, "C2");
        double across_v =
            sag_bias_node_v(c.bias, part->node[0]) - sag_bias_node_v(c.bias, part->node[1]);
        /* 8 Mohm of leak and 10 kohm divide the output's 4 V. */
        near_abs(fabs(across_v), 4 * 8e6 / (8e6 + 10e3), 1e-3, CLOSED);
        /* The stated side comes first, and is seen to be reversed where it is. */
        assert_int_equal(part->polarised, i > 0);
        assert_true(i == 0 || (across_v < 0) == (i == 2));
        double complex gain = period_gain(&c, 31, 0.5);
        first = i == 0 ? gain : first;
        near_abs(cabs(gain - first), 0, 1e-9, "a capacitor has no direction");
        circuit_close(&c);
    }
}

/* ---- two pickups ---- */

#define TWO_PICKUPS                                                                                \
    CIRCUIT("'inputs': [{'node': 'one', 'pickup': 'split-coil-bass'}, "                            \
            "{'node': 'two', 'pickup': '%s', 'relative_level': %s, 'polarity': '%s'}], "           \
            "'output': {'node': 'out', 'load': '1M + 500p'}, "                                     \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",                \
            "'V1': {'voltage': '4.5V', 'positive': 'mid', 'negative': 'ground'}, "                 \
            "'R1': {'resistor': '220k', 'between': ['one', 'mix']}, "                              \
            "'R2': {'resistor': '220k', 'between': ['two', 'mix']}, "                              \
            "'C1': {'capacitor': '100n', 'between': ['mix', 'p']}, "                               \
            "'R3': {'resistor': '1M', 'between': ['p', 'mid']}, "                                  \
            "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'x', 'out': 'x', "                    \
            "'rails': ['bat', 'ground']}, "                                                        \
            "'C2': {'capacitor': '1u', 'between': ['x', 'out']}")

/* silent: the index of the pickup whose coil gives no signal; 2 none. */
static circuit pickups_open(const char *second, const char *level, const char *polarity, int silent)
{
    char text[2048];
    snprintf(text, sizeof text, TWO_PICKUPS, second, level, polarity);
    sag_design *design = circuit_read(text);
    if (silent < 2) {
        design->inputs[silent].relative_level = 0;
    }
    sag_conditions conditions = circuit_at(9);
    conditions.drive = SAG_DRIVE_PICKUP;
    return circuit_open_design(design, &conditions);
}

static void pickups_superpose_with_level_and_polarity(void **state)
{
    (void)state;
    static const double frequencies[] = {41, 98, 1000, 3000, 7000};
    static const struct {
        const char *level, *polarity;
        double by;
    } cases[] = {{"1", "normal", 1},
                 {"0.5", "normal", 0.5},
                 {"0.5", "inverted", -0.5},
                 {"2", "inverted", -2}};
    circuit first = pickups_open("single-coil-bass", "1", "normal", 1);
    circuit second = pickups_open("single-coil-bass", "1", "normal", 0);
    for (size_t i = 0; i < 4; i++) {
        circuit both = pickups_open("single-coil-bass", cases[i].level, cases[i].polarity, 2);
        for (size_t f = 0; f < 5; f++) {
            double complex expected = small_gain(&first, frequencies[f]) +
                                      cases[i].by * small_gain(&second, frequencies[f]);
            check_gain(&both, frequencies[f], expected, "superposition");
        }
        circuit_close(&both);
    }
    assert_true(cabs(small_gain(&second, 98)) > 0.1);
    circuit_close(&first);
    circuit_close(&second);
}

/* Common practice: two equal pickups out of phase cancel, in phase they give what one gives with the
 * other absent from the mix (each resistor then sees the same source). */
static void equal_pickups_out_of_phase_cancel(void **state)
{
    (void)state;
    circuit against = pickups_open("split-coil-bass", "1", "inverted", 2);
    circuit along = pickups_open("split-coil-bass", "1", "normal", 2);
    circuit alone = pickups_open("split-coil-bass", "1", "normal", 1);
    static const double frequencies[] = {41, 98, 1000, 4000};
    for (size_t f = 0; f < 4; f++) {
        double complex one = small_gain(&alone, frequencies[f]);
        near_abs(cabs(small_gain(&against, frequencies[f])), 0, 1e-9, "common practice");
        near_abs(cabs(small_gain(&along, frequencies[f]) - 2 * one), 0, 1e-9, "superposition");
    }
    circuit_close(&against);
    circuit_close(&along);
    circuit_close(&alone);
}

/* ---- a split supply ---- */

#define STAGE                                                                                      \
    "'R1': {'resistor': '10k', 'between': ['in', 'm']}, "                                          \
    "'R2': {'resistor': '47k', 'between': ['m', 'out']}, "                                         \
    "'C1': {'capacitor': '10u', 'between': ['up', 'ground']}, "                                    \
    "'R3': {'resistor': '2k2', 'between': ['up', 'ground']}, "                                     \
    "'R4': {'resistor': '4k7', 'between': ['down', 'ground']}, "                                   \
    "'U1A': {'opamp': 'tl072', 'plus': 'ground', 'minus': 'm', 'out': 'out', "                     \
    "'rails': ['up', 'down']}"

/* One supply with its tap at ground is two batteries of half the voltage: the same stage on two
 * sources, each behind half the resistance, whose slow rest settles with 3 s. */
static void a_split_supply_is_two_batteries(void **state)
{
    (void)state;
    circuit split = bench_open(
        circuit_read(CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                             "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "
                             "'nominal': '18V', 'battery': '6lr61', 'in_series': 2}",
                             STAGE)),
        18);
    const sag_supply_state *supply = sag_network_supply(split.network);
    double audio_ohm = supply->audio_ohm / 2, slow_ohm = (supply->dc_ohm - supply->audio_ohm) / 2;
    assert_int_equal(supply->batteries, 2);
    assert_true(slow_ohm > 0.1);
    sag_design *design = circuit_read(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                "'supply': {'positive': 'other', 'negative': 'ground', 'nominal': '9V'}",
                "'R90': {'resistor': '1k', 'between': ['other', 'ground']}, "
                "'V1': {'voltage': '9V', 'positive': 'up', 'negative': 'a', 'resistance': '1R'}, "
                "'R91': {'resistor': '1R', 'between': ['a', 'ground']}, "
                "'C91': {'capacitor': '1u', 'between': ['a', 'ground']}, "
                "'V2': {'voltage': '9V', 'positive': 'ground', 'negative': 'b', 'resistance': "
                "'1R'}, "
                "'R92': {'resistor': '1R', 'between': ['b', 'down']}, "
                "'C92': {'capacitor': '1u', 'between': ['b', 'down']}, " STAGE));
    for (int half = 0; half < 2; half++) {
        ((sag_part *)sag_design_part(design, half ? "V2" : "V1"))->series_ohm = audio_ohm;
        bench_set(design, half ? "R92" : "R91", slow_ohm);
        bench_set(design, half ? "C92" : "C91", 3 / slow_ohm);
    }
    circuit two = bench_open(design, 9);
    near_rel(circuit_v(&split, "up"), circuit_v(&two, "up"), 1e-9, "two equal batteries");
    near_rel(circuit_v(&split, "down"), circuit_v(&two, "down"), 1e-9, "two equal batteries");
    double drain_a = sag_bias_drain_a(split.bias);
    near_rel(circuit_v(&split, "up"), 9 - drain_a * (audio_ohm + slow_ohm), 1e-9, "Ohm's law");
    near_rel(sag_bias_terminal_v(split.bias), circuit_v(&split, "up") - circuit_v(&split, "down"),
             1e-12, "between the outer nodes");
    static const double frequencies[] = {0.05, 20, 98, 1000, 20000};
    for (size_t f = 0; f < 5; f++) {
        double complex expected = small_gain(&two, frequencies[f]);
        near_abs(cabs(small_gain(&split, frequencies[f]) - expected), 0, 1e-9,
                 "two equal batteries");
    }
    /* Soft, and clipped at both rails. */
    for (double level = 0.2; level < 3; level += 2) {
        near_abs(cabs(period_gain(&split, 98, level) - period_gain(&two, 98, level)), 0, 1e-5,
                 "two equal batteries");
    }
    circuit_close(&split);
    circuit_close(&two);
}

/* ---- amplifiers that idle ---- */

#define FOLLOWER_AND(idle)                                                                         \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, "                   \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",                \
            "'R1': {'resistor': '47k', 'between': ['bat', 'mid']}, "                               \
            "'R2': {'resistor': '47k', 'between': ['mid', 'ground']}, "                            \
            "'R3': {'resistor': '100k', 'between': ['in', 'mid']}, "                               \
            "'C2': {'capacitor': '1u', 'between': ['x', 'out']}, " idle                            \
            "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'x', 'out': 'x', "                  \
            "'rails': ['bat', 'ground']}")
#define TIED_HALF                                                                                  \
    "'U1B': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'y', 'out': 'y', "                          \
    "'rails': ['bat', 'ground']}, "

/* supply_current of the model, by its row at this supply, for each amplifier of the package: the idle
 * half draws as much whether it is left out or tied as a follower. */
static void idle_amplifiers_draw_their_current(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double supply_v, amplifier_a;
        int amplifiers;
    } cases[] = {
        {"tl072", 10, 1.4e-3 * 0.89, 2}, {"lm358", 15, 350e-6 * 1.13, 2},
        {"ne5532", 10, 4e-3 * 0.85, 2},  {"tlv2372", 5, 550e-6, 2},
        {"opa1678", 8, 2e-3, 2},         {"plain", 9, 1e-3, 1},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        circuit c = bench_open(bench_design(FOLLOWER_AND(""), cases[i].model), cases[i].supply_v);
        double drain_a = sag_bias_drain_a(c.bias);
        double divider_a = (cases[i].supply_v - circuit_v(&c, "mid")) / 47e3;
        near_abs(drain_a - divider_a, cases[i].amplifiers * cases[i].amplifier_a, 1e-6,
                 "supply_current of the model");
        circuit_close(&c);
        if (cases[i].amplifiers > 1) {
            c = bench_open(bench_design(FOLLOWER_AND(TIED_HALF), cases[i].model),
                           cases[i].supply_v);
            near_abs(sag_bias_drain_a(c.bias), drain_a, 1e-6, "an idle amplifier draws the same");
            circuit_close(&c);
        }
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(capacitors_leak_and_have_resistance),
        cmocka_unit_test(polarity_changes_no_result),
        cmocka_unit_test(pickups_superpose_with_level_and_polarity),
        cmocka_unit_test(equal_pickups_out_of_phase_cancel),
        cmocka_unit_test(a_split_supply_is_two_batteries),
        cmocka_unit_test(idle_amplifiers_draw_their_current),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
