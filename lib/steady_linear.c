/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The linear periodic solution on a grid of steps, from which shooting starts, and where it would
 * first meet a limit. */
#include "steady_private.h"

#include <math.h>
#include <string.h>

/* c = a b, all n x n. */
static void multiply(size_t n, const double *a, const double *b, double *c)
{
    memset(c, 0, n * n * sizeof *c);
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < n; k++) {
            double by = a[i * n + k];
            for (size_t j = 0; by != 0 && j < n; j++) {
                c[i * n + j] += by * b[k * n + j];
            }
        }
    }
}

/* The orbit of z -> z2 under u = e^{j w t}: with q = e^{j w h}, r = e^{j w gamma h}, c = 1 + sqrt
 * 2, z1 = B z + g r,   z2 = B (z + c (z1 - z)) + g q = q z [q I - B ((1 - c) I + c B)] z = c B g r
 * + g q and the output after the step: o_z (z + c (z1 - z)) + o_u q. */
static sag_status find_orbit(sag_steady *steady, sag_grid *grid, const double *b,
                             const double *b_squared, const double *g, const double *output)
{
    size_t n = steady->states;
    const double c = 1 + M_SQRT2, gamma = 1 - M_SQRT1_2;
    double angle = 2 * M_PI / grid->steps;
    double complex q = sag_complex(cos(angle), sin(angle));
    double complex r = sag_complex(cos(gamma * angle), sin(gamma * angle));
    double complex *m = steady->zstates, *z = grid->orbit;
    for (size_t i = 0; i < n; i++) {
        double bg = 0;
        for (size_t j = 0; j < n; j++) {
            m[i * n + j] = (i == j ? q : 0) - ((1 - c) * b[i * n + j] + c * b_squared[i * n + j]);
            bg += b[i * n + j] * g[j];
        }
        z[i] = c * bg * r + g[i] * q;
    }
    TRY(sag_zlu_factor(steady->zlu_states, m, NULL));
    sag_zlu_solve(steady->zlu_states, z);
    double complex sum = output[n] * q;
    for (size_t i = 0; i < n; i++) {
        double complex first = g[i] * r;
        for (size_t j = 0; j < n; j++) {
            first += b[i * n + j] * z[j];
        }
        sum += output[i] * (z[i] + c * (first - z[i]));
    }
    grid->output = sum / q; /* as a phasor at the start of the step */
    return SAG_OK;
}

sag_status sag_steady_prepare_grid(sag_steady *steady, size_t index)
{
    sag_grid *grid = &steady->grid[index];
    if (grid->ready) {
        return SAG_OK;
    }
    size_t n = steady->states, size = steady->linear.size;
    const double c = 1 + M_SQRT2;
    double h = 1 / (steady->frequency_hz * grid->steps), a = SAG_STEP_A(h);
    TRY(sag_map_fill(steady->maker, a, &grid->map));
    for (int i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        grid->finer[i].a = (double)NAN; /* made when a step asks for it */
    }
    double *b = steady->work, *b_squared = b + n * n, *g = b_squared + n * n, *output = g + n;
    double *matrix = output + n + 1, *x = matrix + size * size;
    TRY(sag_small_signal_stage(&steady->linear, a, steady->lu, matrix, x, b, g, output));
    multiply(n, b, b, b_squared);
    TRY(find_orbit(steady, grid, b, b_squared, g, output));
    /* One step is (1 - c) B + c B^2; a period is that to the power of steps, by squaring. */
    for (size_t i = 0; i < n * n; i++) {
        b[i] = (1 - c) * b[i] + c * b_squared[i];
    }
    double *power = b, *next = b_squared;
    for (int steps = grid->steps; steps > 1; steps /= 2) {
        multiply(n, power, power, next);
        double *held = power;
        power = next;
        next = held;
    }
    memcpy(grid->monodromy, power, n * n * sizeof *power);
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            next[i * n + j] = (i == j) - power[i * n + j];
        }
    }
    TRY(sag_lu_factor(grid->shoot, next, 0, NULL));
    grid->ready = 1;
    return SAG_OK;
}

/* ---- where the linear solution would first meet a limit ---- */

/* No onset is looked for below it. */
#define LOWEST_VPK 1e-6

typedef struct {
    const sag_steady *steady;
    size_t opamp;
    double complex out, emf, positive, negative; /* per unit of drive */
} rail_search;

/* Volts by which the output is past the point where its clamp meets the limit, at its own crest. */
static double past_rail(const rail_search *search, double level_vpk, int high)
{
    const sag_bias *bias = search->steady->bias;
    const sag_stage_opamp *opamp = &bias->devices.opamps[search->opamp];
    size_t row = search->opamp * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT;
    size_t rail = sag_network_rail_row(bias->network, opamp->rail);
    double complex turn = conj(search->out) / cabs(search->out) * (high ? level_vpk : -level_vpk);
    double out = bias->observed[row] + creal(search->out * turn);
    double positive = bias->observed[rail] + creal(search->positive * turn);
    double negative = bias->observed[rail + 1] + creal(search->negative * turn);
    double emf = bias->unknown[search->opamp] + creal(search->emf * turn);
    double current = (emf - out) * opamp->siemens, by_current, by_supply;
    if (high) {
        double drop =
            sag_drop_line_at(&opamp->high, current, positive - negative, &by_current, &by_supply);
        return out - (positive - drop - (1 - SAG_RAMP_MET) * opamp->knee_high_v);
    }
    double drop =
        sag_drop_line_at(&opamp->low, -current, positive - negative, &by_current, &by_supply);
    return negative + drop + (1 - SAG_RAMP_MET) * opamp->knee_low_v - out;
}

