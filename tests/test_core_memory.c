/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The numerical core when memory is short: each allocation in turn fails, and every call says so,
 * gives nothing and keeps nothing (leaks are for the address sanitizer to find). */
#include "circuit.h"
#include "near.h"

#include "fail_alloc.h"
#include "headroom.h"
#include "model_bench_private.h"
#include "response.h"
#include "settle.h"
#include "stability.h"
#include "wear.h"

#include <gsl/gsl_errno.h>

static const char *const small = CIRCUIT(
    "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k + 1n'}, "
    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}",
    "'R1': {'resistor': '47k', 'between': ['plus', 'mid']}, 'R2': {'resistor': '47k', 'between': "
    "['mid', 'ground']}, "
    "'C1': {'capacitor': '1u', 'between': ['in', 'a'], 'series_resistance': '1R'}, "
    "'R3': {'resistor': '10k', 'between': ['a', 'm']}, 'R4': {'resistor': '22k', 'between': ['m', "
    "'out']}, "
    "'D1': {'diode': '1n5817', 'anode': 'bat', 'cathode': 'plus'}, "
    "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'm', 'out': 'out', 'rails': ['bat', "
    "'ground']}");

static const double frequency_hz[] = {100, 1000}, level_vpk[] = {0.1, 1};
static sag_design *design;
static sag_conditions conditions;
static circuit made; /* everything the later steps need */
static sag_discharge *discharged;

static int open_all(void **state)
{
    (void)state;
    made = circuit_open(small, NULL);
    design = made.design;
    conditions = sag_conditions_defaults(design);
    sag_discharge_request request = {.design = design,
                                     .conditions = conditions,
                                     .in_series = 1,
                                     .until_v = (double)NAN,
                                     .threads = 1};
    return sag_discharge_new(&request, &discharged, NULL);
}

static int close_all(void **state)
{
    (void)state;
    sag_discharge_free(discharged);
    circuit_close(&made);
    return 0;
}

/* Each makes one thing, says whether it is there, and frees it. */
static sag_status make_network(int *there)
{
    sag_network *network = (sag_network *)&made;
    sag_status status = sag_network_new(design, &conditions, &network, NULL);
    *there = network != NULL;
    sag_network_free(network);
    return status;
}

static sag_status make_bias(int *there)
{
    sag_bias *bias = (sag_bias *)&made;
    sag_status status = sag_bias_new(made.network, &bias, NULL);
    *there = bias != NULL;
    sag_bias_free(bias);
    return status;
}

static sag_status make_response(int *there)
{
    sag_response *response = (sag_response *)&made;
    sag_status status = sag_response_new(made.bias, &response);
    *there = response != NULL;
    sag_response_free(response);
    return status;
}

static sag_status make_stability(int *there)
{
    sag_stability stability;
    sag_status status = sag_stability_at_rest(made.bias, &stability);
    *there = status == SAG_OK;
    return status;
}

static sag_status make_losses(int *there)
{
    sag_gain_loss *losses = (sag_gain_loss *)&made;
    sag_status status = sag_stability_losses(made.bias, &losses);
    *there = losses != NULL;
    sag_free(losses);
    return status;
}

static sag_status make_steady(int *there)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady = (sag_steady *)&made;
    sag_status status = sag_steady_new(made.bias, &settings, &steady);
    *there = steady != NULL;
    sag_steady_free(steady);
    return status;
}

static sag_status make_levels(int *there)
{
    const sag_bias *biases[] = {made.bias, made.bias};
    sag_levels *results[2] = {(sag_levels *)&made, (sag_levels *)&made};
    sag_levels_request request = {.frequency_hz = frequency_hz,
                                  .frequency_count = 2,
                                  .level_vpk = level_vpk,
                                  .level_count = 2,
                                  .steady = sag_steady_defaults(),
                                  .threads = 1};
    sag_status status = sag_levels_compute(biases, 2, &request, results, NULL);
    *there = results[0] != NULL || results[1] != NULL;
    sag_levels_free(results[0]);
    sag_levels_free(results[1]);
    return status;
}

static sag_status make_headroom(int *there)
{
    const sag_bias *biases[] = {made.bias, made.bias};
    sag_headroom *results[2] = {(sag_headroom *)&made, (sag_headroom *)&made};
    sag_headroom_request request = {.frequency_hz = frequency_hz + 1,
                                    .frequency_count = 1,
                                    .thd_limit = 0.01,
                                    .soft_vpk = 0.05,
                                    .steady = sag_steady_defaults(),
                                    .threads = 1};
    sag_status status = sag_headroom_compute(biases, 2, &request, results, NULL);
    *there = results[0] != NULL || results[1] != NULL;
    sag_headroom_free(results[0]);
    sag_headroom_free(results[1]);
    return status;
}

