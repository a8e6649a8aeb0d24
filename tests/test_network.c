/* SPDX-License-Identifier: GPL-3.0-or-later */
/* network: what each part puts into the equations, judged by the solutions that come out of them.
 */
#include "balance.h"
#include "near.h"

#include "dense.h"
#include "response.h"

#include <gsl/gsl_errno.h>

#define FROM_OHM   "Ohm's law"
#define FROM_PARTS "closed form of the circuit"

/* A 10 V source behind nothing at node a; the supply is there because every design has one. */
#define BENCH                                                                                      \
    "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, "                           \
    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}"
#define TEN_VOLTS                                                                                  \
    "'V1': {'voltage': '10V', 'positive': 'a', 'negative': 'ground'}, "                            \
    "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "                                    \
    "'R91': {'resistor': '1M', 'between': ['in', 'ground']}, "

static double complex gain_at(const circuit *c, double frequency_hz)
{
    sag_response *response;
    double complex gain = 0;
    assert_int_equal(sag_response_new(c->bias, &response), SAG_OK);
    assert_int_equal(sag_response_gain(response, frequency_hz, &gain), SAG_OK);
    sag_response_free(response);
    return gain;
}

/* ---- the current law ---- */

static void currents_balance_at_every_node_of_heron(void **state)
{
    (void)state;
    static const double supplies[] = {18, 12, 9, 7, 5, 4, 3.5};
    for (size_t i = 0; i < sizeof supplies / sizeof *supplies; i++) {
        circuit c = circuit_heron(supplies[i]);
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* Every kind of part once; the same, with the switch elsewhere and the pots at their ends. */
static void currents_balance_with_every_kind_of_part(void **state)
{
    (void)state;
    static const char *const settings[][2] = {
        {"bass=30%", "mid=1"}, {"bass=0%", "mid=2"}, {"bass=100%", "mid=3"}, {"bass=77%", "mid=3"}};
    for (size_t i = 0; i < sizeof settings / sizeof *settings; i++) {
        sag_design *design = circuit_load(RAILSAG_SOURCE_DIR "/tests/data/designs/small.json");
        circuit_set(design, settings[i][0]);
        circuit_set(design, settings[i][1]);
        circuit c = circuit_open_design(design, NULL);
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* Bias currents and input resistances of either sign, two packages on rails of their own, a middle
 * supply. */
static void currents_balance_between_two_rails(void **state)
{
    (void)state;
    static const char *const models[] = {"leaky", "lm358", "ne5532", "tl062", "weak"};
    for (size_t i = 0; i < sizeof models / sizeof *models; i++) {
        sag_design *design = circuit_read(CIRCUIT(
            "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
            "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', 'nominal': '9V', "
            "'battery': '6lr61', 'resistance': '2R'}",
            "'R1': {'resistor': '100k', 'between': ['in', 'ground']}, "
            "'R6': {'resistor': '100R', 'between': ['up', 'own']}, "
            "'R2': {'resistor': '47k', 'between': ['in', 'm']}, "
            "'R3': {'resistor': '100k', 'between': ['m', 'x']}, "
            "'R4': {'resistor': '10k', 'between': ['x', 'down']}, "
            "'R5': {'resistor': '1k', 'between': ['x', 'p']}, "
            "'U1A': {'opamp': 'leaky', 'plus': 'ground', 'minus': 'm', 'out': 'x', 'rails': "
            "['own', 'down']}, "
            "'U2A': {'opamp': 'leaky', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': ['up', "
            "'down']}"));
        char change[64];
        snprintf(change, sizeof change, "U2=%s", models[i]);
        if (i > 0) {
            assert_int_equal(sag_design_change(design, change, NULL), SAG_OK);
        }
        circuit c = circuit_open_design(design, NULL);
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* ---- kinds of parts ---- */

#define POT(taper)                                                                                 \
    CIRCUIT(                                                                                       \
        BENCH, TEN_VOLTS                                                                           \
        "'VR1': {'pot': '100k', 'ends': ['ground', 'a'], 'wiper': 'out', 'control': 'vol', " taper \
        "}")

static void pots_divide_by_their_taper(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double share[5]; /* of the track below the wiper, at 0, 25, 50, 75 and 100 % */
    } cases[] = {
        {POT("'taper': 'linear'"), {0, 0.25, 0.5, 0.75, 1}},
        {POT("'taper': 'audio'"), {0, 0.05, 0.1, 0.55, 1}},
        {POT("'taper': 'audio', 'middle': '20%'"), {0, 0.1, 0.2, 0.6, 1}},
        {POT("'taper': 'reverse audio'"), {0, 0.45, 0.9, 0.95, 1}},
        {POT("'taper': 'blend'"), {0, 0, 0, 0.5, 1}},
        {POT("'taper': 'linear', 'end_resistance': '0R'"), {0, 0.25, 0.5, 0.75, 1}},
        {POT("'taper': 'linear', 'end_resistance': '1k'"), {0, 0.25, 0.5, 0.75, 1}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double end = i == 5 ? 0 : i == 6 ? 1000 : 2;
        for (int k = 0; k < 5; k++) {
            sag_design *design = circuit_read(cases[i].text);
            char set[32];
            snprintf(set, sizeof set, "vol=%d%%", 25 * k);
            circuit_set(design, set);
            circuit c = circuit_open_design(design, NULL);
            double low = end + cases[i].share[k] * (100e3 - 2 * end), high = 100e3 - low;
            double loaded = 1 / (1 / low + 1e-6);
            near_rel(circuit_v(&c, "out"), 10 * loaded / (loaded + high), 1e-10,
                     "divider loaded by 1 Mohm, taper in straight segments");
            double current = low > 0 ? -circuit_v(&c, "out") / low : -10 / high;
            near_rel(circuit_a(&c, "VR1"), current, 1e-9, "from ends[0] to the wiper");
            circuit_close(&c);
        }
    }
}

/* Lugs that go nowhere, a wiper that does, and lugs tied to the wiper. */
static void pots_work_as_rheostats(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double ohm; /* from a to out, at 30 % */
    } cases[] = {
        {CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['open', 'a'], 'wiper': 'out', "
                                  "'taper': 'linear', 'control': 'vol'}"),
         2 + 0.7 * 99996},
        {CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['a', 'open'], 'wiper': 'out', "
                                  "'taper': 'linear', 'control': 'vol'}"),
         2 + 0.3 * 99996},
        {CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['a', 'out'], 'wiper': 'open', "
                                  "'taper': 'linear', 'control': 'vol'}"),
         100e3},
        {CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['a', 'out'], 'wiper': 'out', "
                                  "'taper': 'linear', 'control': 'vol'}"),
         2 + 0.3 * 99996},
        {CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['out', 'a'], 'wiper': 'out', "
                                  "'taper': 'linear', 'control': 'vol'}"),
         2 + 0.7 * 99996},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(cases[i].text);
        circuit_set(design, "vol=30%");
        circuit c = circuit_open_design(design, NULL);
        near_rel(circuit_v(&c, "out"), 10 * 1e6 / (1e6 + cases[i].ohm), 1e-10, FROM_OHM);
        circuit_close(&c);
    }
    /* Nobody moves it: it stands in the middle. */
    circuit c = circuit_open(
        CIRCUIT(BENCH, TEN_VOLTS "'VR1': {'pot': '100k', 'ends': ['open', 'a'], 'wiper': 'out'}"),
        NULL);
    near_rel(circuit_v(&c, "out"), 10 * 1e6 / (1e6 + 50e3), 1e-10, FROM_OHM);
    circuit_close(&c);
}

