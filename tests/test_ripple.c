/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a signal does to the supply: ripple at the terminals, movement of the half-supply reference,
 * mean drain, against closed forms; and which node the reference is. */
#include "orbits.h"

#include <complex.h>
#include <gsl/gsl_errno.h>

/* A follower at 4.5 V that feeds `load` straight to ground: all of the load current comes from the
 * battery, a decoupling capacitor takes its share. */
#define STRAIGHT(load, decoupling)                                                                 \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, 'supply': "         \
            "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}",      \
            "'C1': {'capacitor': '100u', 'between': ['in', 'p']}, "                                \
            "'R3': {'resistor': '1M', 'between': ['p', 'half']}, "                                 \
            "'R1': {'resistor': '47k', 'between': ['bat', 'half']}, "                              \
            "'R2': {'resistor': '33k', 'between': ['half', 'ground']}, "                           \
            "'C2': {'capacitor': '10u', 'between': ['half', 'ground']}, " decoupling               \
            "'R4': {'resistor': '" load "', 'between': ['out', 'ground']}, "                       \
            "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "       \
            "['bat', 'ground']}")

static sag_steady_point point_of(const char *text, double supply_v, double hz, double vpk,
                                 sag_supply_state *supply, double *rest_a)
{
    sag_conditions conditions = circuit_at(supply_v);
    circuit c = circuit_open(text, &conditions);
    sag_steady_settings settings = sag_steady_defaults();
    settings.supply_ripple = 1;
    sag_steady *steady = NULL;
    sag_steady_point points[2];
    double levels[2] = {vpk / 2, vpk};
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, hz), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, levels, 2, points, NULL), SAG_OK);
    assert_int_equal(points[1].status, SAG_OK);
    *supply = *sag_network_supply(c.network);
    *rest_a = sag_bias_drain_a(c.bias);
    sag_steady_free(steady);
    circuit_close(&c);
    return points[1];
}

/* The battery's impedance: audio resistance, and the slow rest of the DC resistance shunted by a
 * capacitor that has settled after three seconds (network_parts.c). */
static double complex battery_ohm(const sag_supply_state *supply, double hz)
{
    double slow = supply->dc_ohm - supply->audio_ohm;
    return supply->audio_ohm + slow / (1 + (double complex)I * 2 * M_PI * hz * 3);
}

static void ripple_is_load_current_in_battery_and_capacitor(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double supply_v, hz, vpk, load_ohm, farad;
    } cases[] = {
        {STRAIGHT("1k", ""), 9, 41, 1, 1e3, 0},
        {STRAIGHT("1k", ""), 5.5, 41, 1, 1e3, 0}, /* worn: 20 ohm */
        {STRAIGHT("1k", "'C3': {'capacitor': '100u', 'between': ['bat', 'ground']}, "), 5.5, 41, 1,
         1e3, 100e-6},
        {STRAIGHT("1k", "'C3': {'capacitor': '100u', 'between': ['bat', 'ground']}, "), 5.5, 1000,
         1, 1e3, 100e-6},
        {STRAIGHT("470R", "'C3': {'capacitor': '1000u', 'between': ['bat', 'ground']}, "), 7, 98,
         1.5, 470, 1000e-6},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_supply_state supply;
        double rest_a, w = 2 * M_PI * cases[i].hz;
        sag_steady_point point =
            point_of(cases[i].text, cases[i].supply_v, cases[i].hz, cases[i].vpk, &supply, &rest_a);
        double complex battery = battery_ohm(&supply, cases[i].hz);
        double complex both = battery / (1 + battery * (double complex)I * w * cases[i].farad);
        double ripple_v = 2 * cases[i].vpk / cases[i].load_ohm * cabs(both);
        /* The split between the rails and the divider take a hair. */
        near_rel(point.terminal_ripple_v, ripple_v, 5e-3, CLOSED);
        /* The reference takes its share of the ripple, which falls while the output rises, and what
         * the follower's input feeds into it through R3. */
        double complex shunt = 1 / (1 / 47e3 + 1 / 33e3 + (double complex)I * w * 10e-6);
        double complex moved = cases[i].vpk * shunt * (1 / 1e6 - both / (cases[i].load_ohm * 47e3));
        near_rel(point.reference_ripple_v, 2 * cabs(moved), 0.01, CLOSED);
        near_rel(point.drain_a, rest_a, 2e-3, "a load that is always sourced keeps its mean");
    }
}

/* A load behind a capacitor: its current comes from the battery in half waves, about 1/pi of the
 * peak in the mean, and from ground in the others. Near zero the rails share it: the mean of
 *     (sqrt(i^2 + s^2) - s)/2 over a period, s the split current (device_lanes.h). */
static double mean_of_half_waves(double peak_a, double split_a)
{
    enum { STEPS = 1000 };
    double sum = 0;
    for (int i = 0; i < STEPS; i++) {
        double current = peak_a * sin(2 * M_PI * (i + 0.5) / STEPS);
        sum += (sqrt(current * current + split_a * split_a) - split_a) / 2;
    }
    return sum / STEPS;
}

