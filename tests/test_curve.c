/* SPDX-License-Identifier: GPL-3.0-or-later */
/* curve: through the points, in between without overshoot, smooth; and the drop over current and
 * supply. */
#include "near.h"

#include "chance.h"
#include "curve.h"

#include <gsl/gsl_errno.h>

#define MOST 12

typedef struct {
    const char *what;
    size_t count;
    double x[MOST], y[MOST];
} curve_table;

static const curve_table tables[] = {
    {"one point", 1, {5}, {2}},
    {"two points", 2, {1, 3}, {4, -4}},
    {"a corner", 3, {0, 1, 2}, {0, 0, 1}},
    {"supply current over supply", 6, {2.7, 4, 6, 10, 12, 30}, {0.41, 0.56, 0.81, 0.89, 0.9, 1}},
    {"open-circuit voltage, falling", 5, {0, 0.02, 0.05, 0.5, 1}, {9.55, 9.1, 8.78, 7.71, 5.04}},
    {"up and down", 5, {-2, -1, 0, 1, 2}, {0, 3, 3, -1, 5}},
    {"far apart", 4, {1e-6, 1e-3, 1, 1000}, {1e-9, 1, 2, 1e9}},
};

#define ON_A_POINT "the table itself"
#define DIFFERENCE "central difference"

static void curves_pass_through_their_points(void **state)
{
    (void)state;
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        sag_curve curve;
        assert_int_equal(sag_curve_make(&curve, tables[t].x, tables[t].y, tables[t].count), SAG_OK);
        for (size_t i = 0; i < tables[t].count; i++) {
            near_abs(sag_curve_at(&curve, tables[t].x[i], NULL), tables[t].y[i],
                     1e-12 * fabs(tables[t].y[i]) + 1e-14, ON_A_POINT);
        }
        sag_curve_clear(&curve);
        sag_curve_clear(&curve); /* clearing twice is harmless */
    }
}

static void curves_are_held_at_their_ends(void **state)
{
    (void)state;
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        const curve_table *table = &tables[t];
        sag_curve curve;
        assert_int_equal(sag_curve_make(&curve, table->x, table->y, table->count), SAG_OK);
        static const double beyond[] = {1e-9, 1, 1e6, (double)INFINITY};
        for (size_t i = 0; i < sizeof beyond / sizeof *beyond; i++) {
            double slope = 7;
            near_abs(sag_curve_at(&curve, table->x[0] - beyond[i], &slope), table->y[0], 0,
                     ON_A_POINT);
            near_abs(slope, 0, 0, "a curve is held");
            slope = 7;
            near_abs(sag_curve_at(&curve, table->x[table->count - 1] + beyond[i], &slope),
                     table->y[table->count - 1], 0, ON_A_POINT);
            near_abs(slope, 0, 0, "a curve is held");
        }
        sag_curve_clear(&curve);
    }
}

/* Between two points the curve goes from one to the other without turning back. */
static void curves_are_monotone_between_points(void **state)
{
    (void)state;
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        const curve_table *table = &tables[t];
        sag_curve curve;
        assert_int_equal(sag_curve_make(&curve, table->x, table->y, table->count), SAG_OK);
        for (size_t i = 0; i + 1 < table->count; i++) {
            double rise = table->y[i + 1] - table->y[i], before = table->y[i];
            for (int k = 1; k <= 200; k++) {
                double x = table->x[i] + (table->x[i + 1] - table->x[i]) * k / 200.0, slope;
                double y = sag_curve_at(&curve, x, &slope);
                double rounding = 1e-14 * (fabs(y) + fabs(table->y[i]));
                assert_true(rise >= 0 ? y >= before - rounding : y <= before + rounding);
                assert_true(rise >= 0 ? slope >= -1e-12 : slope <= 1e-12);
                before = y;
            }
        }
        sag_curve_clear(&curve);
    }
}

