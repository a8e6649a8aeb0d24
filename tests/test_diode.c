/* SPDX-License-Identifier: GPL-3.0-or-later */
/* diode: the Wright omega function, the law's current and slope, and its fit to data-sheet points.
 */
#include "near.h"

#include "chance.h"
#include "diode.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_sf_lambert.h>

static void omega_is_lambert_w_of_the_exponential(void **state)
{
    (void)state;
    for (double z = -3; z < 700; z += 0.0137) {
        /* below, GSL is right to 1e-16, but not in its last digits */ /* below, GSL answers 0 */
        near_rel(sag_wright_omega(z), gsl_sf_lambert_W0(exp(z)), 1e-14, "W(e^z) by GSL");
    }
    near_rel(sag_wright_omega(1), 1, 1e-15, "1 + ln 1 = 1");
    near_rel(sag_wright_omega(0), 0.567143290409783873, 1e-15, "omega constant, W(1)");
    near_rel(sag_wright_omega(exp(1) + 1), exp(1), 1e-15, "e + ln e");
}

/* Relative error of w by its equation in long double: dw/w = dz / (1 + w). */
static double omega_error(double z, double w)
{
    long double exact_w = (long double)w;
    return (double)((exact_w + logl(exact_w) - (long double)z) / (1 + exact_w));
}

/* Where GSL's exponential overflows, or its W is not meant for. */
static void omega_solves_its_equation_at_any_size(void **state)
{
    (void)state;
    uint64_t seed = 1;
    double worst = 0;
    for (int i = 0; i < 200000; i++) {
        double z = i % 2 ? chance_between(&seed, -50, 50) : chance_decades(&seed, -3, 2.8);
        double w = sag_wright_omega(z);
        worst = fmax(worst, fabs(omega_error(z, w)));
    }
    near_abs(worst, 0, 1e-14, "w + ln w = z in long double");
    static const double far[] = {1e3, 1e6, 1e12, 1e30, 1e100, 1e150};
    for (size_t i = 0; i < sizeof far / sizeof *far; i++) {
        double w = sag_wright_omega(far[i]);
        near_abs(omega_error(far[i], w), 0, 1e-15, "w + ln w = z in long double");
        near_abs(sag_wright_omega(-far[i]), exp(-far[i]), 0, "e^z far to the left");
    }
    near_rel(sag_wright_omega(-740), exp(-740), 1e-15, "e^z down to the smallest numbers");
    /* It rises everywhere, also where one way of computing it takes over from another. */
    static const double seams[] = {-36, -2, 1};
    for (size_t i = 0; i < sizeof seams / sizeof *seams; i++) {
        double before = 0;
        for (double z = seams[i] - 1e-9; z < seams[i] + 1e-9; z += 1e-12) {
            double w = sag_wright_omega(z);
            assert_true(w >= before * (1 - 1e-15));
            near_rel(before > 0 ? w : before, before, 1e-11, "no jump");
            before = w;
        }
    }
}

static const sag_diode_law laws[] = {
    {1e-9, 1.8 * SAG_THERMAL_V, 0.5, 100},                /* silicon */
    {5e-6, 1.03 * SAG_THERMAL_V, 0.1, 20},                /* Schottky */
    {1e-20, 1.9 * SAG_THERMAL_V, 15, 5},                  /* indicator */
    {1e-15, 1.0 * SAG_THERMAL_V, 1e-3, (double)INFINITY}, /* hardly any resistance, no breakdown */
    {1e-12, 12 * SAG_THERMAL_V, 100, 3},                  /* softest */
};
#define LAWS (sizeof laws / sizeof *laws)

/* i = Is (exp((v - R i)/(n Vt)) - 1), solved by bisection in long double: what the closed form must
 * give. */
static double current_by_bisection(const sag_diode_law *law, double v)
{
    long double is = (long double)law->saturation_a, nvt = (long double)law->emission_v;
    long double ohm = (long double)law->series_ohm, volts = (long double)v;
    long double low = -is, high = v > 0 ? volts / ohm : 0;
    for (int i = 0; i < 200; i++) {
        long double middle = (low + high) / 2;
        long double law_a = is * expm1l((volts - ohm * middle) / nvt);
        *(law_a > middle ? &low : &high) = middle;
    }
    return (double)low;
}

static void the_current_solves_the_law(void **state)
{
    (void)state;
    for (size_t i = 0; i < LAWS; i++) {
        sag_diode_law forward = laws[i];
        forward.breakdown_v = (double)INFINITY;
        for (double v = -2; v < 20; v += 0.0371) {
            double slope, current = sag_diode_current(&forward, v, &slope);
            double expected = current_by_bisection(&laws[i], v);
            near_abs(current, expected,
                     1e-12 * fabs(expected) + 1e-14 * laws[i].saturation_a + 1e-20,
                     "the law, by bisection in long double");
        }
        double slope;
        near_abs(sag_diode_current(&forward, 0, &slope), 0, 1e-14 * laws[i].saturation_a + 1e-20,
                 "no voltage, no current");
    }
}

static void the_slope_is_that_of_the_current(void **state)
{
    (void)state;
    for (size_t i = 0; i < LAWS; i++) {
        double lowest = isfinite(laws[i].breakdown_v) ? -laws[i].breakdown_v - 2 : -5;
        for (double v = lowest; v < 8; v += 0.01239) {
            double slope, unused, step = 1e-5 * laws[i].emission_v;
            sag_diode_current(&laws[i], v, &slope);
            double above = sag_diode_current(&laws[i], v + step, &unused);
            double below = sag_diode_current(&laws[i], v - step, &unused);
            double rounding = 1e-15 * (fabs(above) + laws[i].saturation_a) / step;
            near_abs(slope, (above - below) / (2 * step), 1e-6 * slope + rounding,
                     "central difference");
            assert_true(slope >= 0 && slope <= 1 / laws[i].series_ohm + 1e-9);
            assert_true(above >= below);
        }
    }
}

