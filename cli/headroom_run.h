/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom_run.h - computed headroom, shared by what computes and what prints it. */
#ifndef RAILSAG_HEADROOM_RUN_H
#define RAILSAG_HEADROOM_RUN_H

#include "session.h"
#include "words.h"

/* One frequency; figures that do not exist are NAN. */
typedef struct {
    double clip_onset_dbv, max_input_dbv, max_output_dbv;
    double margin_db[SAG_PLAYING_LEVELS]; /* of max_input over the assumed playing level */
    sag_limit limit, distorted_by;        /* at clip onset; of max_input */
    sag_headroom_reason reason;           /* of max_input */
    const char *status;                   /* "ok", or why a figure is missing; static */
    int falls_back;
    double burst_hz; /* of what may burst or oscillate on the way there */
} headroom_row;

/* The least margins over the frequencies of fundamentals. reason: FOUND, or why there are none. */
typedef struct {
    double db[SAG_PLAYING_LEVELS], at_hz; /* at_hz: of the least, or of the reason */
    sag_headroom_reason reason;
    int flat; /* as good as the same at all frequencies */
} headroom_least;

typedef struct {
    headroom_row *rows;    /* [case][frequency] */
    headroom_least *least; /* [case] */
    words_facts facts;     /* its span is set before anything else */
    unrest *unrest;        /* of the levels looked at */
} headroom_run;

/* headroom_text.c: tables and sentences. Returns an exit status. */
int headroom_text_write(const session *s, headroom_run *run);

/* headroom_picture.c: panels, and whether a picture is possible. Both return an exit status. */
int headroom_picture_check(const session *s);
int headroom_picture_write(const session *s, const headroom_run *run);

#endif