static void mean_drain_of_half_waves(void **state)
{
    (void)state;
#define COUPLED(load)                                                                              \
    STRAIGHT("1M", "'C4': {'capacitor': '10000u', 'between': ['out', 'far']}, "                    \
                   "'R5': {'resistor': '" load "', 'between': ['far', 'ground']}, ")
    static const struct {
        const char *text;
        double supply_v, load_ohm;
    } cases[] = {{COUPLED("1k"), 9, 1e3}, {COUPLED("1k"), 6, 1e3}, {COUPLED("330R"), 7, 330}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_supply_state supply;
        double rest_a;
        sag_steady_point point =
            point_of(cases[i].text, cases[i].supply_v, 98, 1, &supply, &rest_a);
        near_rel(point.drain_a - rest_a, mean_of_half_waves(1 / cases[i].load_ohm, 50e-6), 0.01,
                 CLOSED);
        assert_true(point.terminal_ripple_v > 0.8 * supply.audio_ohm / cases[i].load_ohm);
    }
}

static void nothing_is_said_without_being_asked(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    sag_steady *steady = steady_of(&c, 0, 0);
    sag_steady_point point = point_at(steady, 98, 1, NULL);
    assert_true(isnan(point.terminal_ripple_v) && isnan(point.reference_ripple_v) &&
                isnan(point.drain_a));
    sag_steady_free(steady);
    circuit_close(&c);
    /* A stiff supply does not move, and its drain is not known from it. */
    sag_conditions conditions = circuit_at(9);
    conditions.stiff = 1;
    c = circuit_open_design(circuit_load(CIRCUIT_HERON), &conditions);
    sag_steady_settings settings = sag_steady_defaults();
    settings.supply_ripple = 1;
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    point = point_at(steady, 98, 1, NULL);
    near_abs(point.terminal_ripple_v, 0, 1e-9, "an ideal source");
    assert_true(isnan(point.drain_a));
    assert_true(point.reference_ripple_v < 1e-5); /* through R3 */
    sag_steady_free(steady);
    circuit_close(&c);
}

/* Four levels in lockstep see what one alone does, clipped or not. */
static void lanes_agree(void **state)
{
    (void)state;
    circuit c = circuit_heron(7);
    static const double levels[] = {0.05, 0.3, 1, 3};
    sag_steady_point four[4];
    sag_steady_settings settings = sag_steady_defaults();
    settings.supply_ripple = 1;
    sag_steady *steady = NULL;
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, 82), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, levels, 4, four, NULL), SAG_OK);
    sag_steady_free(steady);
    settings.one_lane = 1;
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    for (int i = 0; i < 4; i++) {
        sag_steady_point one = point_at(steady, 82, levels[i], NULL);
        near_rel(four[i].terminal_ripple_v, one.terminal_ripple_v, 1e-4, "one level alone");
        near_rel(four[i].reference_ripple_v, one.reference_ripple_v, 1e-4, "one level alone");
        near_rel(four[i].drain_a, one.drain_a, 1e-6, "one level alone");
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

static void the_reference_is_the_decoupled_divider(void **state)
{
    (void)state;
    static const struct {
        const char *text, *node;
    } cases[] = {
        {STRAIGHT("1k", ""), "half"},
        /* Without enough capacitance it is a signal node like any other. */
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, 'supply': "
                 "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                 "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
                 "'C2': {'capacitor': '47p', 'between': ['p', 'ground']}, "
                 "'R1': {'resistor': '1M', 'between': ['bat', 'p']}, "
                 "'R2': {'resistor': '1M', 'between': ['p', 'ground']}, "
                 "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                 "['bat', 'ground']}"),
         NULL},
        /* Two halves have ground for it. */
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, 'supply': "
                 "{'positive': 'a', 'negative': 'b', 'middle': 'ground', 'nominal': '18V'}",
                 "'C1': {'capacitor': '1u', 'between': ['in', 'out']}, "
                 "'C2': {'capacitor': '10u', 'between': ['a', 'ground']}, "
                 "'R1': {'resistor': '1M', 'between': ['a', 'ground']}, "
                 "'R2': {'resistor': '1M', 'between': ['b', 'ground']}"),
         NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(cases[i].text);
        int node = sag_design_reference(design);
        assert_true((node >= 0) == (cases[i].node != NULL));
        if (node >= 0) {
            assert_string_equal(design->nodes[node], cases[i].node);
        }
        sag_design_free(design);
    }
    sag_design *design = circuit_load(CIRCUIT_HERON);
    assert_string_equal(design->nodes[sag_design_reference(design)], "vref");
    sag_design_free(design);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ripple_is_load_current_in_battery_and_capacitor),
        cmocka_unit_test(mean_drain_of_half_waves),
        cmocka_unit_test(nothing_is_said_without_being_asked),
        cmocka_unit_test(lanes_agree),
        cmocka_unit_test(the_reference_is_the_decoupled_divider),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
