/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response: small-signal gains against closed forms and against each other. */
#include "circuit.h"
#include "near.h"

#include "bias_private.h"
#include "dense.h"
#include "response.h"

#include <gsl/gsl_errno.h>

#define CLOSED "closed form of the circuit"
#define SUPPLY "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}"
#define DUMMY  "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "

static double complex gain_of(const circuit *c, double frequency_hz)
{
    sag_response *response;
    double complex gain = 0;
    assert_int_equal(sag_response_new(c->bias, &response), SAG_OK);
    assert_int_equal(sag_response_gain(response, frequency_hz, &gain), SAG_OK);
    sag_response_free(response);
    return gain;
}

static const double audio_hz[] = {0.1, 20, 159.154943, 1000, 7000, 20000, 1e6};
#define AUDIO (sizeof audio_hz / sizeof *audio_hz)

/* ---- closed forms ---- */

static double complex rc(double w)
{
    return 1 / (1 + sag_complex(0, w * 1e3 * 1e-6)) * 1; /* 950 + 50 ohm, 1 uF, no load */
}

static double complex rlc(double w)
{
    double complex load = 1 / (1e-4 + sag_complex(0, w * 100e-9));
    return load / (load + sag_complex(50 + 20, w * 0.1));
}

static double complex divider(double w)
{
    (void)w;
    return 10e3 / (10e3 + 4950 + 50.0);
}

static double complex high_pass(double w)
{
    return 10e3 / (10e3 + 50 + 1 / sag_complex(0, w * 100e-9));
}

static void passive_circuits_have_their_closed_form(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double complex (*gain)(double w);
    } cases[] = {
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " SUPPLY,
                 DUMMY "'R1': {'resistor': '950R', 'between': ['in', 'out']}, "
                       "'C1': {'capacitor': '1u', 'between': ['out', 'ground']}"),
         rc},
        {CIRCUIT(
             "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY, DUMMY
             "'L1': {'inductor': '100mH', 'between': ['in', 'out'], 'series_resistance': '20R'}, "
             "'C1': {'capacitor': '100n', 'between': ['out', 'ground']}"),
         rlc},
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
                 DUMMY "'R1': {'resistor': '4950R', 'between': ['in', 'out']}"),
         divider},
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
                 DUMMY "'C1': {'capacitor': '100n', 'between': ['in', 'out']}"),
         high_pass},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        circuit c = circuit_open(cases[i].text, NULL);
        for (size_t k = 0; k < AUDIO; k++) {
            double complex expected = cases[i].gain(2 * M_PI * audio_hz[k]),
                           got = gain_of(&c, audio_hz[k]);
            near_abs(cabs(got - expected), 0, 1e-12 * cabs(expected), CLOSED);
            near_db(sag_gain_db(got), 20 * log10(cabs(expected)), 1e-10, CLOSED);
            near_abs(sag_phase_deg(got), carg(expected) * 180 / M_PI, 1e-9, CLOSED);
        }
        circuit_close(&c);
    }
    near_db(sag_gain_db(0.1), -20, 1e-12, "20 log10");
    near_abs(sag_phase_deg(sag_complex(0, -1)), -90, 1e-12, "minus j");
    near_abs(sag_phase_deg(-1), 180, 1e-12, "an inverter");
}

/* The model "plain": A(s) = wt / (s + wt / 1e5), 1 ohm out. Gain 1 and -10, the load 10 kohm. */
static void stages_lose_gain_with_their_bandwidth(void **state)
{
    (void)state;
    circuit follower = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
                "'R1': {'resistor': '1M', 'between': ['in', 'mid']}, "
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'C1': {'capacitor': '1', 'between': ['in', 'p']}, 'R2': {'resistor': '1M', "
                "'between': ['p', 'mid']}, "
                "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                "['bat', 'ground']}"),
        NULL);
    circuit inverter =
        circuit_open(CIRCUIT("'input': {'node': 'in', 'source': '0R'}, 'output': {'node': 'out', "
                             "'load': '10k'}, " SUPPLY,
                             "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                             "'C1': {'capacitor': '1', 'between': ['in', 'a']}, 'R1': {'resistor': "
                             "'1k', 'between': ['a', 'm']}, "
                             "'R2': {'resistor': '10k', 'between': ['m', 'out']}, "
                             "'U1A': {'opamp': 'plain', 'plus': 'mid', 'minus': 'm', 'out': 'out', "
                             "'rails': ['bat', 'ground']}"),
                     NULL);
    double wt = 2 * M_PI * 1e6;
    for (size_t k = 1; k < AUDIO; k++) {
        double complex s = sag_complex(0, 2 * M_PI * audio_hz[k]), a = wt / (s + wt / 1e5);
        double complex in = (1 / (1 / 1e6 + 1 / 1e6)) / (1 / (1 / 1e6 + 1 / 1e6) + 50);
        double complex expected = in * a / (a + 1 + 1e-4);
        near_abs(cabs(gain_of(&follower, audio_hz[k]) - expected), 0, 1e-7, CLOSED);
        /* m (1 + z) = in + out z, z of the input over 10k;  -a m = out (1 + 1e-4 + 1e-4) - m 1e-4
         */
        double complex q = (1 + 2e-4) / (1e-4 - a); /* m over out */
        double complex z = (1e3 + 1 / s) / 10e3;
        expected = 1 / (q * (1 + z) - z);
        near_abs(cabs(gain_of(&inverter, audio_hz[k]) - expected), 0, 1e-10, CLOSED);
    }
    circuit_close(&follower);
    circuit_close(&inverter);
}

