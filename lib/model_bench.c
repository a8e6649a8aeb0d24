/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The list of figures: what is measured at which supply, and what the file says of it. */
#include "model_bench.h"

#include "memory.h"
#include "model_bench_private.h"

#include <math.h>
#include <string.h>

/* What counts as met. A drop is read to 10 mV, and tables give it to two digits; a gain and a phase
 * margin are read off curves. The input range ends where the drive falls within 0.1 V. */
#define WITHIN         0.05
#define DROP_WITHIN    0.10
#define DROP_LEAST_V   10e-3
#define GAIN_WITHIN_DB 1.0
#define MARGIN_WITHIN  5.0
#define POWER_LEAST    0.90
#define POWER_MOST     1.05
#define A_HUNDRED      1e-9 /* a ratio this near 1 is 100 % */

static const char *const ideal = "the file leaves it out: ideal";
static const char *const no_step = "too little room for a step";
static const char *const soft_slew = "too little room for a sine";
static const char *const no_window = "the input range is empty at this supply";

/* Keeps a figure with what it came to; a status that ends the run is returned. */
static sag_status add(sag_model_bench *bench, sag_bench_figure figure, sag_status status)
{
    if (status < SAG_OK) {
        return status;
    }
    if (!sag_grow((void **)&bench->figures, &bench->capacity, bench->count + 1,
                  sizeof *bench->figures)) {
        return SAG_NO_MEMORY;
    }
    if (status != SAG_OK) {
        figure.found = (double)NAN;
        figure.why = sag_status_text(status);
    } else if (!isfinite(figure.found) && !figure.why) {
        figure.found = (double)NAN;
        figure.why = no_step;
    }
    if (isnan(figure.sheet)) {
        figure.least = figure.most = (double)NAN;
        figure.verdict = SAG_BENCH_NOT_GIVEN;
    } else if (figure.why) {
        figure.verdict = SAG_BENCH_NOT_TESTED;
    } else {
        figure.verdict = figure.found >= figure.least && figure.found <= figure.most
                             ? SAG_BENCH_WITHIN
                             : SAG_BENCH_OUTSIDE;
    }
    bench->figures[bench->count++] = figure;
    return SAG_OK;
}

/* A figure with `within` of its size on either side, or `at_least` where that is more. */
static sag_bench_figure around(sag_bench_kind kind, const char *path, double supply_v, double found,
                               double sheet, double within, double at_least)
{
    double off = fmax(within * fabs(sheet), at_least);
    return (sag_bench_figure){.kind = kind,
                              .path = path,
                              .supply_v = supply_v,
                              .load_a = (double)NAN,
                              .level_vpk = (double)NAN,
                              .found = found,
                              .sheet = sheet,
                              .least = sheet - off,
                              .most = sheet + off};
}

/* A column of against_supply. */
static double ratio_of(const sag_against_supply *row, sag_bench_kind kind)
{
    return kind == SAG_BENCH_GAIN_BANDWIDTH   ? row->gain_bandwidth
           : kind == SAG_BENCH_SUPPLY_CURRENT ? row->supply_current
                                              : row->slew_rate;
}

static int is_headline(double ratio)
{
    return fabs(ratio - 1) <= A_HUNDRED;
}

static double best_supply_v(const sag_opamp_model *model)
{
    double best_v = (double)NAN;
    int most = 0;
    for (size_t i = 0; i < model->against_count; i++) {
        const sag_against_supply *row = &model->against[i];
        int count = is_headline(row->gain_bandwidth) + is_headline(row->slew_rate) +
                    is_headline(row->supply_current);
        if (count > 0 && count >= most && row->supply_v <= model->absolute_max_v) {
            most = count;
            best_v = row->supply_v;
        }
    }
    return best_v;
}

