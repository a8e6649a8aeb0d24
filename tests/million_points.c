/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A long run over the examples: every op-amp of the library in each, from the supply at which it stops to its
 * largest, with controls, frequencies and levels drawn by chance, -60 to +20 dBV. Counts what became of the
 * points, and names those that failed.
 *   million_points [COUNT [FROM]]   COUNT points, a million unless told, from unit FROM on
 *   million_points --unit NUMBER    the points of one unit: one design at one supply */
#include "chance.h"
#include "design.h"
#include "json.h"
#include "memory.h"
#include "parallel.h"
#include "stability.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { FREQUENCIES = 4, LEVELS = 8, UNIT = FREQUENCIES * LEVELS, EXAMPLES = 3, MOST_MODELS = 64 };

typedef enum { CONVERGED, OSCILLATES, NO_SWING, REFUSED, FAILED, OUTCOMES } outcome;
static const char *const outcome_names[OUTCOMES] = {"converged", "oscillates", "no swing",
                                                    "refused", "failed"};

typedef struct {
    char *name;
    int amplifiers;
    double lowest_v, highest_v;
} part;

/* What is read once, and shared by the threads. */
typedef struct {
    const char *folder[1];
    sag_model_path path;
    char *file[EXAMPLES], *text[EXAMPLES];
    size_t length[EXAMPLES];
    part parts[MOST_MODELS];
    size_t part_count;
} library;

/* One design at one supply: its number says all of it. */
typedef struct {
    uint64_t number;
    size_t example, part;
    double supply_v;
    double hz[FREQUENCIES], dbv[FREQUENCIES][LEVELS];
    outcome outcome[FREQUENCIES][LEVELS];
    sag_steady_point point[FREQUENCIES][LEVELS];
    sag_status status; /* of the whole unit */
    sag_design *design;
} unit;

typedef struct {
    const library *from;
    unit *units;
    uint64_t first;
} batch;

static outcome outcome_of(sag_status status)
{
    switch (status) {
    case SAG_OK:
        return CONVERGED;
    case SAG_OSCILLATES:
    case SAG_LATCHES:
        return OSCILLATES;
    case SAG_NO_SWING:
        return NO_SWING;
    case SAG_BAD_INPUT:
    case SAG_REFUSED:
    case SAG_STOPPED:
    case SAG_WOULD_DAMAGE:
        return REFUSED;
    default:
        return FAILED;
    }
}

/* The text of an example with a single op-amp in place of its duals: U1A and U1B become U11 and U12,
 * each a package. */
static char *with_singles(const char *text, size_t length, const char *model)
{
    static const char key[] = "\"opamp\": \"";
    char *to = sag_new(2 * length + 1, 1); /* names are short beside what stands around them */
    for (size_t from = 0, at = 0; to && from < length;) {
        const char *here = text + from;
        if (here[0] == '"' && here[1] == 'U' && here[4] == '"' && strchr("AB", here[3])) {
            at += (size_t)sprintf(to + at, "\"U%c%c\"", here[2], here[3] == 'A' ? '1' : '2');
            from += 5;
        } else if (!strncmp(here, key, strlen(key))) {
            at += (size_t)sprintf(to + at, "%s%s", key, model);
            from += strlen(key) + strcspn(here + strlen(key), "\"");
        } else {
            to[at++] = text[from++];
        }
    }
    return to;
}

/* The example with the part in place of its op-amps, and controls drawn by chance. */
static sag_status make_design(const library *from, unit *u, uint64_t *draw)
{
    const part *fitted = &from->parts[u->part];
    const char *example = from->text[u->example];
    size_t length = from->length[u->example];
    char *text = fitted->amplifiers == 1 ? with_singles(example, length, fitted->name)
                                         : sag_copy_text(example, length);
    if (!text) {
        return SAG_NO_MEMORY;
    }
    sag_status status =
        sag_design_read(text, strlen(text), from->file[u->example], &from->path, &u->design, NULL);
    sag_free(text);
    for (size_t i = 0; status == SAG_OK && fitted->amplifiers > 1 && i < u->design->package_count;
         i++) {
        char change[128];
        snprintf(change, sizeof change, "%s=%s", u->design->packages[i].name, fitted->name);
        status = sag_design_change(u->design, change, NULL);
    }
    for (size_t i = 0; status == SAG_OK && i < u->design->control_count; i++) {
        sag_control *control = &u->design->controls[i];
        control->setting =
            control->is_switch ? 1 + chance_index(draw, control->throw_count) : chance(draw);
    }
    return status;
}