static void slopes_are_those_of_the_curve(void **state)
{
    (void)state;
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        const curve_table *table = &tables[t];
        sag_curve curve;
        assert_int_equal(sag_curve_make(&curve, table->x, table->y, table->count), SAG_OK);
        for (size_t i = 0; i + 1 < table->count; i++) {
            double h = table->x[i + 1] - table->x[i];
            double steepest = 6 * fabs(table->y[i + 1] - table->y[i]) / h;
            for (int k = 1; k < 20; k++) {
                double x = table->x[i] + h * k / 20.0, d = 1e-5 * h, slope;
                sag_curve_at(&curve, x, &slope);
                double by_difference =
                    (sag_curve_at(&curve, x + d, NULL) - sag_curve_at(&curve, x - d, NULL)) /
                    (2 * d);
                near_abs(slope, by_difference, 1e-6 * steepest + 1e-9, DIFFERENCE);
            }
        }
        /* Continuous at inner points: the slopes of both sides meet. */
        for (size_t i = 1; i + 1 < table->count; i++) {
            double below, above, left = table->x[i] - table->x[i - 1],
                                 right = table->x[i + 1] - table->x[i];
            sag_curve_at(&curve, table->x[i] - 1e-7 * left, &below);
            sag_curve_at(&curve, table->x[i] + 1e-7 * right, &above);
            double steepest = fabs(table->y[i] - table->y[i - 1]) / left +
                              fabs(table->y[i + 1] - table->y[i]) / right;
            near_abs(below, above, 1e-5 * steepest + 1e-9, "both sides of a point");
        }
        sag_curve_clear(&curve);
    }
}

/* ---- the drop ---- */

static const sag_drop_point ragged[] = {
    /* supply, current, drop: rows with currents of their own, in no order; the drop falls and rises
     * with the supply */
    {10, 2e-3, 0.7, NULL},    {10, 1e-5, 0.54, NULL},  {4.5, 8.6e-3, 1.34, NULL},
    {4.5, 1e-5, 0.69, NULL},  {36, 8.6e-3, 0.8, NULL}, {4.5, 7.5e-4, 0.75, NULL},
    {10, 8.6e-3, 1.18, NULL}, {36, 3e-2, 2.41, NULL},  {36, 1e-5, 0.16, NULL}};
static const sag_drop_point everywhere[] = {
    {(double)NAN, 1e-3, 1.5, NULL}, {(double)NAN, 5e-3, 3, NULL}, {(double)NAN, 2e-2, 3.5, NULL}};
static const sag_drop_point one_point[] = {{(double)NAN, 1e-3, 1.3, NULL}};
static const sag_drop_point one_current[] = {
    {30, 7e-4, 1.5, NULL}, {10, 7e-4, 1.1, NULL}, {5, 7e-4, 0.7, NULL}};
static const sag_drop_point one_row[] = {{10, 1e-3, 1, NULL}, {10, 2e-3, 1.2, NULL}};

typedef struct {
    const char *what;
    const sag_drop_point *points;
    size_t count;
} drop_case;

static const drop_case drops[] = {
    {"ragged", ragged, 9},           {"all supplies", everywhere, 3}, {"one point", one_point, 1},
    {"one current", one_current, 3}, {"one row", one_row, 2},
};
#define DROPS (sizeof drops / sizeof *drops)

static sag_drop_surface make(const drop_case *drop)
{
    sag_drop_surface surface;
    assert_int_equal(sag_drop_surface_make(&surface, drop->points, drop->count), SAG_OK);
    return surface;
}

static double at(const sag_drop_surface *surface, double current_a, double supply_v)
{
    double by_current, by_supply;
    return sag_drop_at(surface, current_a, supply_v, &by_current, &by_supply);
}

