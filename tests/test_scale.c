/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Colours of the supplies as eyes and printers see them, and round divisions of axes. */
#include "scale.h"

#include "near.h"

#include <string.h>

enum { MOST_SUPPLIES = 12 };

static double least(double a, double b)
{
    return a < b ? a : b;
}

static void contrast_is_that_of_the_standard(void **state)
{
    (void)state;
    near_abs(scale_contrast((scale_colour){0, 0, 0}), 21, 1e-9, "WCAG 2.1: black on white is 21:1");
    near_abs(scale_contrast((scale_colour){1, 1, 1}), 1, 1e-9, "WCAG 2.1: white on white is 1:1");
    double grey = 0x76 / 255.0;
    near_abs(scale_contrast((scale_colour){grey, grey, grey}), 4.54, 0.005,
             "common knowledge: #767676 is the lightest grey of 4.5:1");
}

static void every_supply_is_seen_on_paper(void **state)
{
    (void)state;
    for (size_t count = 1; count <= MOST_SUPPLIES; count++) {
        for (size_t rank = 0; rank < count; rank++) {
            double contrast = scale_contrast(scale_supply(rank, count).colour);
            if (contrast < 3) {
                print_error("supply %zu of %zu: contrast %.2f\n", rank, count, contrast);
            }
            assert_true(contrast >= 3);
        }
    }
}

/* CIE 1976 lightness of a luminance; L* = 116 Y^(1/3) - 16 above Y = 0.00886. */
static double lightness(scale_colour colour)
{
    return 116 * cbrt(scale_luminance(colour)) - 16;
}

static void order_shows_without_colour(void **state)
{
    (void)state;
    for (size_t count = 2; count <= MOST_SUPPLIES; count++) {
        double pitch = 100;
        for (size_t rank = 1; rank < count; rank++) {
            scale_line fresher = scale_supply(rank - 1, count), flatter = scale_supply(rank, count);
            pitch = least(pitch, lightness(flatter.colour) - lightness(fresher.colour));
            assert_true(flatter.width_pt > fresher.width_pt);
            assert_int_not_equal(flatter.dash, fresher.dash);
        }
        /* The scale has 45.5 units of lightness to share out evenly; a just visible step is 1. */
        double fair = 0.85 * 45.5 / (double)(count - 1);
        if (pitch < fair) {
            print_error("%zu supplies: least step of lightness %.1f\n", count, pitch);
        }
        assert_true(pitch >= fair);
    }
}

static double linear(double c)
{
    return c <= 0.03928 ? c / 12.92 : pow((c + 0.055) / 1.055, 2.4);
}

/* CIE L*a*b* of linear sRGB, white D65. */
static void to_lab(const double *rgb, double *lab)
{
    static const double xyz[3][3] = {{0.4124564, 0.3575761, 0.1804375},
                                     {0.2126729, 0.7151522, 0.0721750},
                                     {0.0193339, 0.1191920, 0.9503041}};
    static const double white[3] = {0.95047, 1, 1.08883};
    double f[3];
    for (int i = 0; i < 3; i++) {
        double t = 0;
        for (int k = 0; k < 3; k++) {
            t += xyz[i][k] * rgb[k] / white[i];
        }
        f[i] = t > 0.008856 ? cbrt(t) : 7.787 * t + 16.0 / 116;
    }
    lab[0] = 116 * f[1] - 16;
    lab[1] = 500 * (f[0] - f[1]);
    lab[2] = 200 * (f[1] - f[2]);
}

static double distance(scale_colour a, scale_colour b, const double eye[3][3])
{
    const scale_colour colours[2] = {a, b};
    double lab[2][3], sum = 0;
    for (int c = 0; c < 2; c++) {
        double rgb[3] = {linear(colours[c].red), linear(colours[c].green), linear(colours[c].blue)};
        double seen[3];
        for (int i = 0; i < 3; i++) {
            double part = eye[i][0] * rgb[0] + eye[i][1] * rgb[1] + eye[i][2] * rgb[2];
            seen[i] = part < 0 ? 0 : part > 1 ? 1 : part;
        }
        to_lab(seen, lab[c]);
    }
    for (int i = 0; i < 3; i++) {
        sum += (lab[0][i] - lab[1][i]) * (lab[0][i] - lab[1][i]);
    }
    return sqrt(sum);
}