static void draw_levels(unit *u, uint64_t *draw)
{
    for (size_t f = 0; f < FREQUENCIES; f++) {
        u->hz[f] = 20 * pow(1000, chance(draw));
        for (size_t l = 0; l < LEVELS; l++) { /* rising: one in each tenth of the range */
            u->dbv[f][l] = -60 + 80.0 * ((double)l + chance(draw)) / LEVELS;
        }
    }
}

static sag_status solve_points(unit *u, const sag_bias *bias)
{
    sag_steady *steady = NULL;
    sag_steady_settings settings = sag_steady_defaults();
    sag_status status = sag_steady_new(bias, &settings, &steady);
    for (size_t f = 0; f < FREQUENCIES && status == SAG_OK; f++) {
        double vpk[LEVELS];
        for (size_t l = 0; l < LEVELS; l++) {
            vpk[l] = M_SQRT2 * pow(10, u->dbv[f][l] / 20);
        }
        status = sag_steady_frequency(steady, u->hz[f]);
        if (status >= SAG_OK) {
            status = sag_steady_solve(steady, vpk, LEVELS, u->point[f], NULL);
        }
        for (size_t l = 0; l < LEVELS; l++) {
            const sag_steady_point *p = &u->point[f][l];
            u->outcome[f][l] = outcome_of(p->status);
            if (p->status == SAG_OK && !(isfinite(p->gain_db) && isfinite(p->thd))) {
                u->outcome[f][l] = FAILED;
            }
        }
    }
    sag_steady_free(steady);
    return status;
}

static sag_status run_unit(void *context, size_t index)
{
    batch *b = context;
    unit *u = &b->units[index];
    *u = (unit){.number = b->first + index};
    uint64_t draw = (u->number + 1) * 0x9e3779b97f4a7c15u;
    for (int i = 0; i < 8; i++) {
        chance(&draw);
    }
    u->example = (size_t)chance_index(&draw, EXAMPLES);
    u->part = (size_t)chance_index(&draw, (int)b->from->part_count);
    u->supply_v =
        chance_between(&draw, b->from->parts[u->part].lowest_v, b->from->parts[u->part].highest_v);
    draw_levels(u, &draw);
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    sag_stability stability = {0};
    u->status = make_design(b->from, u, &draw);
    if (u->status == SAG_OK) {
        sag_conditions conditions = sag_conditions_defaults(u->design);
        conditions.supply_v = u->supply_v;
        u->status = sag_network_new(u->design, &conditions, &network, NULL);
    }
    if (u->status == SAG_OK) {
        u->status = sag_bias_new(network, &bias, NULL);
    }
    if (u->status == SAG_OK) {
        u->status = sag_stability_at_rest(bias, &stability);
    }
    if (u->status == SAG_OK && stability.oscillates) {
        u->status = SAG_OSCILLATES;
    }
    for (size_t i = 0; i < UNIT; i++) {
        u->outcome[i / LEVELS][i % LEVELS] = outcome_of(u->status);
    }
    sag_status status = u->status == SAG_OK ? solve_points(u, bias) : u->status;
    sag_bias_free(bias);
    sag_network_free(network);
    return status == SAG_NO_MEMORY ? status : SAG_OK;
}

static void print_unit(const library *from, const unit *u, int all)
{
    int shown = 0;
    for (size_t i = 0; i < UNIT; i++) {
        size_t f = i / LEVELS, l = i % LEVELS;
        if (!all && u->outcome[f][l] != FAILED) {
            continue;
        }
        if (!shown++) {
            const char *name = strrchr(from->file[u->example], '/');
            printf("unit %llu: %s, %s, %.5g V", (unsigned long long)u->number, name ? name + 1 : "",
                   from->parts[u->part].name, u->supply_v);
            for (size_t k = 0; u->design && k < u->design->control_count; k++) {
                const sag_control *control = &u->design->controls[k];
                printf(control->is_switch ? ", %s %.0f" : ", %s %.4g %%", control->name,
                       control->is_switch ? control->setting : 100 * control->setting);
            }
            printf("%s%s\n", u->status == SAG_OK ? "" : ": ",
                   u->status == SAG_OK ? "" : sag_status_text(u->status));
        }
        if (u->status == SAG_OK) {
            const sag_steady_point *p = &u->point[f][l];
            printf("  %.6g Hz, %.5g dBV: %s, %.5f dB, THD %.4g %%, %d steps, %d sweeps\n", u->hz[f],
                   u->dbv[f][l], outcome_names[u->outcome[f][l]], p->gain_db, 100 * p->thd,
                   p->steps, p->sweeps);
        }
    }
}

