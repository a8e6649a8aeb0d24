/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The op-amp model on a bench: signals at low supplies, swing against supply and load, crossover of
 * a class-B output. Letters (c) after a figure: read off a printed curve, about 5 %. */
#include "bench.h"

#include "bias_private.h"

#include <gsl/gsl_errno.h>

/* ---- soft playing on a low battery ---- */

/* A unity buffer passes soft playing untouched at supplies below the rating of its op-amp. Common
 * practice (boards with these parts are played down to some 5 V); for tl062 the sheet draws +-0.75 V
 * of swing on +-1.65 V (TI SLOS078L figure 1). */
static void soft_playing_passes_at_low_supplies(void **state)
{
    (void)state;
    static const char *const models[] = {"tl062", "tl072"};
    static const double supplies[] = {9, 7, 5};
    static const double frequencies[] = {31, 98, 400, 1000, 2500, 5000};
    for (size_t m = 0; m < 2; m++) {
        for (size_t s = 0; s < 3; s++) {
            circuit c = bench_follower(models[m], supplies[s], 10e3);
            assert_true(sag_bias_marks(c.bias) & SAG_MARK_OUTSIDE_SHEET);
            sag_steady *steady = steady_of(&c, 0, 0);
            for (size_t f = 0; f < 6; f++) {
                sag_steady_point point = bench_point(steady, frequencies[f], 0.1);
                near_abs(point.thd, 0, 1e-3, "common practice: soft playing is clean");
                near_db(point.gain_db, 0, 0.05, "common practice: a buffer has unity gain");
                assert_int_equal(point.limited_by.kind, SAG_LIMIT_NONE);
            }
            sag_steady_free(steady);
            circuit_close(&c);
        }
    }
}

/* ---- swing against supply and load ---- */

#define OVERDRIVEN                                                                                 \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "                \
            "'nominal': '30V'}",                                                                   \
            "'R1': {'resistor': '100k', 'between': ['in', 'm']}, "                                 \
            "'R2': {'resistor': '1M', 'between': ['m', 'out']}, "                                  \
            "'R3': {'resistor': '10k', 'between': ['out', 'ground']}, "                            \
            "'U1A': {'opamp': 'tl072', 'plus': 'ground', 'minus': 'm', 'out': 'out', "             \
            "'rails': ['up', 'down']}")

/* Peak output of an overdriven stage, inputs at the middle, into a load to the middle. Sources: TI
 * SLOS078L figure 1 (swing against supply, 10 kohm), figure 3 (against load, +-15 V), figure 4 (the
 * low-frequency end at +-5, +-6 and +-15 V); ST TL072 table and TI SLOS080N (10 and 2 kohm); onsemi
 * NE5532/D table. */
static void the_output_swings_as_far_as_the_sheet_says(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double half_supply_v, load_ohm, peak_v, tolerance;
    } cases[] = {
        {"tl062", 1.65, 10e3, 0.75, 0.05}, /* (c), figure 1 */
        {"tl062", 4, 10e3, 3.0, 0.05},     /* (c), figure 1 */
        {"tl062", 5, 10e3, 4.1, 0.05},     /* (c), figure 4 */
        {"tl062", 6, 10e3, 4.85, 0.05},    /* (c), figures 1 and 4 */
        {"tl062", 9, 10e3, 7.75, 0.05},    /* (c), figure 1 */
        {"tl062", 15, 10e3, 13.5, 0.01},   /* table 6.7, typical */
        {"tl062", 15, 2e3, 12.6, 0.05},    /* (c), figure 3, as those below */
        {"tl062", 15, 1e3, 10.4, 0.05},    {"tl062", 15, 600, 7.6, 0.05},
        {"tl062", 15, 200, 3.4, 0.05},     {"tl062", 15, 100, 1.75, 0.05},
        {"tl072", 15, 10e3, 13.5, 0.01},                                    /* table, typical */
        {"tl072", 15, 2e3, 12, 0.01},      {"ne5532", 15, 2e3, 13.5, 0.01}, /* table, typical */
        {"ne5532", 15, 600, 13, 0.01},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = bench_design(OVERDRIVEN, cases[i].model);
        bench_set(design, "R3", cases[i].load_ohm);
        circuit c = bench_open(design, 2 * cases[i].half_supply_v);
        sag_steady *steady = steady_of(&c, 0, 0);
        sag_opamp_swing swing;
        sag_steady_point point = point_at(steady, 100, 0.5 * cases[i].half_supply_v, &swing);
        assert_int_equal(point.status, SAG_OK);
        double rest = sag_bias_opamp_get(c.bias, 0).out_v;
        near_rel(rest + swing.peak_v, cases[i].peak_v, cases[i].tolerance, "the sheet named above");
        near_rel(-rest - swing.trough_v, cases[i].peak_v, cases[i].tolerance,
                 "the sheet named above");
        sag_steady_free(steady);
        circuit_close(&c);
    }
}

