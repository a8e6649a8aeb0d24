/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stability.h - the natural frequencies of a network, at rest or frozen at an instant of an orbit.
 *
 * Linearised at an instant, every deviation is a sum of terms exp(lambda t). With the rates of all
 * states taken as a (z - z*), one implicit stage maps z* to z, and an eigenvalue theta of that map
 * belongs to
 *     lambda = a (1 - 1/theta)        natural frequency, 1/s
 * Re lambda > 0: it grows. A pair lambda, conj(lambda) turns at |Im lambda| / (2 pi) Hz with
 *     Q = |lambda| / (2 |Re lambda|)
 * How much of it is in state k: |l_k r_k| over the sum of these, l and r its left and right vectors
 * (no unit of a state matters to it). What lives on an op-amp has much of it in the gain node. */
#ifndef RAILSAG_STABILITY_H
#define RAILSAG_STABILITY_H

#include "bias.h"

#include <complex.h>

/* A pair whose share in gain nodes and second poles of op-amps is below this is a filter that the
 * circuit is meant to have, such as a pickup's resonance or an EQ peak: it does not count as
 * ringing. */
#define SAG_RINGING_SHARE 0.2
/* Above this Q a stage rings: 3 is what 19 degrees of phase margin give (a loop of two poles:
 * Q = sqrt(cos PM) / sin PM), a peak of 9.7 dB, and a step that overshoots by 59 %. With less
 * margin than that, the spread of op-amps and the length of a cable decide whether it oscillates.
 * The limit itself is common practice rounded down: 30 degrees is called marginal. */
#define SAG_RINGING_Q 3.0

/* What a natural frequency is shared with, besides the op-amp it lives on. */
typedef enum {
    SAG_PARTNER_NONE,
    SAG_PARTNER_PART, /* capacitor or inductor; of an op-amp: its input capacitance */
    SAG_PARTNER_LOAD  /* the load's capacitance */
} sag_partner_kind;

typedef struct {
    double frequency_hz; /* 0: does not turn */
    double growth_per_s; /* real part; negative: decays */
    double q;            /* INFINITY when it does neither; 0.5 or less: does not turn */
    int opamp;           /* it lives on; -1 none */
    sag_partner_kind partner;
    size_t partner_part; /* index into design->parts */
} sag_mode;

typedef struct {
    int oscillates; /* a natural frequency grows */
    sag_mode grows; /* the fastest: of the pairs where one grows, else it latches */
    int rings;      /* none grows, but there is a pair of more than SAG_RINGING_Q */
    sag_mode worst; /* the least damped pair of op-amps; opamp -1: there is none */
} sag_stability;

/* At the bias point. */
sag_status sag_stability_at_rest(const sag_bias *bias, sag_stability *out);

/* A loop that is stable at full gain may oscillate with less: an op-amp that slews or clips hardly
 * responds to its inputs. Such a loop is conditionally stable: once shaken, it goes on. */
typedef struct {
    double share; /* of its resting gain, at which it begins to grow as the gain falls; 0: never */
    sag_mode grows; /* the fastest with less gain than that; opamp -1: none */
} sag_gain_loss;

/* losses: made by the call (NULL on failure), one an op-amp, each with the others at rest; freed
 * with sag_free. None where the bias point itself does not hold. */
sag_status sag_stability_losses(const sag_bias *bias, sag_gain_loss **losses);

#endif
