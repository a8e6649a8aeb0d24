/* SPDX-License-Identifier: GPL-3.0-or-later */
/* levels: the map's points are those of single solutions, whatever the number of threads; stopping
 * on the way. */
#include "circuit.h"
#include "near.h"

#include "levels.h"
#include "same_point.h"

#include <gsl/gsl_errno.h>

enum { FREQUENCIES = 11, LEVELS = 6, SUPPLIES = 3 };

static double frequency_hz[FREQUENCIES], level_vpk[LEVELS];

static sag_levels_request request_of(int threads)
{
    for (int i = 0; i < FREQUENCIES; i++) {
        frequency_hz[i] = 20 * pow(1000, i / (FREQUENCIES - 1.0));
    }
    for (int i = 0; i < LEVELS; i++) {
        level_vpk[i] = 0.03 * pow(2.3, i); /* to 1.9 V: past every clip onset */
    }
    return (sag_levels_request){.frequency_hz = frequency_hz,
                                .frequency_count = FREQUENCIES,
                                .level_vpk = level_vpk,
                                .level_count = LEVELS,
                                .steady = sag_steady_defaults(),
                                .threads = threads};
}

/* Heron at three supplies. */
typedef struct {
    circuit c[SUPPLIES];
    const sag_bias *bias[SUPPLIES];
} herons;

static herons herons_open(void)
{
    static const double supplies[SUPPLIES] = {18, 9, 5};
    herons h;
    for (int i = 0; i < SUPPLIES; i++) {
        h.c[i] = circuit_heron(supplies[i]);
        h.bias[i] = h.c[i].bias;
    }
    return h;
}

static void herons_close(herons *h)
{
    for (int i = 0; i < SUPPLIES; i++) {
        circuit_close(&h->c[i]);
    }
}

static void free_all(sag_levels **results)
{
    for (int i = 0; i < SUPPLIES; i++) {
        sag_levels_free(results[i]);
        results[i] = NULL;
    }
}

static void threads_do_not_change_a_bit(void **state)
{
    (void)state;
    static const int threads[] = {1, 2, 7};
    herons h = herons_open();
    sag_levels *results[3][SUPPLIES];
    for (int t = 0; t < 3; t++) {
        sag_levels_request request = request_of(threads[t]);
        assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results[t], NULL), SAG_OK);
    }
    int differ = 0;
    for (int t = 1; t < 3; t++) {
        for (int i = 0; i < SUPPLIES; i++) {
            for (size_t k = 0; k < LEVELS * FREQUENCIES; k++) {
                differ += !same_point(&results[0][i]->points[k], &results[t][i]->points[k]);
                for (size_t s = 0; s < 2; s++) {
                    differ += !same_swing(&results[0][i]->swings[2 * k + s],
                                          &results[t][i]->swings[2 * k + s]);
                }
            }
        }
    }
    assert_int_equal(differ, 0);
    for (int t = 0; t < 3; t++) {
        free_all(results[t]);
    }
    herons_close(&h);
}

/* The same points as one workspace gives, in their places; limits are carried to the louder levels.
 */
static void points_are_those_of_single_solutions(void **state)
{
    (void)state;
    herons h = herons_open();
    sag_levels *results[SUPPLIES];
    sag_levels_request request = request_of(2);
    assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results, NULL), SAG_OK);
    int limited = 0;
    for (int i = 0; i < SUPPLIES; i++) {
        const sag_levels *levels = results[i];
        assert_int_equal(levels->level_count, LEVELS);
        assert_int_equal(levels->frequency_count, FREQUENCIES);
        assert_int_equal(levels->opamp_count, 2);
        sag_steady *steady;
        assert_int_equal(sag_steady_new(h.bias[i], &request.steady, &steady), SAG_OK);
        for (size_t f = 0; f < FREQUENCIES; f += 3) {
            sag_steady_point points[LEVELS];
            sag_opamp_swing swings[2 * LEVELS];
            assert_int_equal(sag_steady_frequency(steady, frequency_hz[f]), SAG_OK);
            assert_int_equal(sag_steady_solve(steady, level_vpk, LEVELS, points, swings), SAG_OK);
            sag_limit first = {-1, SAG_LIMIT_NONE};
            for (size_t l = 0; l < LEVELS; l++) {
                const sag_steady_point *point = &levels->points[l * FREQUENCIES + f];
                assert_int_equal(point->status, SAG_OK);
                assert_int_equal(point->steps, points[l].steps);
                near_abs(point->gain_db, points[l].gain_db, 1e-5, "one workspace");
                near_abs(point->thd, points[l].thd, 1e-6, "one workspace");
                for (size_t k = 0; k < 2; k++) {
                    const sag_opamp_swing *swing = &levels->swings[(l * FREQUENCIES + f) * 2 + k];
                    near_abs(swing->left_db, swings[2 * l + k].left_db, 1e-3, "one workspace");
                    near_abs(swing->peak_v, swings[2 * l + k].peak_v, 1e-5, "one workspace");
                    assert_int_equal(swing->nearest, swings[2 * l + k].nearest);
                }
                first = first.opamp < 0 ? points[l].limited_by : first;
                assert_true(same_limit(point->limited_by, first));
            }
            limited += first.opamp >= 0;
        }
        sag_steady_free(steady);
    }
    assert_true(limited > 6);
    free_all(results);
    herons_close(&h);
}

