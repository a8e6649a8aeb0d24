/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady: limits and peaks in circuits made to meet them, circuits that are hard to solve, odd
 * requests. */
#include "orbits.h"

#include "steady_private.h"

#include <gsl/gsl_errno.h>

/* ---- limits and peaks ---- */

static void designed_limits_are_met_and_named(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double frequency_hz, onset_vpk, tolerance; /* of the linear estimate, relative */
        sag_limit_kind kind;
    } cases[] = {
        /* rails: room of 2.9 V, less the knee of 20 mV that begins a little before the limit */
        {ORBITS_FOLLOWER("plain", "7V", "100k"), 1000, 2.9 - 0.01 * (1 - SAG_RAMP_MET), 1e-3,
         SAG_LIMIT_RAIL_POSITIVE},
        {ORBITS_FOLLOWER("plain", "3V", "100k"), 1000, 2.9 - 0.01 * (1 - SAG_RAMP_MET), 1e-3,
         SAG_LIMIT_RAIL_NEGATIVE},
        /* slew: |wt x / SR| = 1.472, x = j w / wt times the output; the falling rate is the lesser
         */
        {ORBITS_FOLLOWER("lazy", "5V", "100k"), 20000, SAG_SLEW_MET * 0.1e6 / (2 * M_PI * 20000),
         2e-3, SAG_LIMIT_SLEW},
        /* current: 1 mA of sinking into 470 ohm, its knee 2 % */
        {ORBITS_FOLLOWER("weak", "5V", "470R"), 1000, 1e-3 * (1 - 0.01 * (1 - SAG_RAMP_MET)) * 470,
         5e-3, SAG_LIMIT_CURRENT},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        circuit c = circuit_open(cases[i].text, NULL);
        sag_steady *steady = steady_of(&c, 0, 0);
        sag_opamp_swing swing[4];
        sag_steady_point point[4];
        assert_int_equal(sag_steady_frequency(steady, cases[i].frequency_hz), SAG_OK);
        sag_limit limit;
        double onset = sag_steady_linear_onset(steady, &limit);
        near_rel(onset, cases[i].onset_vpk, cases[i].tolerance, CLOSED);
        assert_int_equal(limit.kind, cases[i].kind);
        assert_int_equal(limit.opamp, 0);
        double level[] = {0.1 * onset, 0.5 * onset, 1.1 * onset, 1.6 * onset};
        assert_int_equal(sag_steady_solve(steady, level, 4, point, swing), SAG_OK);
        for (int l = 0; l < 4; l++) {
            assert_int_equal(point[l].status, SAG_OK);
            int met = level[l] > onset;
            if (point[l].limited_by.kind != (met ? cases[i].kind : SAG_LIMIT_NONE)) {
                print_error("%s expected, %s at %g of its onset\n", sag_limit_name(cases[i].kind),
                            sag_limit_name(point[l].limited_by.kind), level[l] / onset);
                fail();
            }
            assert_int_equal(point[l].limited_by.opamp, met ? 0 : -1);
            assert_true((swing[l].left_db < 0) == met);
            assert_int_equal(swing[l].nearest, cases[i].kind);
        }
        for (int l = 0; l < 2; l++) {
            double share = level[l] / onset;
            /* Slew: a rate that is this share of the drive's at the onset takes more drive than in
             * proportion. */
            double used = cases[i].kind == SAG_LIMIT_SLEW
                              ? atanh(share * SAG_SLEW_MET) / SAG_SLEW_MET
                              : share;
            near_db(swing[l].left_db, -20 * log10(used), 0.05, CLOSED);
        }
        assert_true(point[3].thd > point[0].thd + 1e-3);
        sag_steady_free(steady);
        circuit_close(&c);
    }
    static const sag_limit_kind kinds[] = {
        SAG_LIMIT_NONE,    SAG_LIMIT_RAIL_POSITIVE, SAG_LIMIT_RAIL_NEGATIVE, SAG_LIMIT_SLEW,
        SAG_LIMIT_CURRENT, SAG_LIMIT_INPUT_RANGE,   SAG_LIMIT_NO_SWING};
    for (int i = 0; i < 7; i++) {
        for (int k = 0; k < i; k++) {
            assert_string_not_equal(sag_limit_name(kinds[i]), sag_limit_name(kinds[k]));
        }
    }
}

/* A triangle is what a sine of far more than the slew rate becomes: rising at 0.2, falling at 0.1
 * V/us, the peak to peak of a period T is T / (1/0.2 + 1/0.1). And rails hold the peaks. */
