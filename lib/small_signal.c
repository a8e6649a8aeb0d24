/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "small_signal.h"

#include "memory.h"

#define LANE_WIDTH 1
#include "stage_lanes.h"

#include <math.h>
#include <string.h>

/* How far apart slopes count as different, in sag_small_signal_marks. Found by trial: on clipped maps
 * of three circuits growth judged by marks agrees with that judged one by one
 * (test_stability_orbit.c), in a fifth of the time or less. */
#define GAIN_STEP   1.4125375446227544 /* 3 dB: of an op-amp's gain, of a diode's slope */
#define GAIN_FLOOR  5e-3               /* of wt: 46 dB of gain lost is as good as all */
#define DIODE_FLOOR 3e-7               /* S: as good as none */
#define CLAMP_STEP  2.0                /* of how hard a clamp holds the output */
#define CLAMP_FLOOR 0.05               /* of wt */
#define STIFF       10.0 /* of wt: a clamp that pulls harder pulls as if it were stiff */
#define LOOSE       0.25 /* of the largest slope of an op-amp: what its rails and load current add */

void sag_small_signal_clear(sag_small_signal *linear)
{
    if (linear->work) {
        stage_work_clear(linear->work);
    }
    sag_free(linear->work);
    sag_free(linear->a);
    sag_free(linear->drive);
    sag_free(linear->state);
    memset(linear, 0, sizeof *linear);
}

/* The gain node of an op-amp in terms of its EMF and output. */
static sag_sparse gain_node(const stage_work *work, size_t k, double emf_v, sag_sparse emf)
{
    const sag_devices *devices = work->devices;
    const sag_stage_opamp *p = &devices->opamps[k];
    size_t row = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
    double slope;
    stage_crossing(p, (emf_v - work->seen[row]) * p->siemens, &slope);
    slope *= p->siemens;
    if (slope > 0) {
        const sag_part *part = devices->network->opamps[k].part;
        emf.by[0] += slope;
        sag_sparse_add(&emf, sag_network_unknown(part->node[SAG_PIN_OUT]), -slope);
    }
    return emf;
}

void sag_small_signal_move(sag_small_signal *linear, const double *unknown, const double *observed)
{
    const sag_network *network = linear->bias->network;
    stage_work *work = linear->work;
    size_t n = linear->n, size = linear->size;
    memcpy(work->seen, observed, work->rows * sizeof *work->seen);
    for (size_t k = 0; k < work->opamps; k++) {
        stage_opamp(work, 0, 1, k, unknown, 0, 0);
    }
    for (size_t r = 0; r < work->rails; r++) {
        stage_rail(work, r, unknown);
    }
    for (size_t d = 0; d < work->diodes; d++) {
        work->last[d].volts = (double)INFINITY; /* what it was before must not show */
        stage_diode(work, d, unknown);
    }
    memset(linear->a + n * size, 0, work->sources * size * sizeof *linear->a);
    for (size_t i = 0; i < work->sources; i++) {
        double *row = linear->a + (n + i) * size;
        const stage_slope *slope = work->slopes + i * work->slope_room;
        for (size_t s = 0; s < work->slope_count[i]; s++) {
            const sag_sparse *at = &network->observed[slope[s].observed];
            for (int q = 0; q < at->count; q++) {
                row[at->at[q]] += slope[s].by * at->by[q];
            }
        }
        for (size_t j = 0; j < work->sources; j++) {
            row[n + j] += work->direct[i * work->sources + j];
        }
    }
    for (size_t k = 0; k < work->opamps; k++) {
        sag_state *state = &linear->state[network->state_count + k];
        state->of = gain_node(work, k, unknown[k], state->into);
    }
}

/* A slope on a scale of which one division is a factor of `step`, and straight below `floor`. */
static double mark(double slope, double floor, double step)
{
    return asinh(slope / floor) / log(step);
}

/* One op-amp: its slopes over wt, those of a clamp in full force cut down to STIFF; and how far its
 * gain node moves ahead of its EMF. */
