/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "options.h"

#include "command.h"
#include "memory.h"
#include "message.h"
#include "options_read.h"

#include <math.h>
#include <string.h>

const command_info commands[] = {
    {"check",
     "DESIGN",
     "Is this design sound?",
     "Lists the parts and everything worth a second look: voltage ratings against fresh batteries, "
     "supplies "
     "outside a data sheet, op-amp inputs outside their range, reversed electrolytics, DC across "
     "pots, unused "
     "amplifiers, class-B outputs that leave class A, stages that oscillate or ring. From the bias "
     "point alone.",
     {"check heron.json", "check heron.json --supply 9V --load \"1M + 2n\""},
     command_check},
    {"bias",
     "DESIGN",
     "Which DC voltages and currents has each part?",
     "Part by part: each op-amp's pins and the volts left to each rail, capacitors and pots with "
     "the DC across "
     "them, node voltages, the drain from the battery and where it goes.",
     {"bias heron.json --supply 9V", "bias heron.json --supply 9V,5V --stiff --json -"},
     command_bias},
    {"response",
     "DESIGN",
     "What is the EQ curve?",
     "The small-signal gain from the source to the output at each supply and control setting.",
     {"response heron.json --supply 9V --set bass=0%,50%,100%",
      "response heron.json --supply 9V --frequency 41.2Hz,98Hz,400Hz",
      "response heron.json --load pedal --csv curve.csv",
      "response heron.json --supply 9V --set treble=0%,50%,100% --plot treble.svg"},
     command_response},
    {"levels",
     "DESIGN",
     "What becomes of the EQ curve when the signal is loud?",
     "The EQ curve at each input level and supply, with the THD and the stage that limits. Levels "
     "are those of the "
     "source: the bench generator, or the pickup's EMF with --drive pickup.",
     {"levels heron.json --supply 18V,9V",
      "levels heron.json --supply 9V --level normal,hard --points 31",
      "levels heron.json --supply 9V --change R7=22k --json levels.json",
      "levels heron.json --supply 18V,9V,7V,5V,3V --plot levels.pdf"},
     command_levels},
    {"headroom",
     "DESIGN",
     "How loud can it be played before it clips?",
     "The largest clean input and output against frequency and supply: the clip onset, where a "
     "first op-amp meets a "
     "limit, and the distortion-limited level, up to which THD stays under a figure; and the "
     "margin over the playing "
     "levels.",
     {"headroom heron.json --supply 18V,9V --points 13",
      "headroom heron.json --supply 9V --thd 3% --points 7",
      "headroom heron.json --plot headroom.png"},
     command_headroom},
    {"battery",
     "DESIGN",
     "When does the battery have to be replaced?",
     "How the battery runs down while the cable is in: hours, calendar time and terminal voltage, "
     "and what a player notices on the way: margin over the playing levels, EQ change, THD, parts "
     "below their rated supply. It says when to replace, and with --in-series 1,2 what 18 V buys "
     "over 9 V.",
     {"battery heron.json", "battery heron.json --in-series 1,2 --plugged-in 1h/day",
      "battery heron.json --battery 6f22 --replace-at 6.5V",
      "battery heron.json --replace-margin normal:0dB --plot battery.pdf"},
     command_battery},
    {"models",
     "[NAME]",
     "Which op-amps, batteries, diodes and pickups are there?",
     "Lists the models with their headline figures and where they lie; with a name (or the path of "
     "a model file) "
     "every figure of that model and where it comes from, which are left out and so ideal, and "
     "which of the usual supplies are inside, outside and beyond its range. With --bench an op-amp "
     "goes through small circuits, and what is simulated stands beside the figures of its file: "
     "the check for a model of your own.",
     {"models", "models tl072", "models tl072 --bench", "models tl072 --bench --plot tl072.svg"},
     command_models},
};
const size_t command_count = sizeof commands / sizeof commands[0];

