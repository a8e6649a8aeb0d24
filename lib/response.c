/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "response.h"

#include "memory.h"
#include "small_signal.h"

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

#define PASSING_HZ    1e3
#define PASSING_SHARE 0.01

int sag_response_without_gain(const sag_bias *bias)
{
    const sag_network *network = bias->network;
    sag_response *response = NULL;
    double complex gain;
    int found = -1;
    for (size_t k = 0; k < network->opamp_count && found < 0; k++) {
        if (!(sag_bias_beyond_range_v(bias, k, 0) > 0) &&
            !(sag_bias_beyond_range_v(bias, k, 1) > 0)) {
            continue;
        }
        if (!response && (sag_response_new(bias, &response) != SAG_OK ||
                          sag_response_gain(response, PASSING_HZ, &gain) != SAG_OK)) {
            break;
        }
        const int *node = network->opamps[k].part->node;
        double share = fmax(cabs(sag_response_node(response, node[SAG_PIN_PLUS])),
                            cabs(sag_response_node(response, node[SAG_PIN_MINUS])));
        found = share >= PASSING_SHARE ? (int)k : -1;
    }
    sag_response_free(response);
    return found;
}

double sag_gain_db(double complex gain)
{
    return 20 * log10(cabs(gain));
}

double sag_phase_deg(double complex gain)
{
    return carg(gain) * 180 / M_PI;
}