static void any_two_of_five_differ_to_every_eye(void **state)
{
    (void)state;
    /* Published matrices for total loss of one kind of cone, on linear sRGB (from memory). */
    static const double eyes[4][3][3] = {{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
                                         {{0.152286, 1.052583, -0.204868},
                                          {0.114503, 0.786281, 0.099216},
                                          {-0.003882, -0.048116, 1.051998}},
                                         {{0.367322, 0.860646, -0.227968},
                                          {0.280085, 0.672501, 0.047413},
                                          {-0.011820, 0.042940, 0.968881}},
                                         {{1.255528, -0.076749, -0.178779},
                                          {-0.078411, 0.930809, 0.147602},
                                          {0.004733, 0.691367, 0.303900}}};
    for (int eye = 0; eye < 4; eye++) {
        for (size_t i = 0; i < 5; i++) {
            for (size_t k = 0; k < i; k++) {
                double apart =
                    distance(scale_supply(i, 5).colour, scale_supply(k, 5).colour, eyes[eye]);
                if (apart < 10) {
                    print_error("eye %d: supplies %zu and %zu are %.1f apart\n", eye, i, k, apart);
                }
                /* Common practice: 10 and more are told apart at a glance. */
                assert_true(apart >= 10);
            }
        }
    }
}

static void dashes_repeat_evenly(void **state)
{
    (void)state;
    double pattern[SCALE_DASH_LENGTHS];
    assert_int_equal(scale_dash_lengths(SCALE_SOLID, pattern), 0);
    for (scale_dash dash = SCALE_LONG_DASH; dash < SCALE_DASH_COUNT; dash++) {
        assert_int_equal(scale_dash_lengths(dash, pattern), SCALE_DASH_LENGTHS);
        for (size_t i = 0; i < SCALE_DASH_LENGTHS; i++) {
            assert_true(pattern[i] > 0);
        }
    }
    for (size_t i = 1; i < 5; i++) {
        assert_int_not_equal(scale_family_dash(i), scale_family_dash(i - 1));
    }
}

static void ranges_are_round(void **state)
{
    (void)state;
    static const struct {
        double low, high, least;
        int most;
        double from, to, step;
    } cases[] = {{-17.8, 16.9, 10, 5, -20, 20, 10},
                 {-16.8, 17.0, 10, 12, -20, 20, 5},
                 {0, 20, 10, 10, 0, 20, 2},
                 {-20.0000001, 20, 10, 8, -20, 20, 5},
                 {2.8, 2.8, 10, 12, -3, 8, 1},
                 {4.3, 9.4, 1, 12, 4, 9.5, 0.5},
                 {0, 0.0123, 1e-9, 8, 0, 0.014, 0.002},
                 {1.5e6, 9e6, 1, 10, 1e6, 9e6, 1e6},
                 {-25.4, -25.3, 10, 12, -31, -20, 1},
                 {(double)NAN, 1, 1, 10, 0, 1, 0.1},
                 {(double)INFINITY, -(double)INFINITY, 1, 10, 0, 1, 0.1}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        scale_range r =
            scale_round_range(cases[i].low, cases[i].high, cases[i].least, cases[i].most);
        near_abs(r.step, cases[i].step, 1e-12 * cases[i].step, "1, 2 or 5 times a power of ten");
        near_abs(r.low, cases[i].from, 1e-9 * cases[i].step, "multiple of the step");
        near_abs(r.high, cases[i].to, 1e-9 * cases[i].step, "multiple of the step");
    }
}

static void ranges_hold_what_they_are_given(void **state)
{
    (void)state;
    for (int most = 1; most <= 20; most++) {
        for (double width = 1e-7; width < 1e9; width *= 1.7) {
            for (double low = -3.3 * width; low < 3 * width; low += 0.37 * width) {
                scale_range r = scale_round_range(low, low + width, width / 2, most);
                assert_true(r.low <= low + 2e-6 * r.step);
                assert_true(r.high >= low + width - 2e-6 * r.step);
                assert_true((r.high - r.low) / r.step < most + 1.5);
            }
        }
    }
}

static void frequencies_are_labelled_in_ones_twos_and_fives(void **state)
{
    (void)state;
    static const double audio[] = {20, 50, 100, 200, 500, 1e3, 2e3, 5e3, 10e3, 20e3};
    double ticks[64];
    size_t count = scale_log_ticks(20, 20e3, ticks, 64);
    assert_int_equal(count, 10);
    for (size_t i = 0; i < count; i++) {
        near_rel(ticks[i], audio[i], 1e-12, "design: 20, 50, 100 ... 20k");
    }
    assert_int_equal(scale_log_ticks(1, 1e6, ticks, 64), 19);
    assert_int_equal(scale_log_ticks(210, 240, ticks, 64), 0);
    assert_int_equal(scale_log_ticks(1, 1e300, ticks, 64), 64);
    assert_int_equal(scale_log_ticks(0, 10, ticks, 64), 0);
    assert_int_equal(scale_log_ticks((double)NAN, 10, ticks, 64), 0);
    assert_int_equal(scale_log_ticks(10, (double)INFINITY, ticks, 64), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(contrast_is_that_of_the_standard),
        cmocka_unit_test(every_supply_is_seen_on_paper),
        cmocka_unit_test(order_shows_without_colour),
        cmocka_unit_test(any_two_of_five_differ_to_every_eye),
        cmocka_unit_test(dashes_repeat_evenly),
        cmocka_unit_test(ranges_are_round),
        cmocka_unit_test(ranges_hold_what_they_are_given),
        cmocka_unit_test(frequencies_are_labelled_in_ones_twos_and_fives),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
