/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "response.h"

#include "memory.h"
#include "small_signal.h"

#include <gsl/gsl_eigen.h>
#include <math.h>

struct sag_response {
    sag_small_signal linear;
    sag_zlu *lu;
    double complex *work, *x;
};

void sag_response_free(sag_response *response)
{
    if (response) {
        sag_small_signal_clear(&response->linear);
        sag_zlu_free(response->lu);
        sag_free(response->work);
        sag_free(response->x);
        sag_free(response);
    }
}

sag_status sag_response_new(const sag_bias *bias, sag_response **out)
{
    *out = NULL;
    sag_response *response = sag_new(1, sizeof *response);
    if (!response) {
        return SAG_NO_MEMORY;
    }
    sag_status status = sag_small_signal_make(&response->linear, bias);
    if (status == SAG_OK) {
        size_t size = response->linear.size;
        response->work = sag_new(size * size, sizeof *response->work);
        response->x = sag_new(size, sizeof *response->x);
        status = response->work && response->x ? sag_zlu_new(size, &response->lu) : SAG_NO_MEMORY;
    }
    if (status != SAG_OK) {
        sag_response_free(response);
        return status;
    }
    *out = response;
    return SAG_OK;
}

sag_status sag_response_gain(sag_response *response, double frequency_hz, double complex *gain)
{
    TRY(sag_small_signal_solve(&response->linear, frequency_hz, response->lu, response->work,
                               response->x));
    *gain = sag_response_node(response, response->linear.bias->network->design->output);
    return SAG_OK;
}

double complex sag_response_node(const sag_response *response, int node)
{
    int unknown = sag_network_unknown(node);
    return unknown < 0 ? 0 : response->x[unknown];
}

double complex sag_response_opamp_a(const sag_response *response, size_t opamp)
{
    const sag_network *network = response->linear.bias->network;
    const sag_network_opamp_data *data = &network->opamps[opamp];
    double complex emf = response->x[network->n + opamp];
    return (emf - sag_response_node(response, data->part->node[SAG_PIN_OUT])) / data->output_ohm;
}

double sag_gain_db(double complex gain)
{
    return 20 * log10(cabs(gain));
}

double sag_phase_deg(double complex gain)
{
    return carg(gain) * 180 / M_PI;
}

/* Rates are compared with this; far above every slow time constant and below every fast one. */
#define SHIFT_PER_S 1e6
/* theta below this belongs to an algebraic equation, not to a natural frequency. */
#define LEAST_THETA 1e-9
/* A growth slower than this is rounding on the slow time constants of coupling capacitors. */
#define LEAST_GROWTH_PER_S 1.0

/* Natural frequencies as eigenvalues of the stage map: with b = d z / d z* of a stage at shift a,
 * its eigenvalue theta = a / (a - lambda), so lambda = a (1 - 1/theta). transposed gives the left
 * vectors. */
static sag_status find_modes(const double *b, size_t states, int transposed,
                             gsl_vector_complex *theta, gsl_matrix_complex *vectors)
{
    gsl_matrix *matrix = gsl_matrix_alloc(states, states);
    gsl_eigen_nonsymmv_workspace *workspace = gsl_eigen_nonsymmv_alloc(states);
    sag_status status = matrix && workspace ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        for (size_t i = 0; i < states; i++) {
            for (size_t j = 0; j < states; j++) {
                gsl_matrix_set(matrix, i, j, transposed ? b[j * states + i] : b[i * states + j]);
            }
        }
        status = gsl_eigen_nonsymmv(matrix, theta, vectors, workspace) ? SAG_NOT_CONVERGED : SAG_OK;
    }
    if (workspace) {
        gsl_eigen_nonsymmv_free(workspace);
    }
    if (matrix) {
        gsl_matrix_free(matrix);
    }
    return status;
}

static double complex eigenvalue(const gsl_vector_complex *theta, size_t i)
{
    gsl_complex value = gsl_vector_complex_get(theta, i);
    return sag_complex(GSL_REAL(value), GSL_IMAG(value));
}

/* The op-amp whose gain node has the largest left-times-right component in the mode. */
static int find_home(const sag_small_signal *linear, const gsl_matrix_complex *right, size_t mode,
                     const gsl_vector_complex *left_theta, const gsl_matrix_complex *left,
                     double complex theta)
{
    size_t nearest = 0, opamps = linear->bias->network->opamp_count;
    for (size_t i = 1; i < linear->states; i++) {
        if (cabs(eigenvalue(left_theta, i) - theta) <
            cabs(eigenvalue(left_theta, nearest) - theta)) {
            nearest = i;
        }
    }
    int home = -1;
    double largest = 0;
    for (size_t k = 0; k < opamps; k++) {
        size_t row = linear->states - opamps + k;
        gsl_complex r = gsl_matrix_complex_get(right, row, mode);
        gsl_complex l = gsl_matrix_complex_get(left, row, nearest);
        double share = hypot(GSL_REAL(r), GSL_IMAG(r)) * hypot(GSL_REAL(l), GSL_IMAG(l));
        if (share > largest) {
            largest = share;
            home = (int)k;
        }
    }
    return home;
}

sag_status sag_response_stability(sag_response *response, sag_stability *out)
{
    const sag_small_signal *linear = &response->linear;
    size_t states = linear->states, size = linear->size;
    *out = (sag_stability){.opamp = -1};
    if (states == 0) {
        return SAG_OK;
    }
    double *b = sag_new(states * states + states + size * size + size, sizeof *b);
    gsl_vector_complex *theta = gsl_vector_complex_alloc(states),
                       *left_theta = gsl_vector_complex_alloc(states);
    gsl_matrix_complex *right = gsl_matrix_complex_alloc(states, states),
                       *left = gsl_matrix_complex_alloc(states, states);
    sag_lu *lu = NULL;
    sag_status status =
        b && theta && left_theta && right && left ? sag_lu_new(size, &lu) : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        double *g = b + states * states, *matrix = g + states, *x = matrix + size * size;
        status = sag_small_signal_stage(linear, SHIFT_PER_S, lu, matrix, x, b, g, NULL);
    }
    if (status == SAG_OK) {
        status = find_modes(b, states, 0, theta, right);
    }
    size_t worst = states;
    for (size_t i = 0; status == SAG_OK && i < states; i++) {
        double complex t = eigenvalue(theta, i);
        double growth = cabs(t) < LEAST_THETA ? 0 : SHIFT_PER_S * creal(1 - 1 / t);
        if (growth > LEAST_GROWTH_PER_S && growth > out->growth_per_s) {
            worst = i;
            out->growth_per_s = growth;
            out->frequency_hz = fabs(SHIFT_PER_S * cimag(1 - 1 / t)) / (2 * M_PI);
        }
    }
    if (worst < states) {
        out->oscillates = 1;
        status = find_modes(b, states, 1, left_theta, left);
        if (status == SAG_OK) {
            out->opamp =
                find_home(linear, right, worst, left_theta, left, eigenvalue(theta, worst));
        }
    }
    sag_lu_free(lu);
    if (theta) {
        gsl_vector_complex_free(theta);
    }
    if (left_theta) {
        gsl_vector_complex_free(left_theta);
    }
    if (right) {
        gsl_matrix_complex_free(right);
    }
    if (left) {
        gsl_matrix_complex_free(left);
    }
    sag_free(b);
    return status;
}