static void switches_join_one_throw(void **state)
{
    (void)state;
    static const double expected_v[] = {10 * 1e6 / (1e6 + 10e3), 10 * 1e6 / (1e6 + 1e6), 10};
    for (int closed = 1; closed <= 3; closed++) {
        sag_design *design = circuit_read(
            CIRCUIT(BENCH, TEN_VOLTS
                    "'R1': {'resistor': '10k', 'between': ['a', 't1']}, "
                    "'R2': {'resistor': '1M', 'between': ['a', 'out']}, "
                    "'R3': {'resistor': '0R', 'between': ['a', 't3']}, "
                    "'S1': {'switch': ['t1', 'open', 't3'], 'common': 'out', 'control': 'mode'}"));
        char set[16];
        snprintf(set, sizeof set, "mode=%d", closed);
        circuit_set(design, set);
        circuit c = circuit_open_design(design, NULL);
        double v =
            closed == 1 ? 10 * 1e6 / (1e6 + 1 / (1 / 10e3 + 1 / 1e6)) : expected_v[closed - 1];
        near_rel(circuit_v(&c, "out"), v, 1e-12, FROM_OHM);
        double through_r2 = (10 - v) / 1e6;
        near_abs(circuit_a(&c, "S1"), closed == 2 ? 0 : -(v / 1e6 - through_r2), 1e-15,
                 "from common to the closed throw");
        if (closed == 3) {
            near_rel(circuit_a(&c, "R3"), 10e-6, 1e-9, "0 ohm carries the load's current");
        }
        circuit_close(&c);
    }
}