static void drops_are_exact_at_their_points(void **state)
{
    (void)state;
    for (size_t d = 0; d < DROPS; d++) {
        sag_drop_surface surface = make(&drops[d]);
        for (size_t i = 0; i < drops[d].count; i++) {
            const sag_drop_point *point = &drops[d].points[i];
            static const double any[] = {0.1, 3, 9, 100};
            for (size_t k = 0; k < (isnan(point->supply_v) ? 4 : 1); k++) {
                double supply = isnan(point->supply_v) ? any[k] : point->supply_v;
                near_abs(at(&surface, point->current_a, supply), point->drop_v, 1e-14, ON_A_POINT);
            }
        }
        sag_drop_surface_clear(&surface);
    }
}

static void drops_go_on_beyond_the_table_as_promised(void **state)
{
    (void)state;
    for (size_t d = 0; d < DROPS; d++) {
        sag_drop_surface surface = make(&drops[d]);
        double lowest = (double)INFINITY, highest = 0, last_a = 0;
        for (size_t i = 0; i < drops[d].count; i++) {
            double supply = drops[d].points[i].supply_v;
            lowest = isnan(supply) ? 0 : fmin(lowest, supply);
            highest = isnan(supply) ? 0 : fmax(highest, supply);
            last_a = fmax(last_a, drops[d].points[i].current_a);
        }
        for (double current = -2 * last_a; current < 3 * last_a; current += last_a / 17) {
            near_abs(at(&surface, current, highest + 5), at(&surface, current, highest), 1e-15,
                     "held above the last supply");
            if (lowest > 0) {
                double first = at(&surface, current, lowest);
                near_abs(at(&surface, current, lowest / 3), first / 3, 1e-14, "in proportion");
                near_abs(at(&surface, current, 0), 0, 0, "in proportion");
                near_abs(at(&surface, current, -2), 0, 0, "no supply, no drop");
            }
        }
        for (double supply = 1; supply < 40; supply += 1.7) {
            double by_current, by_supply, slope;
            double end = sag_drop_at(&surface, last_a, supply, &slope, &by_supply);
            double further = sag_drop_at(&surface, 4 * last_a, supply, &by_current, &by_supply);
            near_abs(further, end + 3 * last_a * slope, 1e-12, "straight beyond the last current");
            near_abs(by_current, slope, 1e-9, "straight beyond the last current");
            near_abs(at(&surface, -1, supply), at(&surface, 0, supply), 0, "held below the first");
        }
        sag_drop_surface_clear(&surface);
    }
    /* A row's own ends, not those of the others: 10 V begins at 10 uA and ends at 8.6 mA. */
    sag_drop_surface surface = make(&drops[0]);
    near_abs(at(&surface, 0, 10), 0.54, 0, "held below the first current");
    double slope = (at(&surface, 8.7e-3, 10) - 1.18) / 1e-4;
    near_abs(at(&surface, 30e-3, 10), 1.18 + slope * 21.4e-3, 1e-11,
             "straight beyond the last current");
    sag_drop_surface_clear(&surface);
}

static void derivatives_are_those_of_the_drop(void **state)
{
    (void)state;
    for (size_t d = 0; d < DROPS; d++) {
        sag_drop_surface surface = make(&drops[d]);
        for (double supply = 0.5; supply < 45; supply *= 1.0731) {
            for (double current = -1e-3; current < 50e-3; current += 0.771e-4) {
                double by_current, by_supply, step_a = 1e-9, step_v = 1e-6;
                sag_drop_at(&surface, current, supply, &by_current, &by_supply);
                double over_a = (at(&surface, current + step_a, supply) -
                                 at(&surface, current - step_a, supply)) /
                                (2 * step_a);
                double over_v = (at(&surface, current, supply + step_v) -
                                 at(&surface, current, supply - step_v)) /
                                (2 * step_v);
                near_abs(by_current, over_a, 1e-5 * fabs(by_current) + 1e-3, DIFFERENCE);
                near_abs(by_supply, over_v, 1e-5 * fabs(by_supply) + 1e-7, DIFFERENCE);
            }
        }
        sag_drop_surface_clear(&surface);
    }
}

