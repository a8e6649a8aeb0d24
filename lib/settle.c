/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "settle.h"

#include "memory.h"
#include "small_signal.h"

#include <math.h>
#include <string.h>

/* Steps: so many of a size, then four times as long, from far below every time constant that a
 * person would notice to an hour. 64 a size keep a single time constant to 0.1 % (test_settle.c).
 */
static const double first_step_s = 1e-5, longest_s = 3600;
enum { STEPS = 64, LONGER = 4 };

typedef struct {
    const sag_small_signal *linear;
    sag_lu *lu;
    double *matrix, *x;          /* size^2, size */
    double *z, *first, *history; /* states */
} settling;

static sag_status factor(settling *s, double a)
{
    const sag_small_signal *linear = s->linear;
    size_t size = linear->size;
    memcpy(s->matrix, linear->a, size * size * sizeof *s->matrix);
    for (size_t k = 0; k < linear->states; k++) {
        const sag_state *state = &linear->state[k];
        for (int i = 0; i < state->into.count; i++) {
            for (int j = 0; j < state->of.count; j++) {
                s->matrix[(size_t)state->into.at[i] * size + (size_t)state->of.at[j]] +=
                    a * state->kappa * state->into.by[i] * state->of.by[j];
            }
        }
    }
    return sag_lu_factor(s->lu, s->matrix, 0, NULL);
}

/* One implicit stage from `from`: the unknowns to s->x, the states to `to`. */
static void run_stage(settling *s, double a, const double *from, double *to)
{
    const sag_small_signal *linear = s->linear;
    memset(s->x, 0, linear->size * sizeof *s->x);
    for (size_t k = 0; k < linear->states; k++) {
        const sag_state *state = &linear->state[k];
        for (int i = 0; i < state->into.count; i++) {
            s->x[state->into.at[i]] += a * state->kappa * state->into.by[i] * from[k];
        }
    }
    sag_lu_solve(s->lu, s->x);
    for (size_t k = 0; k < linear->states; k++) {
        to[k] = sag_sparse_dot(&linear->state[k].of, s->x);
    }
}

/* The step of stepper.h: two stages with a = (2 + sqrt 2)/h. */
static void run_step(settling *s, double a)
{
    run_stage(s, a, s->z, s->first);
    for (size_t k = 0; k < s->linear->states; k++) {
        s->history[k] = s->z[k] + (1 + M_SQRT2) * (s->first[k] - s->z[k]);
    }
    run_stage(s, a, s->history, s->z);
}

static void empty_capacitors(settling *s)
{
    const sag_bias *bias = s->linear->bias;
    memcpy(s->x, bias->x, s->linear->n * sizeof *s->x);
    memcpy(s->x + s->linear->n, bias->unknown, (s->linear->size - s->linear->n) * sizeof *s->x);
    for (size_t k = 0; k < s->linear->states; k++) {
        s->z[k] = -sag_sparse_dot(&s->linear->state[k].of, s->x);
    }
}

static sag_status run(settling *s, int node, double allowed_v, double *seconds)
{
    size_t unknown = (size_t)sag_network_unknown(node);
    double time_s = 0, before_v = (double)INFINITY;
    *seconds = 0;
    empty_capacitors(s);
    for (double h = first_step_s; time_s < longest_s; h *= LONGER) {
        double a = (2 + M_SQRT2) / h;
        TRY(factor(s, a));
        for (int i = 0; i < STEPS; i++) {
            run_step(s, a);
            double off_v = fabs(s->x[unknown]);
            if (off_v > allowed_v) {
                *seconds = (double)INFINITY; /* until it is seen inside again */
            } else if (isinf(*seconds)) {
                /* Straight in the logarithm, as an exponential is. */
                double share = isfinite(before_v) && off_v > 0
                                   ? log(before_v / allowed_v) / log(before_v / off_v)
                                   : 1;
                *seconds = time_s + share * h;
            }
            before_v = off_v;
            time_s += h;
        }
    }
    return SAG_OK;
}

sag_status sag_settle_time(const sag_bias *bias, int node, double share, double *seconds)
{
    double rest_v = sag_bias_node_v(bias, node);
    if (node == SAG_GROUND || !(fabs(rest_v) > 0) || !(share > 0)) {
        return SAG_BAD_ARGUMENT;
    }
    sag_small_signal linear;
    TRY(sag_small_signal_make(&linear, bias));
    settling s = {.linear = &linear};
    size_t size = linear.size, states = linear.states;
    s.matrix = sag_new(size * size, sizeof *s.matrix);
    s.x = sag_new(size + 3 * states, sizeof *s.x);
    sag_status status = s.matrix && s.x ? sag_lu_new(size, &s.lu) : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        s.z = s.x + size;
        s.first = s.z + states;
        s.history = s.first + states;
        status = run(&s, node, share * fabs(rest_v), seconds);
    }
    sag_lu_free(s.lu);
    sag_free(s.x);
    sag_free(s.matrix);
    sag_small_signal_clear(&linear);
    return status;
}
