/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options.h - commands and options: one table each, from which parser, --help, `railsag help` and
 * the OPTIONS part of the man page are made. */
#ifndef RAILSAG_OPTIONS_H
#define RAILSAG_OPTIONS_H

#include "network.h"
#include "picture.h"
#include "value.h"

#include <stddef.h>

/* Exit status of the program. */
enum { EXIT_DONE = 0, EXIT_FAILED = 1, EXIT_MISUSE = 2 };

typedef struct options options;

enum { MAX_EXAMPLES = 4 };

typedef struct {
    const char *name;
    const char *argument;               /* "DESIGN"; "[NAME]" when it may be left out */
    const char *answers;                /* the question it answers, one line */
    const char *about;                  /* a paragraph */
    const char *examples[MAX_EXAMPLES]; /* what follows "railsag "; the first heads the help */
    int (*run)(const options *options); /* returns the exit status */
} command_info;

extern const command_info commands[];
extern const size_t command_count;

/* NULL when there is none of that name. */
const command_info *command_find(const char *name);
/* The command with the nearest spelling, or NULL. */
const char *command_nearest(const char *name);

/* Bits of option_info.commands, in the order of `commands`. */
enum {
    FOR_CHECK = 1,
    FOR_BIAS = 2,
    FOR_RESPONSE = 4,
    FOR_LEVELS = 8,
    FOR_HEADROOM = 16,
    FOR_BATTERY = 32,
    FOR_MODELS = 64,
    FOR_MAPS = FOR_LEVELS | FOR_HEADROOM,
    FOR_CURVES = FOR_RESPONSE | FOR_MAPS,
    FOR_SUPPLIES = FOR_CHECK | FOR_BIAS | FOR_CURVES, /* those that take --supply */
    FOR_DESIGNS = FOR_SUPPLIES | FOR_BATTERY,
    FOR_ALL = FOR_DESIGNS | FOR_MODELS
};

typedef struct {
    const char *name;     /* without the dashes */
    const char *argument; /* "LIST", "FILE"; NULL for a switch */
    const char *unit;     /* of the argument, in words; NULL when it has none */
    const char *fallback; /* read when the option is not given; NULL: nothing is read */
    unsigned commands;
    int repeats; /* may be given more than once */
    const char *help;
    const char *example; /* an argument that could be given; NULL for a switch */
    /* Reads text into o; SAG_BAD_INPUT comes with a sentence in problem (SAG_PROBLEM_SIZE). NULL:
     * the text is kept. */
    sag_status (*read)(options *o, const char *text, char *problem);
} option_info;

extern const option_info option_table[];
extern const size_t option_count;

enum { MAX_OPTIONS = 32, MAX_IN_SERIES = 8, MAX_DUTIES = 8, DUTY_SIZE = 24 };

struct options {
    const command_info *command;
    const char *argument;           /* the design, or the model of `models`; NULL when left out */
    const char *given[MAX_OPTIONS]; /* text by place in option_table; NULL when not given */
    const char **sets, **changes;   /* as written, in order */
    size_t set_count, change_count;

    double *supply_v;
    size_t supply_count;
    int stiff, quiet, bench, threads;
    sag_drive drive;
    int points;
    double *frequency_hz; /* rising, each once */
    size_t frequency_count;
    const char *level;           /* read once the design's playing levels are known */
    double load_ohm, load_farad; /* load_ohm NAN: the design's own */
    double thd_bandwidth_hz;     /* INFINITY: full */
    double thd_limit;            /* ratio */
    double slope_db;             /* fall of the assumed playing level above 400 Hz, dB an octave */
    const char *load, *json, *csv, *plot; /* NULL when not given */
    picture_kind plot_kind;

    /* battery */
    char battery[512];            /* as a change, "supply.battery=6f22"; one of `changes` */
    int in_series[MAX_IN_SERIES]; /* rising; none: as the design says */
    size_t in_series_count;
    double plugged_in[MAX_DUTIES];    /* shares of the time */
    char duty[MAX_DUTIES][DUTY_SIZE]; /* as written, "2h/day" */
    size_t duty_count;
    double until_v, replace_at_v; /* at the terminals, each battery; NAN: not given */
    double replace_margin_db[SAG_PLAYING_LEVELS]; /* NAN: not given */
};

/* Reads what follows the command. Returns EXIT_DONE, EXIT_MISUSE or EXIT_FAILED (no memory), with a
 * sentence on standard error; *help is set when help was asked for. o is freed with options_free in
 * any case. */
int options_read(options *o, const command_info *command, int count, char **arguments, int *help);
void options_free(options *o);

/* The text given for an option, or NULL. */
const char *options_given(const options *o, const char *name);

#endif
