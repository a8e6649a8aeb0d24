/* SPDX-License-Identifier: GPL-3.0-or-later */
/* smooth_lanes: tanh and the ramp against long double, their joints, and the same bits at both
 * widths. */
#include "near.h"

#include "chance.h"

#define LANE_WIDTH 1
#include "smooth_points.h"
#include "stage.h"

#include <gsl/gsl_errno.h>
#include <stdlib.h>
#include <string.h>

void smooth_run_1(const double *x, size_t count, double knee, smooth_values *values)
{
    smooth_run(x, count, knee, values);
}

/* Errors over this many points in each range. */
#define POINTS 200000

static void tanh_is_right_to_a_few_units_in_the_last_place(void **state)
{
    (void)state;
    static const struct {
        double low, high, worst; /* |x|, relative error */
    } ranges[] = {
        {1e-300, 1e-3, 4.5e-16}, /* two roundings and one of the quotient; measured 3.8e-16 */
        {1e-3, 0.5, 6e-16}, /* and what the fraction leaves out; measured 5.3e-16, next to 0.5 */
        {0.5, 22, 4e-16},   /* 1 to the exponential; measured 3.7e-16 */
        {22, 1e300, 1e-18}, /* 1 to the last bit of a double */
    };
    uint64_t seed = 1;
    for (size_t r = 0; r < sizeof ranges / sizeof *ranges; r++) {
        double worst = 0, worst_slope = 0, worst_x = 0;
        for (int i = 0; i < POINTS; i++) {
            double x = exp(chance_between(&seed, log(ranges[r].low), log(ranges[r].high)));
            x = chance(&seed) < 0.5 ? -x : x;
            lane sech2;
            double t = lane_tanh(x, &sech2);
            long double exact = tanhl((long double)x);
            double error = (double)fabsl(((long double)t - exact) / exact);
            if (error > worst) {
                worst = error;
                worst_x = x;
            }
            worst_slope =
                fmax(worst_slope, (double)fabsl((long double)sech2 - (1 - exact * exact)));
        }
        if (!(worst <= ranges[r].worst)) {
            print_error("worst relative error %.3g at %.17g\n", worst, worst_x);
        }
        near_abs(worst, 0, ranges[r].worst, "tanh in long double");
        near_abs(worst_slope, 0, 1e-15, "1 - tanh^2 in long double");
    }
}

static void tanh_has_no_surprises(void **state)
{
    (void)state;
    lane sech2;
    near_abs(lane_tanh(0, &sech2), 0, 0, "odd");
    near_abs(sech2, 1, 0, "slope at 0");
    near_abs(lane_tanh((double)INFINITY, &sech2), 1, 0, "limit");
    near_abs(sech2, 0, 0, "limit");
    near_abs(lane_tanh(-(double)INFINITY, &sech2), -1, 0, "limit");
    near_abs(lane_tanh(5e-324, &sech2), 5e-324, 0, "x for the smallest x");
    assert_true(isnan(lane_tanh((double)NAN, &sech2)));
    /* Where the two ways of computing meet, the function still rises, and by no jump. */
    double before = 0;
    for (double x = 0.4999999; x < 0.5000001; x += 1e-10) {
        double t = lane_tanh(x, &sech2);
        assert_true(t > before);
        assert_true(x < 0.49999991 || t - before < 1e-10);
        before = t;
    }
    uint64_t seed = 2;
    for (int i = 0; i < 10000; i++) {
        double x = chance_decades(&seed, -10, 3), other;
        near_abs(lane_tanh(-x, &other), -lane_tanh(x, &sech2), 0, "odd");
        near_abs(other, sech2, 0, "even");
    }
}

static void atanh_is_right_to_a_few_units_in_the_last_place(void **state)
{
    (void)state;
    static const struct {
        double low, high, worst; /* 1 - |x| falls as much as |x| rises; relative error */
    } ranges[] = {
        {1e-300, 0.1, 3.5e-16},  /* measured 3.0e-16 */
        {0.1, 0.9, 7.5e-16},     /* z has three roundings; measured 7.0e-16 */
        {0.9, 1 - 1e-12, 2e-16}, /* mostly ln 2; measured 1.3e-16 */
    };
    uint64_t seed = 5;
    for (size_t r = 0; r < sizeof ranges / sizeof *ranges; r++) {
        double worst = 0, worst_x = 0;
        for (int i = 0; i < POINTS; i++) {
            double x = r == 2 ? 1 - exp(chance_between(&seed, log(1.01e-12), log(0.1)))
                              : exp(chance_between(&seed, log(ranges[r].low), log(ranges[r].high)));
            x = chance(&seed) < 0.5 ? -x : x;
            long double exact = atanhl((long double)x);
            double error = (double)fabsl(((long double)lane_atanh(x) - exact) / exact);
            if (error > worst) {
                worst = error;
                worst_x = x;
            }
        }
        if (!(worst <= ranges[r].worst)) {
            print_error("worst relative error %.3g at %.17g\n", worst, worst_x);
        }
        near_abs(worst, 0, ranges[r].worst, "atanh in long double");
    }
}