/* A default is read by the option's own reader, in this order: points come before frequency. */
const option_info option_table[] = {
    {"supply", "LIST", "V", "18V,9V,7V,5V,3V", FOR_SUPPLIES, 0,
     "open-circuit voltages of the supply; a range is LOW:HIGH:STEP", "9V,7V,5V",
     options_read_supply},
    {"stiff", NULL, NULL, NULL, FOR_SUPPLIES, 0,
     "a bench supply without resistance instead of the battery", NULL, NULL},
    {"drive", "bench|pickup", NULL, "bench", FOR_DESIGNS, 0,
     "what drives the input: a bench generator, or the design's pickup; levels then mean its EMF",
     "pickup", options_read_drive},
    {"level", "LIST", "Vpk, Vrms, Vpp, dBV or dBu", "-40dBV:10dBV:10dB,soft,normal,hard,extreme",
     FOR_LEVELS, 0, "input levels and names of playing levels; a range is LOW:HIGH:STEP",
     "-20dBV,normal,hard", options_read_level},
    {"points", "COUNT", NULL, "61", FOR_CURVES, 0,
     "frequencies in the span of --frequency, even on a log axis", "31", options_read_points},
    {"frequency", "LOW:HIGH|LIST", "Hz", "20Hz:20kHz", FOR_CURVES, 0,
     "the span, both ends included, or a list of frequencies; shown rising", "41.2Hz,98Hz,400Hz",
     options_read_frequency},
    {"set", "CONTROL=SETTING", NULL, NULL, FOR_DESIGNS, 1,
     "moves a pot (in %) or a switch (throw number); a list of settings draws the family",
     "bass=0%,50%,100%", NULL},
    {"change", "PART=VALUE", NULL, NULL, FOR_DESIGNS, 1,
     "replaces the value or the model of parts, without editing the file", "U1A,U1B=tl062", NULL},
    {"load", "LOAD", "ohm and F", NULL, FOR_DESIGNS, 0,
     "what hangs on the output: a resistance and a cable capacitance, amp (1 Mohm), pedal (100 "
     "kohm), line (10 kohm) "
     "or none; the design's own unless given",
     "1M + 500p", options_read_load},
    {"battery", "NAME", NULL, NULL, FOR_BATTERY, 0,
     "another battery than the design's, by its model: railsag models lists them", "6f22",
     options_read_battery},
    {"in-series", "LIST", NULL, NULL, FOR_BATTERY, 0,
     "how many batteries in series, side by side for a list; as the design says unless given",
     "1,2", options_read_in_series},
    {"plugged-in", "LIST", "hours", "2h/day,24h/day", FOR_BATTERY, 0,
     "how long the cable is in, a day or a week: the drain runs then, whether anyone plays or not",
     "10h/week", options_read_plugged_in},
    {"until", "VOLTAGE", "V", NULL, FOR_BATTERY, 0,
     "where to end, the terminal voltage of each battery; flat unless given", "5.4V",
     options_read_until},
    {"replace-at", "VOLTAGE", "V", NULL, FOR_BATTERY, 0,
     "replace at this terminal voltage of each battery", "6.2V", options_read_replace_at},
    {"replace-margin", "LEVEL:MARGIN", "dB", NULL, FOR_BATTERY, 0,
     "replace once the margin over a playing level has fallen to this", "hard:-3dB",
     options_read_replace_margin},
    {"thd", "RATIO", "%", "1%", FOR_HEADROOM | FOR_BATTERY, 0,
     "the THD up to which a level counts as clean", "3%", options_read_thd},
    {"thd-bandwidth", "FREQUENCY", "Hz", "full", FOR_MAPS | FOR_BATTERY, 0,
     "leaves out harmonics above this frequency, as on a bench; full: none (harmonics 2 to 15)",
     "20kHz", options_read_thd_bandwidth},
    {"slope", "FALL", "dB an octave", "6dB", FOR_HEADROOM | FOR_BATTERY, 0,
     "how the playing levels assumed for the margins fall above 400 Hz", "3dB", options_read_slope},
    {"json", "FILE", NULL, NULL, FOR_ALL, 0, "writes the results as JSON; - is standard output",
     "result.json", options_read_json},
    {"csv", "FILE", NULL, NULL, FOR_BIAS | FOR_CURVES | FOR_BATTERY, 0,
     "writes the results as comma-separated values; - is standard output", "result.csv",
     options_read_csv},
    {"plot", "FILE", NULL, NULL, FOR_CURVES | FOR_BATTERY | FOR_MODELS, 0,
     "draws a picture: SVG, PNG or PDF by the ending of the file; - is SVG on standard output",
     "picture.pdf", options_read_plot},
    {"bench", NULL, NULL, NULL, FOR_MODELS, 0,
     "simulates the figures of an op-amp in small circuits, and shows them beside its file's", NULL,
     NULL},
    {"threads", "COUNT", NULL, "cores", FOR_MAPS | FOR_BATTERY, 0,
     "threads to compute with; the results do not depend on it; cores: as many as the machine has",
     "2", options_read_threads},
    {"quiet", NULL, NULL, NULL, FOR_ALL, 0,
     "no progress bar, notes and warnings on standard error; errors remain", NULL, NULL},
};
const size_t option_count = sizeof option_table / sizeof option_table[0];
_Static_assert(sizeof option_table / sizeof option_table[0] <= MAX_OPTIONS, "raise MAX_OPTIONS");