static void peaks_are_those_of_the_waveform(void **state)
{
    (void)state;
    circuit c = circuit_open(ORBITS_FOLLOWER("plain", "5V", "100k"), NULL);
    sag_steady *steady = steady_of(&c, 0, 0);
    sag_opamp_swing swing;
    sag_steady_point point = point_at(steady, 1000, 2, &swing);
    near_rel(point.output_peak_v, 2, 3e-3, CLOSED);
    near_rel(point.output_trough_v, -2, 3e-3, CLOSED);
    near_rel(swing.peak_v, 2, 3e-3, CLOSED);
    near_rel(swing.trough_v, -2, 3e-3, CLOSED);
    near_rel(point.harmonic_vpk[1], 2, 3e-3, CLOSED);
    point = point_at(steady, 1000, 8, &swing);
    near_abs(swing.peak_v, 4.9, 0.02, "rail less drop, within the knee");
    near_abs(swing.trough_v, -4.9, 0.02, "rail less drop, within the knee");
    /* A sine of 8 V cut at 4.9 V: amplitude of the fundamental 2/pi (8 asin r + 4.9 sqrt(1 - r^2)),
     * r = 4.9/8. */
    double r = 4.9 / 8;
    near_rel(point.harmonic_vpk[1], 2 / M_PI * (8 * asin(r) + 4.9 * sqrt(1 - r * r)), 5e-3,
             "Fourier coefficient of a cut sine");
    /* Its third harmonic: (2 * 8 / pi) * [sin(2p)/2 + sin(4p)/4 ...]: by numerical quadrature in
     * the head of the test. */
    double third = 0;
    for (int n = 0; n < 20000; n++) {
        double t = (n + 0.5) / 20000 * 2 * M_PI, y = fmax(-4.9, fmin(4.9, 8 * sin(t)));
        third += y * sin(3 * t) / 10000;
    }
    near_abs(point.harmonic_vpk[3], fabs(third), 0.02, "quadrature of a cut sine");
    sag_steady_free(steady);
    circuit_close(&c);
    c = circuit_open(ORBITS_FOLLOWER("lazy", "5V", "100k"), NULL);
    steady = steady_of(&c, 0, 0);
    point = point_at(steady, 20000, 4.5, &swing);
    assert_int_equal(point.status, SAG_OK);
    near_rel(swing.peak_v - swing.trough_v, 50e-6 / (1 / 0.2e6 + 1 / 0.1e6), 0.02, "a triangle");
    assert_true(point.limited_by.kind == SAG_LIMIT_SLEW);
    sag_steady_free(steady);
    circuit_close(&c);
}

static void thd_counts_what_lies_in_its_bandwidth(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    static const double bandwidths[] = {(double)INFINITY, 50e3, 22e3, 15e3, 10e3};
    static const int highest[] = {15, 7, 3, 2, 1};
    for (size_t i = 0; i < 5; i++) {
        sag_steady_settings settings = sag_steady_defaults();
        settings.thd_bandwidth_hz = bandwidths[i];
        sag_steady *steady;
        assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
        sag_steady_point point = point_at(steady, 7000, 1, NULL);
        double sum = 0;
        for (int k = 2; k <= highest[i]; k++) {
            sum += point.harmonic_vpk[k] * point.harmonic_vpk[k];
        }
        near_abs(point.thd, sqrt(sum) / point.harmonic_vpk[1], 1e-12, "definition");
        sag_steady_free(steady);
    }
    circuit_close(&c);
}

/* ---- hard circuits ---- */

#define SINGLE_SUPPLY                                                                              \
    "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "                         \
    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}"
#define HALF                                                                                       \
    "'R91': {'resistor': '47k', 'between': ['bat', 'mid']}, 'R92': {'resistor': '47k', "           \
    "'between': ['mid', 'ground']}, "                                                              \
    "'C91': {'capacitor': '10u', 'between': ['mid', 'ground']}, 'C92': {'capacitor': '1u', "       \
    "'between': ['in', 'a']}, "

