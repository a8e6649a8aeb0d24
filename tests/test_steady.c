/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady: periodic solutions against the small-signal response, long time stepping, finer steps and
 * each other. */
#include "orbits.h"
#include "stepping.h"

#include "response.h"
#include "steady_private.h"
#include "value.h"

#include <gsl/gsl_errno.h>

/* ---- two ways ---- */

static void soft_signals_see_the_small_signal_response(void **state)
{
    (void)state;
    static const double supplies[] = {18, 9, 5}, frequencies[] = {20, 111, 1000, 5000, 20000};
    for (size_t i = 0; i < 3; i++) {
        circuit c = circuit_heron(supplies[i]);
        sag_response *response;
        assert_int_equal(sag_response_new(c.bias, &response), SAG_OK);
        sag_steady *steady = steady_of(&c, 0, 0);
        for (size_t k = 0; k < 5; k++) {
            double complex gain;
            assert_int_equal(sag_response_gain(response, frequencies[k], &gain), SAG_OK);
            sag_steady_point point = point_at(steady, frequencies[k], 1e-4, NULL);
            assert_int_equal(point.status, SAG_OK);
            near_db(point.gain_db, sag_gain_db(gain), 1e-5, "response");
            near_abs(point.phase_deg, sag_phase_deg(gain), 1e-4, "response");
            near_rel(point.harmonic_vpk[1], 1e-4 * cabs(gain), 1e-2,
                     "response, but for the steps' own error");
            near_abs(point.thd, 0, 1e-4, "nothing bends");
            assert_int_equal(point.limited_by.kind, SAG_LIMIT_NONE);
            assert_int_equal(point.limited_by.opamp, -1);
        }
        sag_steady_free(steady);
        sag_response_free(response);
        circuit_close(&c);
    }
}

/* Amplitude of a harmonic of one period of samples, the first after one step. */
static double complex phasor(const double *samples, int steps, int order)
{
    double complex sum = 0;
    for (int n = 0; n < steps; n++) {
        sum += samples[n] * cexp(sag_complex(0, -2 * M_PI * order * (n + 1) / steps));
    }
    return sum * (order ? 2.0 : 1.0) / steps;
}

/* Heron as it is settles with the battery's 3 s; with small capacitors and a stiff supply within 30
 * ms, so that far more digits can be asked for. */
static void orbits_are_where_time_stepping_ends(void **state)
{
    (void)state;
    static const struct {
        int quick, periods;
        double frequency_hz, level_vpk, start_v, gain_db, ratio; /* tolerances */
    } cases[] = {
        {1, 400, 400, 0.3, 1e-7, 1e-7, 1e-8}, /* soft */
        {1, 400, 400, 1.5, 1e-7, 1e-7, 1e-8}, /* clipped by both stages at times */
        {1, 800, 1500, 0.8, 1e-7, 1e-7, 1e-8},
        {0, 900, 41, 1, 2e-4, 2e-4, 2e-5},
    };
    enum { STEPS = 256 };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_load(CIRCUIT_HERON);
        sag_conditions conditions = circuit_at(9);
        conditions.stiff = cases[i].quick;
        static const char *const changes[] = {"C1=2n2", "C3=1u", "C8=47n", "C9=10u"};
        for (size_t k = 0; cases[i].quick && k < 4; k++) {
            circuit_change(design, changes[k]);
        }
        circuit c = circuit_open_design(design, &conditions);
        double f = cases[i].frequency_hz, level = cases[i].level_vpk;
        stepping s;
        stepping_open(&s, &c, 1 / (f * STEPS));
        stepping_run(&s, STEPS, cases[i].periods, level);
        sag_steady *steady = steady_of(&c, STEPS, 1);
        sag_steady_point point = point_at(steady, f, level, NULL);
        assert_int_equal(point.status, SAG_OK);
        assert_int_equal(point.steps, STEPS);
        for (size_t k = 0; k < s.states; k++) {
            near_abs(steady->last_start[k], s.start[k], cases[i].start_v,
                     "time stepping from rest");
        }
        double complex first = phasor(s.period.output, STEPS, 1);
        double sum = 0;
        for (int order = 0; order <= SAG_HARMONICS; order++) {
            double complex y = phasor(s.period.output, STEPS, order);
            near_abs(point.harmonic_vpk[order], order ? cabs(y) : creal(y), 10 * cases[i].start_v,
                     "time stepping from rest");
            sum += order > 1 ? creal(y * conj(y)) : 0;
        }
        near_abs(point.thd, sqrt(sum) / cabs(first), cases[i].ratio, "time stepping from rest");
        if (point.thd > 1e-3) { /* else the gain has the steps' own error divided out */
            double complex gain = first / sag_complex(0, -level);
            near_db(point.gain_db, 20 * log10(cabs(gain)), cases[i].gain_db,
                    "time stepping from rest");
            near_abs(point.phase_deg, carg(gain) * 180 / M_PI, 1e3 * cases[i].ratio,
                     "time stepping from rest");
        }
        double highest = -(double)INFINITY, lowest = (double)INFINITY;
        for (int n = 0; n < STEPS; n++) {
            highest = fmax(highest, s.period.output[n]);
            lowest = fmin(lowest, s.period.output[n]);
        }
        near_abs(point.output_peak_v, highest, 1e-3 * (highest - lowest), "largest sample");
        near_abs(point.output_trough_v, lowest, 1e-3 * (highest - lowest), "least sample");
        sag_steady_free(steady);
        stepping_close(&s);
        circuit_close(&c);
    }
}