static void coils_and_capacitors_have_their_losses(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT(
            "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
            "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
            "'V1': {'voltage': '10V', 'positive': 'a', 'negative': 'ground', 'resistance': "
            "'100R'}, "
            "'L1': {'inductor': '2H', 'between': ['a', 'b'], 'series_resistance': '300R'}, "
            "'R1': {'resistor': '600R', 'between': ['b', 'ground']}, "
            "'R2': {'resistor': '1M', 'between': ['a', 'x']}, "
            "'C1': {'capacitor': '10u', 'between': ['x', 'ground'], 'leakage': '2uA', 'rated': "
            "'20V'}, "
            "'R3': {'resistor': '1k', 'between': ['in', 'out']}, "
            "'C2': {'capacitor': '1u', 'between': ['out', 'ground'], 'series_resistance': '50R'}"),
        NULL);
    /* 10 V over 100 + (900 || 11 Mohm): the leak of C1 is 10 Mohm. */
    double right = 1 / (1 / 900.0 + 1 / 11e6), a = 10 * right / (100 + right);
    near_rel(circuit_v(&c, "a"), a, 1e-12, FROM_OHM);
    near_rel(circuit_v(&c, "b"), a * 600 / 900, 1e-12, FROM_OHM);
    near_rel(circuit_v(&c, "x"), a * 10 / 11, 1e-12, "leakage at rated voltage as a resistance");
    near_rel(circuit_a(&c, "L1"), a / 900, 1e-12, FROM_OHM);
    near_rel(circuit_a(&c, "C1"), a / 11e6, 1e-12, FROM_OHM);
    near_rel(circuit_a(&c, "V1"), -(10 - a) / 100, 1e-11,
             "a source that delivers carries a negative current");
    near_abs(circuit_a(&c, "C2"), 0, 1e-18, "no leakage given");
    static const double frequencies[] = {1, 100, 1e4, 1e7};
    for (size_t i = 0; i < 4; i++) {
        double complex z = 50 + 1 / sag_complex(0, 2 * M_PI * frequencies[i] * 1e-6);
        double complex load = 1 / (1 / z + 1e-4), expected = load / (load + 1050);
        near_abs(cabs(gain_at(&c, frequencies[i]) - expected), 0, 1e-12, FROM_PARTS);
    }
    circuit_close(&c);
}

/* The reference: 1 kohm from the generator to the output, which L1 and its resistance load. */
static void an_inductor_is_an_inductor(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT(BENCH,
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                "'R1': {'resistor': '950R', 'between': ['in', 'out']}, "
                "'L1': {'inductor': '100mH', 'between': ['out', 'x'], 'series_resistance': '30R'}, "
                "'L2': {'inductor': '50mH', 'between': ['x', 'ground']}"),
        NULL);
    static const double frequencies[] = {0.01, 50, 1e3, 1e5};
    for (size_t i = 0; i < 4; i++) {
        double complex z = sag_complex(30, 2 * M_PI * frequencies[i] * 0.15);
        double complex load = 1 / (1 / z + 1e-6);
        near_abs(cabs(gain_at(&c, frequencies[i]) - load / (load + 1000)), 0, 1e-12, FROM_PARTS);
    }
    circuit_close(&c);
}

/* ---- load, drive, inputs ---- */