static const struct {
    const char *what, *text;
} hard[] = {
    {"diode from the output to the middle",
     CIRCUIT(SINGLE_SUPPLY, HALF "'R1': {'resistor': '10k', 'between': ['a', 'm']}, 'R2': "
                                 "{'resistor': '22k', 'between': ['m', 'out']}, "
                                 "'D1': {'diode': '1n4148', 'anode': 'out', 'cathode': 'mid'}, "
                                 "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'm', 'out': "
                                 "'out', 'rails': ['bat', 'ground']}")},
    {"pair of diodes in the feedback",
     CIRCUIT(SINGLE_SUPPLY, HALF "'R1': {'resistor': '4k7', 'between': ['a', 'm']}, 'R2': "
                                 "{'resistor': '470k', 'between': ['m', 'out']}, "
                                 "'C1': {'capacitor': '51p', 'between': ['m', 'out']}, "
                                 "'D1': {'diode': '1n4148', 'anode': 'm', 'cathode': 'out'}, "
                                 "'D2': {'diode': '1n4148', 'anode': 'out', 'cathode': 'm'}, "
                                 "'U1A': {'opamp': 'opa2134', 'plus': 'mid', 'minus': 'm', 'out': "
                                 "'out', 'rails': ['bat', 'ground']}")},
    {"pair of diodes behind a resistor",
     CIRCUIT(SINGLE_SUPPLY, HALF "'R1': {'resistor': '1M', 'between': ['a', 'mid']}, 'R2': "
                                 "{'resistor': '2k2', 'between': ['x', 'y']}, "
                                 "'C1': {'capacitor': '1u', 'between': ['y', 'out']}, "
                                 "'D1': {'diode': 'led-red', 'anode': 'out', 'cathode': 'ground'}, "
                                 "'D2': {'diode': 'led-red', 'anode': 'ground', 'cathode': 'out'}, "
                                 "'U1A': {'opamp': 'tlv2372', 'plus': 'a', 'minus': 'x', 'out': "
                                 "'x', 'rails': ['bat', 'ground']}")},
    {"input diodes of a bipolar part",
     CIRCUIT(SINGLE_SUPPLY, HALF "'R1': {'resistor': '1k', 'between': ['a', 'm']}, 'R2': "
                                 "{'resistor': '47k', 'between': ['m', 'out']}, "
                                 "'U1A': {'opamp': 'ne5532', 'plus': 'mid', 'minus': 'm', 'out': "
                                 "'out', 'rails': ['bat', 'ground']}")},
    {"input diodes that carry an output past its rail",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
             "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '5V'}",
             HALF "'R1': {'resistor': '12k', 'between': ['a', 'mid']}, "
                  "'C1': {'capacitor': '390n', 'between': ['x', 'out']}, "
                  "'U1A': {'opamp': 'ne5532', 'plus': 'a', 'minus': 'x', 'out': 'x', 'rails': "
                  "['bat', 'ground']}")},
    {"class-B part into a coil",
     CIRCUIT(
         SINGLE_SUPPLY, HALF
         "'R1': {'resistor': '100k', 'between': ['a', 'mid']}, 'C1': {'capacitor': '100u', "
         "'between': ['x', 'out']}, "
         "'L1': {'inductor': '500mH', 'between': ['out', 'ground'], 'series_resistance': '600R'}, "
         "'U1A': {'opamp': 'lm358', 'plus': 'a', 'minus': 'x', 'out': 'x', 'rails': ['bat', "
         "'ground']}")},
};

static void hard_circuits_have_periodic_solutions(void **state)
{
    (void)state;
    static const double frequencies[] = {82, 1000, 5000}, levels[] = {0.03, 0.1, 0.3, 1, 3, 10};
    int failed = 0, all = 0;
    for (size_t i = 0; i < sizeof hard / sizeof *hard; i++) {
        circuit c = circuit_open(hard[i].text, NULL);
        sag_steady *steady = steady_of(&c, 0, 0);
        for (size_t f = 0; f < 3; f++) {
            sag_steady_point points[6];
            assert_int_equal(sag_steady_frequency(steady, frequencies[f]), SAG_OK);
            assert_int_equal(sag_steady_solve(steady, levels, 6, points, NULL), SAG_OK);
            for (int l = 0; l < 6; l++) {
                all++;
                if (points[l].status != SAG_OK && failed++ < 8) {
                    print_error("%s: %g Hz at %g V peak: %s\n", hard[i].what, frequencies[f],
                                levels[l], sag_status_name(points[l].status));
                }
                /* A louder input never gives a larger gain here, but that a dead band takes less of
                 * it. */
                double more_db = c.network->opamps[0].model->dead_band_v > 0 ? 0.05 : 0.01;
                assert_true(l == 0 || points[l].status != SAG_OK ||
                            points[l - 1].status != SAG_OK ||
                            points[l].gain_db < points[l - 1].gain_db + more_db);
            }
        }
        sag_steady_free(steady);
        circuit_close(&c);
    }
    if (failed > 0) {
        print_error("%d of %d points failed\n", failed, all);
    }
    assert_int_equal(failed, 0);
}

/* ---- at the edges ---- */

