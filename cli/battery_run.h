/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery_run.h - computed discharges, shared by what computes and what prints them. */
#ifndef RAILSAG_BATTERY_RUN_H
#define RAILSAG_BATTERY_RUN_H

#include "result.h"
#include "session.h"

/* A package along the discharge: open-circuit voltages, NAN where it does not come to that. */
typedef struct {
    const sag_package *package;
    double leaves_v; /* from here on it gets less than its rated supply; the fresh one: from the
                        start */
    double stops_v;  /* where it stops working */
} battery_part;

enum { CHARGES = 3 }; /* sag_charge: least, typical, most */

/* One number of batteries at one control setting. */
typedef struct {
    const session_case *fresh; /* the bias point on fresh batteries */
    sag_status status;         /* SAG_OK: everything below is there */
    sag_discharge *discharge;
    sag_wear_row *rows; /* falling from fresh to the end */
    size_t row_count, replace_row;
    sag_replace replace;
    sag_discharge_time *times; /* [duty][charge][row] */
    /* A steady sine at each playing level, all the time: the most that it adds to the drain up to
     * where the battery is replaced, and the hours that are left then; NAN: not known. */
    double sine_extra_a[SAG_PLAYING_LEVELS], sine_s[SAG_PLAYING_LEVELS];
    battery_part *parts; /* one a package */
    size_t part_count;
} battery_case;

typedef struct {
    battery_case *cases; /* one a case of the session */
    sag_replace_rule rule;
    int rule_is_given;
    size_t duties;
} battery_run;

const sag_discharge_time *battery_time(const battery_run *run, const battery_case *c, size_t duty,
                                       sag_charge charge, size_t row);
/* The state of a row. */
sag_discharge_state battery_state(const battery_case *c, size_t row);
/* dB that a tone has changed since fresh, softly or hard played. */
double battery_change_db(const battery_case *c, size_t row, size_t tone, int hard);
/* Whether the shelf life ends before a battery in this use is replaced. */
int battery_outlasts_shelf(const battery_run *run, const battery_case *c, size_t duty);
/* "6lr61" and its nominal voltage in all: "9 V", "18 V (2 x 9 V)". buffer: LABEL_SIZE. */
const char *battery_name(const battery_case *c, const session *s);
const char *battery_label(char *buffer, const session *s, const battery_case *c);
int battery_in_series(const battery_case *c);
/* On fresh batteries; of the more drained half of two. */
double battery_drain_a(const battery_case *c);
/* "151 h"; "9.3 days", "3.1 months", "2.4 years". */
const char *battery_hours(char *buffer, double seconds);
const char *battery_calendar(char *buffer, double seconds);

static const double battery_month_s = 365.25 * 86400 / 12;

/* battery_result.c: JSON and CSV; battery_text.c: tables; battery_words.c: what it comes to. */
void battery_write_json(const session *s, const battery_run *run);
void battery_write_csv(const session *s, const battery_run *run);
int battery_text_write(const session *s, const battery_run *run); /* an exit status */
/* battery_picture.c: whether a picture is possible, and the picture; exit statuses. */
int battery_picture_check(const session *s);
int battery_picture_write(const session *s, const battery_run *run);
void battery_words_write(const session *s, const battery_run *run);
/* "replace when ...", a sentence; and the reason for which a case is replaced. */
const char *battery_rule_text(char *buffer, size_t size, const session *s, const battery_run *run);
const char *battery_reason_text(char *buffer, size_t size, const session *s, const battery_run *run,
                                const battery_case *c);

#endif
