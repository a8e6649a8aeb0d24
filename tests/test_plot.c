/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Labels of a picture: none covers another, the order is kept, and each curve has one. */
#include "plot.h"
#include "plot_private.h"
#include "spread.h"

#include "chance.h"
#include "near.h"

#include <stdio.h>
#include <string.h>

enum { MOST = 40 };

static void few_labels_are_placed_as_by_hand(void **state)
{
    (void)state;
    static const struct {
        size_t count;
        double target[4], place[4];
    } cases[] = {
        {1, {50}, {50}},
        {2, {20, 60}, {20, 60}},
        {2, {50, 50}, {45, 55}},
        {3, {50, 50, 50}, {40, 50, 60}},
        {2, {50, 53}, {46.5, 56.5}},
        {3, {0, 0, 30}, {0, 10, 30}}, /* against the edge */
        {2, {120, 130}, {90, 100}},
        {4, {20, 22, 70, 71}, {16, 26, 65.5, 75.5}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double place[4];
        spread_labels(cases[i].target, cases[i].count, 10, 0, 100, place);
        for (size_t k = 0; k < cases[i].count; k++) {
            near_abs(place[k], cases[i].place[k], 1e-9, "least squared shifts, by hand");
        }
    }
    spread_labels(NULL, 0, 10, 0, 100, NULL);
}

static double shifts(const double *target, const double *place, size_t count)
{
    double sum = 0;
    for (size_t i = 0; i < count; i++) {
        sum += (place[i] - target[i]) * (place[i] - target[i]);
    }
    return sum;
}

static void labels_never_collide(void **state)
{
    (void)state;
    uint64_t seed = 20;
    for (int run = 0; run < 3000; run++) {
        size_t count = 1 + (size_t)chance_index(&seed, MOST);
        double target[MOST] = {0}, place[MOST], other[MOST];
        double pitch = 100.0 / (double)count * chance(&seed), at = chance_between(&seed, -20, 60);
        for (size_t i = 0; i < count; i++) {
            target[i] = at;
            at += chance(&seed) < 0.4 ? 0 : 8 * chance(&seed);
        }
        spread_labels(target, count, pitch, 0, 100, place);
        for (size_t i = 0; i < count; i++) {
            assert_true(place[i] >= -1e-9 && place[i] <= 100 + 1e-9);
            assert_true(i == 0 || place[i] - place[i - 1] >= pitch - 1e-9);
        }
        /* No other allowed placing in between this and the targets shifts them less. */
        for (int trial = 0; trial < 20; trial++) {
            double middle = chance(&seed) * 100 - pitch * (double)(count - 1) / 2;
            for (size_t i = 0; i < count; i++) {
                double even = middle + pitch * (double)i;
                even = fmin(fmax(even, pitch * (double)i), 100 - pitch * (double)(count - 1 - i));
                other[i] = place[i] + 0.01 * (even - place[i]);
            }
            assert_true(shifts(target, other, count) >= shifts(target, place, count) - 1e-9);
        }
    }
}

static void too_many_labels_are_spread_evenly(void **state)
{
    (void)state;
    double target[5] = {1, 1, 1, 1, 1}, place[5];
    spread_labels(target, 5, 30, 0, 100, place);
    for (int i = 0; i < 5; i++) {
        near_abs(place[i], 25 * i, 1e-9, "promise of spread.h");
    }
}

static const scale_line line = {{0, 0, 0}, 1, SCALE_SOLID};

static const plot_frame frame = {.left = 30,
                                 .top = 20,
                                 .width = 300,
                                 .height = 100,
                                 .label_room = 60,
                                 .number_room = 30,
                                 .text_pt = 7,
                                 .x_labels = 1};

/* A curve from (20, from) to (20k, to) with a point in the middle. */
static void add_curve(plot *p, const char *name, const char *unit, double from, double middle,
                      double to)
{
    plot_curve(p, &line, name, unit);
    plot_point(p, 20, from);
    plot_point(p, 632.4555320336759, middle); /* the geometric mean */
    plot_point(p, 20e3, to);
}

static size_t find(const plot *p, int left, plot_end *ends)
{
    plot_axis x = plot_log_axis("frequency, Hz", 20, 20e3);
    plot_axis y = plot_linear_axis("gain, dB", -20, 20, 10, 6);
    plot_frame f = frame;
    f.labels_left = left;
    plot_panel panel = {&x, &y, &f};
    return plot_find_ends(p, &panel, ends);
}

static void ends_are_labelled_from_top_to_bottom(void **state)
{
    (void)state;
    plot_end ends[8];
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    add_curve(p, "18", "V", 0, 0, 10);
    add_curve(p, "9", "V", 0, 5, 12);
    add_curve(p, "7", "V", 0, -5, 12.1);
    add_curve(p, "5", "V", 0, 8, -15);
    assert_int_equal(find(p, 0, ends), 4);
    static const char *const order[] = {"7 V", "9 V", "18 V", "5 V"};
    for (size_t i = 0; i < 4; i++) {
        assert_string_equal(ends[i].text, order[i]);
        assert_true(i == 0 || ends[i].place - ends[i - 1].place >= 1.15 * 7 - 1e-9);
        assert_true(ends[i].place >= 20 && ends[i].place <= 120);
        near_abs(ends[i].x, 330, 1e-9, "right edge of the frame");
    }
    near_abs(ends[3].place, 20 + 100 * 35 / 40.0, 1e-9,
             "free label: at its curve, 35 dB of 40 down");
    plot_free(p);
}

static void curves_that_cannot_be_told_apart_share_a_label(void **state)
{
    (void)state;
    plot_end ends[8];
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    add_curve(p, "-40", "dBV", 5, 2, 10);
    add_curve(p, "-30", "dBV", 5, 2.001, 10);
    add_curve(p, "-20", "dBV", 5, 2, 9.999);
    add_curve(p, "-10", "dBV", 5, -3, 10); /* another way to the same end */
    add_curve(p, "soft", NULL, 5, -3, 10); /* another kind of name */
    add_curve(p, "normal", NULL, 5, -3, 10);
    assert_int_equal(find(p, 0, ends), 3);
    assert_string_equal(ends[0].text, "-40 to -20 dBV");
    assert_string_equal(ends[1].text, "-10 dBV");
    assert_string_equal(ends[2].text, "soft, normal");
    plot_free(p);
}

static void gaps_move_the_end(void **state)
{
    (void)state;
    plot_end ends[8];
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    add_curve(p, "ends early", NULL, 5, 2, (double)NAN);
    add_curve(p, "starts late", NULL, (double)NAN, 12, 15);
    add_curve(p, "nothing", NULL, (double)NAN, (double)NAN, (double)INFINITY);
    plot_curve(p, &line, "empty", NULL);
    add_curve(p, NULL, NULL, 1, 1, 1); /* without a label */
    assert_int_equal(find(p, 0, ends), 2);
    assert_string_equal(ends[0].text, "starts late");
    assert_string_equal(ends[1].text, "ends early");
    near_abs(ends[1].x, 180, 1e-6, "the middle of a log axis is the geometric mean");
    near_abs(ends[1].y, 20 + 100 * 18 / 40.0, 1e-9, "2 dB on an axis from 20 to -20 dB");
    assert_int_equal(find(p, 1, ends), 2);
    assert_string_equal(ends[0].text, "starts late");
    near_abs(ends[0].x, 180, 1e-6, "the left end lies in the middle");
    plot_free(p);
}

static void labels_that_do_not_fit_are_thinned(void **state)
{
    (void)state;
    static plot_end ends[100];
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    char name[16];
    for (int i = 0; i < 100; i++) {
        snprintf(name, sizeof name, "%d", i);
        add_curve(p, name, "V", 15 - 0.35 * i, 0, 15 - 0.35 * i);
    }
    size_t count = find(p, 0, ends);
    assert_true(count >= 10 && count <= 13);
    assert_string_equal(ends[0].text, "0 V");
    assert_string_equal(ends[count - 1].text, "99 V");
    for (size_t i = 1; i < count; i++) {
        assert_true(ends[i].place - ends[i - 1].place >= 1.15 * 7 - 1e-9);
    }
    plot_free(p);
}

static void a_fan_is_labelled_where_it_is_open(void **state)
{
    (void)state;
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    add_curve(p, "0", "%", -17, 0, 0);
    add_curve(p, "50", "%", 0, 0, 0.01);
    add_curve(p, "100", "%", 17, 0, -0.01);
    plot_axis x = plot_log_axis("frequency, Hz", 20, 20e3);
    plot_axis y = plot_linear_axis("gain, dB", -20, 20, 10, 6);
    plot_frame f = frame;
    double right = plot_crowding(p, &x, &y, &f);
    f.labels_left = 1;
    double left = plot_crowding(p, &x, &y, &f);
    near_abs(left, 0, 1e-9, "the left ends are far apart");
    near_abs(right, 2 * 1.15 * 7, 0.3, "three labels at one end: two move by one pitch each");
    plot_free(p);
}

static void values_lie_where_the_axis_says(void **state)
{
    (void)state;
    plot_axis x = plot_log_axis("frequency, Hz", 20, 20e3);
    plot_axis y = plot_linear_axis("gain, dB", -20, 20, 10, 6);
    plot_panel panel = {&x, &y, &frame};
    near_abs(plot_at_x(&panel, 20), 30, 1e-9, "left edge");
    near_abs(plot_at_x(&panel, 200), 130, 1e-9, "a third of three decades");
    near_abs(plot_at_x(&panel, 20e3), 330, 1e-9, "right edge");
    near_abs(plot_from_x(&panel, 130), 200, 1e-9, "inverse");
    near_abs(plot_at_y(&panel, 20), 20, 1e-9, "top edge");
    near_abs(plot_at_y(&panel, -20), 120, 1e-9, "bottom edge");
    assert_true(plot_at_y(&panel, -1e300) < 1000 && plot_at_y(&panel, 1e300) > -1000);
    assert_true(plot_at_x(&panel, 0) > -1000 && plot_at_x(&panel, -5) > -1000);
}

static void ranges_come_from_curves_bands_and_what_is_included(void **state)
{
    (void)state;
    plot *p = plot_new(NULL, NULL);
    assert_non_null(p);
    plot_extent extent = plot_no_extent();
    plot_extend(p, &extent);
    assert_true(extent.x_low > extent.x_high);
    add_curve(p, "9", "V", -3, (double)NAN, 4);
    plot_reference(p, "hard");
    plot_point(p, 1, -100);
    plot_horizontal(p, 50, "far");
    plot_band(p, line.colour, NULL);
    plot_band_point(p, 30, -5, 6);
    plot_band_point(p, 40, (double)NAN, 60);
    plot_extend(p, &extent);
    near_abs(extent.x_low, 20, 0, "first point of the curve");
    near_abs(extent.x_high, 20e3, 0, "last point of the curve");
    near_abs(extent.y_low, -5, 0, "lower bound of the band");
    near_abs(extent.y_high, 6, 0, "upper bound of the band");
    plot_include(p, 9);
    plot_include(p, (double)NAN);
    plot_extend(p, &extent);
    near_abs(extent.y_high, 9, 0, "included");
    assert_false(plot_failed(p));
    plot_free(p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(few_labels_are_placed_as_by_hand),
        cmocka_unit_test(labels_never_collide),
        cmocka_unit_test(too_many_labels_are_spread_evenly),
        cmocka_unit_test(ends_are_labelled_from_top_to_bottom),
        cmocka_unit_test(curves_that_cannot_be_told_apart_share_a_label),
        cmocka_unit_test(gaps_move_the_end),
        cmocka_unit_test(labels_that_do_not_fit_are_thinned),
        cmocka_unit_test(a_fan_is_labelled_where_it_is_open),
        cmocka_unit_test(values_lie_where_the_axis_says),
        cmocka_unit_test(ranges_come_from_curves_bands_and_what_is_included),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