static void odd_requests_get_a_plain_answer(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    sag_steady *steady = steady_of(&c, 0, 0);
    static const double bad[] = {0, -1, (double)NAN, (double)INFINITY, -(double)INFINITY};
    for (size_t i = 0; i < 5; i++) {
        assert_int_equal(sag_steady_frequency(steady, bad[i]), SAG_BAD_ARGUMENT);
    }
    /* From far too little to far too much, twice the same, and no levels at all. */
    static const double levels[] = {1e-9, 1e-6, 1e-3, 1e-3, 10, 10, 100, 1000};
    sag_steady_point points[8];
    sag_opamp_swing swings[16];
    static const double frequencies[] = {0.5, 1000, 100e3, 2e6};
    for (size_t f = 0; f < 4; f++) {
        assert_int_equal(sag_steady_frequency(steady, frequencies[f]), SAG_OK);
        assert_int_equal(sag_steady_solve(steady, levels, 0, points, swings), SAG_OK);
        assert_int_equal(sag_steady_solve(steady, levels, 8, points, swings), SAG_OK);
        for (int l = 0; l < 8; l++) {
            int ok = points[l].status == SAG_OK;
            assert_true(ok || points[l].status > SAG_OK);
            assert_true(isfinite(points[l].gain_db) == ok);
            assert_true(isfinite(points[l].thd) == ok);
            assert_true(isfinite(points[l].harmonic_vpk[2]) == ok);
            assert_true(isnan(swings[2 * l].peak_v) == !ok);
            assert_true(ok || points[l].limited_by.kind == SAG_LIMIT_NONE);
            if (levels[l] < 11 && !ok) {
                print_error("%g Hz at %g V peak: %s\n", frequencies[f], levels[l],
                            sag_status_name(points[l].status));
                fail();
            }
        }
        if (points[2].status == SAG_OK && points[3].status == SAG_OK) {
            near_abs(points[2].gain_db, points[3].gain_db, 1e-6, "the same level twice");
        }
    }
    sag_steady_free(steady);
    sag_steady_free(NULL);
    circuit_close(&c);
}

/* Solving a level again, after louder ones, finds the same orbit. */
static void answers_do_not_depend_on_what_came_before(void **state)
{
    (void)state;
    circuit c = circuit_heron(7);
    sag_steady *steady = steady_of(&c, 0, 0);
    static const double levels[] = {0.02, 0.2, 0.6, 1, 1.4, 3};
    sag_steady_point first[6], again;
    assert_int_equal(sag_steady_frequency(steady, 700), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, levels, 6, first, NULL), SAG_OK);
    for (int l = 5; l >= 0; l--) {
        assert_int_equal(sag_steady_solve(steady, &levels[l], 1, &again, NULL), SAG_OK);
        assert_int_equal(again.status, SAG_OK);
        near_abs(again.gain_db, first[l].gain_db, 1e-5, "solved in one go");
        near_abs(again.thd, first[l].thd, 1e-6, "solved in one go");
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

/* No op-amp, no state at all, no diode: still a period. */
static void circuits_without_memory_are_periodic_too(void **state)
{
    (void)state;
    static const char *const texts[] = {
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                "'R1': {'resistor': '9950R', 'between': ['in', 'out']}"),
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                "'R1': {'resistor': '9950R', 'between': ['in', 'out']}, "
                "'C1': {'capacitor': '1p', 'between': ['in', 'ground']}"),
    };
    for (size_t i = 0; i < 2; i++) {
        for (int lanes = 0; lanes < 2; lanes++) {
            circuit c = circuit_open(texts[i], NULL);
            sag_steady *steady = steady_of(&c, 0, lanes);
            sag_steady_point point = point_at(steady, 100, 1, NULL);
            assert_int_equal(point.status, SAG_OK);
            near_db(point.gain_db, 20 * log10(0.5), 1e-6, CLOSED);
            near_abs(point.thd, 0, 1e-9, "linear");
            near_abs(point.output_peak_v, 0.5, 1e-8, CLOSED);
            assert_int_equal(point.limited_by.opamp, -1);
            sag_limit limit;
            assert_true(isinf(sag_steady_linear_onset(steady, &limit)));
            assert_int_equal(limit.opamp, -1);
            sag_steady_free(steady);
            circuit_close(&c);
        }
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(designed_limits_are_met_and_named),
        cmocka_unit_test(peaks_are_those_of_the_waveform),
        cmocka_unit_test(thd_counts_what_lies_in_its_bandwidth),
        cmocka_unit_test(hard_circuits_have_periodic_solutions),
        cmocka_unit_test(odd_requests_get_a_plain_answer),
        cmocka_unit_test(answers_do_not_depend_on_what_came_before),
        cmocka_unit_test(circuits_without_memory_are_periodic_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
