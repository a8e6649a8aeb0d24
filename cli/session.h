/* SPDX-License-Identifier: GPL-3.0-or-later */
/* session.h - what every command on a design shares: the design with its changes at each control
 * setting, a network and a bias point at each supply, warnings, output files, the exit status. */
#ifndef RAILSAG_SESSION_H
#define RAILSAG_SESSION_H

#include "folders.h"
#include "options.h"
#include "output.h"
#include "railsag.h"
#include "unrest.h"

/* A control that --set gives a list of settings; settings of several axes are combined, the first
 * changes slowest. */
typedef struct {
    size_t control; /* index into design->controls */
    char **items;   /* assignments, "bass=30%" */
    size_t count, stride;
} session_axis;

/* One supply at one control setting. */
typedef struct {
    double supply_v;
    size_t setting; /* index into designs */
    int batteries;  /* in series; 0: as the design says */
    /* Between session_prepare and session_release, as far as they could be made: */
    sag_network *network;
    sag_bias *bias;
    sag_response *response;
    /* Kept afterwards: */
    sag_status status;       /* SAG_OK, or why there are no results; see session_unstable */
    sag_supply_state supply; /* batteries 0 when there is no network */
    double terminal_v;       /* NAN without a bias point */
    double drain_a;
    unsigned marks;
    sag_mode worst; /* the least damped pair of an op-amp; opamp -1: none, or no bias point */
} session_case;

typedef struct session {
    const options *options;
    folders folders;
    char *text; /* of the design file */
    size_t text_length;
    sag_report *report;
    sag_design **designs; /* one a control setting */
    size_t setting_count;
    session_axis *axes;
    size_t axis_count;
    session_case *cases; /* by supply, then setting */
    size_t case_count;
    const sag_part **opamps; /* of designs[0], in file order */
    size_t opamp_count;
    unrest *unrest;                    /* of the cases prepared so far, until all are */
    output *table, *json, *csv, *plot; /* NULL: not asked for */
    int failed;                        /* a result is missing that should be there */
    int findings_shown;                /* the command prints the findings itself */
    int judges_inputs;                 /* the command says itself which inputs are out of range */
    int bias_only; /* the command shows the bias point, which unstable cases have too */
} session;

/* Cases that are prepared at a time: enough to keep threads busy, few enough for the memory of
 * large designs. */
enum { SESSION_CHUNK = 16 };

/* Returns EXIT_DONE or an exit status with everything said. session_close takes s in any case. */
int session_open(session *s, const options *o);

/* Cases for every supply of the options at every control setting, in place of those there are:
 * session_open does it; a command that finds its supplies in the design calls it again. */
int session_make_cases(session *s);

/* Makes networks, bias points and small-signal workspaces of cases first to first + count - 1;
 * findings go to the report. 0: stop (no memory, or a signal). */
int session_prepare(session *s, size_t first, size_t count);
void session_release(session *s, size_t first, size_t count);

/* Whether a status is that of a case which has a bias point, but one that it does not keep. */
int session_unstable(sag_status status);

/* Whether a case has what the command is to show. */
int session_has_results(const session *s, const session_case *c);

/* Refuses work whose results would not fit: `bytes` for all of them. Returns 0 with a sentence. */
int session_fits(const session *s, double bytes);

/* The largest thd_floor among the op-amps (ratio); NAN when no model gives one. */
double session_thd_floor(const session *s);
/* The same for tables, which show no finer THD than 0.001 % where no model gives one. */
double session_thd_shown(const session *s);

/* How periodic solutions are solved: sag_steady_defaults, and an end when a signal is caught. */
sag_steady_settings session_steady(void);

/* The load of a setting: that of --load, else the design's. */
void session_load(const session *s, double *ohm, double *farad);

/* Says that memory was short; returns EXIT_FAILED. */
int session_no_memory(void);
/* Says what a status of the library means, nothing for a signal; returns EXIT_FAILED. */
int session_fail(sag_status status);

/* Prints findings, completes the outputs when status is EXIT_DONE, frees everything; returns the
 * exit status. */
int session_close(session *s, int status);

#endif