/* ---- crossover of a class-B output ---- */

/* lm358 into a load behind a capacitor, and R3 from its output to the negative rail. */
#define CROSSING                                                                                   \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",                \
            "'V1': {'voltage': '4.5V', 'positive': 'mid', 'negative': 'ground'}, "                 \
            "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "                                 \
            "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "                                \
            "'C2': {'capacitor': '1000u', 'between': ['x', 'out']}, "                              \
            "'R2': {'resistor': '10k', 'between': ['out', 'ground']}, "                            \
            "'R3': {'resistor': '1G', 'between': ['x', 'ground']}, "                               \
            "'U1A': {'opamp': 'lm358', 'plus': 'p', 'minus': 'x', 'out': 'x', "                    \
            "'rails': ['bat', 'ground']}")
#define LOAD_OHM   10e3
#define NORMAL_VPK 0.7

static sag_steady_point crossing_point(double pull_down_ohm, double frequency_hz, double level_vpk)
{
    sag_design *design = circuit_read(CROSSING);
    bench_set(design, "R3", pull_down_ohm);
    circuit c = bench_open(design, 9);
    near_rel(sag_bias_opamp_get(c.bias, 0).class_a_a, -15e-6, 1e-9, "half of class_a_sink");
    sag_steady *steady = steady_of(&c, 512, 0);
    sag_steady_point point = bench_point(steady, frequency_hz, level_vpk);
    sag_steady_free(steady);
    circuit_close(&c);
    return point;
}

/* What the dead band leaves of a sine behind feedback, to first order in the error: the gain node
 * moves by cross(io) besides the output, and each harmonic C_k of that takes an input of k w C_k / wt,
 * which is missing at the output. THD of harmonics 2 to 15 over the fundamental. The figures are those
 * of lm358.json: 0.7 MHz, 1.4 V of dead band, crossed between half and one and a half times 30 uA of
 * sinking (the shape of the crossing is that of device_lanes.h). */
static double crossover_thd(double frequency_hz, double level_vpk)
{
    enum { SAMPLES = 20000 };
    double sum = 0, rate = frequency_hz / 0.7e6;
    for (int k = 2; k <= SAG_HARMONICS; k++) {
        double re = 0, im = 0;
        for (int n = 0; n < SAMPLES; n++) {
            double t = 2 * M_PI * (n + 0.5) / SAMPLES, load_a = level_vpk * sin(t) / LOAD_OHM;
            double q = fmin(fmax((load_a + 45e-6) / 30e-6, 0), 1);
            double cross_v = 1.4 * (q * q * q * (10 - 15 * q + 6 * q * q) - 1);
            re += 2 * cross_v * cos(k * t) / SAMPLES;
            im += 2 * cross_v * sin(k * t) / SAMPLES;
        }
        sum += (re * re + im * im) * rate * rate * k * k / (1 + rate * rate * k * k);
    }
    return sqrt(sum) / level_vpk;
}

