/* SPDX-License-Identifier: GPL-3.0-or-later */
/* steady.h - the periodic solution at one frequency: large-signal gain, harmonics, limits met.
 *
 * Drives the source with vpk sin(2 pi f t) and finds the orbit that repeats after one period by
 * shooting: no waiting for coupling capacitors to settle. */
#ifndef RAILSAG_STEADY_H
#define RAILSAG_STEADY_H

#include "stability.h"

#define SAG_HARMONICS 15

typedef enum {
    SAG_LIMIT_NONE,
    SAG_LIMIT_RAIL_POSITIVE,
    SAG_LIMIT_RAIL_NEGATIVE,
    SAG_LIMIT_SLEW,
    SAG_LIMIT_CURRENT,
    SAG_LIMIT_INPUT_RANGE,
    SAG_LIMIT_NO_SWING,
    SAG_LIMIT_CROSSOVER /* not met, but distorts: the sides of a class-B output change over */
} sag_limit_kind;

/* "rail+", "rail-", "slew", "current", "input range", "no swing", "crossover"; "none". */
const char *sag_limit_name(sag_limit_kind kind);

typedef struct {
    int opamp; /* index among the network's op-amps; -1 with SAG_LIMIT_NONE */
    sag_limit_kind kind;
} sag_limit;

/* One op-amp over the period. */
typedef struct {
    double peak_v, trough_v; /* output against its resting value */
    double left_db; /* to the nearest of its limits: 20 log10(limit / used); negative: met */
    sag_limit_kind nearest;
    int crosses_over; /* 1: a class-B output, through a hundredth of its dead band or more */
} sag_opamp_swing;

/* A natural frequency that grows while an orbit passes, of the network frozen at 16 instants. */
typedef struct {
    int opamp; /* it lives on; -1: nothing grows that could come to anything */
    double frequency_hz;
    double growth_db; /* from where it begins to grow to where it ends; throughout: over a period */
} sag_burst;

typedef struct {
    sag_status status; /* SAG_OK, or why the figures below are all NAN */
    double gain_db;    /* fundamental at the output over the source's EMF; -INFINITY where nothing
                       reaches the output */
    double phase_deg;
    double thd; /* root sum square of harmonics 2 to 15 over the fundamental; NAN without one */
    double harmonic_vpk[SAG_HARMONICS +
                        1]; /* amplitudes at the output; [1] fundamental, [0] shift of the mean */
    double output_peak_v, output_trough_v; /* against the resting value */
    sag_limit limited_by; /* the limit that is met first as the level rises to here */
    /* With supply_ripple asked for, else NAN: the swing, peak to peak, of the voltage between the
     * supply's terminals and of the half-supply reference (NAN without one), and the mean drain. */
    double terminal_ripple_v, reference_ripple_v, drain_a;
    /* With SAG_OK: it may burst into oscillation in a part of the period. With SAG_OSCILLATES: it
     * oscillates all the time; frequency and growth NAN: found by following the signal in time, which
     * never came to repeat itself from period to period. */
    sag_burst burst;
    int reverses; /* 1: an input reverses in a part of the period */
    /* Another state than the one reached from silence holds itself at levels between these, V peak
     * (those asked for, and steps of 1 dB or less between them); NAN: not here. */
    double two_from_vpk, two_to_vpk;
    int steps;               /* steps a period */
    int sweeps, steps_taken; /* periods integrated on the way, and their steps */
} sag_steady_point;

typedef struct {
    double thd_bandwidth_hz; /* harmonics above are left out; INFINITY: full */
    int least_steps;         /* steps a period to start from: 64, 256, 512 or 2048; 0: as needed */
    int one_lane;            /* 1: one level at a time instead of four in lockstep */
    int supply_ripple;       /* 1: look at the supply as well */
    int unjudged;            /* 1: whether orbits hold themselves is not looked at */
    /* Asked once a period, by whichever thread works on it; other than 0: solving ends with
     * SAG_CANCELLED. NULL: nobody asks. */
    int (*stops)(void *context);
    void *stops_context;
    const sag_gain_loss *losses; /* of sag_stability_losses at the bias point; NULL: found once
                                    more, which takes some milliseconds */
} sag_steady_settings;

sag_steady_settings sag_steady_defaults(void);

/* What solving has cost: periods integrated, one a lane, and their steps, with the finer ones that
 * steps were run in. */
typedef struct {
    long long sweeps, steps;
} sag_steady_effort;

/* The workspace of one thread; holds on to bias. */
typedef struct sag_steady sag_steady;

sag_status sag_steady_new(const sag_bias *bias, const sag_steady_settings *settings,
                          sag_steady **out);
void sag_steady_free(sag_steady *steady); /* NULL is fine */

/* Prepares for a frequency. Solutions at the same frequency then start from each other.
 * SAG_SINGULAR when the network has a natural frequency there: every point solved at it then fails.
 */
sag_status sag_steady_frequency(sag_steady *steady, double frequency_hz);

/* Solves at level_count levels (volts peak of the source's EMF, rising). points: level_count;
 * swings: level_count x op-amps, or NULL. Returns SAG_OK also when points failed: each carries its
 * own status. SAG_CANCELLED when settings.stops asked to stop. */
sag_status sag_steady_solve(sag_steady *steady, const double *level_vpk, size_t level_count,
                            sag_steady_point *points, sag_opamp_swing *swings);

/* Spent since the workspace was made, on points, and on looking for second states. */
sag_steady_effort sag_steady_spent(const sag_steady *steady);

/* How far the level is from meeting its first limit, from the linear solution at this frequency:
 * the level (volts peak) at which the first limit would be met if everything were linear up to
 * there, and which it is. */
double sag_steady_linear_onset(sag_steady *steady, sag_limit *limit);

#endif