#define THROUGH                                                                                    \
    CIRCUIT("'input': {'node': 'in', 'pickup': 'sample-coil'}, "                                   \
            "'output': {'node': 'out', 'load': '100k + 1n'}, "                                     \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",                \
            "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "                            \
            "'R1': {'resistor': '9950R', 'between': ['in', 'out']}")

static void the_load_can_be_another(void **state)
{
    (void)state;
    static const struct {
        double ohm, farad, expected_ohm, expected_farad;
    } cases[] = {
        {(double)NAN, 99, 100e3, 1e-9}, /* the design's own, whatever load_farad says */
        {10e3, 0, 10e3, 0},
        {10e3, 4.7e-9, 10e3, 4.7e-9},
        {(double)INFINITY, 0, (double)INFINITY, 0},
        {(double)INFINITY, 1e-8, (double)INFINITY, 1e-8},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_conditions conditions = circuit_at(9);
        conditions.load_ohm = cases[i].ohm;
        conditions.load_farad = cases[i].farad;
        circuit c = circuit_open_design(circuit_read(THROUGH), &conditions);
        double complex y =
            sag_complex(1 / cases[i].expected_ohm, 2 * M_PI * 5000 * cases[i].expected_farad);
        near_abs(cabs(gain_at(&c, 5000) - 1 / (1 + 10e3 * y)), 0, 1e-12, FROM_PARTS);
        circuit_close(&c);
    }
}

static void pickups_stand_in_front(void **state)
{
    (void)state;
    sag_conditions conditions = circuit_at(9);
    conditions.drive = SAG_DRIVE_PICKUP;
    static const double frequencies[] = {20, 1000, 6500, 40000};
    /* sample-coil: 11 kohm and 5 H in series, 120 pF across. */
    circuit c = circuit_open_design(circuit_read(THROUGH), &conditions);
    for (size_t i = 0; i < 4; i++) {
        double w = 2 * M_PI * frequencies[i];
        double complex load = 1 / sag_complex(1e-5, w * 1e-9),
                       y = 1 / (9950 + load) + sag_complex(0, w * 120e-12);
        double complex at_in = 1 / (1 + sag_complex(11e3, w * 5) * y);
        near_abs(cabs(gain_at(&c, frequencies[i]) - at_in * load / (9950 + load)), 0, 1e-11,
                 FROM_PARTS);
    }
    circuit_close(&c);
    /* sample-piezo: 1 nF in series, and a resistor that gives the node its DC path. */
    c = circuit_open(CIRCUIT("'input': {'node': 'in', 'pickup': 'sample-piezo', 'source': '600R'}, "
                             "'output': {'node': 'out', 'load': '10M'}, "
                             "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                             "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                             "'R1': {'resistor': '10k', 'between': ['in', 'out']}"),
                     NULL);
    near_abs(cabs(gain_at(&c, 100) - 10e6 / (10e6 + 10e3 + 600)), 0, 1e-12, "generator of 600 ohm");
    sag_design *design = c.design;
    c.design = NULL;
    circuit_close(&c);
    c = circuit_open_design(design, &conditions);
    for (size_t i = 0; i < 4; i++) {
        double complex z = 1 / sag_complex(0, 2 * M_PI * frequencies[i] * 1e-9);
        near_abs(cabs(gain_at(&c, frequencies[i]) - 10e6 / (10e6 + 10e3 + z)), 0, 1e-11,
                 FROM_PARTS);
    }
    circuit_close(&c);
}

/* Two inputs, one inverted at half the level: their sum. */
static void several_inputs_are_driven_together(void **state)
{
    (void)state;
    const char *text = CIRCUIT(
        "'inputs': [{'node': 'one', 'pickup': 'sample-coil'}, "
        "{'node': 'two', 'pickup': 'sample-coil', 'relative_level': 0.5, 'polarity': 'inverted'}], "
        "'output': {'node': 'out', 'load': '100k'}, "
        "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
        "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
        "'R1': {'resistor': '9950R', 'between': ['one', 'out']}, "
        "'R2': {'resistor': '19950R', 'between': ['two', 'out']}");
    circuit c = circuit_open(text, NULL);
    double expected = (1 / 10e3 - 0.5 / 20e3) / (1 / 10e3 + 1 / 20e3 + 1 / 100e3);
    near_abs(cabs(gain_at(&c, 440) - expected), 0, 1e-13, "Millman's theorem");
    circuit_close(&c);
}

/* ---- supply ---- */

/* sample-9v runs in straight lines from 9.55 V, 1.7 and 4 ohm to 5.2 V, 5 and 12 ohm. */
static void the_battery_is_read_backwards(void **state)
{
    (void)state;
    static const struct {
        double supply_v;
        int in_series, batteries;
        double each_v;
        int beyond_data;
    } cases[] = {
        {9, 1, 1, 9, 0},   {9.55, 1, 1, 9.55, 0}, {5.2, 1, 1, 5.2, 0},     {5.19, 1, 1, 5.2, 1},
        {3, 1, 1, 5.2, 1}, {18, 1, 2, 9, 0},      {18, 2, 2, 9, 0},        {12, 2, 2, 6, 0},
        {9, 2, 2, 5.2, 1}, {19.1, 1, 2, 9.55, 0}, {28, 1, 3, 28.0 / 3, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'in', 'load': '1M'}, "
                    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', "
                    "'battery': 'sample-9v', 'resistance': '0.5R'}",
                    "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}"));
        design->supply.in_series = cases[i].in_series;
        sag_conditions conditions = circuit_at(cases[i].supply_v);
        circuit c = circuit_open_design(design, &conditions);
        const sag_supply_state *supply = sag_network_supply(c.network);
        double depth = (9.55 - cases[i].each_v) / (9.55 - 5.2);
        assert_int_equal(supply->batteries, cases[i].batteries);
        assert_int_equal(supply->beyond_data, cases[i].beyond_data);
        assert_int_equal(supply->above_fresh, 0);
        near_abs(supply->depth, depth, 1e-12, "straight line of the model");
        near_abs(supply->audio_ohm, 0.5 + cases[i].batteries * (1.7 + 3.3 * depth), 1e-12,
                 "straight line");
        near_abs(supply->dc_ohm, 0.5 + cases[i].batteries * (4 + 8 * depth), 1e-12,
                 "straight line");
        near_rel(sag_bias_terminal_v(c.bias), cases[i].supply_v * 1000 / (1000 + supply->dc_ohm),
                 1e-12, FROM_OHM);
        near_rel(sag_bias_drain_a(c.bias), cases[i].supply_v / (1000 + supply->dc_ohm), 1e-12,
                 FROM_OHM);
        circuit_close(&c);
        /* Stiff: the wiring stays. */
        design = circuit_read(
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'in', 'load': '1M'}, "
                    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', "
                    "'battery': 'sample-9v', 'resistance': '0.5R'}",
                    "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}"));
        conditions.stiff = 1;
        c = circuit_open_design(design, &conditions);
        supply = sag_network_supply(c.network);
        assert_int_equal(supply->batteries, 0);
        assert_true(isnan(supply->depth));
        near_rel(sag_bias_drain_a(c.bias), cases[i].supply_v / 1000.5, 1e-12, FROM_OHM);
        circuit_close(&c);
    }
}

