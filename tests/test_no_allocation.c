/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady: once made, a workspace allocates nothing, whatever frequency and level it is asked for.
 */
#include "circuit.h"
#include "near.h"

#include "fail_alloc.h"
#include "response.h"
#include "steady.h"

#include <gsl/gsl_errno.h>

enum { LEVELS = 9 };

static void periodic_solutions_allocate_nothing(void **state)
{
    (void)state;
    static const double frequencies[] = {20, 1000, 12000, 200e3};
    double level[LEVELS];
    sag_steady_point points[LEVELS];
    sag_opamp_swing swings[2 * LEVELS];
    for (int l = 0; l < LEVELS; l++) {
        level[l] =
            0.003 *
            pow(3, l); /* to 20 V: the hardest clipping, with steps halved where it must be */
    }
    for (int lanes = 0; lanes < 2; lanes++) {
        circuit c = circuit_heron(9);
        sag_steady_settings settings = sag_steady_defaults();
        settings.one_lane = lanes;
        sag_steady *steady;
        assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
        /* The first time finds out for how many levels there has to be room. */
        assert_int_equal(sag_steady_frequency(steady, frequencies[0]), SAG_OK);
        assert_int_equal(sag_steady_solve(steady, level, LEVELS, points, swings), SAG_OK);
        fail_allocation_at(0);
        for (size_t f = 0; f < 4; f++) {
            assert_int_equal(sag_steady_frequency(steady, frequencies[f]), SAG_OK);
            assert_int_equal(sag_steady_solve(steady, level, LEVELS, points, swings), SAG_OK);
            assert_int_equal(sag_steady_solve(steady, level, 2, points, NULL), SAG_OK);
        }
        assert_int_equal(allocations_seen(), 0);
        sag_steady_free(steady);
        circuit_close(&c);
    }
}

static void responses_allocate_nothing(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    sag_response *response;
    double complex gain;
    assert_int_equal(sag_response_new(c.bias, &response), SAG_OK);
    fail_allocation_at(0);
    for (double f = 1; f < 1e6; f *= 3) {
        assert_int_equal(sag_response_gain(response, f, &gain), SAG_OK);
    }
    assert_int_equal(allocations_seen(), 0);
    sag_response_free(response);
    circuit_close(&c);
}

/* The count itself works. */
static void allocations_are_counted(void **state)
{
    (void)state;
    fail_allocation_at(0);
    circuit c = circuit_heron(9);
    assert_true(allocations_seen() > 100);
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(periodic_solutions_allocate_nothing),
        cmocka_unit_test(responses_allocate_nothing),
        cmocka_unit_test(allocations_are_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
