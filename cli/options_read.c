/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "options_read.h"

#include "design.h"
#include "memory.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

/* What is accepted; the supply's limits are those of sag_conditions. */
static const double least_supply_v = 0.1, most_supply_v = 100;
static const double least_hz = 1, most_hz = 1e6;
enum { MOST_POINTS = 10000, MOST_THREADS = 256 };

#define SHOWN "%.80s" /* text of a user, cut so that the sentence always fits */

sag_status options_read_supply(options *o, const char *text, char *problem)
{
    double *values = NULL;
    size_t count = 0;
    TRY(sag_value_read_list(text, SAG_VOLT, &values, &count, problem));
    for (size_t i = 0; i < count; i++) {
        if (!(values[i] >= least_supply_v && values[i] <= most_supply_v)) {
            snprintf(problem, SAG_PROBLEM_SIZE,
                     "a supply of %.6g V is not computed: give 0.1V to 100V, as in 18V,9V,7V",
                     values[i]);
            sag_free(values);
            return SAG_BAD_INPUT;
        }
    }
    sag_free(o->supply_v);
    o->supply_v = values;
    o->supply_count = count;
    return SAG_OK;
}

sag_status options_read_drive(options *o, const char *text, char *problem)
{
    static const char *const words[] = {"bench", "pickup"};
    for (size_t i = 0; i < 2; i++) {
        if (!strcasecmp(text, words[i])) {
            o->drive = i == 0 ? SAG_DRIVE_BENCH : SAG_DRIVE_PICKUP;
            return SAG_OK;
        }
    }
    const char *near = sag_nearest_word(text, words, 2);
    snprintf(problem, SAG_PROBLEM_SIZE, "no drive \"" SHOWN "\"; %s%s%s", text,
             near ? "did you mean " : "", near ? near : "there are bench and pickup",
             near ? "?" : "");
    return SAG_BAD_INPUT;
}

sag_status options_read_level(options *o, const char *text, char *problem)
{
    (void)problem;
    o->level = text;
    return SAG_OK;
}

/* Reads a whole number from low to high. */
static sag_status read_count(const char *text, int low, int high, const char *what, int *out,
                             char *problem)
{
    double value = 0;
    TRY(sag_value_read(text, strlen(text), SAG_COUNT, &value, problem));
    if (!(value >= low && value <= high)) {
        snprintf(problem, SAG_PROBLEM_SIZE, "%.15g %s are not possible: give %d to %d", value, what,
                 low, high);
        return SAG_BAD_INPUT;
    }
    *out = (int)value;
    return SAG_OK;
}

sag_status options_read_points(options *o, const char *text, char *problem)
{
    return read_count(text, 2, MOST_POINTS, "points", &o->points, problem);
}

static int rising(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return (left > right) - (left < right);
}

static sag_status check_frequency(double hz, char *problem)
{
    if (!(hz >= least_hz && hz <= most_hz)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "a frequency of %.6g Hz is not computed: give 1Hz to 1MHz", hz);
        return SAG_BAD_INPUT;
    }
    return SAG_OK;
}

/* LOW:HIGH: points frequencies f[i] = low (high/low)^(i / (points - 1)), both ends exact. */
static sag_status read_span(options *o, const char *text, const char *colon, double **values,
                            size_t *count, char *problem)
{
    double low = 0, high = 0;
    TRY(sag_value_read(text, (size_t)(colon - text), SAG_HERTZ, &low, problem));
    TRY(sag_value_read(colon + 1, strlen(colon + 1), SAG_HERTZ, &high, problem));
    if (!(low > 0 && low < high)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"" SHOWN "\" does not rise: give the lower frequency first, as 20Hz:20kHz",
                 text);
        return SAG_BAD_INPUT;
    }
    TRY(check_frequency(low, problem));
    TRY(check_frequency(high, problem));
    size_t points = (size_t)o->points;
    *values = sag_new(points, sizeof **values);
    if (!*values) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < points; i++) {
        (*values)[i] = low * pow(high / low, (double)i / (double)(points - 1));
    }
    (*values)[points - 1] = high;
    *count = points;
    return SAG_OK;
}