/* Seen from the supply node: the resistance at audio rate, and at DC the slow part as well. */
static void the_battery_has_two_resistances(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT(
            "'input': {'node': 'in'}, 'output': {'node': 'bat', 'load': 'none'}, "
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9.55V', 'battery': "
            "'sample-9v'}",
            "'L1': {'inductor': '1mH', 'between': ['bat', 'ground'], 'series_resistance': '1k'}, "
            "'R1': {'resistor': '50R', 'between': ['in', 'bat']}"),
        NULL);
    static const double frequencies[] = {1e-6, 1, 1000};
    for (size_t i = 0; i < 3; i++) {
        double w = 2 * M_PI * frequencies[i];
        double complex slow =
            1 /
            (1 / 2.3 + sag_complex(0, w * 3 / 2.3)); /* settles with 3 s: estimate of the library */
        double complex z = 1 / (1 / (1.7 + slow) + 1 / sag_complex(1000, w * 1e-3));
        double complex expected = z / (z + 100);
        near_abs(cabs(gain_at(&c, frequencies[i]) - expected), 0, 1e-12, FROM_PARTS);
    }
    near_abs(cabs(gain_at(&c, 1000)), 1.7 / 101.7, 5e-3 * 0.017, "resistance_audio alone");
    near_abs(cabs(gain_at(&c, 1e-6)), 4 / 104.0, 1e-2 * 0.038, "resistance_dc");
    circuit_close(&c);
}