/* A lane's figures do not depend on its neighbours, and hardly on where the search started. */
static void one_lane_and_four_agree(void **state)
{
    (void)state;
    static const double frequencies[] = {30, 500, 4000, 15000};
    circuit c = circuit_heron(9);
    sag_steady *four = steady_of(&c, 0, 0), *one = steady_of(&c, 0, 1);
    for (size_t f = 0; f < 4; f++) {
        enum { LEVELS = 10 };
        double level[LEVELS];
        sag_steady_point a[LEVELS], b[LEVELS];
        sag_opamp_swing sa[2 * LEVELS], sb[2 * LEVELS];
        for (int l = 0; l < LEVELS; l++) {
            level[l] = 0.01 * pow(2, l);
        }
        assert_int_equal(sag_steady_frequency(four, frequencies[f]), SAG_OK);
        assert_int_equal(sag_steady_frequency(one, frequencies[f]), SAG_OK);
        assert_int_equal(sag_steady_solve(four, level, LEVELS, a, sa), SAG_OK);
        assert_int_equal(sag_steady_solve(one, level, LEVELS, b, sb), SAG_OK);
        for (int l = 0; l < LEVELS; l++) {
            assert_int_equal(a[l].status, SAG_OK);
            assert_int_equal(b[l].status, SAG_OK);
            assert_int_equal(a[l].steps, b[l].steps);
            assert_int_equal(a[l].limited_by.kind, b[l].limited_by.kind);
            near_abs(a[l].gain_db, b[l].gain_db, 1e-6, "the same with one lane");
            near_abs(a[l].thd, b[l].thd, 1e-7, "the same with one lane");
            near_abs(a[l].harmonic_vpk[1], b[l].harmonic_vpk[1], 1e-7, "the same with one lane");
            near_abs(a[l].output_peak_v, b[l].output_peak_v, 1e-6, "the same with one lane");
            for (int k = 0; k < 2; k++) {
                near_abs(sa[2 * l + k].left_db, sb[2 * l + k].left_db, 1e-4,
                         "the same with one lane");
                near_abs(sa[2 * l + k].trough_v, sb[2 * l + k].trough_v, 1e-6,
                         "the same with one lane");
            }
        }
    }
    sag_steady_free(four);
    sag_steady_free(one);
    circuit_close(&c);
}

/* A lane that finds no solution, and is tried again in ever shorter steps, leaves the others alone:
 * all that is noted of them comes from their own step. */
static void a_lane_that_fails_leaves_the_others_alone(void **state)
{
    (void)state;
    enum { STEPS = 32 };
    circuit c = circuit_heron(9);
    stepping s;
    stepping_open(&s, &c, 1e-3 / STEPS);
    double level[SAG_MOST_LANES] = {0.5, 0.5, 0.5, 0.5};
    sag_stepper_setup setup = {.devices = &c.bias->devices,
                               .rest_observed = c.bias->observed,
                               .rest_unknown = c.bias->unknown};
    void *four;
    sag_period period;
    assert_int_equal(sag_stepper_4.make(&setup, &four, &period), SAG_OK);
    double *start = sag_new(SAG_MOST_LANES * s.states, sizeof *start);
    assert_non_null(start);
    start[1] = (double)NAN; /* the first state of the second lane */
    unsigned char active[SAG_MOST_LANES] = {1, 1, 1, 0};
    double tolerance_v[SAG_MOST_LANES] = {1e-9, 1e-9, 1e-9, 1e-9};
    sag_run how = stepping_how(&s, STEPS);
    how.level_vpk = level;
    how.tolerance_v = tolerance_v;
    how.active = active;
    how.start = start;
    sag_stepper_4.run(four, &how);
    assert_true(period.failed[1]);
    assert_false(period.failed[0] || period.failed[2]);
    stepping_run(&s, STEPS, 1, level[0]);
    for (int n = 0; n < STEPS; n++) {
        near_abs(period.output[n * SAG_MOST_LANES], s.period.output[n], 1e-9, "one lane alone");
        near_abs(period.output[n * SAG_MOST_LANES + 2], s.period.output[n], 1e-9, "one lane alone");
    }
    sag_free(start);
    sag_stepper_4.free(four);
    stepping_close(&s);
    circuit_close(&c);
}

