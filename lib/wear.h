/* SPDX-License-Identifier: GPL-3.0-or-later */
/* wear.h - what a player notices as the battery of a design runs down, and when to replace it.
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
    sag_status status; /* SAG_OK, or why there are no figures */
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

/* rows: count of them, with open_circuit_v filled in, in the range of the discharge. Findings about
 * states without figures go to the report. */
sag_status sag_wear_compute(const sag_discharge *discharge, const sag_wear_request *request,
                            sag_wear_row *rows, size_t count, sag_report *report);

/* When to replace a battery. What is NAN does not count; the end of the discharge always does. */
typedef struct {
    double at_v;                          /* terminal voltage */
    double margin_db[SAG_PLAYING_LEVELS]; /* the margin over a playing level falls to this */
    double
        lost_db; /* the margin over hard playing is at most 0 and has fallen by this since fresh */
    double changed_db; /* the gain of a tone, softly played, has changed by this since fresh */
    double used;       /* depth of discharge */
} sag_replace_rule;

/* Hard playing no longer comes through clean and has lost 3 dB, or the EQ curve has changed by 1 dB
 * even for soft playing, or 90 % is used. Estimates: 3 dB is what players are commonly said to
 * notice at once, 1 dB what careful listening finds; the knee of a battery's curve lies at 85 to 95
 * %, and voltage falls fast from there. */
sag_replace_rule sag_replace_defaults(void);

typedef enum {
    SAG_REPLACE_AT,      /* at_v */
    SAG_REPLACE_MARGIN,  /* margin_db of a playing level */
    SAG_REPLACE_LOST,    /* lost_db */
    SAG_REPLACE_CHANGED, /* changed_db */
    SAG_REPLACE_USED,    /* used */
    SAG_REPLACE_END      /* the discharge ends before */
} sag_replace_reason;

typedef struct {
    double open_circuit_v;
    sag_replace_reason reason;
    size_t which;   /* playing level, or tone */
    int from_fresh; /* the condition holds from the start */
} sag_replace;

/* The first state at which the rule holds. rows: count >= 1 of them, falling from fresh. Between
 * rows figures are taken as straight over the terminal voltage. */
sag_replace sag_replace_find(const sag_discharge *discharge, const sag_replace_rule *rule,
                             const sag_wear_row *rows, size_t count);

#endif