/* The highest supply of the tables of drops; 0 where no row has one. */
static double highest_drop_v(const sag_opamp_model *model)
{
    double high_v = model->high[model->high_count - 1].supply_v; /* they rise */
    double low_v = model->low[model->low_count - 1].supply_v;
    return fmin(fmax(isnan(high_v) ? 0 : high_v, isnan(low_v) ? 0 : low_v), model->absolute_max_v);
}

double sag_model_bench_supply_v(const sag_opamp_model *model)
{
    double best_v = best_supply_v(model), drop_v = highest_drop_v(model);
    return !isnan(best_v) ? best_v : drop_v > 0 ? drop_v : model->supply_max_v;
}

double sag_model_bench_output_v(const sag_opamp_model *model)
{
    double drop_v = highest_drop_v(model);
    return drop_v > 0 ? drop_v : sag_model_bench_supply_v(model);
}

typedef sag_status (*measure)(sag_model_bench *bench, double supply_v, double *found);

static sag_status slew_rise(sag_model_bench *bench, double supply_v, double *found)
{
    return sag_bench_slew_rate(bench, 1, supply_v, found);
}

static sag_status slew_fall(sag_model_bench *bench, double supply_v, double *found)
{
    return sag_bench_slew_rate(bench, 0, supply_v, found);
}

/* A figure that depends on the supply: at each row of against_supply that gives it, and at the
 * headline's supply where no row does. */
static sag_status add_against(sag_model_bench *bench, sag_bench_kind kind, const char *path,
                              double headline, measure measured)
{
    const sag_opamp_model *model = bench->model;
    int added = 0;
    for (size_t i = 0; i < model->against_count; i++) {
        const sag_against_supply *row = &model->against[i];
        double found, ratio = ratio_of(row, kind);
        if (isnan(ratio)) {
            continue;
        }
        sag_status status = measured(bench, row->supply_v, &found);
        sag_bench_figure figure = around(kind, is_headline(ratio) ? path : "against_supply",
                                         row->supply_v, found, headline * ratio, WITHIN, 0);
        figure.estimate = row->estimate;
        TRY(add(bench, figure, status));
        added = 1;
    }
    if (!added) {
        double found, supply_v = sag_model_bench_supply_v(model);
        sag_status status = measured(bench, supply_v, &found);
        TRY(add(bench, around(kind, path, supply_v, found, headline, WITHIN, 0), status));
    }
    return SAG_OK;
}

static sag_status add_phase_margin(sag_model_bench *bench, double supply_v)
{
    double found, sheet = bench->model->phase_margin_deg;
    sag_status status = sag_bench_phase_margin(bench, supply_v, &found);
    return add(
        bench,
        around(SAG_BENCH_PHASE_MARGIN, "phase_margin", supply_v, found, sheet, 0, MARGIN_WITHIN),
        status);
}

static sag_status add_dc_gain(sag_model_bench *bench, double supply_v)
{
    double found = (double)NAN, sheet = bench->model->open_loop_gain;
    if (!isfinite(sheet)) {
        sag_bench_figure figure =
            around(SAG_BENCH_OPEN_LOOP_GAIN, "open_loop_gain", supply_v, found, (double)NAN, 0, 0);
        figure.why = ideal;
        return add(bench, figure, SAG_OK);
    }
    sag_status status = sag_bench_dc_gain(bench, supply_v, &found);
    sag_bench_figure figure =
        around(SAG_BENCH_OPEN_LOOP_GAIN, "open_loop_gain", supply_v, found, sheet, 0, 0);
    figure.least = sheet * pow(10, -GAIN_WITHIN_DB / 20);
    figure.most = sheet * pow(10, GAIN_WITHIN_DB / 20);
    return add(bench, figure, status);
}

