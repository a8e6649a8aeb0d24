/* SPDX-License-Identifier: GPL-3.0-or-later */
/* settle: the half-supply point after plugging in, against charging a capacitor. */
#include "circuit.h"

#include "settle.h"

#include <gsl/gsl_errno.h>

#define DIVIDER(supply, rest)                                                                      \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, 'supply': "       \
            "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V'" supply "}",                \
            "'C1': {'capacitor': '1u', 'between': ['in', 'out']}, " rest)

static double settled(const char *text, const char *node, double share)
{
    circuit c = circuit_open(text, NULL);
    double seconds;
    assert_int_equal(sag_settle_time(c.bias, circuit_node(&c, node), share, &seconds), SAG_OK);
    circuit_close(&c);
    return seconds;
}

/* v = V (1 - exp(-t/tau)): within a share s of V after tau ln(1/s). */
static void one_capacitor_charges_through_its_divider(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double tau_s;
    } cases[] = {
        {DIVIDER("", "'R1': {'resistor': '47k', 'between': ['bat', 'half']}, 'R2': {'resistor': "
                     "'47k', 'between': ['half', 'ground']}, 'C2': {'capacitor': '47u', "
                     "'between': ['half', 'ground']}"),
         23.5e3 * 47e-6},
        {DIVIDER("", "'R1': {'resistor': '1M', 'between': ['bat', 'half']}, 'R2': {'resistor': "
                     "'220k', 'between': ['half', 'ground']}, 'C2': {'capacitor': '100n', "
                     "'between': ['half', 'ground']}"),
         1e6 * 220e3 / 1.22e6 * 100e-9},
        /* A follower on the reference draws nothing from it. */
        {DIVIDER("", "'R1': {'resistor': '10k', 'between': ['bat', 'half']}, 'R2': {'resistor': "
                     "'10k', 'between': ['half', 'ground']}, 'C2': {'capacitor': '1000u', "
                     "'between': ['half', 'ground']}, 'U1A': {'opamp': 'plain', 'plus': 'half', "
                     "'minus': 'buf', 'out': 'buf', 'rails': ['bat', 'ground']}"),
         5e3 * 1000e-6},
    };
    static const double shares[] = {0.05, 0.01, 0.5};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        for (size_t k = 0; k < 3; k++) {
            near_rel(settled(cases[i].text, "half", shares[k]), cases[i].tau_s * log(1 / shares[k]),
                     1e-3, "charging of a capacitor");
        }
    }
}

/* R1 C1 ahead of a divider of two R: with the divider's own C, two time constants. For R1 = 1k, C1
 * = 100u, R = 20k each, C = 100u: s^2 + (1/R1 C1 + 1/R C1 + 2/R C) s + (1/R1 C1 + 1/R C1) 2/R C
 * - 1/(R C1 R C) = 0, and v = V (1 - (s2 e^(s1 t) - s1 e^(s2 t))/(s2 - s1)). */
static void two_time_constants_add_up(void **state)
{
    (void)state;
    const double r1 = 1e3, c1 = 100e-6, r = 20e3, c = 100e-6;
    double p = 1 / (r1 * c1) + 1 / (r * c1), q = 2 / (r * c), b = p + q,
           e = p * q - 1 / (r * c1 * r * c), root = sqrt(b * b - 4 * e);
    double s1 = (-b + root) / 2, s2 = (-b - root) / 2, low = 0, high = 100;
    for (int i = 0; i < 100; i++) {
        double t = (low + high) / 2;
        if ((s2 * exp(s1 * t) - s1 * exp(s2 * t)) / (s2 - s1) > 0.05) {
            low = t;
        } else {
            high = t;
        }
    }
    near_rel(settled(DIVIDER("", "'R3': {'resistor': '1k', 'between': ['bat', 'fed']}, "
                                 "'C3': {'capacitor': '100u', 'between': ['fed', 'ground']}, "
                                 "'R1': {'resistor': '20k', 'between': ['fed', 'half']}, "
                                 "'R2': {'resistor': '20k', 'between': ['half', 'ground']}, "
                                 "'C2': {'capacitor': '100u', 'between': ['half', 'ground']}"),
                     "half", 0.05),
             low, 1e-3, "closed form of the circuit");
}

/* A battery of some ohm charges its capacitors in no time: the divider decides. */
static void an_example_settles_in_seconds(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    double seconds;
    assert_int_equal(sag_settle_time(c.bias, circuit_node(&c, "vref"), 0.05, &seconds), SAG_OK);
    near_rel(seconds, 23.5e3 * 47e-6 * log(20), 0.02,
             "R4 and R5 with C3; its leakage takes a little");
    assert_int_equal(sag_settle_time(c.bias, SAG_GROUND, 0.05, &seconds), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_settle_time(c.bias, circuit_node(&c, "vref"), 0, &seconds),
                     SAG_BAD_ARGUMENT);
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_capacitor_charges_through_its_divider),
        cmocka_unit_test(two_time_constants_add_up),
        cmocka_unit_test(an_example_settles_in_seconds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
