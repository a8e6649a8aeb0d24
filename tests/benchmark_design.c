/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Designs for the benchmark, opened at their supplies. */
#include "benchmark.h"

#include "railsag.h"

#include <math.h>
#include <string.h>

const double bench_supplies_v[BENCH_SUPPLIES] = {18, 9, 7, 5, 3};

double bench_seconds(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

const char *bench_base_name(const char *file)
{
    const char *name = strrchr(file, '/');
    return name ? name + 1 : file;
}

void bench_frequencies(double *frequency_hz, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        frequency_hz[i] = 20 * pow(1000, (double)i / (double)(count - 1));
    }
}

static sag_status open_at(bench_design *d, const char *text, size_t length, const char *file,
                          const double *supply_v, size_t count, sag_report *report)
{
    const char *folders[] = {RAILSAG_SOURCE_DIR "/models"};
    sag_model_path path = {folders, 1};
    TRY(sag_design_read(text, length, file, &path, &d->design, report));
    for (; d->count < count; d->count++) {
        sag_conditions conditions = sag_conditions_defaults(d->design);
        conditions.supply_v = supply_v[d->count];
        TRY(sag_network_new(d->design, &conditions, &d->network[d->count], report));
        TRY(sag_bias_new(d->network[d->count], &d->bias[d->count], report));
    }
    return SAG_OK;
}

/* text NULL: the file is loaded */
static sag_status open_design(bench_design *d, const char *text, const char *file,
                              const double *supply_v, size_t count)
{
    sag_report *report = NULL;
    char *loaded = NULL;
    size_t length = text ? strlen(text) : 0;
    memset(d, 0, sizeof *d);
    sag_status status = sag_report_new(&report);
    if (status == SAG_OK && !text) {
        status = sag_json_load(file, &loaded, &length, report);
    }
    if (status == SAG_OK) {
        status = open_at(d, text ? text : loaded, length, file, supply_v, count, report);
    }
    for (size_t i = 0; report && i < sag_report_count(report); i++) {
        const sag_finding *finding = sag_report_get(report, i);
        if (finding->severity == SAG_ERROR) {
            fprintf(stderr, "%s: %s\n", bench_base_name(file), finding->text);
        }
    }
    sag_free(loaded);
    sag_report_free(report);
    return status;
}

sag_status bench_open_file(bench_design *d, const char *file, const double *supply_v, size_t count)
{
    return open_design(d, NULL, file, supply_v, count);
}

sag_status bench_open_text(bench_design *d, const char *text, const double *supply_v, size_t count)
{
    return open_design(d, text, "benchmark", supply_v, count);
}

void bench_close(bench_design *d)
{
    for (size_t i = 0; i < BENCH_SUPPLIES; i++) {
        sag_bias_free(d->bias[i]);
        sag_network_free(d->network[i]);
    }
    sag_design_free(d->design);
}
