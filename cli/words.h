/* SPDX-License-Identifier: GPL-3.0-or-later */
/* words.h - what a map comes to, in two to four sentences. */
#ifndef RAILSAG_WORDS_H
#define RAILSAG_WORDS_H

#include "output.h"
#include "railsag.h"
#include "session.h"

/* One supply; with several control settings that of the least margin. */
typedef struct {
    double supply_v;
    sag_status status; /* SAG_OK: there are results */
    unsigned marks;
    /* How far the clip onset, or with thd_percent the largest clean level, lies over the hard
     * playing level: the least over the frequencies looked at, and which limit it is. NAN: no limit
     * was found; -INFINITY: not clean at the soft level. margin_hz is NAN where the margin is the
     * same at all of them. */
    double margin_db, margin_hz;
    const char *stage; /* designator */
    sag_limit_kind limit;
    char setting[128]; /* "bass 100 %"; "" unless there are several */
    /* The lowest level at which the EQ curve has lost 1 dB anywhere, and the largest loss there.
     * NAN: none has. */
    double lost_dbv, lost_hz, lost_db;
    const char *lost_name; /* of that level, when it is a playing level */
    int holes;             /* points of the map have no figures */
} words_supply;

typedef struct {
    words_supply *supplies; /* in the order asked for */
    size_t count;
    double nominal_v; /* of the design */
    double hard_vpk;
    double low_hz, high_hz; /* the frequencies that the margin is over */
    int extrapolated;       /* the margin is that of the linear solution, not searched for */
    double thd_percent;     /* what counts as clean; 0: what stays under every limit */
    /* The softest and the loudest level of a levels map; NAN: no EQ curves to speak of. */
    double bottom_dbv, top_dbv;
} words_facts;

/* The margins of one case over the frequencies of the span. */
typedef struct {
    double least_db, most_db, hz; /* hz: of the least */
    const char *stage;
    sag_limit_kind limit;
} words_margins;

/* Span of fundamentals that playing levels are given for, cut to what the grid has; the whole grid
 * when that is nothing. Sets low_hz and high_hz. */
void words_span(words_facts *facts, const double *frequency_hz, size_t count);

/* Makes room for the supplies of s, none of which has figures yet; 0 when memory was short. The
 * caller frees facts->supplies with sag_free. */
int words_start(words_facts *facts, const session *s);
/* Takes over what became of a case, whose figures are there when status is SAG_OK; returns its
 * supply then, else NULL. */
words_supply *words_case(words_facts *facts, const session *s, size_t index, sag_status status);

words_margins words_margins_start(void);
/* NAN: no limit was found at this frequency. */
void words_margins_add(words_margins *margins, double margin_db, double hz, const char *stage,
                       sag_limit_kind limit);
/* Margins so near each other that naming one frequency would say nothing. */
int words_margins_flat(const words_margins *margins);
/* Takes the margins of a case into account when theirs is the least of its supply so far. */
void words_margin(words_supply *supply, const words_margins *margins, const char *setting);

void words_write(output *out, const words_facts *facts);

#endif
