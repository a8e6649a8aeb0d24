/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "small_signal.h"

#include "memory.h"

#define LANE_WIDTH 1
#include "stage_lanes.h"

#include <math.h>
#include <string.h>

void sag_small_signal_clear(sag_small_signal *linear)
{
    sag_free(linear->a);
    sag_free(linear->drive);
    sag_free(linear->state);
    memset(linear, 0, sizeof *linear);
}

/* Rows of the Newton residuals at rest, each op-amp's as vg' = ..., into the lower part of A. */
static void fill_devices(sag_small_signal *linear, stage_work *work)
{
    const sag_bias *bias = linear->bias;
    const sag_network *network = bias->network;
    size_t n = linear->n, size = linear->size;
    for (size_t k = 0; k < work->opamps; k++) {
        stage_opamp(work, 0, 1, k, bias->unknown, 0, 0);
    }
    for (size_t r = 0; r < work->rails; r++) {
        stage_rail(work, r, bias->unknown);
    }
    for (size_t d = 0; d < work->diodes; d++) {
        stage_diode(work, d, bias->unknown);
    }
    for (size_t i = 0; i < work->sources; i++) {
        double *row = linear->a + (n + i) * size;
        const stage_slope *slope = work->slopes + i * work->slope_room;
        for (size_t s = 0; s < work->slope_count[i]; s++) {
            const sag_sparse *observed = &network->observed[slope[s].observed];
            for (int q = 0; q < observed->count; q++) {
                row[observed->at[q]] += slope[s].by * observed->by[q];
            }
        }
        for (size_t j = 0; j < work->sources; j++) {
            row[n + j] += work->direct[i * work->sources + j];
        }
    }
}

/* The gain node of an op-amp in terms of its EMF and output. */
static sag_sparse gain_node(const stage_work *work, size_t k, sag_sparse emf)
{
    const sag_devices *devices = work->devices;
    const sag_stage_opamp *p = &devices->opamps[k];
    size_t row = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
    double slope, e = work->source[k];
    stage_crossing(p, (e - work->seen[row]) * p->siemens, &slope);
    slope *= p->siemens;
    if (slope > 0) {
        const sag_part *part = devices->network->opamps[k].part;
        emf.by[0] += slope;
        sag_sparse_add(&emf, sag_network_unknown(part->node[SAG_PIN_OUT]), -slope);
    }
    return emf;
}

sag_status sag_small_signal_make(sag_small_signal *linear, const sag_bias *bias)
{
    const sag_network *network = bias->network;
    memset(linear, 0, sizeof *linear);
    linear->bias = bias;
    linear->n = network->n;
    linear->size = network->n + network->source_count;
    linear->states = network->state_count + network->opamp_count;
    linear->a = sag_new(linear->size * linear->size, sizeof *linear->a);
    linear->drive = sag_new(linear->size, sizeof *linear->drive);
    linear->state = sag_new(linear->states, sizeof *linear->state);
    stage_work work = {0};
    sag_status status = linear->a && linear->drive && linear->state ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        status = stage_work_make(&work, &bias->devices);
    }
    if (status != SAG_OK) {
        sag_small_signal_clear(linear);
        return status;
    }
    memcpy(linear->drive, network->drive, network->n * sizeof *linear->drive);
    for (size_t i = 0; i < network->n; i++) {
        memcpy(linear->a + i * linear->size, network->g + i * network->n,
               network->n * sizeof *linear->a);
    }
    memcpy(work.seen, bias->observed, network->row_count * sizeof *work.seen);
    for (size_t k = 0; k < work.opamps; k++) {
        work.hot[k] = work.watched[k];
    }
    memcpy(work.source, bias->unknown, network->source_count * sizeof *work.source);
    fill_devices(linear, &work);
    for (size_t j = 0; j < network->source_count; j++) {
        const sag_sparse *source = &network->source[j];
        for (int q = 0; q < source->count; q++) {
            linear->a[(size_t)source->at[q] * linear->size + linear->n + j] += source->by[q];
        }
    }
    for (size_t i = 0; i < linear->states; i++) {
        if (i < network->state_count) {
            linear->state[i] = network->states[i];
            linear->state[i].kappa = bias->devices.kappa[i];
        } else {
            sag_sparse own = {0};
            size_t k = i - network->state_count;
            sag_sparse_add(&own, (int)(linear->n + k), 1);
            linear->state[i] = (sag_state){1, own, gain_node(&work, k, own)};
        }
    }
    stage_work_clear(&work);
    return SAG_OK;
}

sag_status sag_small_signal_solve(const sag_small_signal *linear, double frequency_hz, sag_zlu *lu,
                                  double complex *work, double complex *x)
{
    size_t size = linear->size;
    for (size_t i = 0; i < size * size; i++) {
        work[i] = linear->a[i];
    }
    double complex jw = sag_complex(0, 2 * M_PI * frequency_hz);
    for (size_t k = 0; k < linear->states; k++) {
        const sag_state *state = &linear->state[k];
        for (int i = 0; i < state->into.count; i++) {
            for (int j = 0; j < state->of.count; j++) {
                work[(size_t)state->into.at[i] * size + (size_t)state->of.at[j]] +=
                    jw * state->kappa * state->into.by[i] * state->of.by[j];
            }
        }
    }
    for (size_t i = 0; i < size; i++) {
        x[i] = linear->drive[i];
    }
    TRY(sag_zlu_factor(lu, work, NULL));
    sag_zlu_solve(lu, x);
    return SAG_OK;
}

sag_status sag_small_signal_stage(const sag_small_signal *linear, double a, sag_lu *lu,
                                  double *matrix, double *x, double *b, double *g, double *output)
{
    const sag_network *network = linear->bias->network;
    size_t size = linear->size, states = linear->states;
    memcpy(matrix, linear->a, size * size * sizeof *matrix);
    for (size_t k = 0; k < states; k++) {
        const sag_state *state = &linear->state[k];
        for (int i = 0; i < state->into.count; i++) {
            for (int j = 0; j < state->of.count; j++) {
                matrix[(size_t)state->into.at[i] * size + (size_t)state->of.at[j]] +=
                    a * state->kappa * state->into.by[i] * state->of.by[j];
            }
        }
    }
    TRY(sag_lu_factor(lu, matrix, 0, NULL));
    for (size_t column = 0; column <= states; column++) {
        if (column < states) {
            const sag_state *state = &linear->state[column];
            memset(x, 0, size * sizeof *x);
            for (int i = 0; i < state->into.count; i++) {
                x[state->into.at[i]] += a * state->kappa * state->into.by[i];
            }
        } else {
            memcpy(x, linear->drive, size * sizeof *x);
        }
        sag_lu_solve(lu, x);
        for (size_t row = 0; row < states; row++) {
            double value = sag_sparse_dot(&linear->state[row].of, x);
            if (column < states) {
                b[row * states + column] = value;
            } else {
                g[row] = value;
            }
        }
        if (output) {
            output[column] = sag_sparse_dot(&network->observed[sag_network_output_row(network)], x);
        }
    }
    return SAG_OK;
}