/* Both derivatives meet where rows and tabulated currents join: Newton's method needs that. */
static void the_drop_has_no_corner(void **state)
{
    (void)state;
    sag_drop_surface surface = make(&drops[0]);
    static const double joints_a[] = {1e-5, 7.5e-4, 2e-3, 8.6e-3, 3e-2};
    for (size_t j = 0; j < 5; j++) {
        for (double supply = 5; supply < 36; supply += 1.37) {
            double before_a, after_a, before_v, after_v, step = 1e-9 * joints_a[j];
            sag_drop_at(&surface, joints_a[j] - step, supply, &before_a, &before_v);
            sag_drop_at(&surface, joints_a[j] + step, supply, &after_a, &after_v);
            near_abs(before_a, after_a, 1e-4, "both sides of a tabulated current");
            near_abs(before_v, after_v, 1e-8, "both sides of a tabulated current");
        }
    }
    for (double current = 0; current < 0.04; current += 0.31e-3) {
        double before_a, after_a, before_v, after_v;
        sag_drop_at(&surface, current, 10 - 1e-9, &before_a, &before_v);
        sag_drop_at(&surface, current, 10 + 1e-9, &after_a, &after_v);
        near_abs(before_a, after_a, 1e-5, "both sides of a row");
        near_abs(before_v, after_v, 1e-7, "both sides of a row");
    }
    sag_drop_surface_clear(&surface);
}

/* Random tables with a drop that rises with current. On each row, and at each tabulated current,
 * nothing goes beyond the neighbouring points. */
static void drops_never_overshoot(void **state)
{
    (void)state;
    uint64_t seed = 11;
    for (int round = 0; round < 100; round++) {
        sag_drop_point points[25];
        size_t rows = 1 + (size_t)chance_index(&seed, 5),
               columns = 1 + (size_t)chance_index(&seed, 5);
        for (size_t r = 0; r < rows; r++) {
            double drop = chance_between(&seed, 0.01, 1);
            for (size_t c = 0; c < columns; c++) {
                drop += chance_between(&seed, 0, 1);
                points[r * columns + c] =
                    (sag_drop_point){3 + 5 * (double)r, 1e-4 * pow(4, (double)c), drop, NULL};
            }
        }
        drop_case random = {"random", points, rows * columns};
        sag_drop_surface surface = make(&random);
        for (size_t i = 0; i < rows * columns; i++) {
            size_t next_row = i / columns + 1 < rows ? i + columns : i;
            size_t next_column = i % columns + 1 < columns ? i + 1 : i;
            for (int k = 0; k <= 20; k++) {
                double t = k / 20.0;
                double here = points[i].drop_v, there = points[next_row].drop_v;
                double supply =
                    points[i].supply_v + t * (points[next_row].supply_v - points[i].supply_v);
                double drop = at(&surface, points[i].current_a, supply);
                assert_true(drop >= fmin(here, there) - 1e-12 && drop <= fmax(here, there) + 1e-12);
                there = points[next_column].drop_v;
                double current =
                    points[i].current_a + t * (points[next_column].current_a - points[i].current_a);
                drop = at(&surface, current, points[i].supply_v);
                assert_true(drop >= here - 1e-12 && drop <= there + 1e-12);
            }
        }
        sag_drop_surface_clear(&surface);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(curves_pass_through_their_points),
        cmocka_unit_test(curves_are_held_at_their_ends),
        cmocka_unit_test(curves_are_monotone_between_points),
        cmocka_unit_test(slopes_are_those_of_the_curve),
        cmocka_unit_test(drops_are_exact_at_their_points),
        cmocka_unit_test(drops_go_on_beyond_the_table_as_promised),
        cmocka_unit_test(derivatives_are_those_of_the_drop),
        cmocka_unit_test(the_drop_has_no_corner),
        cmocka_unit_test(drops_never_overshoot),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
