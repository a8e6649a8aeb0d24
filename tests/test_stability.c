/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stability: natural frequencies at rest, and with less gain, against the roots of the circuit's own
 * polynomial and against time stepping. */
#include "natural.h"
#include "orbits.h"
#include "stepping.h"

#include "stability_private.h"

#include <gsl/gsl_errno.h>

#define SUPPLY "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}"

/* ---- at rest ---- */

static circuit open_follower(double farad)
{
    sag_conditions conditions = circuit_at(10);
    conditions.load_ohm = 100e3;
    conditions.load_farad = farad;
    return circuit_open_design(
        circuit_read(
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, " SUPPLY,
                    "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                    "'R1': {'resistor': '10k', 'between': ['in', 'mid']}, "
                    "'U1A': {'opamp': 'ringing', 'plus': 'mid', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}")),
        &conditions);
}

/* On both sides of where it begins to oscillate, with the capacitor that does it. */
static void a_capacitor_on_the_output_makes_it_oscillate(void **state)
{
    (void)state;
    static const double farads[] = {0,    100e-12, 300e-12, 500e-12, 600e-12, 1e-9,
                                    3e-9, 10e-9,   100e-9,  1e-6,    10e-6};
    int unstable = 0, stable = 0, ringing = 0;
    for (size_t i = 0; i < sizeof farads / sizeof *farads; i++) {
        circuit c = open_follower(farads[i]);
        double complex root[3];
        size_t count = roots_of_the_follower(farads[i], root);
        sag_judge *judge;
        sag_stability stability;
        assert_int_equal(sag_judge_new(c.bias, &judge), SAG_OK);
        assert_int_equal(sag_judge_at(judge, c.bias->unknown, c.bias->observed, &stability),
                         SAG_OK);
        assert_int_equal(sag_judge_count(judge), count);
        for (size_t k = 0; k < count; k++) {
            double complex nearest = (double)INFINITY;
            for (size_t n = 0; n < count; n++) {
                double complex lambda = sag_judge_lambda(judge, n);
                nearest = cabs(lambda - root[k]) < cabs(nearest - root[k]) ? lambda : nearest;
            }
            near_rel(creal(nearest), creal(root[k]), 1e-6, ROOTS);
            near_rel(cimag(nearest), cimag(root[k]), 1e-6, ROOTS);
        }
        double complex worst = find_rightmost(root, count);
        int grows = creal(worst) > 0;
        const sag_mode *mode = grows ? &stability.grows : &stability.worst;
        assert_int_equal(stability.oscillates, grows);
        near_rel(mode->growth_per_s, creal(worst), 1e-6, ROOTS);
        near_rel(mode->frequency_hz, fabs(cimag(worst)) / (2 * M_PI), 1e-6, ROOTS);
        near_rel(mode->q, cabs(worst) / (2 * fabs(creal(worst))), 1e-6, ROOTS);
        assert_int_equal(mode->opamp, 0);
        if (grows || mode->q > SAG_RINGING_Q) {
            assert_int_equal(mode->partner, SAG_PARTNER_LOAD);
        }
        assert_int_equal(stability.rings, !grows && stability.worst.q > SAG_RINGING_Q);
        ringing += stability.rings;
        unstable += grows;
        stable += !grows;
        sag_judge_free(judge);
        circuit_close(&c);
    }
    assert_true(unstable > 1 && stable > 2 && ringing > 0); /* the table is worth something */
}

