/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What an orbit says: fundamental, harmonics, peaks, and how much of each limit is used. */
#include "steady_private.h"

#include <math.h>

const char *sag_limit_name(sag_limit_kind kind)
{
    switch (kind) {
    case SAG_LIMIT_NONE:
        return "none";
    case SAG_LIMIT_RAIL_POSITIVE:
        return "rail+";
    case SAG_LIMIT_RAIL_NEGATIVE:
        return "rail-";
    case SAG_LIMIT_SLEW:
        return "slew";
    case SAG_LIMIT_CURRENT:
        return "current";
    case SAG_LIMIT_INPUT_RANGE:
        return "input range";
    case SAG_LIMIT_NO_SWING:
        return "no swing";
    case SAG_LIMIT_CROSSOVER:
        return "crossover";
    }
    return "none";
}

/* Amplitude of a harmonic as a phasor: y(t) = Re(sum Y_k e^{j k w t}), samples after each step. */
static double complex harmonic(const double *samples, size_t stride, int steps, int order)
{
    double angle = 2 * M_PI * order / steps, re = 0, im = 0;
    /* e^{-j k w t} by rotation, started afresh every 32 samples so that rounding does not grow. */
    double c = cos(angle), s = -sin(angle), cr = 1, ci = 0;
    for (int n = 0; n < steps; n++) {
        if (n % 32 == 0) {
            double exact = angle * (n + 1);
            cr = cos(exact);
            ci = -sin(exact);
        }
        double y = samples[(size_t)n * stride];
        re += y * cr;
        im += y * ci;
        double turned = cr * c - ci * s;
        ci = cr * s + ci * c;
        cr = turned;
    }
    double scale = order == 0 || 2 * order == steps ? 1.0 : 2.0;
    return sag_complex(re * scale / steps, im * scale / steps);
}

/* Highest and lowest value; of a smooth wave on a coarse grid refined by the parabola through the
 * neighbours of the extreme sample. A clipped wave has a corner there, and a parabola across it
 * would reach past the limit. */
static void find_peaks(const double *samples, size_t stride, int steps, int smooth, double *peak,
                       double *trough)
{
    for (int side = 0; side < 2; side++) {
        double sign = side ? -1 : 1;
        int best = 0;
        for (int n = 1; n < steps; n++) {
            if (sign * samples[(size_t)n * stride] > sign * samples[(size_t)best * stride]) {
                best = n;
            }
        }
        double middle = samples[(size_t)best * stride];
        double before = samples[(size_t)((best + steps - 1) % steps) * stride];
        double after = samples[(size_t)((best + 1) % steps) * stride];
        double bend = before - 2 * middle + after, lean = after - before;
        double top = smooth && bend * sign < 0 ? middle - lean * lean / (8 * bend) : middle;
        *(side ? trough : peak) = top;
    }
}

sag_orbit_check sag_steady_check(const sag_steady *steady, const sag_grid *grid, size_t lane)
{
    size_t lanes = steady->kind->lanes;
    const double *output = steady->period.wave + lane;
    sag_orbit_check check = {.clipped = steady->period.clamp[lane] > 1e-3};
    double fundamental = cabs(harmonic(output, lanes, grid->steps, 1));
    /* Every second one is enough to see a tail, and odd clipping puts nothing into the even ones.
     */
    for (int order = grid->steps / 4; order <= grid->steps / 2; order += grid->steps > 64 ? 9 : 1) {
        double size = cabs(harmonic(output, lanes, grid->steps, order)) / fundamental;
        check.spectrum_tail = fmax(check.spectrum_tail, size);
    }
    return check;
}

static const sag_limit_kind use_kind[SAG_USE_COUNT] = {
    [SAG_USE_RAIL_POSITIVE] = SAG_LIMIT_RAIL_POSITIVE,
    [SAG_USE_RAIL_NEGATIVE] = SAG_LIMIT_RAIL_NEGATIVE,
    [SAG_USE_SLEW] = SAG_LIMIT_SLEW,
    [SAG_USE_CURRENT] = SAG_LIMIT_CURRENT,
    [SAG_USE_INPUT_RANGE] = SAG_LIMIT_INPUT_RANGE,
    [SAG_USE_CROSSOVER] = SAG_LIMIT_CROSSOVER,
};

/* The shares of its limits that an op-amp uses. Those of the rails were taken at samples; on a
 * smooth wave they go up with the crest between them. */
static void read_uses(const sag_steady *steady, size_t lane, size_t k, const double refined[2],
                      double use[SAG_USE_COUNT])
{
    for (size_t u = 0; u < SAG_USE_COUNT; u++) {
        use[u] = steady->period.use[(k * SAG_USE_COUNT + u) * steady->kind->lanes + lane];
    }
    use[SAG_USE_RAIL_POSITIVE] *= refined[0];
    use[SAG_USE_RAIL_NEGATIVE] *= refined[1];
}

