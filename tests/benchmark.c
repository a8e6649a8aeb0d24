/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark - how fast and how sound the program is, against its targets; run on purpose, never by a
 * test.
 *
 *     benchmark [--row NAME] [--details] [--json FILE] [--points FILE] [DESIGN.json]
 *     benchmark --count [--points FILE] [DESIGN.json]
 *
 * Prints a table of what was measured, each with its target. Ends with 0 when all could be measured,
 * met or not. */
#include "benchmark.h"

#include "railsag.h"

#include <cJSON.h>
#include <gsl/gsl_errno.h>
#include <math.h>
#include <string.h>

typedef struct {
    const char *name, *what, *unit;
    double target;                 /* NAN: none */
    int at_least;                  /* 1: more is better */
    void (*measure)(bench *bench); /* of several rows once */
} row;

#define NO_TARGET ((double)NAN)

static const row rows[BENCH_ROWS] = {
    [BENCH_LEVELS] = {"levels", "levels with table and picture, whole command", "s", 0.5, 0,
                      bench_commands},
    [BENCH_LEVELS_MB] = {"levels-memory", "memory of it", "MB", 40, 0, bench_commands},
    [BENCH_RESPONSE] = {"response", "response at five supplies, whole command", "ms", 30, 0,
                        bench_commands},
    [BENCH_MAP] = {"map", "map of 2440 points, two threads", "s", 0.25, 0, bench_map},
    [BENCH_FAILED] = {"failed", "failed points of it", "", 0, 0, bench_map},
    [BENCH_RECURSION] = {"recursion", "a step of it over one of the linear recursion", "",
                         NO_TARGET, 0, bench_map},
    [BENCH_IDA] = {"ida", "a period, times quicker than IDA, one level", "", 5, 1, bench_ida},
    [BENCH_IDA_LANES] = {"ida-lanes", "the same, four levels in lanes", "", 10, 1, bench_ida},
    [BENCH_CASCADE] = {"cascade", "a step an op-amp, 32 in a row over 2", "", 1.2, 0, bench_ladder},
    [BENCH_PARALLEL] = {"parallel", "the same, 32 side by side over 2", "", 1.2, 0, bench_ladder},
    [BENCH_CASCADE_ORBIT] = {"cascade-orbit", "an orbit an op-amp, 32 in a row over 2", "", 1.2, 0,
                             bench_ladder},
    [BENCH_PARALLEL_ORBIT] = {"parallel-orbit", "the same, 32 side by side over 2", "", 1.2, 0,
                              bench_ladder},
    [BENCH_HEADROOM] = {"headroom", "headroom by default, sweeps a root", "", 2.5, 0,
                        bench_headroom},
};

static double ratio_of(size_t i, const bench *b)
{
    return rows[i].target > 0 ? b->figure[i] / rows[i].target : (double)NAN;
}

/* -1: no target */
static int is_met(size_t i, const bench *b)
{
    if (isnan(rows[i].target)) {
        return -1;
    }
    return rows[i].at_least ? b->figure[i] >= rows[i].target : b->figure[i] <= rows[i].target;
}

static void print_cell(double value)
{
    if (isnan(value)) {
        printf("%9s", "-");
    } else {
        printf("%9.3g", value);
    }
}

static void print_table(const bench *b, const unsigned char *wanted)
{
    static const char *const met[] = {"-", "no", "yes"};
    printf("%-15s %-46s %4s %9s %9s %9s  %s\n", "row", "", "", "target", "figure", "ratio", "met");
    for (size_t i = 0; i < BENCH_ROWS; i++) {
        if (wanted[i]) {
            printf("%-15s %-46s %4s ", rows[i].name, rows[i].what, rows[i].unit);
            print_cell(rows[i].target);
            print_cell(b->figure[i]);
            print_cell(ratio_of(i, b));
            printf("  %s\n", isnan(b->figure[i]) ? "not measured" : met[1 + is_met(i, b)]);
        }
    }
}

static int add_number(cJSON *object, const char *key, double value)
{
    return (isfinite(value) ? cJSON_AddNumberToObject(object, key, value)
                            : cJSON_AddNullToObject(object, key)) != NULL;
}

