/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command_models.c - which models there are, and where each figure of one comes from. */
#include "bench_run.h"
#include "command.h"
#include "folders.h"
#include "label.h"
#include "message.h"
#include "model_sheet.h"
#include "session.h"
#include "table.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

static const char *const kind_titles[] = {
    [SAG_MODEL_OPAMP] = "Op-amps",
    [SAG_MODEL_BATTERY] = "Batteries",
    [SAG_MODEL_DIODE] = "Diodes",
    [SAG_MODEL_PICKUP] = "Pickups",
};
enum { KINDS = sizeof kind_titles / sizeof kind_titles[0] };

/* The names and files of one kind. */
typedef struct {
    char **names, **files;
    size_t count;
} listing;

typedef struct {
    const options *options;
    folders folders;
    sag_report *report;
    output *out; /* NULL on the bench, which opens its own */
    listing lists[KINDS];
} models;

static int read_lists(models *m)
{
    for (size_t kind = 0; kind < KINDS; kind++) {
        listing *list = &m->lists[kind];
        sag_status status = sag_model_list(&m->folders.path, NULL, (sag_model_kind)kind,
                                           &list->names, &list->files, &list->count);
        if (status != SAG_OK) {
            list->count = 0;
            return session_fail(status);
        }
    }
    return EXIT_DONE;
}

static size_t folder_length(const char *file)
{
    const char *slash = strrchr(file, '/');
    return slash ? (size_t)(slash - file) : 0;
}

static int same_folder(const char *a, const char *b)
{
    return folder_length(a) == folder_length(b) && !strncmp(a, b, folder_length(a));
}

/* The models of one kind in the folder of file `first`; *broken is set when one of them has errors.
 */
static sag_status write_group(models *m, sag_model_kind kind, size_t first, int *broken)
{
    const listing *list = &m->lists[kind];
    table *t = model_sheet_list(kind);
    sag_status status = t ? SAG_OK : SAG_NO_MEMORY;
    for (size_t i = first; i < list->count && status == SAG_OK; i++) {
        model_sheet sheet;
        if (!same_folder(list->files[i], list->files[first])) {
            continue;
        }
        status = model_sheet_read(&sheet, list->files[i], m->report);
        if (status == SAG_OK) {
            model_sheet_row(&sheet, t);
        } else if (status == SAG_BAD_INPUT) {
            *broken = 1;
            status = SAG_OK; /* the others are still worth listing */
        }
        model_sheet_free(&sheet);
    }
    if (status == SAG_OK) {
        output_format(m->out, "%s in %.*s\n", kind_titles[kind],
                      (int)folder_length(list->files[first]), list->files[first]);
        status = table_write(t, m->out) ? SAG_OK : SAG_NO_MEMORY;
        output_text(m->out, "\n");
    }
    table_free(t);
    return status;
}

static int list_all(models *m)
{
    int broken = 0;
    size_t found = 0;
    for (size_t kind = 0; kind < KINDS; kind++) {
        const listing *list = &m->lists[kind];
        found += list->count;
        for (size_t i = 0; i < list->count; i++) {
            int seen = 0;
            for (size_t k = 0; k < i; k++) {
                seen |= same_folder(list->files[i], list->files[k]);
            }
            sag_status status = seen ? SAG_OK : write_group(m, (sag_model_kind)kind, i, &broken);
            if (status != SAG_OK) {
                return session_fail(status);
            }
        }
    }
    if (found == 0) {
        message_error("no models were found in");
        for (size_t i = 0; i < m->folders.path.folder_count; i++) {
            fprintf(stderr, "  %s\n", m->folders.path.folders[i]);
        }
        return EXIT_FAILED;
    }
    output_text(m->out, "railsag models NAME shows every figure and where it comes from.\n");
    return broken ? EXIT_MISUSE : EXIT_DONE;
}

/* Says that there is no such model, with the nearest name of all kinds. */
static int refuse_name(const models *m, const char *name)
{
    size_t count = 0;
    for (size_t kind = 0; kind < KINDS; kind++) {
        count += m->lists[kind].count;
    }
    const char **words = sag_new(count, sizeof *words);
    if (!words) {
        return session_no_memory();
    }
    count = 0;
    for (size_t kind = 0; kind < KINDS; kind++) {
        for (size_t i = 0; i < m->lists[kind].count; i++) {
            words[count++] = m->lists[kind].names[i];
        }
    }
    const char *near = sag_nearest_word(name, words, count);
    char own[256];
    struct stat there;
    snprintf(own, sizeof own, "./%.200s.json", name);
    int here = stat(own, &there) == 0 && S_ISREG(there.st_mode);
    near = here ? own : near; /* most likely a file of one's own, and a path leads to it */
    fprintf(stderr, "railsag models: no model \"%s\"%s%s%s railsag models lists them all.\n", name,
            near ? "; did you mean " : "", near ? near : "", near ? "?" : ".");
    sag_free((void *)words);
    return EXIT_MISUSE;
}

