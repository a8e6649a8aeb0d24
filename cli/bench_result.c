/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench_result.c - the figures of an op-amp on the bench as JSON: one result a kind of figure, with
 * columns side by side. */
#include "bench_run.h"
#include "json_out.h"
#include "label.h"
#include "message.h"
#include "railsag.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const verdicts[] = {[SAG_BENCH_WITHIN] = "within",
                                       [SAG_BENCH_OUTSIDE] = "outside",
                                       [SAG_BENCH_NOT_GIVEN] = "not given",
                                       [SAG_BENCH_NOT_TESTED] = "not tested"};

/* Values of a column are a fixed number of bytes apart. */
static void write_column(json_writer *w, const sag_bench_figure *f, size_t count, const char *what,
                         const double *first)
{
    const bench_kind *kind = bench_kind_of(f);
    char key[64];
    snprintf(key, sizeof key, "%s%s%s", what, kind->unit ? "_" : "", kind->unit ? kind->unit : "");
    if (f->kind != SAG_BENCH_OPEN_LOOP_GAIN) {
        json_column(w, key, first, count, sizeof *f, 1);
        return;
    }
    json_flat_array(w, key);
    for (size_t i = 0; i < count; i++) {
        const void *at = (const char *)first + i * sizeof *f;
        json_number(w, NULL, 20 * log10(*(const double *)at));
    }
    json_close(w);
}

static void write_deviations(json_writer *w, const sag_bench_figure *f, size_t count)
{
    const char *unit;
    char key[64];
    bench_deviation(f, &unit);
    snprintf(key, sizeof key, "deviation_%s",
             !strcmp(unit, "%")    ? "percent"
             : !strcmp(unit, "mV") ? "mv"
             : !strcmp(unit, "dB") ? "db"
                                   : unit);
    json_flat_array(w, key);
    for (size_t i = 0; i < count; i++) {
        json_number(w, NULL, bench_deviation(&f[i], &unit));
    }
    json_close(w);
}

/* A run of figures of one kind. */
static void write_kind(json_writer *w, const sag_model_head *head, const sag_bench_figure *f,
                       size_t count)
{
    json_object(w, NULL);
    json_text(w, "figure", bench_kind_of(f)->key);
    json_column(w, "supply_v", &f->supply_v, count, sizeof *f, 1);
    if (!isnan(f->load_a)) {
        json_column(w, "load_a", &f->load_a, count, sizeof *f, 1);
    }
    if (!isnan(f->level_vpk)) {
        json_column(w, "level_vpk", &f->level_vpk, count, sizeof *f, 1);
    }
    write_column(w, f, count, "simulated", &f->found);
    write_column(w, f, count, "file", &f->sheet);
    write_column(w, f, count, "least", &f->least);
    write_column(w, f, count, "most", &f->most);
    write_deviations(w, f, count);
    json_flat_array(w, "verdict");
    for (size_t i = 0; i < count; i++) {
        json_text(w, NULL, verdicts[f[i].verdict]);
    }
    json_close(w);
    json_array(w, "source");
    for (size_t i = 0; i < count; i++) {
        int none = isnan(f[i].sheet) || f[i].kind == SAG_BENCH_TRACKING;
        json_text(w, NULL, none ? NULL : sag_model_figure_source(head, f[i].path));
    }
    json_close(w);
    json_flat_array(w, "estimate");
    for (size_t i = 0; i < count; i++) {
        json_text(w, NULL, f[i].estimate);
    }
    json_close(w);
    json_flat_array(w, "why");
    for (size_t i = 0; i < count; i++) {
        json_text(w, NULL, f[i].why);
    }
    json_close(w);
    json_close(w);
}

static void write_warnings(json_writer *w, const bench_run *run)
{
    json_array(w, "warnings");
    for (size_t i = 0; i < sag_report_count(run->report); i++) {
        const sag_finding *finding = sag_report_get(run->report, i);
        char place[1024], text[2048];
        if (finding->severity == SAG_NOTE) {
            continue;
        }
        message_finding_place(finding, 1, run->options->argument, place, sizeof place);
        json_flat_object(w, NULL);
        json_text(w, "where", *place ? place : NULL);
        json_text(w, "text", message_finding_text(finding, text, sizeof text));
        json_close(w);
    }
    json_close(w);
}

void bench_result_write(const bench_run *run)
{
    const sag_model_head *head = &run->model->head;
    json_writer w = json_start(run->json);
    json_object(&w, NULL);
    json_text(&w, "format", "railsag result 1");
    json_text(&w, "version", SAG_VERSION);
    json_text(&w, "command", run->options->command->name);
    json_flat_object(&w, "model");
    json_text(&w, "name", head->name);
    json_text(&w, "title", head->title);
    json_text(&w, "file", run->options->argument);
    json_close(&w);
    write_warnings(&w, run);
    json_array(&w, "results");
    for (size_t i = 0, end; i < run->count; i = end) {
        end = i;
        while (end < run->count && run->figures[end].kind == run->figures[i].kind) {
            end++;
        }
        write_kind(&w, head, &run->figures[i], end - i);
    }
    json_close(&w);
    json_close(&w);
    json_end(&w);
}
