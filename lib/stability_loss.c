/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What becomes of a loop when an op-amp loses gain, as it does while it slews or clips.
 *
 * At rest the gain node of op-amp k obeys  vg' + ... - G x = w,  G its gain (rad/s) and w something
 * fed in, here 0. With x = H(s) w around the closed loop, less gain g G is the same as feeding in
 * w = -(1 - g) G x, so a natural frequency comes to the imaginary axis where
 *     (1 - g) P(j omega) = -1,    P = G H
 * that is, where P is real and below -1, with g = 1 + 1/P. A loop that is stable at full gain stays
 * so as the gain falls to the largest such g. Limits: a follower has P = -1 at DC (g = 0) and turns
 * towards 0 above its bandwidth.
 *
 * H comes from one stage map B at shift a (small_signal.h), N x N, with y the unknowns X that each
 * state's history gives and mu = (s - a)/a:
 *     X = [y_k - mu y (1 + mu B)^-1 B e_k] / a
 * which is (s E + A)^-1 applied to the row of gain node k, with everything but the states
 * eliminated once. What is found is looked at once more by its natural frequencies. */
#include "stability_judge.h"

#include "memory.h"

#include <math.h>
#include <string.h>

/* Frequencies looked at: this many a decade, about the gain-bandwidths. A pair sharper than their
 * distance allows (Q of 10) is reported as ringing in any case. */
#define PER_DECADE  24
#define BELOW_LEAST 1e-4
#define ABOVE_MOST  10.0
/* A loop that needs all but this of its gain taken away is as good as open: 54 dB. */
#define LEAST_SHARE 2e-3
/* Shares of the gain, over that where growth begins, at which natural frequencies are asked for. */
static const double further[] = {0.8, 0.5, 0.25, 0.1};
/* Growth by less than this over a turn, as a ratio, is no oscillation to speak of: Q over 100. */
#define MOST_Q 100.0

typedef struct {
    sag_judge *judge;
    double *seen;           /* [op-amp][state]: its x over each state's history, at the shift */
    double complex *matrix; /* N x N */
    double complex *v;      /* N */
    double complex *before; /* [op-amp]: P at the frequency before */
    sag_zlu *lu;
} search;

/* x of every op-amp over every state's history; the factors are those of the stage just made. */
static void find_seen(search *s)
{
    sag_judge *judge = s->judge;
    const sag_small_signal *linear = &judge->linear;
    for (size_t j = 0; j < linear->states; j++) {
        const sag_state *state = &linear->state[j];
        memset(judge->x, 0, linear->size * sizeof *judge->x);
        for (int i = 0; i < state->into.count; i++) {
            judge->x[state->into.at[i]] += judge->shift * state->kappa * state->into.by[i];
        }
        sag_lu_solve(judge->lu, judge->x);
        for (size_t k = 0; k < linear->bias->network->opamp_count; k++) {
            size_t x = (size_t)linear->bias->network->opamps[k].filter;
            s->seen[k * linear->states + j] = judge->x[x];
        }
    }
}

/* Factors 1 + mu B at omega. */
static sag_status factor_at(search *s, double complex mu)
{
    const double *b = s->judge->b;
    size_t states = s->judge->linear.states;
    for (size_t i = 0; i < states; i++) {
        for (size_t j = 0; j < states; j++) {
            s->matrix[i * states + j] = (i == j ? 1 : 0) + mu * b[i * states + j];
        }
    }
    return sag_zlu_factor(s->lu, s->matrix, NULL);
}

static double complex find_p(search *s, double complex mu, size_t k)
{
    const sag_judge *judge = s->judge;
    size_t states = judge->linear.states;
    size_t own = judge->linear.bias->network->state_count + k;
    const double *seen = s->seen + k * states;
    for (size_t i = 0; i < states; i++) {
        s->v[i] = judge->b[i * states + own];
    }
    sag_zlu_solve(s->lu, s->v);
    double complex x = seen[own];
    for (size_t i = 0; i < states; i++) {
        x -= mu * seen[i] * s->v[i];
    }
    return -*sag_judge_gain(judge, k) * x / judge->shift;
}

/* The share of gain at which P crosses the real axis below -1 between two frequencies; 0: it does
 * not. */