static sag_status read_library(library *to)
{
    static const char *const examples[EXAMPLES] = {"heron", "plover", "curlew"};
    char **files = NULL, **names = NULL;
    sag_model_library *models = NULL;
    to->folder[0] = RAILSAG_SOURCE_DIR "/models";
    to->path = (sag_model_path){to->folder, 1};
    for (size_t i = 0; i < EXAMPLES; i++) {
        char file[1024];
        snprintf(file, sizeof file, RAILSAG_SOURCE_DIR "/examples/%s.json", examples[i]);
        to->file[i] = sag_copy_text(file, strlen(file));
        TRY(sag_json_load(file, &to->text[i], &to->length[i], NULL));
    }
    TRY(sag_model_list(&to->path, NULL, SAG_MODEL_OPAMP, &names, &files, &to->part_count));
    TRY(sag_model_library_new(&to->path, &models));
    for (size_t i = 0; i < to->part_count && i < MOST_MODELS; i++) {
        const sag_opamp_model *model;
        TRY(sag_model_opamp(models, names[i], NULL, (sag_place){0}, &model, NULL));
        to->parts[i] = (part){names[i], model->amplifiers,
                              model->stops_below_v > 0 ? model->stops_below_v : model->supply_min_v,
                              model->supply_max_v};
        sag_free(files[i]);
    }
    sag_free(files);
    sag_free(names);
    sag_model_library_free(models);
    return to->part_count <= MOST_MODELS ? SAG_OK : SAG_BAD_INPUT;
}

static void free_library(library *at)
{
    for (size_t i = 0; i < EXAMPLES; i++) {
        sag_free(at->file[i]);
        sag_free(at->text[i]);
    }
    for (size_t i = 0; i < at->part_count; i++) {
        sag_free(at->parts[i].name);
    }
}

int main(int argc, char **argv)
{
    enum { BATCH = 256 };
    library from = {0};
    static unit units[BATCH];
    long long counts[OUTCOMES] = {0}, done = 0;
    gsl_set_error_handler_off();
    int single = argc == 3 && !strcmp(argv[1], "--unit");
    long long wanted = argc > 1 && !single ? atoll(argv[1]) : 1000000;
    batch b = {.from = &from, .units = units, .first = argc > 2 ? strtoull(argv[2], NULL, 10) : 0};
    sag_status status = read_library(&from);
    if (status == SAG_OK && single) {
        status = run_unit(&b, 0);
        print_unit(&from, &units[0], 1);
        sag_design_free(units[0].design);
        wanted = 0;
    }
    long threads = sysconf(_SC_NPROCESSORS_ONLN);
    while (status == SAG_OK && done < wanted) {
        status = sag_parallel_run(BATCH, threads > 0 ? (int)threads : 1, run_unit, &b, NULL, NULL);
        for (size_t k = 0; k < BATCH && status == SAG_OK; k++) {
            print_unit(&from, &units[k], 0);
            for (size_t i = 0; i < UNIT; i++) {
                counts[units[k].outcome[i / LEVELS][i % LEVELS]]++;
            }
            sag_design_free(units[k].design);
        }
        fflush(stdout);
        done += BATCH * UNIT;
        b.first += BATCH;
        fprintf(stderr, "%lld of %lld points, %lld failed\n", done, wanted, counts[FAILED]);
    }
    for (int i = 0; i < OUTCOMES && !single; i++) {
        printf("%s %lld%s", outcome_names[i], counts[i], i + 1 < OUTCOMES ? ", " : "\n");
    }
    free_library(&from);
    if (status != SAG_OK) {
        fprintf(stderr, "%s\n", sag_status_text(status));
    }
    return status != SAG_OK;
}
