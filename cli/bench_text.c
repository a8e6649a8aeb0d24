/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench_text.c - the figures of an op-amp on the bench as a table, and where the file has its own
 * from. */
#include "bench_run.h"
#include "label.h"
#include "table.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *deviation_text(char *buffer, const sag_bench_figure *f)
{
    const char *unit;
    double deviation = bench_deviation(f, &unit);
    if (isnan(deviation)) {
        snprintf(buffer, LABEL_SIZE, "-");
    } else {
        double shown = round(10 * deviation) / 10;
        snprintf(buffer, LABEL_SIZE, "%+.1f %s", shown + 0.0, unit); /* no -0.0 */
    }
    return buffer;
}

static void remark(char *buffer, const sag_bench_figure *f)
{
    const char *said = f->verdict == SAG_BENCH_OUTSIDE      ? "outside"
                       : f->verdict == SAG_BENCH_NOT_TESTED ? "not tested: "
                                                            : "";
    snprintf(buffer, LABEL_SIZE, "%s%s%s%s", f->estimate ? "~" : "",
             f->estimate && *said ? " " : "", said,
             f->verdict == SAG_BENCH_NOT_TESTED ? f->why : "");
}

static void add_row(table *t, const sag_bench_figure *f, const sag_bench_figure *before)
{
    char text[LABEL_SIZE];
    int again = before && before->kind == f->kind;
    table_cell(t, "%s", again ? "" : bench_kind_of(f)->name);
    table_cell(t, "%s", bench_place(text, f));
    table_cell(t, "%s", bench_value(text, f, f->found));
    table_cell(t, "%s", isnan(f->sheet) ? "not given" : bench_value(text, f, f->sheet));
    table_cell(t, "%s", deviation_text(text, f));
    remark(text, f);
    table_cell(t, "%s", text);
}

static int write_table(const bench_run *run)
{
    table *t = table_new("llrrrl", 2);
    static const char *const heads[] = {"figure", "at", "simulated", "file", "deviation", ""};
    if (!t) {
        return 0;
    }
    for (size_t i = 0; i < sizeof heads / sizeof heads[0]; i++) {
        table_cell(t, "%s", heads[i]);
    }
    for (size_t i = 0; i < run->count; i++) {
        add_row(t, &run->figures[i], i > 0 ? &run->figures[i - 1] : NULL);
    }
    int done = table_write(t, run->table);
    table_free(t);
    return done;
}

/* Figures whose source is told: not of those that the file lacks, nor of what it does not say itself. */
static int has_source(const sag_bench_figure *f)
{
    return !isnan(f->sheet) && f->kind != SAG_BENCH_TRACKING &&
           f->kind != SAG_BENCH_POWER_BANDWIDTH && (f->sheet < 0 || f->sheet > 0);
}

static int told_before(const bench_run *run, size_t i, const char *source)
{
    for (size_t k = 0; k < i; k++) {
        const sag_bench_figure *f = &run->figures[k];
        if (has_source(f) && !strcmp(sag_model_figure_source(&run->model->head, f->path), source)) {
            return 1;
        }
    }
    return 0;
}

/* "output.high, output.low": the paths from figure i on that have this source, each once. */
static void list_paths(char *list, size_t size, const bench_run *run, size_t i, const char *source)
{
    const char *last = "";
    *list = '\0';
    for (; i < run->count; i++) {
        const sag_bench_figure *f = &run->figures[i];
        if (has_source(f) && strcmp(f->path, last) != 0 && !strstr(list, f->path) &&
            !strcmp(sag_model_figure_source(&run->model->head, f->path), source)) {
            size_t used = strlen(list);
            snprintf(list + used, size - used, "%s%s", used ? ", " : "", f->path);
            last = f->path;
        }
    }
}

/* Each source once, with the figures that have it. */
static void write_sources(const bench_run *run)
{
    output_text(run->table, "\nWhere the file's figures come from:\n");
    for (size_t i = 0; i < run->count; i++) {
        const sag_bench_figure *f = &run->figures[i];
        const char *source = sag_model_figure_source(&run->model->head, f->path);
        char list[1024];
        if (has_source(f) && !told_before(run, i, source)) {
            list_paths(list, sizeof list, run, i, source);
            output_text(run->table, "  ");
            output_wrapped(run->table, list, 2, 2);
            output_text(run->table, "      ");
            output_wrapped(run->table, source, 6, 6);
        }
    }
}

int bench_text_write(const bench_run *run)
{
    const sag_model_head *head = &run->model->head;
    output *out = run->table;
    char text[LABEL_SIZE], line[2048];
    int estimates = 0;
    for (size_t i = 0; i < run->count; i++) {
        estimates |= run->figures[i].estimate != NULL;
    }
    output_format(out, "%s: %s\n", head->name, head->title ? head->title : "");
    output_format(out, "file: %s\n", head->file);
    output_text(out, "One amplifier on the bench, simulated, beside the figures of its file\n\n");
    if (!write_table(run)) {
        return 0;
    }
    output_format(out, "\n%s.\n", bench_summary(text, run));
    snprintf(
        line, sizeof line,
        "Within: 5 %% of the file's figure; a drop 10 %% or 10 mV, whichever is more; the end of "
        "an input range 5 %% or 10 mV; DC gain 1 dB; phase margin 5 deg; power bandwidth (1 %% "
        "THD of a follower at the level shown) 90 to 105 %% of slew rate / (2 pi peak).%s",
        estimates ? " ~ The file's figure is an estimate." : "");
    output_wrapped(out, line, 0, 0);
    write_sources(run);
    return 1;
}