/* The tap is ground: two halves, of which each load takes its own current. */
static void a_middle_makes_two_halves(void **state)
{
    (void)state;
    sag_conditions conditions = circuit_at(18);
    circuit c = circuit_open_design(
        circuit_read(CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'in', 'load': '1M'}, "
                             "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "
                             "'nominal': '18V', 'battery': 'sample-9v', 'in_series': 2}",
                             "'R1': {'resistor': '1k', 'between': ['up', 'ground']}, "
                             "'R2': {'resistor': '2k', 'between': ['down', 'ground']}, "
                             "'R3': {'resistor': '3k', 'between': ['up', 'down']}")),
        &conditions);
    const sag_supply_state *supply = sag_network_supply(c.network);
    double each_ohm = 4 + 8 * (9.55 - 9) / 4.35;
    assert_int_equal(supply->batteries, 2);
    near_rel(supply->dc_ohm, 2 * each_ohm, 1e-12, "two in series");
    double up = circuit_v(&c, "up"), down = circuit_v(&c, "down");
    near_rel((9 - up) / each_ohm, up / 1000 + (up - down) / 3000, 1e-10, "current law at up");
    near_rel((9 + down) / each_ohm, -down / 2000 + (up - down) / 3000, 1e-10,
             "current law at down");
    near_rel(sag_bias_drain_a(c.bias), up / 1000 + (up - down) / 3000, 1e-10,
             "out of the positive node");
    near_rel(sag_bias_terminal_v(c.bias), up - down, 1e-15, "between the outer nodes");
    circuit_close(&c);
}

/* ---- refusals ---- */

static void impossible_supplies_are_bad_arguments(void **state)
{
    (void)state;
    static const double supplies[] = {0, 0.099, -9, 100.1, 1e300, (double)NAN, (double)INFINITY};
    sag_design *design = circuit_load(CIRCUIT_HERON);
    for (size_t i = 0; i < sizeof supplies / sizeof *supplies; i++) {
        sag_conditions conditions = circuit_at(supplies[i]);
        sag_network *network = (sag_network *)&conditions;
        assert_int_equal(sag_network_new(design, &conditions, &network, NULL), SAG_BAD_ARGUMENT);
        assert_null(network);
    }
    sag_design_free(design);
    sag_network_free(NULL);
}

static void too_much_supply_would_damage(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double highest_v; /* absolute maximum of the model file */
    } cases[] = {{"tl072", 36}, {"lm358", 32}, {"tlv2372", 16.5}, {"ne5532", 44}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        for (int above = 0; above < 2; above++) {
            sag_design *design = circuit_load(CIRCUIT_HERON);
            char change[32];
            snprintf(change, sizeof change, "U1=%s", cases[i].model);
            circuit_change(design, change);
            sag_conditions conditions = circuit_at(cases[i].highest_v + (above ? 0.01 : 0));
            circuit c;
            sag_status status = circuit_try(&c, design, &conditions);
            assert_int_equal(status, above ? SAG_WOULD_DAMAGE : SAG_OK);
            assert_true(!above || (circuit_reports(&c, "U1 at", "would damage U1") &&
                                   circuit_reports(&c, "U1 at", cases[i].model)));
            circuit_close(&c);
        }
    }
}

static void a_pickup_that_is_not_there_is_refused(void **state)
{
    (void)state;
    sag_design *design =
        circuit_read(CIRCUIT(BENCH, TEN_VOLTS "'R1': {'resistor': '1k', 'between': ['a', 'out']}"));
    sag_conditions conditions = circuit_at(9);
    conditions.drive = SAG_DRIVE_PICKUP;
    circuit c;
    assert_int_equal(circuit_try(&c, design, &conditions), SAG_REFUSED);
    assert_true(circuit_reports(&c, "in", "no pickup"));
    assert_null(c.network);
    circuit_close(&c);
}

/* What the check of a design refuses can still come about through conditions, and through values
 * changed in place. Each case says what may be named. */