/* ---- steps ---- */

static const struct {
    const char *what, *text;
    double frequency_hz, level_vpk;
} smooth[] = {
    /* with a gain of 101 its time constant of 16 us is no shorter than the steps */
    {"a tanh that bends",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'x', 'load': '100k'}, "
             "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",
             "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
             "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "
             "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
             "'R2': {'resistor': '1k', 'between': ['mid', 'm']}, 'R3': {'resistor': '100k', "
             "'between': ['m', 'x']}, "
             "'U1A': {'opamp': 'lazy', 'plus': 'p', 'minus': 'm', 'out': 'x', 'rails': ['bat', "
             "'ground']}"),
     2500, 0.035},
    {"a pair of diodes",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
             "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
             "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
             "'R1': {'resistor': '1k', 'between': ['in', 'out']}, "
             "'C1': {'capacitor': '100n', 'between': ['out', 'ground']}, "
             "'D1': {'diode': '1n4148', 'anode': 'out', 'cathode': 'ground'}, "
             "'D2': {'diode': '1n4148', 'anode': 'ground', 'cathode': 'out'}"),
     1000, 0.45},
};

/* Halving the step divides the error by four: from the third harmonic, against 2048 steps. */
static void the_error_falls_with_the_square_of_the_step(void **state)
{
    (void)state;
    static const int steps[] = {32, 256, 512, 2048};
    for (size_t i = 0; i < sizeof smooth / sizeof *smooth; i++) {
        circuit c = circuit_open(smooth[i].text, NULL);
        double third[4], first[4];
        for (int k = 0; k < 4; k++) {
            sag_steady *steady = steady_of(&c, steps[k], 0);
            sag_steady_point point =
                point_at(steady, smooth[i].frequency_hz, smooth[i].level_vpk, NULL);
            assert_int_equal(point.status, SAG_OK);
            assert_int_equal(point.steps, steps[k]);
            third[k] = point.harmonic_vpk[3];
            first[k] = point.harmonic_vpk[1];
            sag_steady_free(steady);
        }
        assert_true(third[3] > 1e-3 * first[3]); /* it does bend */
        for (int h = 1; h <= 3; h += 2) {
            const double *y = h == 1 ? first : third;
            double coarse = y[0] - y[3], fine = y[1] - y[3], finer = y[2] - y[3];
            /* (1/n^2 - 1/2048^2): 4.2 times from 256 to 512, 64.98 from 32 to 256 */
            near_rel(fine / finer, 4.2, 0.15, "second order");
            near_rel(coarse / fine, 64.98, 0.35, "second order");
        }
        circuit_close(&c);
    }
}

/* What the adapted number of steps gives is what 2048 give, to what the program promises: 0.001 dB,
 * and the larger of 0.03 points and 1 % of the THD. */