static void the_op_amp_at_fault_is_named(void **state)
{
    (void)state;
    static const char *const at[] = {"x", "out"};
    for (int i = 0; i < 2; i++) {
        char text[2000];
        snprintf(
            text, sizeof text,
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, " SUPPLY,
                    "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                    "'R1': {'resistor': '10k', 'between': ['in', 'mid']}, "
                    "'U1A': {'opamp': 'ringing', 'plus': 'mid', 'minus': 'x', 'out': 'x', 'rails': "
                    "['bat', 'ground']}, "
                    "'R2': {'resistor': '10k', 'between': ['x', 'p']}, "
                    "'R3': {'resistor': '100k', 'between': ['p', 'mid']}, "
                    "'U2A': {'opamp': 'ringing', 'plus': 'p', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}, "
                    "'C1': {'capacitor': '3n', 'between': ['%s', 'ground']}"),
            at[i]);
        circuit c = circuit_open(text, NULL);
        sag_stability stability = stability_of(&c);
        assert_true(stability.oscillates);
        assert_int_equal(stability.grows.opamp, i);
        assert_int_equal(stability.grows.partner, SAG_PARTNER_PART);
        assert_int_equal(stability.grows.partner_part, circuit_part(&c, "C1"));
        circuit_close(&c);
    }
}

/* Two stages of the same kind have the same natural frequencies: each pair still lives on one
 * op-amp. */
static void twins_are_told_apart(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " SUPPLY,
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'R1': {'resistor': '10k', 'between': ['in', 'mid']}, "
                "'U1A': {'opamp': 'ringing', 'plus': 'mid', 'minus': 'x', 'out': 'x', 'rails': "
                "['bat', 'ground']}, "
                "'U2A': {'opamp': 'ringing', 'plus': 'mid', 'minus': 'out', 'out': 'out', "
                "'rails': ['bat', 'ground']}, "
                "'C1': {'capacitor': '3n', 'between': ['x', 'ground']}, "
                "'C2': {'capacitor': '3n', 'between': ['out', 'ground']}"),
        NULL);
    sag_stability stability = stability_of(&c);
    assert_true(stability.oscillates);
    const char *with[] = {"C1", "C2"};
    assert_int_equal(stability.grows.partner, SAG_PARTNER_PART);
    assert_int_equal(stability.grows.partner_part, circuit_part(&c, with[stability.grows.opamp]));
    circuit_close(&c);
}

/* Positive feedback by resistors alone grows without turning: (s + wt/A0)(1 + g) = wt b, b the
 * share fed back, g what loads 1 ohm. */
static void positive_feedback_latches(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " SUPPLY,
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'R1': {'resistor': '10k', 'between': ['in', 'mid']}, "
                "'R2': {'resistor': '90k', 'between': ['out', 'p']}, 'R3': {'resistor': '10k', "
                "'between': ['p', 'mid']}, "
                "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'mid', 'out': 'out', 'rails': "
                "['bat', 'ground']}"),
        NULL);
    near_abs(circuit_v(&c, "out"), 5, 1e-9, "on the fence");
    sag_stability stability = stability_of(&c);
    assert_true(stability.oscillates);
    near_abs(stability.grows.frequency_hz, 0, 0, "it latches");
    double wt = 2 * M_PI * 1e6;
    near_rel(stability.grows.growth_per_s, wt * 0.1 / (1 + 1 / 100e3) - wt / 1e5, 1e-6, CLOSED);
    circuit_close(&c);
}

/* The rate that all others are compared with may itself be a natural frequency: (s + wt/A0)
 * (1 + 1/R) = wt b with b chosen so that s = 1e6/s. */
static void the_shift_may_be_a_natural_frequency(void **state)
{
    (void)state;
    double wt = 2 * M_PI * 1e6, b = (1e6 + wt / 1e5) * (1 + 1 / 100e3) / wt;
    char text[1500];
    snprintf(text, sizeof text,
             CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " SUPPLY,
                     "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                     "'R1': {'resistor': '10k', 'between': ['in', 'mid']}, "
                     "'R2': {'resistor': %.15g, 'between': ['out', 'p']}, "
                     "'R3': {'resistor': %.15g, 'between': ['p', 'mid']}, "
                     "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'mid', 'out': 'out', "
                     "'rails': ['bat', 'ground']}"),
             100e3 * (1 - b), 100e3 * b);
    circuit c = circuit_open(text, NULL);
    sag_stability stability = stability_of(&c);
    assert_true(stability.oscillates);
    near_rel(stability.grows.growth_per_s, 1e6, 1e-6, CLOSED);
    circuit_close(&c);
}

