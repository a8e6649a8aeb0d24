/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bench_run.h - `models NAME --bench`: an op-amp on a simulated bench, as text, JSON and picture. */
#ifndef RAILSAG_BENCH_RUN_H
#define RAILSAG_BENCH_RUN_H

#include "model_bench.h"
#include "options.h"
#include "output.h"

typedef struct {
    const options *options;
    const sag_opamp_model *model;
    sag_model_bench *bench;
    const sag_bench_figure *figures;
    size_t count;
    sag_report *report;          /* a warning for each figure that is not met */
    output *table, *json, *plot; /* NULL: not asked for */
} bench_run;

/* Measures a model and writes what the options ask for; findings go to the report. Returns an exit
 * status with everything said but the findings. */
int bench_show(const options *o, const sag_opamp_model *model, sag_report *report);

/* What a figure is called, and how its values are shown. */
typedef struct {
    const char *name; /* in text: "drop below V+" */
    const char *key;  /* in JSON: "drop_high" */
    const char *unit; /* the last part of a key: "v" */
    sag_unit shown;
} bench_kind;
const bench_kind *bench_kind_of(const sag_bench_figure *figure);

/* Against the file: in dB of a gain, in degrees, in mV where an input range ends, else in percent of
 * the file's; *unit says which. NAN where it means nothing. */
double bench_deviation(const sag_bench_figure *figure, const char **unit);

/* "30 V, 10 uA": where a figure was measured. */
const char *bench_place(char *buffer, const sag_bench_figure *figure);
/* One of a figure's values, "3 MHz", "does not"; "-" for NAN. Both return buffer, LABEL_SIZE bytes. */
const char *bench_value(char *buffer, const sag_bench_figure *figure, double value);

/* "66 figures: 62 within, 0 outside, ...": how many came to what. */
const char *bench_summary(char *buffer, const bench_run *run);

int bench_text_write(const bench_run *run);
void bench_result_write(const bench_run *run);
int bench_picture_write(const bench_run *run);

#endif