/* A diode's small-signal resistance is (n Vt) / (i + Is) + R at its resting current. */
static void a_diode_is_a_resistance_for_small_signals(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " SUPPLY,
                "'C1': {'capacitor': '1', 'between': ['in', 'b']}, 'R1': {'resistor': '950R', "
                "'between': ['b', 'out']}, "
                "'R2': {'resistor': '10k', 'between': ['bat', 'out']}, "
                "'D1': {'diode': '1n4148', 'anode': 'out', 'cathode': 'ground'}"),
        NULL);
    const sag_diode_law *law = &c.network->diodes[0].law;
    double r = law->emission_v / (circuit_a(&c, "D1") + law->saturation_a) + law->series_ohm;
    double load = 1 / (1 / r + 1 / 10e3);
    near_abs(cabs(gain_of(&c, 1000) - load / (load + 1000)), 0, 1e-6, CLOSED);
    circuit_close(&c);
}

/* ---- against each other ---- */

/* The current law for small signals at an inner node of the follower's filter. */
static void nodes_obey_the_current_law(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    sag_response *response;
    assert_int_equal(sag_response_new(c.bias, &response), SAG_OK);
    for (size_t k = 0; k < AUDIO; k++) {
        double complex gain, s = sag_complex(0, 2 * M_PI * audio_hz[k]);
        assert_int_equal(sag_response_gain(response, audio_hz[k], &gain), SAG_OK);
        double complex in = sag_response_node(response, circuit_node(&c, "bass_in"));
        double complex buf = sag_response_node(response, circuit_node(&c, "buf"));
        double complex wiper = sag_response_node(response, circuit_node(&c, "bass_wiper"));
        double complex through = (in - buf) / 15e3,
                       held = (in - wiper) * (s * 33e-9 + 0.5); /* VR1 at its end: 2 ohm */
        near_abs(cabs(through + held), 0, 1e-12 + 1e-9 * cabs(through), "current law at bass_in");
        near_abs(cabs(sag_response_node(response, c.design->output) - gain), 0, 0,
                 "the output's node");
    }
    near_abs(cabs(sag_response_node(response, SAG_GROUND)), 0, 0, "ground");
    sag_response_free(response);
    sag_response_free(NULL);
    circuit_close(&c);
}

/* Out of the output flows what its parts take: 10 kohm behind 1 uF, and 47 kohm. */
static void output_currents_are_those_of_the_load(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
                "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
                "'R2': {'resistor': '47k', 'between': ['x', 'ground']}, "
                "'C2': {'capacitor': '1u', 'between': ['x', 'out']}, "
                "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'x', 'out': 'x', 'rails': "
                "['bat', 'ground']}"),
        NULL);
    sag_response *response;
    double complex gain;
    assert_int_equal(sag_response_new(c.bias, &response), SAG_OK);
    for (size_t k = 1; k < AUDIO; k++) {
        assert_int_equal(sag_response_gain(response, audio_hz[k], &gain), SAG_OK);
        double complex out = sag_response_node(response, circuit_node(&c, "x"));
        /* The minus pin's own 5.45 pF, to the middle of the rails. */
        double complex pin = sag_complex(0, 2 * M_PI * audio_hz[k] * 5.45e-12);
        double complex series = 10e3 + 1 / sag_complex(0, 2 * M_PI * audio_hz[k] * 1e-6);
        double complex expected = out * (1 / 47e3 + 1 / series + pin + 1e-12);
        near_abs(cabs(sag_response_opamp_a(response, 0) - expected), 0, 1e-9 * cabs(expected),
                 CLOSED);
    }
    sag_response_free(response);
    circuit_close(&c);
}

/* Generator of 600 ohm at one end and load of 600 ohm at the other, or the other way round: the
 * same gain. */
