/* SPDX-License-Identifier: GPL-3.0-or-later */
/* million_points - the designs of examples/ with op-amps, supplies, controls, frequencies and levels
 * drawn by chance, each point counted by what became of it; run on purpose, never by a test.
 *
 *     million_points [--points 1000000] [--seed 1] [--from BOARD] [--threads 2]
 *     million_points [--seed 1] --point BOARD:FREQUENCY:LEVEL
 *
 * A board is an example with any op-amp of the library at one supply, between the least that it works
 * at and its maximum, with its controls anywhere; it has 8 frequencies from 20 Hz to 20 kHz, and at
 * each 8 levels from -60 to +20 dBV, solved together. Board, frequency and level number a point, and
 * with the seed say all about it, whatever the number of threads. Failed points are printed as they
 * come, progress goes to standard error. Ends with 0 when at most 10 of a million failed. */
#include "chance.h"
#include "outcome.h"
#include "parallel.h"
#include "railsag.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { FREQUENCIES = 8, LEVELS = 8, POINTS = FREQUENCIES * LEVELS, MOST_CONTROLS = 8, BATCH = 64 };
#define MOST_FAILED 1e-5

static const char *const example_name[] = {"heron", "plover", "curlew"};
enum { EXAMPLES = sizeof example_name / sizeof *example_name };
static const char *const folders[] = {RAILSAG_SOURCE_DIR "/models"};
static const sag_model_path library_path = {folders, 1};

/* What all boards are drawn from. */
typedef struct {
    char *text[EXAMPLES];
    size_t length[EXAMPLES];
    sag_design *design[EXAMPLES];
    sag_model_library *library;
    char **model;
    size_t models;
    uint64_t seed;
} stock;

typedef struct {
    size_t example;
    const char *model_name;
    const sag_opamp_model *model;
    double supply_v;
    int stiff;
    double setting[MOST_CONTROLS]; /* percent, or a throw */
    double frequency_hz[FREQUENCIES];
    double level_dbv[FREQUENCIES][LEVELS]; /* rising */
} board;

typedef struct {
    sag_status bias; /* other than SAG_OK: all its points came to that */
    sag_status status[POINTS];
    int empty[POINTS]; /* 1: solved, but without a figure */
    int sweeps[POINTS];
} result;

