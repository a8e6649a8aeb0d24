/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stability_judge.h"

#include "memory.h"

#include <gsl/gsl_eigen.h>
#include <math.h>
#include <string.h>

/* Rates are compared with this; far above every slow time constant and below every fast one. */
#define SHIFT_PER_S 1e6
/* Another, where a natural frequency happens to lie on it. */
#define OTHER_SHIFT 1.37
#define SHIFTS      3
/* theta below this belongs to an algebraic equation, not to a natural frequency. */
#define LEAST_THETA 1e-9
/* Left and right vectors whose theta differ by less belong to one natural frequency, or to several
 * that are equal. */
#define SAME_THETA 1e-9
/* A state with a smaller share of a mode is not worth naming. */
#define LEAST_PARTNER_SHARE 0.1

void sag_judge_free(sag_judge *judge)
{
    if (!judge) {
        return;
    }
    sag_small_signal_clear(&judge->linear);
    sag_lu_free(judge->lu);
    sag_free(judge->matrix);
    sag_free(judge->lambda);
    sag_free(judge->marks);
    sag_free(judge->resting_gain);
    if (judge->copy) {
        gsl_matrix_free(judge->copy);
    }
    if (judge->theta) {
        gsl_vector_complex_free(judge->theta);
    }
    if (judge->left_theta) {
        gsl_vector_complex_free(judge->left_theta);
    }
    if (judge->right) {
        gsl_matrix_complex_free(judge->right);
    }
    if (judge->left) {
        gsl_matrix_complex_free(judge->left);
    }
    if (judge->values) {
        gsl_eigen_nonsymm_free(judge->values);
    }
    if (judge->vectors) {
        gsl_eigen_nonsymmv_free(judge->vectors);
    }
    sag_free(judge);
}

static sag_status fill(sag_judge *judge, const sag_bias *bias)
{
    TRY(sag_small_signal_make(&judge->linear, bias));
    size_t states = judge->linear.states, size = judge->linear.size;
    TRY(sag_lu_new(size, &judge->lu));
    judge->matrix =
        sag_new(size * size + size + states * states + 2 * states, sizeof *judge->matrix);
    judge->resting_gain = sag_new(bias->network->opamp_count, sizeof *judge->resting_gain);
    judge->lambda = sag_new(states, sizeof *judge->lambda);
    judge->mark_count = sag_small_signal_mark_count(&judge->linear);
    judge->marks = sag_new((1 + SAG_REMEMBERED) * judge->mark_count, sizeof *judge->marks);
    if (!judge->matrix || !judge->lambda || !judge->marks || !judge->resting_gain) {
        return SAG_NO_MEMORY;
    }
    for (size_t k = 0; k < bias->network->opamp_count; k++) {
        judge->resting_gain[k] = *sag_judge_gain(judge, k);
    }
    judge->x = judge->matrix + size * size;
    judge->b = judge->x + size;
    judge->g = judge->b + states * states;
    judge->share = judge->g + states;
    if (states == 0) {
        return SAG_OK;
    }
    judge->copy = gsl_matrix_alloc(states, states);
    judge->theta = gsl_vector_complex_alloc(states);
    judge->left_theta = gsl_vector_complex_alloc(states);
    judge->right = gsl_matrix_complex_alloc(states, states);
    judge->left = gsl_matrix_complex_alloc(states, states);
    judge->values = gsl_eigen_nonsymm_alloc(states);
    judge->vectors = gsl_eigen_nonsymmv_alloc(states);
    int made = judge->copy && judge->theta && judge->left_theta && judge->right && judge->left &&
               judge->values && judge->vectors;
    return made ? SAG_OK : SAG_NO_MEMORY;
}

sag_status sag_judge_new(const sag_bias *bias, sag_judge **out)
{
    *out = NULL;
    sag_judge *judge = sag_new(1, sizeof *judge);
    if (!judge) {
        return SAG_NO_MEMORY;
    }
    sag_status status = fill(judge, bias);
    if (status != SAG_OK) {
        sag_judge_free(judge);
        return status;
    }
    *out = judge;
    return SAG_OK;
}