static void breakdown_carries_a_milliampere(void **state)
{
    (void)state;
    for (size_t i = 0; i < LAWS; i++) {
        double slope, v = laws[i].breakdown_v;
        /* Half way there: a junction's exponential below the milliampere. */
        double left = 1e-3 * exp((1e-3 * laws[i].series_ohm - v / 2) / laws[i].emission_v);
        if (isfinite(v)) {
            near_abs(sag_diode_current(&laws[i], -v, &slope), -1e-3 - laws[i].saturation_a, 1e-12,
                     "1 mA at the breakdown voltage, by definition");
            near_abs(sag_diode_current(&laws[i], -v / 2, &slope), -laws[i].saturation_a,
                     left + 1e-3 * laws[i].saturation_a, "half way there: leakage");
            assert_true(sag_diode_current(&laws[i], -v - 5 * laws[i].emission_v, &slope) < -3e-3);
        } else {
            near_abs(sag_diode_current(&laws[i], -1e6, &slope), -laws[i].saturation_a, 0,
                     "no breakdown: leakage alone");
        }
    }
}

/* Carrying the iteration along changes the time it takes, not the current, however far v jumps. */
static void a_hint_does_not_change_the_current(void **state)
{
    (void)state;
    uint64_t seed = 2;
    for (size_t i = 0; i < LAWS; i++) {
        double hint = 0, v = 0;
        for (int k = 0; k < 20000; k++) {
            v = k % 3 == 0 ? chance_between(&seed, -6, 6) : v + chance_between(&seed, -1e-3, 1e-3);
            double slope, plain_slope;
            double current = sag_diode_current_near(&laws[i], v, &slope, &hint);
            double plain = sag_diode_current(&laws[i], v, &plain_slope);
            near_abs(current, plain, 1e-12 * fabs(plain) + 1e-12 * laws[i].saturation_a,
                     "without hint");
            near_abs(slope, plain_slope, 1e-12 * plain_slope, "without hint");
        }
    }
}

static void fits_go_through_their_points(void **state)
{
    (void)state;
    static const struct {
        size_t count;
        sag_forward_point points[3];
        double n; /* NAN: whatever comes out */
    } cases[] = {
        {1, {{1e-3, 0.2}}, 1},
        {1, {{1e-3, 0.6}}, 1.8},
        {1, {{1, 0.4499}}, 1},
        {2, {{1e-3, 0.2}, {1, 0.45}}, (double)NAN},
        {2, {{1e-4, 0.5}, {1e-2, 0.72}}, (double)NAN},
        {3, {{1e-4, 0.5}, {1e-2, 0.72}, {0.1, 0.9}}, (double)NAN}, /* 1n4148 in models/ */
        {3, {{1e-3, 0.14}, {0.1, 0.27}, {1, 0.39}}, (double)NAN},  /* 1n5817 */
        {3, {{1e-4, 1.6}, {2e-3, 1.8}, {2e-2, 2.1}}, (double)NAN}, /* led-red */
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_diode_law law;
        assert_int_equal(sag_diode_fit(cases[i].points, cases[i].count, (double)INFINITY, &law),
                         SAG_OK);
        assert_true(law.series_ohm > 0 && law.saturation_a > 0);
        if (!isnan(cases[i].n)) {
            near_rel(law.emission_v / SAG_THERMAL_V, cases[i].n, 1e-12, "kind of diode");
        }
        for (size_t k = 0; k < cases[i].count; k++) {
            const sag_forward_point *point = &cases[i].points[k];
            double slope, current = sag_diode_current(&law, point->voltage_v, &slope);
            /* As a voltage: what matters to a circuit. */
            double off_v = (current - point->current_a) / slope;
            near_abs(off_v, 0, 1e-6, "the data-sheet point");
        }
    }
}

static void points_that_no_diode_has_are_refused(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        size_t count;
        sag_forward_point points[3];
    } cases[] = {
        {"no points", 0, {{0, 0}}},
        {"n of 0.5", 2, {{1e-3, 0.2}, {1, 0.2 + 6.9 * 0.5 * SAG_THERMAL_V}}},
        {"n of 20", 2, {{1e-3, 0.2}, {1, 0.2 + 6.9 * 20 * SAG_THERMAL_V}}},
        {"bends the wrong way: R below 0", 3, {{1e-3, 0.2}, {1e-2, 0.4}, {0.1, 0.41}}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_diode_law law;
        if (sag_diode_fit(cases[i].points, cases[i].count, 20, &law) != SAG_BAD_INPUT) {
            print_error("%s was fitted\n", cases[i].what);
            fail();
        }
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(omega_is_lambert_w_of_the_exponential),
        cmocka_unit_test(omega_solves_its_equation_at_any_size),
        cmocka_unit_test(the_current_solves_the_law),
        cmocka_unit_test(the_slope_is_that_of_the_current),
        cmocka_unit_test(breakdown_carries_a_milliampere),
        cmocka_unit_test(a_hint_does_not_change_the_current),
        cmocka_unit_test(fits_go_through_their_points),
        cmocka_unit_test(points_that_no_diode_has_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