static double rounded(double x, double to)
{
    return round(x / to) * to;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Values are rounded so that their printed form is all of them. */
static board draw(const stock *from, uint64_t number)
{
    uint64_t state = (from->seed * 1000003u + number + 1) * 0x9e3779b97f4a7c15u;
    board b = {0};
    for (int i = 0; i < 8; i++) { /* neighbours differ in a few bits only */
        chance(&state);
    }
    b.example = (size_t)chance_index(&state, EXAMPLES);
    b.model_name = from->model[chance_index(&state, (int)from->models)];
    sag_model_opamp(from->library, b.model_name, NULL, (sag_place){0}, &b.model, NULL);
    double least_v = b.model->stops_below_v > 0 ? b.model->stops_below_v : b.model->supply_min_v;
    b.supply_v = rounded(chance_between(&state, least_v, b.model->supply_max_v), 1e-3);
    b.stiff = chance(&state) < 0.5;
    const sag_design *design = from->design[b.example];
    for (size_t i = 0; i < design->control_count && i < MOST_CONTROLS; i++) {
        const sag_control *control = &design->controls[i];
        /* Ends are as likely as players turn to them. */
        double share = fmax(0, fmin(1, chance_between(&state, -0.2, 1.2)));
        b.setting[i] = control->is_switch ? 1 + chance_index(&state, control->throw_count)
                                          : rounded(100 * share, 0.1);
    }
    for (int f = 0; f < FREQUENCIES; f++) {
        b.frequency_hz[f] = rounded(20 * pow(1000, chance(&state)), 0.01);
        for (int l = 0; l < LEVELS; l++) {
            b.level_dbv[f][l] = rounded(chance_between(&state, -60, 20), 0.01);
        }
        qsort(b.level_dbv[f], LEVELS, sizeof *b.level_dbv[f], by_size);
    }
    return b;
}

/* As a command that repeats a point: op-amps of one amplifier are each a package of their own here,
 * which the files do not say. */
static void print_point(const stock *from, uint64_t number, const board *b, int point)
{
    const sag_design *design = from->design[b->example];
    int f = point / LEVELS, l = point % LEVELS;
    printf("%llu:%d:%d  railsag levels examples/%s.json", (unsigned long long)number, f, l,
           example_name[b->example]);
    for (size_t p = 0; p < design->package_count; p++) {
        printf(" --change %sA=%s", design->packages[p].name, b->model_name);
    }
    for (size_t i = 0; i < design->control_count; i++) {
        printf(design->controls[i].is_switch ? " --set %s=%.0f" : " --set %s=%.1f%%",
               design->controls[i].name, b->setting[i]);
    }
    printf(" --supply %.3fV%s --frequency %.2fHz:20kHz --points 2 --level=%.2fdBV", b->supply_v,
           b->stiff ? " --stiff" : "", b->frequency_hz[f], b->level_dbv[f][l]);
}

/* "U2B": becomes "U4": and so on, blanks making up for what that is shorter. */
static void take_apart(char *text)
{
    for (char *at = text; (at = strstr(at, "\"U")) != NULL; at++) {
        if (at[2] >= '1' && at[2] <= '4' && at[3] >= 'A' && at[3] <= 'B' && at[4] == '"') {
            at[2] = (char)('1' + 2 * (at[2] - '1') + (at[3] - 'A'));
            at[3] = '"';
            at[4] = ' ';
        }
    }
}

static sag_status change(sag_design *design, const board *b)
{
    char assignment[128];
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        if (part->kind == SAG_OPAMP) {
            snprintf(assignment, sizeof assignment, "%s=%s", part->designator, b->model_name);
            TRY(sag_design_change(design, assignment, NULL));
        }
    }
    for (size_t i = 0; i < design->control_count; i++) {
        const sag_control *control = &design->controls[i];
        snprintf(assignment, sizeof assignment, control->is_switch ? "%s=%.0f" : "%s=%.1f%%",
                 control->name, b->setting[i]);
        TRY(sag_design_set(design, assignment, NULL));
    }
    return SAG_OK;
}

static sag_status read_board(const stock *from, const board *b, sag_design **out)
{
    size_t length = from->length[b->example];
    char *text = sag_new(length + 1, 1);
    if (!text) {
        return SAG_NO_MEMORY;
    }
    memcpy(text, from->text[b->example], length);
    if (b->model->amplifiers == 1) {
        take_apart(text);
    }
    sag_status status = sag_design_read(text, length, "board.json", &library_path, out, NULL);
    sag_free(text);
    return status == SAG_OK ? change(*out, b) : status;
}

static sag_status solve_at(sag_steady *steady, const board *b, int f, result *r)
{
    double vpk[LEVELS];
    sag_steady_point points[LEVELS];
    for (int l = 0; l < LEVELS; l++) {
        vpk[l] = sag_level_peak(b->level_dbv[f][l]);
    }
    sag_status status = sag_steady_frequency(steady, b->frequency_hz[f]);
    if (status >= SAG_OK) { /* points at a frequency without a linear solution come back failed */
        status = sag_steady_solve(steady, vpk, LEVELS, points, NULL);
    }
    for (int l = 0; l < LEVELS && status == SAG_OK; l++) {
        const sag_steady_point *point = &points[l];
        /* A volume turned down to an open end leaves nothing at the output. */
        int silent = isinf(point->gain_db) && isnan(point->thd);
        int figures = isfinite(point->gain_db) && isfinite(point->thd);
        r->status[f * LEVELS + l] = point->status;
        r->empty[f * LEVELS + l] = point->status == SAG_OK && !silent && !figures;
        r->sweeps[f * LEVELS + l] = point->sweeps;
    }
    return status;
}