static void copy_map(sag_judge *judge, int transposed)
{
    size_t states = judge->linear.states;
    for (size_t i = 0; i < states; i++) {
        for (size_t j = 0; j < states; j++) {
            gsl_matrix_set(judge->copy, i, j,
                           transposed ? judge->b[j * states + i] : judge->b[i * states + j]);
        }
    }
}

static double complex theta_at(const gsl_vector_complex *theta, size_t i)
{
    gsl_complex value = gsl_vector_complex_get(theta, i);
    return sag_complex(GSL_REAL(value), GSL_IMAG(value));
}

static double complex lambda_of(const sag_judge *judge, double complex theta)
{
    if (cabs(theta) < LEAST_THETA) {
        return (double)INFINITY;
    }
    return judge->shift * (1 - 1 / theta);
}

static sag_status find_values(sag_judge *judge)
{
    size_t states = judge->linear.states;
    sag_status status = SAG_OK;
    judge->shift = SHIFT_PER_S;
    judge->has_vectors = 0;
    for (int i = 0; i < SHIFTS; i++) {
        if (i > 0) {
            judge->shift *= OTHER_SHIFT;
        }
        status = sag_small_signal_stage(&judge->linear, judge->shift, judge->lu, judge->matrix,
                                        judge->x, judge->b, judge->g, NULL);
        if (status == SAG_OK) {
            copy_map(judge, 0);
            judge->solved++;
            int failed = gsl_eigen_nonsymm(judge->copy, judge->theta, judge->values);
            status = failed ? SAG_NOT_CONVERGED : SAG_OK;
        }
        if (status <= SAG_OK) {
            break;
        }
    }
    TRY(status);
    for (size_t i = 0; i < states; i++) {
        judge->lambda[i] = lambda_of(judge, theta_at(judge->theta, i));
    }
    return SAG_OK;
}

static sag_status find_vectors(sag_judge *judge)
{
    if (judge->has_vectors) {
        return SAG_OK;
    }
    copy_map(judge, 0);
    int failed = gsl_eigen_nonsymmv(judge->copy, judge->theta, judge->right, judge->vectors);
    copy_map(judge, 1);
    failed |= gsl_eigen_nonsymmv(judge->copy, judge->left_theta, judge->left, judge->vectors);
    judge->has_vectors = !failed;
    return failed ? SAG_NOT_CONVERGED : SAG_OK;
}

static double complex entry(const gsl_matrix_complex *vectors, size_t row, size_t column)
{
    gsl_complex value = gsl_matrix_complex_get(vectors, row, column);
    return sag_complex(GSL_REAL(value), GSL_IMAG(value));
}

/* The left vector that goes with a right one: of those at its theta, the one that is not orthogonal
 * to it. */
static size_t find_left(const sag_judge *judge, size_t right)
{
    size_t states = judge->linear.states, found = 0;
    double complex theta = theta_at(judge->theta, right);
    double nearest = (double)INFINITY, largest = -1;
    for (size_t i = 0; i < states; i++) {
        nearest = fmin(nearest, cabs(theta_at(judge->left_theta, i) - theta));
    }
    for (size_t i = 0; i < states; i++) {
        double complex product = 0;
        for (size_t k = 0; k < states; k++) {
            product += entry(judge->left, k, i) * entry(judge->right, k, right);
        }
        double distance = cabs(theta_at(judge->left_theta, i) - theta);
        if (distance <= nearest + SAME_THETA * cabs(theta) && cabs(product) > largest) {
            largest = cabs(product);
            found = i;
        }
    }
    return found;
}

