/* SPDX-License-Identifier: GPL-3.0-or-later */
/* replace.h - when to replace a battery, by a rule over what a player notices. */
#ifndef RAILSAG_REPLACE_H
#define RAILSAG_REPLACE_H

#include "wear.h"

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
    SAG_REPLACE_NO_GAIN, /* no part of a rule: below it an op-amp that the signal passes has no gain */
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