static sag_status add_drops(sag_model_bench *bench, int high)
{
    const sag_opamp_model *model = bench->model;
    const sag_drop_point *points = high ? model->high : model->low;
    size_t count = high ? model->high_count : model->low_count;
    for (size_t i = 0; i < count; i++) {
        double found, supply_v = points[i].supply_v;
        supply_v = isnan(supply_v) ? sag_model_bench_output_v(model) : supply_v;
        sag_status status = sag_bench_drop_row(bench, high, supply_v, &points[i], &found);
        sag_bench_figure figure = around(high ? SAG_BENCH_DROP_HIGH : SAG_BENCH_DROP_LOW,
                                         high ? "output.high" : "output.low", supply_v, found,
                                         points[i].drop_v, DROP_WITHIN, DROP_LEAST_V);
        figure.load_a = points[i].current_a;
        figure.estimate = points[i].estimate;
        TRY(add(bench, figure, status));
    }
    return SAG_OK;
}

static sag_status add_short(sag_model_bench *bench, int source)
{
    const sag_opamp_model *model = bench->model;
    double found = (double)NAN, sheet = source ? model->short_source_a : model->short_sink_a;
    double supply_v = sag_model_bench_output_v(model);
    sag_status status = isfinite(sheet) ? sag_bench_short(bench, source, supply_v, &found) : SAG_OK;
    sag_bench_figure figure =
        around(source ? SAG_BENCH_SHORT_SOURCE : SAG_BENCH_SHORT_SINK,
               source ? "output.short_circuit.source" : "output.short_circuit.sink", supply_v,
               found, isfinite(sheet) ? sheet : (double)NAN, WITHIN, 0);
    figure.why = isfinite(sheet) ? NULL : ideal;
    return add(bench, figure, status);
}

/* The input range: a follower's gain inside it, and where it ends. */
static sag_status add_window(sag_model_bench *bench, double supply_v)
{
    static const char *const works_to[] = {"input.low_side.works_to", "input.high_side.works_to"};
    const sag_opamp_model *model = bench->model;
    sag_bench_span window = sag_bench_window(model, supply_v);
    int empty = !(window.low_v < window.high_v);
    double found = (double)NAN;
    sag_status status = empty ? SAG_OK : sag_bench_tracking(bench, supply_v, &found);
    sag_bench_figure figure = around(SAG_BENCH_TRACKING, "input", supply_v, found, 1, WITHIN, 0);
    figure.why = empty ? no_window : NULL;
    TRY(add(bench, figure, status));
    for (int high = 0; high < 2; high++) {
        double sheet = high ? model->input_high.works_to_v : model->input_low.works_to_v;
        found = (double)NAN;
        status = isnan(sheet) || empty ? SAG_OK : sag_bench_works_to(bench, high, supply_v, &found);
        figure = around(high ? SAG_BENCH_WORKS_TO_HIGH : SAG_BENCH_WORKS_TO_LOW, works_to[high],
                        supply_v, found, sheet, WITHIN, DROP_LEAST_V);
        figure.why = isnan(sheet) ? ideal : empty ? no_window : NULL;
        TRY(add(bench, figure, status));
    }
    return SAG_OK;
}

/* Not given means that the part does not reverse. */
static sag_status add_reversal(sag_model_bench *bench, double supply_v)
{
    static const char *const path[] = {"input.low_side.reverses_at", "input.high_side.reverses_at"};
    const sag_opamp_model *model = bench->model;
    for (int high = 0; high < 2; high++) {
        int reverses = 0;
        double at_v = high ? model->input_high.reverses_at_v : model->input_low.reverses_at_v;
        sag_status status = sag_bench_reverses(bench, high, supply_v, &reverses);
        TRY(add(bench,
                around(high ? SAG_BENCH_REVERSES_HIGH : SAG_BENCH_REVERSES_LOW, path[high],
                       supply_v, reverses, !isnan(at_v), 0, 0),
                status));
    }
    return SAG_OK;
}