static void undetermined_equations_name_a_node_or_part(void **state)
{
    (void)state;
    /* A node that only the load ties down. */
    sag_design *design =
        circuit_read(CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'jack', 'load': '1M'}, "
                             "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                             "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                             "'C1': {'capacitor': '1u', 'between': ['in', 'jack']}"));
    sag_conditions conditions = circuit_at(9);
    conditions.load_ohm = (double)INFINITY;
    circuit c;
    assert_int_equal(circuit_try(&c, design, &conditions), SAG_SINGULAR);
    assert_true(circuit_reports(&c, "node jack", "node jack"));
    circuit_close(&c);
    /* Two paths of no resistance side by side: how they share the current is open. */
    design =
        circuit_read(CIRCUIT(BENCH, TEN_VOLTS "'R1': {'resistor': '1k', 'between': ['a', 'out']}, "
                                              "'R2': {'resistor': '1k', 'between': ['a', 'out']}"));
    for (int i = 0; i < 2; i++) {
        ((sag_part *)sag_design_part(design, i ? "R2" : "R1"))->value = 0;
    }
    assert_int_equal(circuit_try(&c, design, NULL), SAG_SINGULAR);
    assert_true(circuit_reports(&c, "the current of R", "does not determine"));
    circuit_close(&c);
    /* One of them is fine. */
    design =
        circuit_read(CIRCUIT(BENCH, TEN_VOLTS "'R1': {'resistor': '1k', 'between': ['a', 'out']}, "
                                              "'R2': {'resistor': '1k', 'between': ['a', 'out']}"));
    ((sag_part *)sag_design_part(design, "R2"))->value = 0;
    c = circuit_open_design(design, NULL);
    near_rel(circuit_v(&c, "out"), 10, 1e-14, FROM_OHM);
    circuit_close(&c);
}

/* ---- the read-back ---- */

static void counts_and_names_are_the_designs(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    assert_int_equal(sag_network_opamp_count(c.network), 2);
    assert_string_equal(sag_network_opamp(c.network, 0)->designator, "U1A");
    assert_string_equal(sag_network_opamp(c.network, 1)->designator, "U1B");
    assert_ptr_equal(sag_network_design(c.network), c.design);
    near_abs(sag_network_conditions(c.network)->supply_v, 9, 0, "as asked");
    /* Ten capacitors, the load's, four inputs of 5.45 pF, the slow part of the battery, two second
     * poles. */
    assert_int_equal(sag_network_state_count(c.network), 10 + 1 + 4 + 1 + 2);
    for (size_t i = 0; i < sag_network_unknown_count(c.network); i++) {
        char buffer[64];
        const char *name = sag_network_unknown_name(c.network, i, buffer, sizeof buffer);
        assert_true(!strncmp(name, "node ", 5) == (i + 1 < c.design->node_count));
        assert_true(strlen(name) > 5);
    }
    sag_conditions defaults = sag_conditions_defaults(c.design);
    near_abs(defaults.supply_v, 9, 0, "nominal of the design");
    assert_true(isnan(defaults.load_ohm) && !defaults.stiff && defaults.drive == SAG_DRIVE_BENCH);
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(currents_balance_at_every_node_of_heron),
        cmocka_unit_test(currents_balance_with_every_kind_of_part),
        cmocka_unit_test(currents_balance_between_two_rails),
        cmocka_unit_test(pots_divide_by_their_taper),
        cmocka_unit_test(pots_work_as_rheostats),
        cmocka_unit_test(switches_join_one_throw),
        cmocka_unit_test(coils_and_capacitors_have_their_losses),
        cmocka_unit_test(an_inductor_is_an_inductor),
        cmocka_unit_test(the_load_can_be_another),
        cmocka_unit_test(pickups_stand_in_front),
        cmocka_unit_test(several_inputs_are_driven_together),
        cmocka_unit_test(the_battery_is_read_backwards),
        cmocka_unit_test(the_battery_has_two_resistances),
        cmocka_unit_test(a_middle_makes_two_halves),
        cmocka_unit_test(impossible_supplies_are_bad_arguments),
        cmocka_unit_test(too_much_supply_would_damage),
        cmocka_unit_test(a_pickup_that_is_not_there_is_refused),
        cmocka_unit_test(undetermined_equations_name_a_node_or_part),
        cmocka_unit_test(counts_and_names_are_the_designs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