static void passive_circuits_are_reciprocal(void **state)
{
    (void)state;
#define LADDER                                                                                     \
    DUMMY "'R1': {'resistor': '2k2', 'between': ['a', 'x']}, "                                     \
          "'C1': {'capacitor': '47n', 'between': ['x', 'ground'], 'series_resistance': '10R'}, "   \
          "'L1': {'inductor': '200mH', 'between': ['x', 'y'], 'series_resistance': '80R'}, "       \
          "'VR1': {'pot': '10k', 'ends': ['y', 'ground'], 'wiper': 'z'}, "                         \
          "'C2': {'capacitor': '22n', 'between': ['z', 'b']}, 'R2': {'resistor': '3k3', "          \
          "'between': ['b', 'ground']}"
    circuit there = circuit_open(CIRCUIT("'input': {'node': 'a', 'source': '600R'}, 'output': "
                                         "{'node': 'b', 'load': '600R'}, " SUPPLY,
                                         LADDER),
                                 NULL);
    circuit back = circuit_open(CIRCUIT("'input': {'node': 'b', 'source': '600R'}, 'output': "
                                        "{'node': 'a', 'load': '600R'}, " SUPPLY,
                                        LADDER),
                                NULL);
    for (size_t k = 0; k < AUDIO; k++) {
        double complex one = gain_of(&there, audio_hz[k]), other = gain_of(&back, audio_hz[k]);
        near_abs(cabs(one - other), 0, 1e-12 * cabs(one), "reciprocity");
    }
    circuit_close(&there);
    circuit_close(&back);
}

#define TWO_INPUTS                                                                                 \
    CIRCUIT("'inputs': [{'node': 'one', 'relative_level': 1}, "                                    \
            "{'node': 'two', 'relative_level': 0.7, 'polarity': 'inverted'}], "                    \
            "'output': {'node': 'out', 'load': '10k'}, "                                           \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': "     \
            "'6lr61'}",                                                                            \
            "'R1': {'resistor': '47k', 'between': ['bat', 'mid']}, "                               \
            "'R2': {'resistor': '47k', 'between': ['mid', 'ground']}, "                            \
            "'C1': {'capacitor': '1u', 'between': ['one', 'a']}, "                                 \
            "'C2': {'capacitor': '22n', 'between': ['two', 'b']}, "                                \
            "'R3': {'resistor': '10k', 'between': ['a', 'm']}, "                                   \
            "'R4': {'resistor': '10k', 'between': ['b', 'm']}, "                                   \
            "'R5': {'resistor': '47k', 'between': ['m', 'out']}, "                                 \
            "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'm', 'out': 'out', 'rails': "       \
            "['bat', 'ground']}")

static void two_inputs_superpose(void **state)
{
    (void)state;
    circuit both = circuit_open(TWO_INPUTS, NULL), alone[2];
    for (int i = 0; i < 2; i++) {
        sag_design *design = circuit_read(TWO_INPUTS);
        design->inputs[1 - i].relative_level = 0;
        alone[i] = circuit_open_design(design, NULL);
    }
    for (size_t k = 0; k < AUDIO; k++) {
        double complex sum = gain_of(&alone[0], audio_hz[k]) + gain_of(&alone[1], audio_hz[k]);
        near_abs(cabs(gain_of(&both, audio_hz[k]) - sum), 0, 1e-11, "superposition");
    }
    assert_true(cabs(gain_of(&alone[1], 1000)) > 0.1);
    circuit_close(&both);
    circuit_close(&alone[0]);
    circuit_close(&alone[1]);
}

/* The parts of a design in another order. */
static void the_order_of_parts_does_not_matter(void **state)
{
    (void)state;
    circuit c = circuit_heron(9), turned;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    for (size_t i = 0; i < design->part_count / 2; i++) {
        sag_part held = design->parts[i];
        design->parts[i] = design->parts[design->part_count - 1 - i];
        design->parts[design->part_count - 1 - i] = held;
    }
    turned = circuit_open_design(design, NULL);
    for (size_t k = 0; k < AUDIO; k++) {
        double complex one = gain_of(&c, audio_hz[k]), other = gain_of(&turned, audio_hz[k]);
        near_abs(cabs(one - other), 0, 1e-9 * cabs(one), "the same circuit");
    }
    circuit_close(&c);
    circuit_close(&turned);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(passive_circuits_have_their_closed_form),
        cmocka_unit_test(stages_lose_gain_with_their_bandwidth),
        cmocka_unit_test(a_diode_is_a_resistance_for_small_signals),
        cmocka_unit_test(nodes_obey_the_current_law),
        cmocka_unit_test(output_currents_are_those_of_the_load),
        cmocka_unit_test(passive_circuits_are_reciprocal),
        cmocka_unit_test(two_inputs_superpose),
        cmocka_unit_test(the_order_of_parts_does_not_matter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