static sag_status add_power_bandwidth(sag_model_bench *bench, double supply_v)
{
    const sag_opamp_model *model = bench->model;
    double found, level_vpk = (double)NAN, ranges = 0;
    sag_status status = sag_bench_power_bandwidth(bench, supply_v, &found, &level_vpk, &ranges);
    double expected = fmin(model->slew_rise, model->slew_fall) / (2 * M_PI * level_vpk);
    sag_bench_figure figure =
        around(SAG_BENCH_POWER_BANDWIDTH, "slew_rate", supply_v, found, expected, 0, 0);
    figure.level_vpk = level_vpk;
    figure.least = POWER_LEAST * expected;
    figure.most = POWER_MOST * expected;
    figure.why = ranges < SAG_BENCH_POWER_RANGES ? soft_slew : NULL;
    return add(bench, figure, status);
}

/* What is 0 when it is left out. */
static sag_status add_small(sag_model_bench *bench, sag_bench_kind kind, const char *path,
                            double supply_v, double sheet, measure measured)
{
    double found;
    sag_status status = measured(bench, supply_v, &found);
    return add(
        bench,
        around(kind, path, supply_v, found, fabs(sheet) > 0 ? sheet : (double)NAN, WITHIN, 0),
        status);
}

static sag_status run_kind(sag_model_bench *bench, sag_bench_kind kind, double supply_v)
{
    const sag_opamp_model *model = bench->model;
    switch (kind) {
    case SAG_BENCH_GAIN_BANDWIDTH:
        return add_against(bench, kind, "gain_bandwidth", model->gain_bandwidth_hz,
                           sag_bench_gain_bandwidth);
    case SAG_BENCH_PHASE_MARGIN:
        return add_phase_margin(bench, supply_v);
    case SAG_BENCH_SLEW_RISE:
        return add_against(bench, kind, "slew_rate.rise", model->slew_rise, slew_rise);
    case SAG_BENCH_SLEW_FALL:
        return add_against(bench, kind, "slew_rate.fall", model->slew_fall, slew_fall);
    case SAG_BENCH_OPEN_LOOP_GAIN:
        return add_dc_gain(bench, supply_v);
    case SAG_BENCH_DROP_HIGH:
    case SAG_BENCH_DROP_LOW:
        return add_drops(bench, kind == SAG_BENCH_DROP_HIGH);
    case SAG_BENCH_SHORT_SOURCE:
    case SAG_BENCH_SHORT_SINK:
        return add_short(bench, kind == SAG_BENCH_SHORT_SOURCE);
    case SAG_BENCH_SUPPLY_CURRENT:
        return add_against(bench, kind, "supply_current", model->supply_current_a,
                           sag_model_bench_supply_a);
    case SAG_BENCH_TRACKING:
        return add_window(bench, supply_v);
    case SAG_BENCH_REVERSES_LOW:
        return add_reversal(bench, supply_v);
    case SAG_BENCH_POWER_BANDWIDTH:
        return add_power_bandwidth(bench, supply_v);
    case SAG_BENCH_OFFSET:
        return add_small(bench, kind, "input.offset", supply_v, model->offset_v, sag_bench_offset);
    case SAG_BENCH_BIAS_CURRENT:
        return add_small(bench, kind, "input.bias_current", supply_v, model->bias_a,
                         sag_bench_bias_current);
    default: /* comes with the kind before it */
        return SAG_OK;
    }
}

sag_status sag_model_bench_run(sag_model_bench *bench, sag_progress progress, void *context)
{
    double supply_v = sag_model_bench_supply_v(bench->model);
    bench->count = 0;
    for (int kind = 0; kind < SAG_BENCH_KINDS; kind++) {
        if (progress && progress(context, (size_t)kind, SAG_BENCH_KINDS)) {
            return SAG_CANCELLED;
        }
        TRY(run_kind(bench, (sag_bench_kind)kind, supply_v));
    }
    return SAG_OK;
}

const sag_bench_figure *sag_model_bench_figures(const sag_model_bench *bench, size_t *count)
{
    *count = bench->count;
    return bench->figures;
}