/* The largest rate of the gain node in the dead band over the slew rate of 0.3 V/us; the shape of the
 * crossing is at most 15/8 steep. */
static double crossing_rate(double frequency_hz, double level_vpk)
{
    return 1.4 * 15 / 8 * 2 * M_PI * frequency_hz * level_vpk / LOAD_OHM / 30e-6 / 0.3e6;
}

static void a_class_b_output_crosses_over(void **state)
{
    (void)state;
    static const double levels[] = {2.5, 1.5, 1, NORMAL_VPK, 0.5, 0.35, 0.25, 0.2};
    static const double frequencies[] = {98, 300, 1000, 2500};
    enum { LEVELS = 8, WORST = 4 }; /* worst where the crest of the load current crosses */
    double thd[LEVELS] = {0};
    int checked = 0;
    for (size_t f = 0; f < 4; f++) {
        for (size_t l = 0; l < LEVELS; l++) {
            double before = thd[l];
            thd[l] = crossing_point(1e9, frequencies[f], levels[l]).thd;
            if (crossing_rate(frequencies[f], levels[l]) > 0.2) {
                continue;
            }
            checked++;
            near_rel(thd[l], crossover_thd(frequencies[f], levels[l]), 0.01,
                     "first order in the error, by quadrature");
            /* In proportion to frequency: the loop gain that is left falls so. */
            if (f > 0) {
                near_rel(thd[l] / before, frequencies[f] / frequencies[f - 1], 0.01,
                         "loop gain of one pole");
            }
        }
        /* Common practice: crossover distortion grows as playing gets softer, up to where the output
         * hardly leaves class A. */
        for (size_t l = 1; l < LEVELS; l++) {
            assert_true((thd[l] > thd[l - 1]) == (l <= WORST));
        }
    }
    assert_true(checked > 20);
    assert_true(crossing_point(1e9, 1000, NORMAL_VPK).thd > 2e-3);
    /* Within class A, up to half of 30 uA, nothing crosses. */
    near_abs(crossing_point(1e9, 1000, 0.95 * 15e-6 * LOAD_OHM).thd, 0, 1e-6, "class A");
    assert_true(crossing_point(1e9, 1000, 1.25 * 15e-6 * LOAD_OHM).thd > 1e-5);
}

/* TI SNOSBT3I section 7.3: with a load behind a capacitor a resistor from the output to ground keeps
 * the output in class A. It has to take, at the trough, what the load asks for beyond the 15 uA up to
 * which nothing crosses: (4.5 - 0.7) V / R >= 70 uA - 15 uA, R <= 69 kohm at normal playing. */
static void a_pull_down_resistor_keeps_it_in_class_a(void **state)
{
    (void)state;
    static const double ohms[] = {2.2e3, 4.7e3, 10e3, 47e3};
    double without = crossing_point(1e9, 1000, NORMAL_VPK).thd;
    for (size_t i = 0; i < 4; i++) {
        double thd = crossing_point(ohms[i], 1000, NORMAL_VPK).thd;
        near_abs(thd, 0, 1e-5, "class A");
        assert_true(without > 100 * thd);
    }
    double most_ohm = (4.5 - NORMAL_VPK) / (NORMAL_VPK / LOAD_OHM - 15e-6);
    near_abs(crossing_point(0.97 * most_ohm, 1000, NORMAL_VPK).thd, 0, 1e-5, "class A");
    assert_true(crossing_point(1.3 * most_ohm, 1000, NORMAL_VPK).thd > 1e-4);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(soft_playing_passes_at_low_supplies),
        cmocka_unit_test(the_output_swings_as_far_as_the_sheet_says),
        cmocka_unit_test(a_class_b_output_crosses_over),
        cmocka_unit_test(a_pull_down_resistor_keeps_it_in_class_a),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