const command_info *command_find(const char *name)
{
    for (size_t i = 0; i < command_count; i++) {
        if (!strcmp(name, commands[i].name)) {
            return &commands[i];
        }
    }
    return NULL;
}

const char *command_nearest(const char *name)
{
    const char *words[sizeof commands / sizeof commands[0] + 1];
    for (size_t i = 0; i < command_count; i++) {
        words[i] = commands[i].name;
    }
    words[command_count] = "help";
    return sag_nearest_word(name, words, command_count + 1);
}

static unsigned command_bit(const command_info *command)
{
    return 1u << (command - commands);
}

const char *options_given(const options *o, const char *name)
{
    for (size_t i = 0; i < option_count; i++) {
        if (!strcmp(name, option_table[i].name)) {
            return o->given[i];
        }
    }
    return NULL;
}

/* Reports an option (as typed, without dashes, `length` bytes) that the command does not have. */
static void refuse_option(const options *o, const char *name, size_t length, const char *typed)
{
    const char *words[MAX_OPTIONS + 1];
    size_t count = 0;
    for (size_t i = 0; i < option_count; i++) {
        const option_info *option = &option_table[i];
        if (option->commands & command_bit(o->command)) {
            words[count++] = option->name;
        } else if (strlen(option->name) == length && !strncmp(option->name, name, length)) {
            char list[128] = "";
            for (size_t k = 0; k < command_count; k++) {
                if (option->commands & 1u << k) {
                    strncat(list, *list ? ", " : "", sizeof list - strlen(list) - 1);
                    strncat(list, commands[k].name, sizeof list - strlen(list) - 1);
                }
            }
            message_misuse(o->command->name, "--%s is an option of %s, not of %s", option->name,
                           list, o->command->name);
            return;
        }
    }
    words[count++] = "help";
    char *plain = sag_copy_text(name, length);
    const char *near = plain ? sag_nearest_word(plain, words, count) : NULL;
    message_misuse(o->command->name, "no option %s%s%s%s", typed, near ? "; did you mean --" : "",
                   near ? near : "", near ? "?" : "");
    sag_free(plain);
}

/* Keeps an option and, when it takes one, its argument, which may be the next of arguments. */
static int take_option(options *o, int count, char **arguments, int *at)
{
    const char *typed = arguments[*at];
    const char *name = typed + 2;
    const char *equals = strchr(name, '=');
    size_t length = equals ? (size_t)(equals - name) : strlen(name);
    size_t place = 0;
    while (place < option_count && !(strlen(option_table[place].name) == length &&
                                     !strncmp(option_table[place].name, name, length) &&
                                     option_table[place].commands & command_bit(o->command))) {
        place++;
    }
    if (place == option_count) {
        refuse_option(o, name, length, typed);
        return EXIT_MISUSE;
    }
    const option_info *option = &option_table[place];
    const char *text = equals ? equals + 1 : NULL;
    if (!option->argument && text) {
        message_misuse(o->command->name, "--%s takes no argument", option->name);
        return EXIT_MISUSE;
    }
    if (option->argument && !text) {
        if (*at + 1 >= count) {
            message_misuse(o->command->name, "--%s needs an argument, as in --%s %s", option->name,
                           option->name, option->example);
            return EXIT_MISUSE;
        }
        text = arguments[++*at];
    }
    if (o->given[place] && !option->repeats) {
        message_misuse(o->command->name, "--%s is given twice", option->name);
        return EXIT_MISUSE;
    }
    o->given[place] = text ? text : "";
    if (!strcmp(option->name, "set")) {
        o->sets[o->set_count++] = text;
    } else if (!strcmp(option->name, "change")) {
        o->changes[o->change_count++] = text;
    }
    return EXIT_DONE;
}