static void atanh_ends_at_one(void **state)
{
    (void)state;
    near_abs(lane_atanh(0), 0, 0, "odd");
    near_abs(lane_atanh(5e-324), 5e-324, 0, "x for the smallest x");
    static const double ends[] = {1 - 1e-12, 1, 1.5, 1e300, (double)INFINITY};
    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++) {
        assert_true(lane_atanh(ends[i]) == (double)INFINITY);
        assert_true(lane_atanh(-ends[i]) == -(double)INFINITY);
    }
    /* Where the power of two changes, the function still rises. */
    double before = -1;
    for (double x = 0; x < 0.999; x += 1e-5) {
        double found = lane_atanh(x), sech2;
        assert_true(found > before);
        near_abs(lane_tanh(found, &sech2), x, 4e-16, "its inverse");
        before = found;
    }
}

static long double ramp_exactly(long double u, long double k)
{
    return u <= -k ? 0 : u >= k ? u : (u + k) * (u + k) * (u + k) * (3 * k - u) / (16 * k * k * k);
}

static void the_ramp_is_its_formula(void **state)
{
    (void)state;
    uint64_t seed = 3;
    for (int i = 0; i < POINTS; i++) {
        double k = fabs(chance_decades(&seed, -4, 1)), u = k * chance_between(&seed, -1.5, 1.5),
               slope;
        double r = lane_ramp(u, k, &slope);
        near_abs(r, (double)ramp_exactly((long double)u, (long double)k), 1e-15 * k,
                 "the polynomial in long double");
        assert_true(r >= 0 && r >= u - 1e-15 * k && slope >= 0 && slope <= 1 + 1e-15);
        double step = 1e-5 * k, unused;
        double difference =
            (lane_ramp(u + step, k, &unused) - lane_ramp(u - step, k, &unused)) / (2 * step);
        near_abs(slope, difference, 1e-9, "central difference");
    }
}

/* Value, slope and curvature meet at both ends of the knee. */
static void the_ramp_joins_with_two_derivatives(void **state)
{
    (void)state;
    static const double knees[] = {1e-4, 0.01, 1};
    for (size_t i = 0; i < 3; i++) {
        double k = knees[i], d = 1e-6 * k, slope[3];
        for (int side = -1; side <= 1; side += 2) {
            double r = lane_ramp(side * k, k, &slope[0]);
            near_abs(r, side < 0 ? 0 : k, 0, "the straight line");
            near_abs(slope[0], side < 0 ? 0 : 1, 0, "the straight line");
            lane_ramp(side * k - d, k, &slope[1]);
            lane_ramp(side * k + d, k, &slope[2]);
            near_abs((slope[2] - slope[0]) / d * k, 0, 1e-5, "no curvature outside the knee");
            near_abs((slope[0] - slope[1]) / d * k, 0, 1e-5, "no curvature at its ends");
        }
        lane_ramp(-d, k, &slope[1]);
        lane_ramp(d, k, &slope[2]);
        near_abs((slope[2] - slope[1]) / (2 * d) * k, 0.75, 1e-5, "derivative of the polynomial");
    }
}

static void limits_are_met_where_the_constants_say(void **state)
{
    (void)state;
    double slope, k = 0.02;
    near_rel(lane_ramp(SAG_RAMP_MET * k, k, &slope) / k, SAG_CLAMP_MET, 1e-8, "stage.h");
    lane sech2;
    near_abs(lane_tanh(SAG_SLEW_MET, &sech2), 0.9, 1e-15, "stage.h");
}

/* Ordinary numbers, tiny and huge ones, and those next to where formulas change, mixed in each
 * group of four. */
static void both_widths_give_the_same_bits(void **state)
{
    (void)state;
    static const double odd[] = {0,
                                 -0.0,
                                 0.5,
                                 -0.5,
                                 0.49999999999999994,
                                 1,
                                 -1,
                                 (double)INFINITY,
                                 -(double)INFINITY,
                                 5e-324,
                                 1e308,
                                 20.5,
                                 0.0125,
                                 -0.0125};
    enum { COUNT = 40000 };
    uint64_t seed = 4;
    double *x = calloc(COUNT, sizeof *x);
    smooth_values *one = calloc(COUNT, sizeof *one), *four = calloc(COUNT, sizeof *four);
    assert_true(x && one && four);
    for (int i = 0; i < COUNT; i++) {
        int kind = chance_index(&seed, 4);
        x[i] = kind == 0   ? chance_decades(&seed, -300, 300)
               : kind == 1 ? odd[chance_index(&seed, sizeof odd / sizeof *odd)]
                           : chance_decades(&seed, -4, 2);
    }
    static const double knees[] = {0.0125, 1, 3e-4};
    for (size_t i = 0; i < 3; i++) {
        smooth_run_1(x, COUNT, knees[i], one);
        smooth_run_4(x, COUNT, knees[i], four);
        for (int k = 0; k < COUNT; k++) {
            if (memcmp(&one[k], &four[k], sizeof *one) != 0) {
                print_error("differs at %.17g\n", x[k]);
                fail();
            }
        }
    }
    free(x);
    free(one);
    free(four);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tanh_is_right_to_a_few_units_in_the_last_place),
        cmocka_unit_test(tanh_has_no_surprises),
        cmocka_unit_test(atanh_is_right_to_a_few_units_in_the_last_place),
        cmocka_unit_test(atanh_ends_at_one),
        cmocka_unit_test(the_ramp_is_its_formula),
        cmocka_unit_test(the_ramp_joins_with_two_derivatives),
        cmocka_unit_test(limits_are_met_where_the_constants_say),
        cmocka_unit_test(both_widths_give_the_same_bits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