static sag_status make_discharge(int *there)
{
    sag_discharge *discharge = (sag_discharge *)&made;
    sag_discharge_request request = {.design = design,
                                     .conditions = conditions,
                                     .in_series = 1,
                                     .until_v = (double)NAN,
                                     .threads = 1};
    sag_status status = sag_discharge_new(&request, &discharge, NULL);
    *there = discharge != NULL;
    sag_discharge_free(discharge);
    return status;
}

static sag_status make_wear(int *there)
{
    sag_wear_row row = {.open_circuit_v = sag_discharge_last(discharged).open_circuit_v};
    sag_wear_request request = {
        .thd_limit = 0.01, .slope_db = 6, .steady = sag_steady_defaults(), .threads = 1};
    sag_status status = sag_wear_compute(discharged, &request, &row, 1, NULL);
    *there = status == SAG_OK && row.status == SAG_OK;
    return status;
}

static sag_status make_settling(int *there)
{
    double seconds;
    int node = circuit_node(&made, "mid");
    sag_status status = sag_settle_time(made.bias, node, 0.05, &seconds);
    *there = status == SAG_OK;
    return status;
}

static sag_status make_model_bench(int *there)
{
    sag_model_bench *bench = (sag_model_bench *)&made;
    double slew = (double)NAN;
    sag_status status = sag_model_bench_new(design->packages[0].model, &bench);
    if (status == SAG_OK) {
        status = sag_bench_slew_rate(bench, 1, 30, &slew);
    }
    *there = status == SAG_OK && slew > 0;
    sag_model_bench_free(bench);
    return status;
}

static const struct {
    const char *what;
    sag_status (*make)(int *there);
    long least; /* allocations it takes at least */
} things[] = {
    {"network", make_network, 10},      {"bias", make_bias, 10},
    {"response", make_response, 5},     {"stability", make_stability, 6},
    {"losses", make_losses, 8},         {"steady", make_steady, 30},
    {"levels", make_levels, 60},        {"headroom", make_headroom, 60},
    {"discharge", make_discharge, 500}, {"wear", make_wear, 60},
    {"settling", make_settling, 6},     {"model bench", make_model_bench, 400},
};

static void each_allocation_may_fail(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof things / sizeof *things; i++) {
        long n = 1;
        for (int done = 0; !done; n++) {
            int there;
            fail_allocation_at(n);
            sag_status status = things[i].make(&there);
            done = allocations_seen() < n;
            fail_allocation_at(0);
            if (status != (done ? SAG_OK : SAG_NO_MEMORY) || there != done) {
                print_error("%s, allocation %ld fails: %s, result %sthere\n", things[i].what, n,
                            sag_status_name(status), there ? "" : "not ");
                fail();
            }
        }
        assert_true(n - 2 >= things[i].least);
    }
}

/* A whole run takes some 20,000 allocations: some of them. */
static void a_run_on_the_bench_may_run_out_of_memory(void **state)
{
    (void)state;
    for (long n = 1; n < 15000; n = 2 * n + 5) {
        sag_model_bench *bench;
        assert_int_equal(sag_model_bench_new(design->packages[0].model, &bench), SAG_OK);
        fail_allocation_at(n);
        assert_int_equal(sag_model_bench_run(bench, NULL, NULL), SAG_NO_MEMORY);
        fail_allocation_at(0);
        sag_model_bench_free(bench);
    }
}

/* With threads: whichever meets the failure, the call ends with it. */
static void threads_may_run_out_of_memory_too(void **state)
{
    (void)state;
    const sag_bias *biases[] = {made.bias, made.bias, made.bias};
    sag_levels_request request = {.frequency_hz = frequency_hz,
                                  .frequency_count = 2,
                                  .level_vpk = level_vpk,
                                  .level_count = 1,
                                  .steady = sag_steady_defaults(),
                                  .threads = 3};
    for (long n = 20; n < 120; n += 33) {
        sag_levels *results[3];
        fail_allocation_at(n);
        sag_status status = sag_levels_compute(biases, 3, &request, results, NULL);
        fail_allocation_at(0);
        /* The count of allocations is not locked: now and then the failing one is passed over. */
        assert_true(status == SAG_NO_MEMORY || status == SAG_OK);
        for (int i = 0; i < 3; i++) {
            assert_true((results[i] != NULL) == (status == SAG_OK));
            sag_levels_free(results[i]);
        }
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_allocation_may_fail),
        cmocka_unit_test(a_run_on_the_bench_may_run_out_of_memory),
        cmocka_unit_test(threads_may_run_out_of_memory_too),
    };
    return cmocka_run_group_tests(tests, open_all, close_all);
}