static void what_is_calm_is_called_calm(void **state)
{
    (void)state;
    static const char *const texts[] = {
        /* nothing that could move; a lossless pair, and a pickup's resonance, are no op-amp's */
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'in', 'load': '1M'}, " SUPPLY,
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}"),
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, " SUPPLY,
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                "'R1': {'resistor': '1M', 'between': ['in', 'out']}, "
                "'L1': {'inductor': '1mH', 'between': ['out', 'ground']}, "
                "'C1': {'capacitor': '1n', 'between': ['out', 'ground']}"),
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, " SUPPLY,
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'C2': {'capacitor': '100n', 'between': ['in', 'a']}, "
                "'L1': {'inductor': '2H', 'between': ['a', 'p'], 'series_resistance': '2k'}, "
                "'C1': {'capacitor': '500p', 'between': ['p', 'mid']}, "
                "'R1': {'resistor': '1M', 'between': ['p', 'mid']}, "
                "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                "['bat', 'ground']}"),
    };
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        circuit c = circuit_open(texts[i], NULL);
        sag_stability stability = stability_of(&c);
        assert_false(stability.oscillates || stability.rings);
        assert_int_equal(stability.grows.opamp, -1);
        circuit_close(&c);
    }
    static const double supplies[] = {18, 9, 5};
    for (size_t i = 0; i < 3; i++) {
        circuit c = circuit_heron(supplies[i]);
        sag_stability stability = stability_of(&c);
        assert_false(stability.oscillates || stability.rings);
        circuit_close(&c);
    }
}

/* ---- loops that need their gain ---- */

enum { SEEN = 48 }; /* rows of what is seen of the circuit here, at most */

/* At rest but for x, which takes the gain away to any share. */
static void what_grows_has_the_roots_of_its_gain(void **state)
{
    (void)state;
    circuit c = circuit_open(CONDITIONAL, NULL);
    const sag_stage_opamp *p = &c.bias->devices.opamps[0];
    double observed[SEEN];
    sag_judge *judge;
    int grew = 0, decayed = 0;
    assert_true(c.network->row_count <= SEEN);
    memcpy(observed, c.bias->observed, c.network->row_count * sizeof *observed);
    assert_int_equal(sag_judge_new(c.bias, &judge), SAG_OK);
    for (double share = 1; share > 1e-3; share *= 0.8) {
        sag_stability stability;
        observed[SAG_OBSERVED_DRIVE] = p->slew_rise / p->wt * atanh(sqrt(1 - share));
        assert_int_equal(sag_judge_at(judge, c.bias->unknown, observed, &stability), SAG_OK);
        near_rel(sag_judge_gain_left(judge, 0), share, 1e-9, "the share asked for");
        double complex root = rightmost_of_the_conditional(share), found = -(double)INFINITY;
        for (size_t i = 0; i < sag_judge_count(judge); i++) {
            double complex lambda = sag_judge_lambda(judge, i);
            found = creal(lambda) > creal(found) ? lambda : found;
        }
        near_rel(creal(found), creal(root), 1e-6, ROOTS);
        near_rel(fabs(cimag(found)), fabs(cimag(root)), 1e-6, ROOTS);
        assert_int_equal(stability.oscillates, creal(root) > 0);
        grew += creal(root) > 0;
        decayed += creal(root) < 0;
    }
    assert_true(grew > 3 && decayed > 3);
    sag_judge_free(judge);
    circuit_close(&c);
}

