/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom.h - the largest clean input at each frequency.
 *
 * Clip onset: the first level at which any op-amp meets a limit anywhere in the period (the output
 * comes to the knee of a rail or current limit, or its drive to 0.9 of the slew rate; stage.h has
 * the figures). Distortion-limited level: the highest level such that THD stays at or under a
 * figure from the soft playing level up to it (IEC 60268-3 idea; THD over the fundamental). */
#ifndef RAILSAG_HEADROOM_H
#define RAILSAG_HEADROOM_H

#include "levels.h"

typedef enum {
    SAG_HEADROOM_FOUND,
    SAG_HEADROOM_OVER_AT_SOFT, /* THD is over the figure at the soft level already */
    SAG_HEADROOM_BEYOND_RANGE, /* not met up to +40 dBV */
    SAG_HEADROOM_UNKNOWN,      /* no periodic solution on the way */
    SAG_HEADROOM_OSCILLATES,   /* on the way it oscillates with the signal */
    SAG_HEADROOM_NO_GAIN       /* an op-amp that the signal passes has no gain at rest */
} sag_headroom_reason;

/* "over already at soft", "beyond +40 dBV", "no solution", "oscillates on the way", "no gain at
 * rest"; "" for found. */
const char *sag_headroom_reason_text(sag_headroom_reason reason);

typedef struct {
    double clip_onset_vpk; /* source EMF, volts peak; NAN with a reason */
    sag_headroom_reason clip_onset_reason;
    sag_limit limited_by; /* met at clip onset */
    double max_input_vpk; /* distortion-limited; NAN with a reason */
    sag_headroom_reason max_input_reason;
    double max_output_vpk;  /* fundamental at the output there */
    sag_limit distorted_by; /* what distorts there: limited_by, or below clip onset a class-B output
                              that crosses over, else the limit that is nearest */
    int falls_back;         /* THD falls under the figure again above it */
    sag_burst burst;        /* it may burst up to there, or why it oscillates; opamp -1: neither */
    double burst_vpk;       /* the lowest level looked at where it does; NAN: none */
    sag_steady_effort effort; /* spent on the point */
} sag_headroom_point;

typedef struct {
    const double *frequency_hz; /* rising */
    size_t frequency_count;
    double thd_limit; /* ratio, 0.01 unless told */
    double soft_vpk;  /* where the scan starts */
    sag_steady_settings steady;
    int threads;
    sag_progress progress;
    void *progress_context;
} sag_headroom_request;

typedef struct {
    size_t frequency_count;
    sag_headroom_point *points;
} sag_headroom;

/* As sag_levels_compute. */
sag_status sag_headroom_compute(const sag_bias *const *biases, size_t count,
                                const sag_headroom_request *request, sag_headroom **results,
                                sag_report *report);
void sag_headroom_free(sag_headroom *headroom);

/* The playing level assumed at a frequency: vpk up to 400 Hz, then falling slope_db_per_octave (6
 * unless told, positive). */
double sag_playing_level_at(double vpk, double frequency_hz, double slope_db_per_octave);

#endif