sag_status options_read_frequency(options *o, const char *text, char *problem)
{
    double *values = NULL;
    size_t count = 0;
    const char *colon = strchr(text, ':');
    if (colon && !strchr(colon + 1, ':') && !strchr(text, ',')) {
        TRY(read_span(o, text, colon, &values, &count, problem));
    } else if (options_given(o, "points")) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "--points goes with a span like 20Hz:20kHz, not with \"" SHOWN "\"", text);
        return SAG_BAD_INPUT;
    } else {
        TRY(sag_value_read_list(text, SAG_HERTZ, &values, &count, problem));
    }
    qsort(values, count, sizeof *values, rising);
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        if (check_frequency(values[i], problem) != SAG_OK) {
            sag_free(values);
            return SAG_BAD_INPUT;
        }
        if (kept == 0 || values[i] > values[kept - 1]) {
            values[kept++] = values[i];
        }
    }
    sag_free(o->frequency_hz);
    o->frequency_hz = values;
    o->frequency_count = kept;
    return SAG_OK;
}

sag_status options_read_load(options *o, const char *text, char *problem)
{
    o->load = text;
    return sag_load_read(text, strlen(text), &o->load_ohm, &o->load_farad, problem);
}

sag_status options_read_thd(options *o, const char *text, char *problem)
{
    double value = 0;
    TRY(sag_value_read(text, strlen(text), SAG_RATIO, &value, problem));
    if (!(value >= 1e-5 && value <= 1)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "a THD of %.6g %% is no limit to work to: give 0.001%% to 100%%", 100 * value);
        return SAG_BAD_INPUT;
    }
    o->thd_limit = value;
    return SAG_OK;
}

sag_status options_read_thd_bandwidth(options *o, const char *text, char *problem)
{
    if (!strcasecmp(text, "full")) {
        o->thd_bandwidth_hz = (double)INFINITY;
        return SAG_OK;
    }
    double value = 0;
    TRY(sag_value_read(text, strlen(text), SAG_HERTZ, &value, problem));
    if (!(value >= least_hz)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "a bandwidth of %.6g Hz leaves nothing: give 1Hz or more, as 20kHz, or full",
                 value);
        return SAG_BAD_INPUT;
    }
    o->thd_bandwidth_hz = value;
    return SAG_OK;
}

sag_status options_read_slope(options *o, const char *text, char *problem)
{
    double ratio = 0;
    size_t length = strlen(text);
    int in_db = length > 2 && !strcasecmp(text + length - 2, "dB");
    /* A plain number would be read as a ratio, and 6 is not 6 dB. */
    if (!in_db) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"" SHOWN "\" has no unit: give the fall an octave in dB, as 6dB", text);
        return SAG_BAD_INPUT;
    }
    TRY(sag_value_read(text, length, SAG_GAIN, &ratio, problem));
    double db = 20 * log10(ratio);
    if (!(db >= -1e-9 && db <= 24 + 1e-9)) {
        snprintf(problem, SAG_PROBLEM_SIZE, "a fall of %.6g dB an octave: give 0dB to 24dB", db);
        return SAG_BAD_INPUT;
    }
    o->slope_db = db < 0 ? 0 : db;
    return SAG_OK;
}

sag_status options_read_threads(options *o, const char *text, char *problem)
{
    if (!strcasecmp(text, "cores")) {
        long cores = sysconf(_SC_NPROCESSORS_ONLN);
        o->threads = cores < 1 ? 1 : cores > MOST_THREADS ? MOST_THREADS : (int)cores;
        return SAG_OK;
    }
    return read_count(text, 1, MOST_THREADS, "threads", &o->threads, problem);
}

static sag_status read_file(const char **file, const char *text, char *problem)
{
    if (!*text) {
        snprintf(problem, SAG_PROBLEM_SIZE, "an empty file name; - is standard output");
        return SAG_BAD_INPUT;
    }
    *file = text;
    return SAG_OK;
}

sag_status options_read_json(options *o, const char *text, char *problem)
{
    return read_file(&o->json, text, problem);
}

sag_status options_read_csv(options *o, const char *text, char *problem)
{
    return read_file(&o->csv, text, problem);
}

sag_status options_read_plot(options *o, const char *text, char *problem)
{
    if (*text && !picture_kind_of(text, &o->plot_kind)) {
        snprintf(problem, SAG_PROBLEM_SIZE,
                 "\"" SHOWN
                 "\" does not end in .svg, .png or .pdf, which says what kind of picture "
                 "to write; - is SVG on standard output",
                 text);
        return SAG_BAD_INPUT;
    }
    return read_file(&o->plot, text, problem);
}
