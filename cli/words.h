/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.h - what a map comes to, in two to four sentences. */
#ifndef RAILSAG_WORDS_H
#define RAILSAG_WORDS_H

#include "output.h"
#include "railsag.h"

/* One supply; with several control settings that of the least margin. */
typedef struct {
    double supply_v;
    sag_status status; /* SAG_OK: there are results */
    unsigned marks;
    /* How far the first limit lies over the hard playing level as the level rises: the least over
     * the frequencies looked at, and which limit it is. NAN: no limit was found. */
    double margin_db, margin_hz;
    const char *stage; /* designator */
    sag_limit_kind limit;
    char setting[128]; /* "bass 100 %"; "" unless there are several */
    /* The lowest level at which the EQ curve has lost 1 dB anywhere, and the largest loss there.
     * NAN: none has. */
    double lost_dbv, lost_hz, lost_db;
    const char *lost_name; /* of that level, when it is a playing level */
} words_supply;

typedef struct {
    words_supply *supplies; /* in the order asked for */
    size_t count;
    double nominal_v; /* of the design */
    double hard_vpk;
    double low_hz, high_hz; /* the frequencies that the margin is over */
    int extrapolated;       /* the margin is that of the linear solution, not searched for */
    double top_dbv;         /* the loudest level of a levels map; NAN: no EQ curves to speak of */
} words_facts;

/* Span of fundamentals that playing levels are given for, cut to what the grid has; the whole grid
 * when that is nothing. Sets low_hz and high_hz. */
void words_span(words_facts *facts, const double *frequency_hz, size_t count);

/* Takes one margin into account when it is the least of its supply so far. */
void words_margin(words_supply *supply, double margin_db, double hz, const char *stage,
                  sag_limit_kind limit, const char *setting);

void words_write(output *out, const words_facts *facts);

#endif
