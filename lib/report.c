/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report.h"

#include "memory.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct sag_report {
    sag_finding *findings;
    size_t count, capacity;
    size_t lost;
};

sag_status sag_report_new(sag_report **out)
{
    *out = sag_new(1, sizeof **out);
    return *out ? SAG_OK : SAG_NO_MEMORY;
}

static void free_texts(sag_finding *finding)
{
    sag_free((void *)finding->place.file);
    sag_free((void *)finding->place.path);
    sag_free((void *)finding->where);
    sag_free((void *)finding->text);
    sag_free((void *)finding->hint);
}

void sag_report_free(sag_report *report)
{
    if (!report) {
        return;
    }
    for (size_t i = 0; i < report->count; i++) {
        free_texts(&report->findings[i]);
    }
    sag_free(report->findings);
    sag_free(report);
}

/* Copies text into *copy; NULL stays NULL. Returns 0 when memory is short. */
static int keep(const char **copy, const char *text)
{
    *copy = text ? sag_copy_text(text, strlen(text)) : NULL;
    return !text || *copy;
}

static void add(sag_report *report, const sag_finding *from)
{
    sag_finding kept = {.severity = from->severity, .place = {.line = from->place.line}};
    if (!sag_grow((void **)&report->findings, &report->capacity, report->count + 1, sizeof kept) ||
        !keep(&kept.place.file, from->place.file) || !keep(&kept.place.path, from->place.path) ||
        !keep(&kept.where, from->where) || !keep(&kept.text, from->text) ||
        !keep(&kept.hint, from->hint)) {
        free_texts(&kept);
        report->lost++;
        return;
    }
    report->findings[report->count++] = kept;
}

void sag_report_at(sag_report *report, sag_severity severity, sag_place place, const char *hint,
                   const char *format, ...)
{
    if (!report) {
        return;
    }
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    add(report, &(sag_finding){.severity = severity, .place = place, .text = text, .hint = hint});
}

void sag_report_on(sag_report *report, sag_severity severity, const char *where, const char *hint,
                   const char *format, ...)
{
    if (!report) {
        return;
    }
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    for (size_t i = 0; i < report->count; i++) {
        const sag_finding *seen = &report->findings[i];
        if (seen->where && where && !strcmp(seen->where, where) && !strcmp(seen->text, text)) {
            return;
        }
    }
    add(report, &(sag_finding){.severity = severity, .where = where, .text = text, .hint = hint});
}

size_t sag_report_count(const sag_report *report)
{
    return report ? report->count : 0;
}

size_t sag_report_count_of(const sag_report *report, sag_severity severity)
{
    size_t count = 0;
    for (size_t i = 0; i < sag_report_count(report); i++) {
        count += report->findings[i].severity == severity;
    }
    return count;
}

const sag_finding *sag_report_get(const sag_report *report, size_t index)
{
    return &report->findings[index];
}

size_t sag_report_lost(const sag_report *report)
{
    return report ? report->lost : 0;
}
