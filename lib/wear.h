/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wear.h - what a player notices as the battery of a design runs down.
 *
 * At each state of a discharge: how far the largest clean level lies over the playing levels, the
 * gain at a few tones softly and hard played, the THD of a hard low note. A playing level holds up
 * to 400 Hz and falls above (sag_playing_level_at), here for gains and THD as well. */
#ifndef RAILSAG_WEAR_H
#define RAILSAG_WEAR_H

#include "discharge.h"
#include "headroom.h"

#define SAG_WEAR_TONES 5
extern const double sag_wear_tone_hz[SAG_WEAR_TONES]; /* 41 Hz to 10 kHz */
#define SAG_WEAR_THD_HZ 98.0                          /* G2, the highest open string of a bass */

typedef struct {
    double thd_limit; /* ratio, up to which a level counts as clean */
    double slope_db;  /* fall of the playing levels above 400 Hz, dB an octave */
    sag_steady_settings steady;
    int threads;           /* the results do not depend on it */
    sag_progress progress; /* may be NULL */
    void *progress_context;
} sag_wear_request;

/* One state. Figures that do not exist are NAN; a margin beyond what is looked for is +INFINITY
 * (no limit up to +40 dBV) or -INFINITY (not clean at the soft level). */
typedef struct {
    double open_circuit_v;
    sag_status status; /* SAG_OK, or why there are no figures; with SAG_NO_GAIN limited_by is the
                          input range of the op-amp */
    unsigned marks;    /* sum of sag_mark */
    /* The largest level with a THD within the limit over each playing level, the least over 31 Hz
     * to 20 kHz: where it lies, and what is met there. */
    double margin_db[SAG_PLAYING_LEVELS], margin_hz;
    sag_limit limited_by;
    double soft_db[SAG_WEAR_TONES], hard_db[SAG_WEAR_TONES]; /* gain, fundamental over the EMF */
    double hard_thd;                                         /* at SAG_WEAR_THD_HZ, a ratio */
    /* The mean drain of a steady sine at each playing level, the most of the tones above: what
     * playing comes to at most, for it dies away between notes. */
    double sine_drain_a[SAG_PLAYING_LEVELS];
} sag_wear_row;

/* 1 where every op-amp that the signal passes has gain at rest (sag_response_without_gain); 0 also
 * where there is no bias point. */
int sag_wear_has_gain(const sag_discharge *discharge, double open_circuit_v);

/* rows: count of them, with open_circuit_v filled in, in the range of the discharge. Findings about
 * states without figures go to the report. */
sag_status sag_wear_compute(const sag_discharge *discharge, const sag_wear_request *request,
                            sag_wear_row *rows, size_t count, sag_report *report);

/* The EQ curves at a state, softly and hard played: the gain in dB at each of count frequencies; NAN
 * where there is none. */
sag_status sag_wear_curves(const sag_discharge *discharge, const sag_wear_request *request,
                           double open_circuit_v, const double *frequency_hz, size_t count,
                           double *soft_db, double *hard_db);

#endif