/* Shares of the states in the mode that turns and grows like lambda. */
static sag_status find_shares(sag_judge *judge, double complex lambda)
{
    size_t states = judge->linear.states, right = 0;
    double nearest = (double)INFINITY, sum = 0;
    TRY(find_vectors(judge));
    for (size_t i = 0; i < states; i++) {
        double distance = cabs(lambda_of(judge, theta_at(judge->theta, i)) - lambda);
        if (distance < nearest) {
            nearest = distance;
            right = i;
        }
    }
    size_t left = find_left(judge, right);
    for (size_t k = 0; k < states; k++) {
        judge->share[k] = cabs(entry(judge->left, k, left)) * cabs(entry(judge->right, k, right));
        sum += judge->share[k];
    }
    for (size_t k = 0; k < states; k++) {
        judge->share[k] /= sum;
    }
    return SAG_OK;
}

static double q_of(double complex lambda)
{
    return cabs(lambda) / (2 * fabs(creal(lambda)));
}

/* What there is to say of a natural frequency, from its shares; returns the op-amps' own share. */
static double describe(const sag_judge *judge, double complex lambda, sag_mode *mode)
{
    const sag_network *network = judge->linear.bias->network;
    size_t first_gain = network->state_count;
    double largest = 0, partner = LEAST_PARTNER_SHARE, own = 0;
    *mode = (sag_mode){.frequency_hz = fabs(cimag(lambda)) / (2 * M_PI),
                       .growth_per_s = creal(lambda),
                       .q = q_of(lambda),
                       .opamp = -1};
    for (size_t k = 0; k < network->opamp_count; k++) {
        int filter = network->opamps[k].filter_state;
        double gain = judge->share[first_gain + k];
        own += gain + (filter >= 0 ? judge->share[filter] : 0);
        if (gain > largest) {
            largest = gain;
            mode->opamp = (int)k;
        }
    }
    for (size_t i = 0; i < first_gain; i++) {
        int part = network->states[i].part, is_filter = 0;
        for (size_t k = 0; k < network->opamp_count; k++) {
            is_filter |= network->opamps[k].filter_state == (int)i;
        }
        if (!is_filter && part != SAG_STATE_OTHER && judge->share[i] > partner) {
            partner = judge->share[i];
            mode->partner = part == SAG_STATE_LOAD ? SAG_PARTNER_LOAD : SAG_PARTNER_PART;
            mode->partner_part = part == SAG_STATE_LOAD ? 0 : (size_t)part;
        }
    }
    return own;
}

/* The fastest growth: of a pair, or where none grows, of what latches. Returns its index; the
 * number of states when nothing grows. */
static size_t find_growth(const sag_judge *judge)
{
    size_t states = judge->linear.states, found = states;
    for (size_t i = 0; i < states; i++) {
        double complex lambda = judge->lambda[i];
        if (!isfinite(creal(lambda)) || creal(lambda) <= SAG_LEAST_GROWTH_PER_S) {
            continue;
        }
        if (found == states) {
            found = i;
            continue;
        }
        int turns = fabs(cimag(lambda)) > 0, turned = fabs(cimag(judge->lambda[found])) > 0;
        if (turns == turned ? creal(lambda) > creal(judge->lambda[found]) : turns) {
            found = i;
        }
    }
    return found;
}

/* The pair of highest Q that is an op-amp's own. */
static sag_status find_worst(sag_judge *judge, sag_mode *worst)
{
    size_t states = judge->linear.states;
    double below = (double)INFINITY;
    for (size_t tries = 0; tries < states; tries++) {
        size_t next = states;
        double q = 0.5;
        for (size_t i = 0; i < states; i++) {
            double complex lambda = judge->lambda[i];
            if (isfinite(creal(lambda)) && cimag(lambda) > 0 && q_of(lambda) > q &&
                q_of(lambda) < below) {
                q = q_of(lambda);
                next = i;
            }
        }
        if (next == states) {
            break;
        }
        below = q;
        TRY(find_shares(judge, judge->lambda[next]));
        if (describe(judge, judge->lambda[next], worst) >= SAG_RINGING_SHARE) {
            return SAG_OK;
        }
    }
    *worst = (sag_mode){.opamp = -1};
    return SAG_OK;
}