static void default_steps_are_as_good_as_promised(void **state)
{
    (void)state;
    static const double supplies[] = {18, 9, 5}, frequencies[] = {25, 160, 900, 2700, 7000, 18000};
    enum { LEVELS = 12 };
    double level[LEVELS], worst_db = 0, worst_thd = 0;
    for (int l = 0; l < LEVELS; l++) {
        level[l] = sag_level_peak(-45 + 5 * l); /* to +10 dBV */
    }
    int clipped = 0, soft = 0;
    for (size_t i = 0; i < 3; i++) {
        circuit c = circuit_heron(supplies[i]);
        sag_steady *steady = steady_of(&c, 0, 0), *check = steady_of(&c, 2048, 0);
        for (size_t f = 0; f < sizeof frequencies / sizeof *frequencies; f++) {
            sag_steady_point a[LEVELS], b[LEVELS];
            sag_opamp_swing swings[2 * LEVELS];
            assert_int_equal(sag_steady_frequency(steady, frequencies[f]), SAG_OK);
            assert_int_equal(sag_steady_frequency(check, frequencies[f]), SAG_OK);
            assert_int_equal(sag_steady_solve(steady, level, LEVELS, a, swings), SAG_OK);
            assert_int_equal(sag_steady_solve(check, level, LEVELS, b, NULL), SAG_OK);
            for (int l = 0; l < LEVELS; l++) {
                if (a[l].status != SAG_OK || b[l].status != SAG_OK) {
                    print_error("%g V, %g Hz, %d dBV: %s, with 2048 steps %s\n", supplies[i],
                                frequencies[f], -45 + 5 * l, sag_status_name(a[l].status),
                                sag_status_name(b[l].status));
                    fail();
                }
                double off_db = fabs(a[l].gain_db - b[l].gain_db);
                double off_thd = fabs(a[l].thd - b[l].thd) / fmax(3e-4, 0.01 * b[l].thd);
                /* Where the buffer's input goes so far down that it reverses, the output jumps, and
                 * what follows a jump is known less well. */
                int reverses =
                    swings[2 * l].nearest == SAG_LIMIT_INPUT_RANGE && swings[2 * l].left_db < -1;
                if (!(off_db <= (reverses ? 0.02 : 1e-3)) || !(off_thd <= 1)) {
                    print_error("%g V, %g Hz, %d dBV, %d steps: %g dB off, THD %g instead of %g\n",
                                supplies[i], frequencies[f], -45 + 5 * l, a[l].steps, off_db,
                                a[l].thd, b[l].thd);
                    fail();
                }
                worst_db = reverses ? worst_db : fmax(worst_db, off_db);
                worst_thd = reverses ? worst_thd : fmax(worst_thd, off_thd);
                clipped += b[l].thd > 0.02;
                soft += b[l].thd < 1e-3;
            }
        }
        sag_steady_free(steady);
        sag_steady_free(check);
        circuit_close(&c);
    }
    print_message("worst of %d soft and %d clipped points: %.2g dB, %.2g of the THD allowed\n",
                  soft, clipped, worst_db, worst_thd);
    assert_true(clipped > 20 && soft > 50);
}

/* A class-B output overdriven by 40 dB, which lies in its dead band at a rail: no step of 256 or 512
 * a period goes through, and dividing one does not help. */
static void the_shortest_steps_go_where_others_do_not(void **state)
{
    (void)state;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    circuit_change(design, "U1=lm358");
    circuit_set(design, "treble=26.7%");
    sag_conditions conditions = circuit_at(11.96);
    circuit c = circuit_open_design(design, &conditions);
    const double level_vpk = M_SQRT2 * pow(10, 18.29 / 20);
    sag_steady *found = steady_of(&c, 0, 1), *finest = steady_of(&c, 2048, 0);
    sag_steady_point point = point_at(found, 40.7, level_vpk, NULL);
    sag_steady_point expected = point_at(finest, 40.7, level_vpk, NULL);
    assert_int_equal(point.status, SAG_OK);
    assert_int_equal(expected.status, SAG_OK);
    near_db(point.gain_db, expected.gain_db, 1e-3, "2048 steps from the start, four lanes");
    sag_steady_free(found);
    sag_steady_free(finest);
    circuit_close(&c);
}

static int stop_at_the_third(void *context)
{
    return ++*(int *)context == 3;
}

static void solving_can_be_stopped_within_a_point(void **state)
{
    (void)state;
    circuit c = circuit_heron(5);
    int asked = 0;
    sag_steady_settings settings = sag_steady_defaults();
    settings.stops = stop_at_the_third;
    settings.stops_context = &asked;
    sag_steady *steady = NULL;
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, 100), SAG_OK);
    const double level_vpk = 3;
    sag_steady_point point;
    assert_int_equal(sag_steady_solve(steady, &level_vpk, 1, &point, NULL), SAG_CANCELLED);
    assert_int_equal(asked, 3);
    sag_steady_free(steady);
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(soft_signals_see_the_small_signal_response),
        cmocka_unit_test(orbits_are_where_time_stepping_ends),
        cmocka_unit_test(one_lane_and_four_agree),
        cmocka_unit_test(a_lane_that_fails_leaves_the_others_alone),
        cmocka_unit_test(the_error_falls_with_the_square_of_the_step),
        cmocka_unit_test(default_steps_are_as_good_as_promised),
        cmocka_unit_test(the_shortest_steps_go_where_others_do_not),
        cmocka_unit_test(solving_can_be_stopped_within_a_point),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