static void the_gain_that_a_loop_needs_is_found(void **state)
{
    (void)state;
    circuit c = circuit_open(CONDITIONAL, NULL);
    sag_gain_loss *losses;
    sag_stability stability = stability_of(&c);
    assert_false(stability.oscillates || stability.rings);
    assert_int_equal(sag_stability_losses(c.bias, &losses), SAG_OK);
    double low = 0.1, high = 1; /* grows, decays */
    for (int i = 0; i < 50; i++) {
        double middle = 0.5 * (low + high);
        *(creal(rightmost_of_the_conditional(middle)) > 0 ? &low : &high) = middle;
    }
    near_rel(losses[0].share, low, 0.02, "where the roots cross the axis");
    assert_int_equal(losses[0].grows.opamp, 0);
    double complex fastest = rightmost_of_the_conditional(1);
    for (double share = low; share > 1e-3; share *= 0.97) {
        double complex root = rightmost_of_the_conditional(share);
        fastest = creal(root) > creal(fastest) ? root : fastest;
    }
    near_rel(losses[0].grows.growth_per_s, creal(fastest), 0.1, ROOTS);
    near_rel(losses[0].grows.frequency_hz, fabs(cimag(fastest)) / (2 * M_PI), 0.3, ROOTS);
    sag_free(losses);
    circuit_close(&c);
    /* One lag more than an op-amp's own never turns the loop round before its second pole does; and
     * what oscillates with all of its gain has none to lose. */
    static const double farads[] = {300e-12, 3e-9};
    for (size_t i = 0; i < 2; i++) {
        c = open_follower(farads[i]);
        assert_int_equal(sag_stability_losses(c.bias, &losses), SAG_OK);
        near_abs(losses[0].share, 0, 0, "stable at any gain, or at none");
        sag_free(losses);
        circuit_close(&c);
    }
    static const double supplies[] = {18, 9, 5};
    for (size_t i = 0; i < 3; i++) {
        c = circuit_heron(supplies[i]);
        assert_int_equal(sag_stability_losses(c.bias, &losses), SAG_OK);
        for (int k = 0; k < 2; k++) {
            near_abs(losses[k].share, 0, 0, "usual stages lose their gain in peace");
        }
        sag_free(losses);
        circuit_close(&c);
    }
}

/* Followed in time from rest, with no signal: nudged within the op-amp's linear range of 6 uV it
 * comes back to rest; shaken beyond it, it goes on for good. */
static void a_shaken_loop_goes_on(void **state)
{
    (void)state;
    enum { STEPS = 1024, PERIODS = 8 };
    static const double nudges[] = {1e-6, 1e-2}, step_s = 20e-9;
    circuit c = circuit_open(CONDITIONAL, NULL);
    for (int i = 0; i < 2; i++) {
        stepping s;
        stepping_open(&s, &c, step_s);
        s.start[s.states - 1] = nudges[i];
        stepping_run(&s, STEPS, PERIODS, 0);
        double largest = 0;
        int crossings = 0;
        for (int n = 0; n < STEPS; n++) {
            largest = fmax(largest, fabs(s.period.output[n]));
            crossings += n > 0 && (s.period.output[n] > 0) != (s.period.output[n - 1] > 0);
        }
        if (i == 0) {
            near_abs(largest, 0, 1e-9, "stable at rest");
        } else {
            double frequency = crossings / (2 * STEPS * step_s);
            assert_true(largest > 1e-3);
            /* It settles where the loop turns by 180 degrees at a lower gain: the other end of the
             * shares that grow. */
            double share = 0.1;
            while (creal(rightmost_of_the_conditional(share)) > 0) {
                share *= 0.99;
            }
            double edge = fabs(cimag(rightmost_of_the_conditional(share))) / (2 * M_PI);
            near_rel(frequency, edge, 0.1, "describing function: roots on the axis");
        }
        stepping_close(&s);
    }
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_capacitor_on_the_output_makes_it_oscillate),
        cmocka_unit_test(the_op_amp_at_fault_is_named),
        cmocka_unit_test(twins_are_told_apart),
        cmocka_unit_test(positive_feedback_latches),
        cmocka_unit_test(the_shift_may_be_a_natural_frequency),
        cmocka_unit_test(what_is_calm_is_called_calm),
        cmocka_unit_test(what_grows_has_the_roots_of_its_gain),
        cmocka_unit_test(the_gain_that_a_loop_needs_is_found),
        cmocka_unit_test(a_shaken_loop_goes_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