static double crossing(double complex before, double complex after)
{
    if ((cimag(before) > 0) == (cimag(after) > 0)) {
        return 0;
    }
    double along = cimag(before) / (cimag(before) - cimag(after));
    double real = creal(before) + along * (creal(after) - creal(before));
    return real < -1 ? 1 + 1 / real : 0;
}

static void sweep(search *s, sag_gain_loss *losses)
{
    const sag_judge *judge = s->judge;
    const sag_bias *bias = judge->linear.bias;
    size_t opamps = bias->network->opamp_count;
    double lowest = (double)INFINITY, highest = 0;
    for (size_t k = 0; k < opamps; k++) {
        lowest = fmin(lowest, BELOW_LEAST * bias->devices.opamps[k].wt);
        highest = fmax(highest, ABOVE_MOST * bias->devices.opamps[k].wt);
    }
    int count = (int)ceil(PER_DECADE * log10(highest / lowest));
    for (int n = 0; n <= count; n++) {
        double omega = lowest * pow(10, (double)n / PER_DECADE);
        double complex mu = (sag_complex(0, omega) - judge->shift) / judge->shift;
        if (factor_at(s, mu) != SAG_OK) { /* a lossless pair turns at just this frequency */
            continue;
        }
        for (size_t k = 0; k < opamps; k++) {
            double complex p = find_p(s, mu, k);
            double share = n > 0 ? crossing(s->before[k], p) : 0;
            losses[k].share = fmax(losses[k].share, share > LEAST_SHARE ? share : 0);
            s->before[k] = p;
        }
    }
}

/* What really grows with less gain than the share found; nothing: takes it back. */
static sag_status confirm(sag_judge *judge, size_t k, sag_gain_loss *loss)
{
    const sag_bias *bias = judge->linear.bias;
    for (size_t i = 0; i < sizeof further / sizeof *further; i++) {
        sag_mode grows;
        sag_small_signal_move(&judge->linear, bias->unknown, bias->observed);
        *sag_judge_gain(judge, k) *= further[i] * loss->share;
        TRY(sag_judge_fastest(judge, &grows));
        if (grows.growth_per_s > loss->grows.growth_per_s && grows.frequency_hz > 0 &&
            grows.q < MOST_Q) {
            loss->grows = grows;
        }
    }
    loss->share = loss->grows.growth_per_s > 0 ? loss->share : 0;
    return SAG_OK;
}

static sag_status find(search *s, sag_gain_loss *losses)
{
    sag_judge *judge = s->judge;
    const sag_bias *bias = judge->linear.bias;
    sag_mode grows;
    size_t states = judge->linear.states, opamps = bias->network->opamp_count;
    s->seen = sag_new(opamps * states, sizeof *s->seen);
    s->matrix = sag_new(states * states + states + opamps, sizeof *s->matrix);
    if (!s->seen || !s->matrix) {
        return SAG_NO_MEMORY;
    }
    s->v = s->matrix + states * states;
    s->before = s->v + states;
    TRY(sag_zlu_new(states, &s->lu));
    sag_small_signal_move(&judge->linear, bias->unknown, bias->observed);
    TRY(sag_judge_fastest(judge, &grows));
    if (grows.growth_per_s > 0) { /* not stable with all of its gain: nothing to lose */
        return SAG_OK;
    }
    find_seen(s);
    sweep(s, losses);
    for (size_t k = 0; k < opamps; k++) {
        if (losses[k].share > 0) {
            TRY(confirm(judge, k, &losses[k]));
        }
    }
    return SAG_OK;
}

sag_status sag_stability_losses(const sag_bias *bias, sag_gain_loss **losses)
{
    size_t opamps = sag_network_opamp_count(sag_bias_network(bias));
    search s = {0};
    *losses = sag_new(opamps, sizeof **losses);
    for (size_t k = 0; *losses && k < opamps; k++) {
        (*losses)[k] = (sag_gain_loss){.grows = {.opamp = -1}};
    }
    sag_status status = *losses ? sag_judge_new(bias, &s.judge) : SAG_NO_MEMORY;
    if (status == SAG_OK && opamps > 0) {
        status = find(&s, *losses);
    }
    if (status != SAG_OK) {
        sag_free(*losses);
        *losses = NULL;
    }
    sag_zlu_free(s.lu);
    sag_free(s.matrix);
    sag_free(s.seen);
    sag_judge_free(s.judge);
    return status;
}