/* What becomes of a board before it is played; SAG_OK: *bias and what it needs stand. */
static sag_status open_board(const stock *from, const board *b, sag_design **design,
                             sag_network **network, sag_bias **bias)
{
    sag_stability stability = {0};
    TRY(read_board(from, b, design));
    sag_conditions conditions = sag_conditions_defaults(*design);
    conditions.supply_v = b->supply_v;
    conditions.stiff = b->stiff;
    TRY(sag_network_new(*design, &conditions, network, NULL));
    TRY(sag_bias_new(*network, bias, NULL));
    TRY(sag_stability_at_rest(*bias, &stability));
    return stability.oscillates ? SAG_OSCILLATES : SAG_OK;
}

/* frequency -1: all */
static sag_status run_board(const stock *from, uint64_t number, int frequency, result *r)
{
    board b = draw(from, number);
    sag_design *design = NULL;
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    sag_steady *steady = NULL;
    sag_steady_settings settings = sag_steady_defaults();
    *r = (result){0};
    r->bias = open_board(from, &b, &design, &network, &bias);
    sag_status status = SAG_OK;
    if (r->bias == SAG_OK) {
        status = sag_steady_new(bias, &settings, &steady);
        for (int f = 0; f < FREQUENCIES && status == SAG_OK; f++) {
            if (frequency < 0 || f == frequency) {
                status = solve_at(steady, &b, f, r);
            }
        }
    }
    sag_steady_free(steady);
    sag_bias_free(bias);
    sag_network_free(network);
    sag_design_free(design);
    return status;
}

/* ---- counting ---- */

typedef struct {
    const stock *from;
    uint64_t first;
    result results[BATCH];
} batch;

static sag_status run_item(void *context, size_t index)
{
    batch *all = context;
    return run_board(all->from, all->first + index, -1, &all->results[index]);
}

typedef struct {
    long long points[OUTCOMES];
    int most_sweeps;
} tally;

static long long total(const tally *t)
{
    long long sum = 0;
    for (int i = 0; i < OUTCOMES; i++) {
        sum += t->points[i];
    }
    return sum;
}

static void count_board(const stock *from, uint64_t number, const result *r, tally *t)
{
    board b = draw(from, number);
    if (r->bias != SAG_OK) {
        outcome came_to = outcome_of(r->bias);
        t->points[came_to] += POINTS;
        if (came_to == FAILED) {
            print_point(from, number, &b, 0);
            printf("  no bias point, as all %d of the board: %s\n", POINTS,
                   sag_status_text(r->bias));
        }
        return;
    }
    for (int i = 0; i < POINTS; i++) {
        outcome came_to = r->empty[i] ? FAILED : outcome_of(r->status[i]);
        t->points[came_to]++;
        if (came_to == FAILED) {
            print_point(from, number, &b, i);
            printf("  %s after %d sweeps\n", r->empty[i] ? "no figure" : "failed", r->sweeps[i]);
        }
        if (r->sweeps[i] > t->most_sweeps) {
            t->most_sweeps = r->sweeps[i];
            fprintf(stderr, "%llu:%d:%d: %d sweeps, the most so far\n", (unsigned long long)number,
                    i / LEVELS, i % LEVELS, t->most_sweeps);
        }
    }
}

static void show_progress(const tally *t, long long points, time_t began)
{
    double share = (double)total(t) / (double)points, seconds = difftime(time(NULL), began);
    fprintf(stderr, "%lld of %lld points, %lld failed, %.0f s, about %.0f s left\n", total(t),
            points, t->points[FAILED], seconds, seconds * (1 / share - 1));
}

static int run_all(const stock *from, uint64_t first, long long points, int threads)
{
    static batch all;
    tally t = {0};
    time_t began = time(NULL);
    sag_status status = SAG_OK;
    all.from = from;
    for (uint64_t number = first; total(&t) < points && status == SAG_OK; number += BATCH) {
        all.first = number;
        status = sag_parallel_run(BATCH, threads, run_item, &all, NULL, NULL);
        for (size_t i = 0; i < BATCH && total(&t) < points && status == SAG_OK; i++) {
            count_board(from, number + i, &all.results[i], &t);
        }
        fflush(stdout);
        show_progress(&t, points, began);
    }
    if (status != SAG_OK) {
        fprintf(stderr, "million_points: %s\n", sag_status_text(status));
        return 1;
    }
    for (int i = 0; i < OUTCOMES; i++) {
        printf("%s %lld%s", outcome_name[i], t.points[i], i + 1 < OUTCOMES ? ", " : "\n");
    }
    return (double)t.points[FAILED] > MOST_FAILED * (double)total(&t);
}