static int put_on_bench(models *m, const model_sheet *sheet, const char *file)
{
    if (sheet->opamp) {
        return bench_show(m->options, sheet->opamp, m->report);
    }
    message_misuse("models", "--bench is for op-amps, and %s is none", file);
    return EXIT_MISUSE;
}

static int show_file(models *m, const char *file)
{
    model_sheet sheet;
    sag_status status = model_sheet_read(&sheet, file, m->report);
    if (status == SAG_OK && m->options->bench) {
        int bench_status = put_on_bench(m, &sheet, file);
        model_sheet_free(&sheet);
        return bench_status;
    }
    if (status == SAG_OK) {
        status = model_sheet_write(&sheet, m->out) ? SAG_OK : SAG_NO_MEMORY;
    }
    model_sheet_free(&sheet);
    if (status == SAG_OK) {
        return EXIT_DONE;
    }
    return status == SAG_BAD_INPUT ? EXIT_MISUSE : session_fail(status);
}

/* The models of a name: of all kinds, or of op-amps when they go on the bench and there is one. */
static int is_shown(const models *m, size_t kind, int opamp_found)
{
    return !m->options->bench || kind == SAG_MODEL_OPAMP || !opamp_found;
}

static int has_name(const listing *list, const char *name, size_t *at)
{
    for (*at = 0; *at < list->count; ++*at) {
        if (!strcasecmp(list->names[*at], name)) {
            return 1;
        }
    }
    return 0;
}

/* name: of a model, or the path of a model file. The same name may stand for models of several
 * kinds. */
static int show_one(models *m, const char *name)
{
    size_t length = strlen(name), shown = 0, at;
    if (strchr(name, '/') || (length > 5 && !strcasecmp(name + length - 5, ".json"))) {
        return show_file(m, name);
    }
    int opamp_found = has_name(&m->lists[SAG_MODEL_OPAMP], name, &at);
    for (size_t kind = 0; kind < KINDS; kind++) {
        if (!is_shown(m, kind, opamp_found) || !has_name(&m->lists[kind], name, &at)) {
            continue;
        }
        if (m->out) {
            output_text(m->out, shown > 0 ? "\n" : "");
        }
        shown++;
        int status = show_file(m, m->lists[kind].files[at]);
        if (status != EXIT_DONE) {
            return status;
        }
    }
    return shown > 0 ? EXIT_DONE : refuse_name(m, name);
}

/* Options that only the bench has. */
static int check_options(const options *o)
{
    static const char *const of_bench[] = {"json", "plot"};
    for (size_t i = 0; i < sizeof of_bench / sizeof of_bench[0] && !o->bench; i++) {
        if (options_given(o, of_bench[i])) {
            message_misuse("models", "--%s goes with --bench", of_bench[i]);
            return EXIT_MISUSE;
        }
    }
    if (o->bench && !o->argument) {
        message_misuse("models", "--bench needs the name of an op-amp, as in railsag models tl072 "
                                 "--bench");
        return EXIT_MISUSE;
    }
    return EXIT_DONE;
}

int command_models(const options *o)
{
    models m;
    memset(&m, 0, sizeof m);
    m.options = o;
    int status = check_options(o);
    if (status != EXIT_DONE) {
        return status;
    }
    if (sag_report_new(&m.report) != SAG_OK || !folders_find(&m.folders)) {
        status = session_no_memory();
    }
    if (status == EXIT_DONE) {
        m.out = o->bench ? NULL : output_open("-");
        status = m.out || o->bench ? read_lists(&m) : EXIT_FAILED;
    }
    if (status == EXIT_DONE) {
        status = o->argument ? show_one(&m, o->argument) : list_all(&m);
    }
    /* A list is still worth reading when one file of many is broken. */
    if (m.out && (status == EXIT_DONE || (status == EXIT_MISUSE && !o->argument))) {
        if (!output_commit(m.out)) {
            status = EXIT_FAILED;
        }
        m.out = NULL;
    }
    message_report(m.report, o->quiet);
    output_drop(m.out);
    for (size_t kind = 0; kind < KINDS; kind++) {
        for (size_t i = 0; i < m.lists[kind].count; i++) {
            sag_free(m.lists[kind].names[i]);
            sag_free(m.lists[kind].files[i]);
        }
        sag_free((void *)m.lists[kind].names);
        sag_free((void *)m.lists[kind].files);
    }
    folders_free(&m.folders);
    sag_report_free(m.report);
    return status;
}