/* ---- stopping ---- */

typedef struct {
    int calls, stop_at, inside, overlaps, wrong;
    size_t last, total;
} watch;

static int count(void *context, size_t done, size_t total)
{
    watch *w = context;
    w->overlaps += w->inside++ != 0;
    w->wrong += done != w->last + 1 || done > total || (w->total && total != w->total);
    w->last = done;
    w->total = total;
    w->inside--;
    return ++w->calls == w->stop_at;
}

static void progress_is_told_and_can_stop(void **state)
{
    (void)state;
    herons h = herons_open();
    for (int threads = 1; threads <= 2; threads++) {
        sag_levels *results[SUPPLIES];
        watch w = {.stop_at = -1};
        sag_levels_request request = request_of(threads);
        request.level_count = 2;
        request.progress = count;
        request.progress_context = &w;
        assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results, NULL), SAG_OK);
        free_all(results);
        assert_int_equal(w.overlaps, 0);
        assert_int_equal(w.wrong, 0);
        assert_int_equal(w.last, w.total);
        assert_true(w.calls > 1);
        int all = w.calls;
        for (int stop = 1; stop <= all; stop += all - 1) { /* the first call and the last */
            w = (watch){.stop_at = stop};
            memset(results, 0x55, sizeof results);
            assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results, NULL),
                             SAG_CANCELLED);
            assert_int_equal(w.calls, stop);
            for (int i = 0; i < SUPPLIES; i++) {
                assert_null(results[i]);
            }
        }
    }
    herons_close(&h);
}

/* ---- at the edges ---- */

static void empty_maps_are_maps(void **state)
{
    (void)state;
    herons h = herons_open();
    sag_levels *results[SUPPLIES];
    sag_levels_request request = request_of(3);
    request.frequency_count = 0;
    assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results, NULL), SAG_OK);
    assert_int_equal(results[2]->frequency_count, 0);
    free_all(results);
    request = request_of(3);
    request.level_count = 0;
    assert_int_equal(sag_levels_compute(h.bias, 1, &request, results, NULL), SAG_OK);
    sag_levels_free(results[0]);
    assert_int_equal(sag_levels_compute(h.bias, 0, &request, results, NULL), SAG_OK);
    sag_levels_free(NULL);
    herons_close(&h);
}

/* A frequency that cannot be is the caller's mistake, also amid good ones. */
static void a_bad_frequency_fails_the_call(void **state)
{
    (void)state;
    herons h = herons_open();
    sag_levels *results[SUPPLIES];
    sag_levels_request request = request_of(2);
    request.level_count = 1;
    frequency_hz[6] = (double)NAN;
    assert_int_equal(sag_levels_compute(h.bias, SUPPLIES, &request, results, NULL),
                     SAG_BAD_ARGUMENT);
    for (int i = 0; i < SUPPLIES; i++) {
        assert_null(results[i]);
    }
    herons_close(&h);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(threads_do_not_change_a_bit),
        cmocka_unit_test(points_are_those_of_single_solutions),
        cmocka_unit_test(progress_is_told_and_can_stop),
        cmocka_unit_test(empty_maps_are_maps),
        cmocka_unit_test(a_bad_frequency_fails_the_call),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
