/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench_run.h"

#include "label.h"
#include "message.h"
#include "progress.h"
#include "session.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const bench_kind kinds[SAG_BENCH_KINDS] = {
    [SAG_BENCH_GAIN_BANDWIDTH] = {"gain-bandwidth", "gain_bandwidth", "hz", SAG_HERTZ},
    [SAG_BENCH_PHASE_MARGIN] = {"phase margin", "phase_margin", "deg", SAG_DEGREE},
    [SAG_BENCH_SLEW_RISE] = {"slew rate up", "slew_rise", "v_per_s", SAG_VOLT_PER_SECOND},
    [SAG_BENCH_SLEW_FALL] = {"slew rate down", "slew_fall", "v_per_s", SAG_VOLT_PER_SECOND},
    [SAG_BENCH_OPEN_LOOP_GAIN] = {"DC gain", "open_loop_gain", "db", SAG_GAIN},
    [SAG_BENCH_DROP_HIGH] = {"drop below V+", "drop_high", "v", SAG_VOLT},
    [SAG_BENCH_DROP_LOW] = {"drop above V-", "drop_low", "v", SAG_VOLT},
    [SAG_BENCH_SHORT_SOURCE] = {"short circuit, out", "short_circuit_source", "a", SAG_AMPERE},
    [SAG_BENCH_SHORT_SINK] = {"short circuit, in", "short_circuit_sink", "a", SAG_AMPERE},
    [SAG_BENCH_SUPPLY_CURRENT] = {"supply current", "supply_current", "a", SAG_AMPERE},
    [SAG_BENCH_TRACKING] = {"follower's gain", "follower_gain", "ratio", SAG_COUNT},
    [SAG_BENCH_WORKS_TO_LOW] = {"input range from V-", "works_to_low", "v", SAG_VOLT},
    [SAG_BENCH_WORKS_TO_HIGH] = {"input range from V+", "works_to_high", "v", SAG_VOLT},
    [SAG_BENCH_REVERSES_LOW] = {"reversal near V-", "reverses_low", NULL, SAG_COUNT},
    [SAG_BENCH_REVERSES_HIGH] = {"reversal near V+", "reverses_high", NULL, SAG_COUNT},
    [SAG_BENCH_POWER_BANDWIDTH] = {"power bandwidth", "power_bandwidth", "hz", SAG_HERTZ},
    [SAG_BENCH_OFFSET] = {"offset", "offset", "v", SAG_VOLT},
    [SAG_BENCH_BIAS_CURRENT] = {"bias current", "bias_current", "a", SAG_AMPERE},
};

const bench_kind *bench_kind_of(const sag_bench_figure *figure)
{
    return &kinds[figure->kind];
}

static int is_reversal(const sag_bench_figure *figure)
{
    return figure->kind == SAG_BENCH_REVERSES_LOW || figure->kind == SAG_BENCH_REVERSES_HIGH;
}

double bench_deviation(const sag_bench_figure *f, const char **unit)
{
    *unit = "%";
    switch (f->kind) {
    case SAG_BENCH_PHASE_MARGIN:
        *unit = "deg";
        return f->found - f->sheet;
    case SAG_BENCH_OPEN_LOOP_GAIN:
        *unit = "dB";
        return 20 * log10(f->found / f->sheet);
    case SAG_BENCH_WORKS_TO_LOW:
    case SAG_BENCH_WORKS_TO_HIGH:
        *unit = "mV";
        return 1e3 * (f->found - f->sheet);
    case SAG_BENCH_REVERSES_LOW:
    case SAG_BENCH_REVERSES_HIGH:
        return (double)NAN;
    default:
        return fabs(f->sheet) > 0 ? 100 * (f->found / f->sheet - 1) : (double)NAN;
    }
}

const char *bench_place(char *buffer, const sag_bench_figure *f)
{
    char more[LABEL_SIZE];
    label_value(buffer, f->supply_v, SAG_VOLT);
    size_t used = strlen(buffer);
    if (!isnan(f->load_a)) {
        snprintf(buffer + used, LABEL_SIZE - used, ", %.60s",
                 label_value(more, f->load_a, SAG_AMPERE));
    } else if (!isnan(f->level_vpk)) {
        snprintf(buffer + used, LABEL_SIZE - used, ", %.3g Vpk", f->level_vpk);
    }
    return buffer;
}