static size_t mark_opamp(const sag_small_signal *linear, size_t k, double *marks)
{
    const stage_work *work = linear->work;
    const stage_slope *slope = work->slopes + k * work->slope_room;
    double wt = work->devices->opamps[k].wt, own = work->direct[k * work->sources + k] / wt;
    double largest = fabs(own);
    size_t count = 0, rails = work->opamps * SAG_OBSERVED_PER_OPAMP;
    const sag_sparse *gain_node = &linear->state[linear->states - work->opamps + k].of;
    for (size_t s = 0; s < work->slope_count[k]; s++) {
        largest = fmax(largest, fabs(slope[s].by / wt));
    }
    double scale = fmax(1, largest / STIFF), loose = LOOSE * fmax(largest / scale, 1);
    for (size_t s = 0; s < work->slope_count[k]; s++) {
        double by = slope[s].by / (wt * scale);
        if (slope[s].observed >= rails && slope[s].observed < work->observed) {
            marks[count++] = by / loose;
        } else if (slope[s].observed < rails &&
                   slope[s].observed % SAG_OBSERVED_PER_OPAMP == SAG_OBSERVED_OUT) {
            marks[count++] = mark(by, CLAMP_FLOOR, CLAMP_STEP);
        } else {
            marks[count++] = mark(by, GAIN_FLOOR * fmax(largest / scale, 1), GAIN_STEP);
        }
    }
    marks[count++] = own / scale / loose;
    marks[count++] = mark(gain_node->by[0] - 1, CLAMP_FLOOR, CLAMP_STEP);
    return count;
}

size_t sag_small_signal_mark_count(const sag_small_signal *linear)
{
    const stage_work *work = linear->work;
    size_t count = 2 * work->opamps;
    for (size_t i = 0; i < work->sources; i++) {
        count += work->slope_count[i];
    }
    return count;
}

void sag_small_signal_marks(const sag_small_signal *linear, double *marks)
{
    const stage_work *work = linear->work;
    const sag_devices *devices = work->devices;
    double siemens = 0;
    size_t count = 0;
    for (size_t k = 0; k < work->opamps; k++) {
        count += mark_opamp(linear, k, marks + count);
        siemens = fmax(siemens, devices->opamps[k].siemens);
    }
    for (size_t i = work->opamps; i < work->sources; i++) {
        const stage_slope *slope = work->slopes + i * work->slope_room;
        for (size_t s = 0; s < work->slope_count[i]; s++) {
            marks[count++] = i < work->opamps + work->rails
                                 ? slope[s].by / (LOOSE * 2 * siemens)
                                 : mark(slope[s].by, DIODE_FLOOR, GAIN_STEP);
        }
    }
}

static sag_status make_parts(sag_small_signal *linear)
{
    const sag_network *network = linear->bias->network;
    linear->a = sag_new(linear->size * linear->size, sizeof *linear->a);
    linear->drive = sag_new(linear->size, sizeof *linear->drive);
    linear->state = sag_new(linear->states, sizeof *linear->state);
    linear->work = sag_new(1, sizeof(stage_work));
    if (!linear->a || !linear->drive || !linear->state || !linear->work) {
        return SAG_NO_MEMORY;
    }
    TRY(stage_work_make(linear->work, &linear->bias->devices));
    stage_work *work = linear->work;
    work->frozen = 1;
    memcpy(work->hot, work->watched, work->opamps); /* all input ranges count */
    memcpy(linear->drive, network->drive, network->n * sizeof *linear->drive);
    for (size_t i = 0; i < network->n; i++) {
        memcpy(linear->a + i * linear->size, network->g + i * network->n,
               network->n * sizeof *linear->a);
    }
    for (size_t j = 0; j < network->source_count; j++) {
        const sag_sparse *source = &network->source[j];
        for (int q = 0; q < source->count; q++) {
            linear->a[(size_t)source->at[q] * linear->size + linear->n + j] += source->by[q];
        }
    }
    for (size_t i = 0; i < linear->states; i++) {
        if (i < network->state_count) {
            linear->state[i] = network->states[i];
            linear->state[i].kappa = linear->bias->devices.kappa[i];
        } else {
            size_t opamp = i - network->state_count;
            sag_sparse own = {0};
            sag_sparse_add(&own, (int)(linear->n + opamp), 1);
            int part = (int)(network->opamps[opamp].part - network->design->parts);
            linear->state[i] = (sag_state){1, own, own, part};
        }
    }
    return SAG_OK;
}

sag_status sag_small_signal_make(sag_small_signal *linear, const sag_bias *bias)
{
    const sag_network *network = bias->network;
    memset(linear, 0, sizeof *linear);
    linear->bias = bias;
    linear->n = network->n;
    linear->size = network->n + network->source_count;
    linear->states = network->state_count + network->opamp_count;
    sag_status status = make_parts(linear);
    if (status != SAG_OK) {
        sag_small_signal_clear(linear);
        return status;
    }
    sag_small_signal_move(linear, bias->unknown, bias->observed);
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