/* Two results cannot go into one file. */
static int refuse_same_file(const options *o)
{
    const struct {
        const char *option, *file;
    } files[] = {{"--json", o->json}, {"--csv", o->csv}, {"--plot", o->plot}};
    for (size_t i = 0; i < sizeof files / sizeof files[0]; i++) {
        for (size_t k = 0; k < i; k++) {
            if (files[i].file && files[k].file && !strcmp(files[i].file, files[k].file)) {
                message_misuse(o->command->name, "%s and %s both write to %s", files[k].option,
                               files[i].option,
                               strcmp(files[i].file, "-") ? files[i].file : "standard output");
                return EXIT_MISUSE;
            }
        }
    }
    return EXIT_DONE;
}

/* Runs the reader of every option of the command on what was given, else on its default. */
static int read_all(options *o)
{
    for (size_t i = 0; i < option_count; i++) {
        const option_info *option = &option_table[i];
        const char *text = o->given[i] ? o->given[i] : option->fallback;
        char problem[SAG_PROBLEM_SIZE] = "";
        if (!(option->commands & command_bit(o->command)) || !option->read || !text) {
            continue;
        }
        sag_status status = option->read(o, text, problem);
        if (status == SAG_BAD_INPUT) {
            message_misuse(o->command->name, "--%s: %s", option->name, problem);
            return EXIT_MISUSE;
        }
        if (status != SAG_OK) {
            message_error("%s", sag_status_text(status));
            return EXIT_FAILED;
        }
    }
    o->stiff = options_given(o, "stiff") != NULL;
    o->bench = options_given(o, "bench") != NULL;
    o->quiet = options_given(o, "quiet") != NULL;
    return refuse_same_file(o);
}

static int read_arguments(options *o, int count, char **arguments, int *help)
{
    int only_names = 0;
    for (int i = 0; i < count; i++) {
        const char *argument = arguments[i];
        if (!only_names && !strcmp(argument, "--")) {
            only_names = 1;
        } else if (!only_names && (!strcmp(argument, "--help") || !strcmp(argument, "-h"))) {
            *help = 1;
            return EXIT_DONE;
        } else if (!only_names && !strncmp(argument, "--", 2)) {
            int status = take_option(o, count, arguments, &i);
            if (status != EXIT_DONE) {
                return status;
            }
        } else if (!only_names && argument[0] == '-' && argument[1]) {
            message_misuse(o->command->name, "no option %s; options start with two dashes",
                           argument);
            return EXIT_MISUSE;
        } else if (o->argument) {
            message_misuse(o->command->name, "\"%s\" is one too many after \"%s\"", argument,
                           o->argument);
            return EXIT_MISUSE;
        } else {
            o->argument = argument;
        }
    }
    if (!o->argument && o->command->argument[0] != '[') {
        message_misuse(o->command->name, "a design file is missing, as in railsag %s",
                       o->command->examples[0]);
        return EXIT_MISUSE;
    }
    return read_all(o);
}

int options_read(options *o, const command_info *command, int count, char **arguments, int *help)
{
    memset(o, 0, sizeof *o);
    o->command = command;
    o->load_ohm = (double)NAN;
    o->thd_bandwidth_hz = (double)INFINITY;
    o->until_v = o->replace_at_v = (double)NAN;
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        o->replace_margin_db[k] = (double)NAN;
    }
    *help = 0;
    o->sets = sag_new((size_t)count + 1, sizeof *o->sets);
    o->changes = sag_new((size_t)count + 1, sizeof *o->changes); /* and room for --battery */
    if (!o->sets || !o->changes) {
        message_error("out of memory");
        return EXIT_FAILED;
    }
    return read_arguments(o, count, arguments, help);
}

void options_free(options *o)
{
    sag_free((void *)o->sets);
    sag_free((void *)o->changes);
    sag_free(o->supply_v);
    sag_free(o->frequency_hz);
}