static int add_row(cJSON *list, size_t i, const bench *b)
{
    cJSON *object = cJSON_CreateObject();
    int met = is_met(i, b);
    int done = object && cJSON_AddItemToArray(list, object);
    if (!done) {
        cJSON_Delete(object);
        return 0;
    }
    done &= cJSON_AddStringToObject(object, "name", rows[i].name) != NULL;
    done &= cJSON_AddStringToObject(object, "what", rows[i].what) != NULL;
    done &= cJSON_AddStringToObject(object, "unit", rows[i].unit) != NULL;
    done &= add_number(object, "target", rows[i].target) &&
            add_number(object, "figure", b->figure[i]) &&
            add_number(object, "ratio", ratio_of(i, b));
    return done &&
           (met < 0 || isnan(b->figure[i]) ? cJSON_AddNullToObject(object, "met")
                                           : cJSON_AddBoolToObject(object, "met", met)) != NULL;
}

static int write_json(const char *file, const bench *b, const unsigned char *wanted)
{
    cJSON *root = cJSON_CreateObject(), *list = NULL;
    int done = root && cJSON_AddStringToObject(root, "format", "railsag benchmark 1") &&
               cJSON_AddStringToObject(root, "version", SAG_VERSION);
    list = done ? cJSON_AddArrayToObject(root, "rows") : NULL;
    done = list != NULL;
    for (size_t i = 0; done && i < BENCH_ROWS; i++) {
        done = !wanted[i] || add_row(list, i, b);
    }
    char *text = done ? cJSON_Print(root) : NULL;
    FILE *f = text ? fopen(file, "w") : NULL;
    done = f && fprintf(f, "%s\n", text) > 0;
    done = f && fclose(f) == 0 && done;
    cJSON_free(text);
    cJSON_Delete(root);
    return done;
}

typedef struct {
    bench b;
    const char *json_file;
    int count;
    unsigned char wanted[BENCH_ROWS];
} command;

/* 0 with a word of it when the command line is wrong. */
static int read_command(command *c, int argc, char **argv)
{
    int chosen = 0;
    for (int i = 1; i < argc && argv[i]; i++) {
        const char *word = argv[i], *value = i + 1 < argc ? argv[i + 1] : NULL;
        if (!strcmp(word, "--details")) {
            c->b.details = stdout;
        } else if (!strcmp(word, "--count")) {
            c->count = 1;
        } else if (!strcmp(word, "--json") && value) {
            c->json_file = argv[++i];
        } else if (!strcmp(word, "--points") && value) {
            c->b.points_file = argv[++i];
        } else if (!strcmp(word, "--row") && value) {
            size_t at = 0;
            while (at < BENCH_ROWS && strcmp(rows[at].name, value) != 0) {
                at++;
            }
            if (at == BENCH_ROWS) {
                fprintf(stderr, "no row is called %s\n", value);
                return 0;
            }
            c->wanted[at] = 1;
            chosen = 1;
            i++;
        } else if (word[0] == '-') {
            fprintf(stderr, "not an option, or without its value: %s\n", word);
            return 0;
        } else {
            c->b.design = word;
        }
    }
    memset(c->wanted, !chosen, chosen ? 0 : sizeof c->wanted);
    return 1;
}

int main(int argc, char **argv)
{
    command c = {
        .b = {.program = RAILSAG_PROGRAM, .design = RAILSAG_SOURCE_DIR "/examples/heron.json"}};
    gsl_set_error_handler_off();
    if (!read_command(&c, argc, argv)) {
        return 2;
    }
    if (c.count) {
        return bench_count(&c.b) ? 0 : 1;
    }
    for (size_t i = 0; i < BENCH_ROWS; i++) {
        c.b.figure[i] = (double)NAN;
    }
    for (size_t i = 0; i < BENCH_ROWS; i++) {
        int measured = 0;
        for (size_t j = 0; j < i; j++) {
            measured |= c.wanted[j] && rows[j].measure == rows[i].measure;
        }
        if (c.wanted[i] && !measured) {
            rows[i].measure(&c.b);
        }
    }
    print_table(&c.b, c.wanted);
    if (c.json_file && !write_json(c.json_file, &c.b, c.wanted)) {
        fprintf(stderr, "%s could not be written\n", c.json_file);
        return 1;
    }
    return c.b.failed;
}
