/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bench with small signals: open-loop gain and phase, a follower's gain over its input range. */
#include "model_bench_private.h"

#include <math.h>
#include <string.h>

/* Of the DC gain at this share of the corner A0 turns at, one part in 20,000 is lost. */
#define WELL_BELOW 0.01
/* Where gain-bandwidth is read, as data sheets do: well above the corner and well below the second
 * pole. A part of little gain is read at a tenth of that. */
#define READ_AT_GAIN 100
/* A follower's gain is looked at where the open-loop gain is this: what is left of it tells a window's
 * end within a part in 100. */
#define FOLLOW_AT_GAIN 1000
#define FOLLOW_STEPS   20
/* Windows end within this of where the file says, or they are not found, V. */
#define EDGE_ROOM_V 0.2
#define BISECTIONS  40

static double complex node_of(const sag_bench_setup *setup, const sag_response *response,
                              const char *node)
{
    for (size_t i = 0; i < setup->design->node_count; i++) {
        if (!strcmp(setup->design->nodes[i], node)) {
            return sag_response_node(response, (int)i);
        }
    }
    return (double)NAN;
}

static sag_status open_loop(const sag_bench_setup *setup, sag_response *response, double hz,
                            double complex *gain)
{
    TRY(sag_response_gain(response, hz, gain));
    *gain /= node_of(setup, response, "p") - node_of(setup, response, "m");
    return SAG_OK;
}

/* A follower at the middle of its window, output at ground. */
static sag_status follow(sag_model_bench *bench, double supply_v, double input_v,
                         sag_bench_setup *setup, sag_response **response)
{
    sag_bench_wiring wiring = {.input_v = input_v, .minus_v = input_v};
    *response = NULL;
    sag_status status = sag_bench_wire(bench, SAG_BENCH_FOLLOWER, supply_v, &wiring, setup);
    if (status == SAG_OK) {
        status = sag_response_new(setup->bias, response);
    }
    if (status != SAG_OK) {
        sag_bench_clear(setup);
    }
    return status;
}

static void finish(sag_bench_setup *setup, sag_response *response)
{
    sag_response_free(response);
    sag_bench_clear(setup);
}

static double centre_v(const sag_model_bench *bench, double supply_v)
{
    sag_bench_span window = sag_bench_window(bench->model, supply_v);
    return (window.low_v + window.high_v) / 2;
}

sag_status sag_bench_open_loop(sag_model_bench *bench, double supply_v, double hz,
                               double complex *gain)
{
    sag_bench_setup setup;
    sag_response *response;
    TRY(follow(bench, supply_v, centre_v(bench, supply_v), &setup, &response));
    sag_status status = open_loop(&setup, response, hz, gain);
    finish(&setup, response);
    return status;
}

sag_status sag_bench_dc_gain(sag_model_bench *bench, double supply_v, double *gain)
{
    double corner_hz = bench->model->gain_bandwidth_hz / bench->model->open_loop_gain;
    double complex a;
    TRY(sag_bench_open_loop(bench, supply_v, WELL_BELOW * corner_hz, &a));
    *gain = cabs(a);
    return SAG_OK;
}

/* The frequency at which the open-loop gain has come down to `wanted`, and the phase there. */
static sag_status find_gain(sag_model_bench *bench, double supply_v, double wanted, double *hz,
                            double *phase_deg)
{
    sag_bench_setup setup;
    sag_response *response;
    TRY(follow(bench, supply_v, centre_v(bench, supply_v), &setup, &response));
    double guess_hz = bench->model->gain_bandwidth_hz / wanted;
    double low = log(guess_hz / 100), high = log(guess_hz * 100);
    sag_status status = SAG_OK;
    for (int i = 0; i < BISECTIONS && status == SAG_OK; i++) {
        double complex a = 0;
        *hz = exp((low + high) / 2);
        status = open_loop(&setup, response, *hz, &a);
        *phase_deg = sag_phase_deg(a);
        *(cabs(a) > wanted ? &low : &high) = log(*hz);
    }
    finish(&setup, response);
    return status;
}

sag_status sag_bench_gain_bandwidth(sag_model_bench *bench, double supply_v, double *hz)
{
    double wanted = fmin(READ_AT_GAIN, fmax(bench->model->open_loop_gain / 10, 1)), phase_deg;
    TRY(find_gain(bench, supply_v, wanted, hz, &phase_deg));
    *hz *= wanted;
    return SAG_OK;
}

sag_status sag_bench_phase_margin(sag_model_bench *bench, double supply_v, double *margin_deg)
{
    double hz;
    TRY(find_gain(bench, supply_v, 1, &hz, margin_deg));
    *margin_deg += *margin_deg > 0 ? -180 : 180; /* what is beyond -180 reads as next to +180 */
    return SAG_OK;
}

/* The gain of a follower, and of its amplifier alone, with the inputs at input_v. */
static sag_status gains_at(sag_model_bench *bench, double supply_v, double input_v, double *follows,
                           double *gain)
{
    sag_bench_setup setup;
    sag_response *response;
    TRY(follow(bench, supply_v, input_v, &setup, &response));
    double hz = sag_bias_opamp_get(setup.bias, 0).gain_bandwidth_hz / FOLLOW_AT_GAIN;
    double complex a = 0;
    sag_status status = open_loop(&setup, response, hz, &a);
    *gain = cabs(a);
    *follows = cabs(node_of(&setup, response, "out") / node_of(&setup, response, "p"));
    finish(&setup, response);
    return status;
}

sag_status sag_bench_tracking(sag_model_bench *bench, double supply_v, double *gain)
{
    sag_bench_span window = sag_bench_window(bench->model, supply_v);
    double off = 0;
    *gain = 1;
    for (int i = 0; i <= FOLLOW_STEPS; i++) {
        double at_v = window.low_v + (window.high_v - window.low_v) * i / FOLLOW_STEPS;
        double follows, open;
        TRY(gains_at(bench, supply_v, at_v, &follows, &open));
        if (fabs(follows - 1) > off) {
            off = fabs(follows - 1);
            *gain = follows;
        }
    }
    return SAG_OK;
}

sag_status sag_bench_works_to(sag_model_bench *bench, int high, double supply_v, double *inside_v)
{
    const sag_input_side *side = high ? &bench->model->input_high : &bench->model->input_low;
    double middle, follows, gain;
    double low = side->works_to_v - EDGE_ROOM_V, most = side->works_to_v + EDGE_ROOM_V;
    TRY(gains_at(bench, supply_v, centre_v(bench, supply_v), &follows, &middle));
    for (int i = 0; i < BISECTIONS; i++) {
        *inside_v = (low + most) / 2;
        double at_v = supply_v / 2 - *inside_v;
        TRY(gains_at(bench, supply_v, high ? at_v : -at_v, &follows, &gain));
        *(gain > M_SQRT1_2 * middle ? &most : &low) = *inside_v;
    }
    return SAG_OK;
}