static int run_point(const stock *from, const char *text)
{
    unsigned long long number;
    int f, l, end = 0;
    result r;
    if (sscanf(text, "%llu:%d:%d%n", &number, &f, &l, &end) != 3 || text[end] || f < 0 ||
        f >= FREQUENCIES || l < 0 || l >= LEVELS) {
        fprintf(stderr, "million_points: --point %s: give board, frequency and level, as 12:3:4\n",
                text);
        return 2;
    }
    board b = draw(from, number);
    int point = f * LEVELS + l;
    if (run_board(from, number, f, &r) != SAG_OK) {
        return 1;
    }
    sag_status status = r.bias != SAG_OK ? r.bias : r.status[point];
    print_point(from, number, &b, point);
    printf("  %s%s after %d sweeps\n", sag_status_text(status),
           r.empty[point] ? ", without a figure" : "", r.sweeps[point]);
    return r.empty[point] || outcome_of(status) == FAILED;
}

/* ---- from files ---- */

static sag_status open_stock(stock *s)
{
    char **files = NULL;
    for (size_t i = 0; i < EXAMPLES; i++) {
        char file[4096];
        snprintf(file, sizeof file, "%s/examples/%s.json", RAILSAG_SOURCE_DIR, example_name[i]);
        TRY(sag_json_load(file, &s->text[i], &s->length[i], NULL));
        TRY(sag_design_read(s->text[i], s->length[i], file, &library_path, &s->design[i], NULL));
    }
    TRY(sag_model_list(&library_path, NULL, SAG_MODEL_OPAMP, &s->model, &files, &s->models));
    for (size_t i = 0; i < s->models; i++) {
        sag_free(files[i]);
    }
    sag_free(files);
    TRY(sag_model_library_new(&library_path, &s->library));
    for (size_t i = 0; i < s->models; i++) { /* all read before threads ask for them */
        const sag_opamp_model *model;
        TRY(sag_model_opamp(s->library, s->model[i], NULL, (sag_place){0}, &model, NULL));
    }
    return SAG_OK;
}

static void close_stock(stock *s)
{
    for (size_t i = 0; i < EXAMPLES; i++) {
        sag_design_free(s->design[i]);
        sag_free(s->text[i]);
    }
    for (size_t i = 0; i < s->models; i++) {
        sag_free(s->model[i]);
    }
    sag_free(s->model);
    sag_model_library_free(s->library);
}

int main(int argc, char **argv)
{
    stock s = {.seed = 1};
    long long points = 1000000;
    int threads = 2, status = 2;
    uint64_t first = 0;
    const char *point = NULL;
    gsl_set_error_handler_off();
    for (int i = 1; i < argc; i += 2) {
        const char *value = i + 1 < argc ? argv[i + 1] : NULL;
        if (value && !strcmp(argv[i], "--points")) {
            points = strtoll(value, NULL, 10);
        } else if (value && !strcmp(argv[i], "--seed")) {
            s.seed = strtoull(value, NULL, 10);
        } else if (value && !strcmp(argv[i], "--from")) {
            first = strtoull(value, NULL, 10);
        } else if (value && !strcmp(argv[i], "--threads")) {
            threads = atoi(value);
        } else if (value && !strcmp(argv[i], "--point")) {
            point = value;
        } else {
            fprintf(stderr,
                    "usage: million_points [--points N] [--seed S] [--from BOARD] [--threads T] "
                    "[--point BOARD:FREQUENCY:LEVEL]\n");
            return 2;
        }
    }
    if (open_stock(&s) == SAG_OK) {
        status = point ? run_point(&s, point) : run_all(&s, first, points, threads);
    } else {
        fprintf(stderr, "million_points: the examples or models could not be read\n");
    }
    close_stock(&s);
    return status;
}