static void read_opamp(const sag_steady *steady, const sag_grid *grid, size_t lane, size_t k,
                       int clipped, sag_opamp_swing *swing, double use[SAG_USE_COUNT])
{
    size_t lanes = steady->kind->lanes;
    const double *out = steady->period.opamp_out + k * SAG_MOST_STEPS * lanes + lane;
    double peak, trough, refined[2];
    find_peaks(out, lanes, grid->steps, 0, &peak, &trough);
    find_peaks(out, lanes, grid->steps, !clipped, &swing->peak_v, &swing->trough_v);
    refined[0] = peak > 0 ? swing->peak_v / peak : 1;
    refined[1] = trough < 0 ? swing->trough_v / trough : 1;
    read_uses(steady, lane, k, refined, use);
    double most = 0;
    swing->nearest = SAG_LIMIT_NONE;
    for (size_t u = 0; u < SAG_USE_LIMITS; u++) {
        if (use[u] > most) {
            most = use[u];
            swing->nearest = use_kind[u];
        }
    }
    swing->left_db = -20 * log10(most);
    swing->crosses_over = use[SAG_USE_CROSSOVER] >= 1;
}

/* Over a period the slow part of the battery's resistance takes no net charge, so the mean drain is
 * what the mean terminal voltage leaves of the EMF, over the DC resistance:
 *     I = (E - mean v)/R_dc = I_rest - (mean v - v_rest)/R_dc */
static void read_supply(const sag_steady *steady, const sag_grid *grid, size_t lane, int clipped,
                        sag_steady_point *point)
{
    const sag_network *network = steady->bias->network;
    point->terminal_ripple_v = point->reference_ripple_v = point->drain_a = (double)NAN;
    if (!steady->settings.supply_ripple) {
        return;
    }
    for (size_t k = 0; k < SAG_SUPPLY_ROWS; k++) {
        const double *wave =
            steady->period.supply_v + k * SAG_MOST_STEPS * steady->kind->lanes + lane;
        double peak, trough;
        find_peaks(wave, steady->kind->lanes, grid->steps, !clipped, &peak, &trough);
        if (k == SAG_SUPPLY_TERMINAL) {
            double mean = creal(harmonic(wave, steady->kind->lanes, grid->steps, 0));
            point->terminal_ripple_v = peak - trough;
            if (network->supply.dc_ohm > 0) {
                point->drain_a = sag_bias_drain_a(steady->bias) - mean / network->supply.dc_ohm;
            }
        } else if (network->reference >= 0) {
            point->reference_ripple_v = peak - trough;
        }
    }
}

void sag_steady_read(const sag_steady *steady, const sag_grid *grid, size_t lane, double level_vpk,
                     int clipped, sag_steady_point *point, sag_opamp_swing *swings)
{
    size_t lanes = steady->kind->lanes, opamps = steady->bias->network->opamp_count;
    const double *output = steady->period.output + lane, *wave = steady->period.wave + lane;
    double complex fundamental = 0;
    double sum = 0;
    for (int order = 0; order <= SAG_HARMONICS; order++) {
        double complex y = harmonic(wave, lanes, grid->steps, order);
        point->harmonic_vpk[order] = order == 0 ? creal(y) : cabs(y);
        if (order == 1) {
            fundamental = y;
        } else if (order > 1 && order * steady->frequency_hz <= steady->settings.thd_bandwidth_hz) {
            sum += creal(y) * creal(y) + cimag(y) * cimag(y);
        }
    }
    /* u = A sin w t = Re(-j A e^{j w t}) */
    double complex gain = fundamental / sag_complex(0, -level_vpk);
    if (!clipped && cabs(grid->output) > 0) {
        /* the discrete linear gain divided out: the exact small-signal gain times what level does
         * to it */
        gain *= steady->gain / grid->output;
    }
    point->status = SAG_OK;
    point->reverses = steady->period.upright[lane] < 0.5;
    point->two_from_vpk = point->two_to_vpk = (double)NAN;
    point->gain_db = 20 * log10(cabs(gain));
    point->phase_deg = carg(gain) * 180 / M_PI;
    point->thd = cabs(fundamental) > 0 ? sqrt(sum) / cabs(fundamental) : (double)NAN;
    point->steps = grid->steps;
    find_peaks(output, lanes, grid->steps, !clipped, &point->output_peak_v,
               &point->output_trough_v);
    read_supply(steady, grid, lane, clipped, point);
    point->limited_by = (sag_limit){-1, SAG_LIMIT_NONE};
    double most = 1;
    for (size_t k = 0; k < opamps; k++) {
        sag_opamp_swing swing;
        double use[SAG_USE_COUNT];
        read_opamp(steady, grid, lane, k, clipped, &swing, use);
        for (size_t u = 0; u < SAG_USE_LIMITS; u++) {
            if (use[u] >= most) {
                most = use[u];
                point->limited_by = (sag_limit){(int)k, use_kind[u]};
            }
        }
        if (swings) {
            swings[k] = swing;
        }
    }
    /* Several limits may be met far past the onset; the first one met is the one the linear
     * solution meets first. */
    if (point->limited_by.opamp >= 0 && level_vpk >= steady->onset_vpk) {
        point->limited_by = steady->onset_limit;
    }
}