sag_status sag_judge_fastest(sag_judge *judge, sag_mode *grows)
{
    *grows = (sag_mode){.opamp = -1};
    if (judge->linear.states == 0) {
        return SAG_OK;
    }
    TRY(find_values(judge));
    size_t found = find_growth(judge);
    if (found < judge->linear.states) {
        TRY(find_shares(judge, judge->lambda[found]));
        describe(judge, judge->lambda[found], grows);
    }
    return SAG_OK;
}

sag_status sag_judge_at(sag_judge *judge, const double *unknown, const double *observed,
                        sag_stability *out)
{
    *out = (sag_stability){.grows = {.opamp = -1}, .worst = {.opamp = -1}};
    sag_small_signal_move(&judge->linear, unknown, observed);
    TRY(sag_judge_fastest(judge, &out->grows));
    out->oscillates = out->grows.growth_per_s > 0;
    if (judge->linear.states > 0) {
        TRY(find_worst(judge, &out->worst));
    }
    out->rings = !out->oscillates && out->worst.opamp >= 0 && out->worst.q > SAG_RINGING_Q;
    return SAG_OK;
}

static int is_near(const double *a, const double *b, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (!(fabs(a[i] - b[i]) <= 1)) {
            return 0;
        }
    }
    return 1;
}

/* Judges the instant the network is linearised at, unless its slopes are near others. */
static sag_status recall(sag_judge *judge, sag_mode *grows)
{
    size_t count = judge->mark_count;
    size_t known =
        judge->remembered_count < SAG_REMEMBERED ? judge->remembered_count : SAG_REMEMBERED;
    sag_small_signal_marks(&judge->linear, judge->marks);
    for (size_t i = 0; i < known; i++) {
        if (is_near(judge->marks, judge->marks + (1 + i) * count, count)) {
            *grows = judge->remembered[i];
            return SAG_OK;
        }
    }
    TRY(sag_judge_fastest(judge, grows));
    size_t at = judge->remembered_count++ % SAG_REMEMBERED;
    judge->remembered[at] = *grows;
    memcpy(judge->marks + (1 + at) * count, judge->marks, count * sizeof *judge->marks);
    return SAG_OK;
}

sag_status sag_judge_near(sag_judge *judge, const double *unknown, const double *observed,
                          sag_mode *grows)
{
    if (judge->remembered_count == 0) { /* most instants are near rest */
        const sag_bias *bias = judge->linear.bias;
        sag_small_signal_move(&judge->linear, bias->unknown, bias->observed);
        TRY(recall(judge, grows));
    }
    sag_small_signal_move(&judge->linear, unknown, observed);
    return recall(judge, grows);
}

double *sag_judge_gain(const sag_judge *judge, size_t opamp)
{
    const sag_small_signal *linear = &judge->linear;
    size_t column = (size_t)linear->bias->network->opamps[opamp].filter;
    return &linear->a[(linear->n + opamp) * linear->size + column];
}

double sag_judge_gain_left(const sag_judge *judge, size_t opamp)
{
    double resting = judge->resting_gain[opamp];
    return resting < 0 ? *sag_judge_gain(judge, opamp) / resting : 1;
}

size_t sag_judge_count(const sag_judge *judge)
{
    return judge->linear.states;
}

double complex sag_judge_lambda(const sag_judge *judge, size_t index)
{
    return judge->lambda[index];
}

size_t sag_judge_solved(const sag_judge *judge)
{
    return judge->solved;
}

sag_status sag_stability_at_rest(const sag_bias *bias, sag_stability *out)
{
    sag_judge *judge = NULL;
    *out = (sag_stability){.grows = {.opamp = -1}, .worst = {.opamp = -1}};
    sag_status status = sag_judge_new(bias, &judge);
    if (status == SAG_OK) {
        status = sag_judge_at(judge, bias->unknown, bias->observed, out);
    }
    sag_judge_free(judge);
    return status;
}