const char *bench_value(char *buffer, const sag_bench_figure *f, double value)
{
    if (isnan(value)) {
        snprintf(buffer, LABEL_SIZE, "-");
    } else if (is_reversal(f)) {
        snprintf(buffer, LABEL_SIZE, "%s", value > 0 ? "reverses" : "does not");
    } else if (f->kind == SAG_BENCH_TRACKING) {
        snprintf(buffer, LABEL_SIZE, "%.3f", value);
    } else {
        label_value(buffer, value, bench_kind_of(f)->shown);
    }
    return buffer;
}

const char *bench_summary(char *buffer, const bench_run *run)
{
    size_t counts[SAG_BENCH_NOT_TESTED + 1] = {0};
    for (size_t i = 0; i < run->count; i++) {
        counts[run->figures[i].verdict]++;
    }
    snprintf(buffer, LABEL_SIZE,
             "%zu figures: %zu within, %zu outside, %zu not given in the file, %zu not tested",
             run->count, counts[SAG_BENCH_WITHIN], counts[SAG_BENCH_OUTSIDE],
             counts[SAG_BENCH_NOT_GIVEN], counts[SAG_BENCH_NOT_TESTED]);
    return buffer;
}

/* Opened before anything is computed, so that a bad path fails at once. */
static int open_outputs(bench_run *run)
{
    const options *o = run->options;
    int owned = (o->json && !strcmp(o->json, "-")) || (o->plot && !strcmp(o->plot, "-"));
    if ((o->json && !(run->json = output_open(o->json))) ||
        (o->plot && !(run->plot = output_open(o->plot))) ||
        (!owned && !(run->table = output_open("-")))) {
        return EXIT_FAILED;
    }
    return EXIT_DONE;
}

static void warn_outside(const bench_run *run)
{
    for (size_t i = 0; i < run->count; i++) {
        const sag_bench_figure *f = &run->figures[i];
        char place[LABEL_SIZE], found[LABEL_SIZE], sheet[LABEL_SIZE];
        if (f->verdict == SAG_BENCH_OUTSIDE) {
            sag_report_at(run->report, SAG_WARNING,
                          (sag_place){.file = run->model->head.file, .path = f->path},
                          "another figure of the file keeps the circuit from it",
                          "%s at %s: %s simulated, %s in the file", bench_kind_of(f)->name,
                          bench_place(place, f), bench_value(found, f, f->found),
                          bench_value(sheet, f, f->sheet));
        }
    }
}

static int measure(bench_run *run)
{
    progress bar;
    sag_status status = sag_model_bench_new(run->model, &run->bench);
    if (status == SAG_OK) {
        progress_start(&bar, !run->options->quiet, SAG_BENCH_KINDS);
        status = sag_model_bench_run(run->bench, progress_step, &bar);
        progress_end(&bar);
    }
    if (status != SAG_OK) {
        return session_fail(status);
    }
    run->figures = sag_model_bench_figures(run->bench, &run->count);
    warn_outside(run);
    return EXIT_DONE;
}

static int write_all(bench_run *run)
{
    int status = EXIT_DONE;
    if (run->table) {
        status = bench_text_write(run) ? EXIT_DONE : session_no_memory();
    }
    if (run->json) {
        bench_result_write(run);
    }
    if (run->plot && status == EXIT_DONE) {
        status = bench_picture_write(run);
    }
    return status;
}

/* Files first, as session_close does. */
static int commit(bench_run *run)
{
    int done = 1;
    output **all[] = {&run->json, &run->plot, &run->table};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        output *out = *all[i];
        *all[i] = NULL;
        done &= !out || output_commit(out);
    }
    return done ? EXIT_DONE : EXIT_FAILED;
}

int bench_show(const options *o, const sag_opamp_model *model, sag_report *report)
{
    bench_run run = {.options = o, .model = model, .report = report};
    int status = open_outputs(&run);
    if (status == EXIT_DONE) {
        status = measure(&run);
    }
    if (status == EXIT_DONE) {
        status = write_all(&run);
    }
    if (status == EXIT_DONE) {
        status = output_interrupted() ? EXIT_FAILED : commit(&run);
    }
    sag_model_bench_free(run.bench);
    output_drop(run.json);
    output_drop(run.plot);
    output_drop(run.table);
    return status;
}