static double find_rail_level(const rail_search *search, int high)
{
    if (!(cabs(search->out) > 0)) {
        return (double)INFINITY;
    }
    double low = LOWEST_VPK, top = 1e6;
    if (past_rail(search, low, high) > 0) {
        return low;
    }
    for (int i = 0; i < 50 && top / low > 1 + 1e-6; i++) {
        double middle = sqrt(low * top);
        if (past_rail(search, middle, high) > 0) {
            top = middle;
        } else {
            low = middle;
        }
    }
    return low;
}

static void consider(sag_steady *steady, double level_vpk, size_t opamp, sag_limit_kind kind)
{
    if (level_vpk < steady->onset_vpk) {
        steady->onset_vpk = level_vpk;
        steady->onset_limit = (sag_limit){(int)opamp, kind};
    }
}

static double complex seen(const sag_steady *steady, size_t row)
{
    const sag_sparse *observed = &steady->bias->network->observed[row];
    double complex sum = 0;
    for (int i = 0; i < observed->count; i++) {
        sum += observed->by[i] * steady->x[observed->at[i]];
    }
    return sum;
}

/* The level at which an input pin comes within met_v of a rail: sign 1 above the negative one, -1
 * below the positive one. */
static double range_level(const sag_steady *steady, size_t pin, size_t rail, double sign,
                          double met_v)
{
    const double *rest = steady->bias->observed;
    double room_v = sign * (rest[pin] - rest[rail]) - met_v;
    double moves = cabs(seen(steady, pin) - seen(steady, rail));
    return room_v < 0 ? LOWEST_VPK : fmax(room_v / moves, LOWEST_VPK);
}

static void find_onset(sag_steady *steady)
{
    const sag_network *network = steady->bias->network;
    steady->onset_vpk = (double)INFINITY;
    steady->onset_limit = (sag_limit){-1, SAG_LIMIT_NONE};
    for (size_t k = 0; k < network->opamp_count; k++) {
        const sag_stage_opamp *opamp = &steady->bias->devices.opamps[k];
        size_t row = k * SAG_OBSERVED_PER_OPAMP, rail = sag_network_rail_row(network, opamp->rail);
        rail_search search = {.steady = steady,
                              .opamp = k,
                              .out = seen(steady, row + SAG_OBSERVED_OUT),
                              .emf = steady->x[network->n + k],
                              .positive = seen(steady, rail),
                              .negative = seen(steady, rail + 1)};
        consider(steady, find_rail_level(&search, 1), k, SAG_LIMIT_RAIL_POSITIVE);
        consider(steady, find_rail_level(&search, 0), k, SAG_LIMIT_RAIL_NEGATIVE);
        double drive = cabs(seen(steady, row + SAG_OBSERVED_DRIVE)) * opamp->wt;
        consider(steady, SAG_SLEW_MET * fmin(opamp->slew_rise, opamp->slew_fall) / drive, k,
                 SAG_LIMIT_SLEW);
        double rest_a =
            (steady->bias->unknown[k] - steady->bias->observed[row + SAG_OBSERVED_OUT]) *
            opamp->siemens;
        double current = cabs(search.emf - search.out) * opamp->siemens;
        double source_a =
            opamp->short_source_a - (1 - SAG_RAMP_MET) * opamp->knee_source_a - rest_a;
        double sink_a = opamp->short_sink_a - (1 - SAG_RAMP_MET) * opamp->knee_sink_a + rest_a;
        /* At rest beyond the limit already: the lowest level, as for the rails. */
        consider(steady, fmax(fmin(source_a, sink_a) / current, LOWEST_VPK), k, SAG_LIMIT_CURRENT);
        for (size_t pin = 0; pin < 2; pin++) {
            size_t at = sag_network_pins_row(network, k) + pin;
            consider(steady, range_level(steady, at, rail + 1, 1, opamp->input_low.met_v), k,
                     SAG_LIMIT_INPUT_RANGE);
            consider(steady, range_level(steady, at, rail, -1, opamp->input_high.met_v), k,
                     SAG_LIMIT_INPUT_RANGE);
        }
    }
}

sag_status sag_steady_prepare(sag_steady *steady)
{
    TRY(sag_small_signal_solve(&steady->linear, steady->frequency_hz, steady->zlu, steady->zwork,
                               steady->x));
    steady->gain = seen(steady, sag_network_output_row(steady->bias->network));
    find_onset(steady);
    return SAG_OK;
}
