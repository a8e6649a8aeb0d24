/* SPDX-License-Identifier: GPL-3.0-or-later */
/* report.h - a list of findings: errors, warnings and notes, each with its place.
 *
 * The status of a call says what went wrong, the report says where and what would be right. Texts
 * are finished sentences in the trade's words; a caller only formats. A reader goes on after an
 * error and reports them all. */
#ifndef RAILSAG_REPORT_H
#define RAILSAG_REPORT_H

#include "status.h"

#include <stddef.h>

typedef enum { SAG_NOTE, SAG_WARNING, SAG_ERROR } sag_severity;

/* Where in a file a finding belongs. Strings are copied when a finding is added. */
typedef struct {
    const char *file; /* as the user named it, or NULL */
    int line;         /* from 1; 0 when it has none */
    const char *path; /* as parts.C3.capacitor, or NULL */
} sag_place;

typedef struct {
    sag_severity severity;
    sag_place place;
    const char *where; /* part and operating condition, as "U1B at 9 V"; NULL when place says it */
    const char *text;  /* one sentence: what was found */
    const char *hint;  /* what would be right or worth trying, or NULL */
} sag_finding;

typedef struct sag_report sag_report;

sag_status sag_report_new(sag_report **out); /* *out is NULL unless SAG_OK */
void sag_report_free(sag_report *report);    /* NULL is fine */

/* Add a finding about a place in a file. `format` is as for printf; hint may be NULL. report may be
 * NULL, then nothing happens. When memory is short the finding is lost, and counted as such. */
void sag_report_at(sag_report *report, sag_severity severity, sag_place place, const char *hint,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));

/* Add a finding about a part or an operating condition. A finding with the same where and text as
 * an earlier one is not added again. */
void sag_report_on(sag_report *report, sag_severity severity, const char *where, const char *hint,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));

size_t sag_report_count(const sag_report *report);
size_t sag_report_count_of(const sag_report *report, sag_severity severity);
const sag_finding *sag_report_get(const sag_report *report, size_t index); /* owned by the report */

/* Findings that could not be kept because memory was short. */
size_t sag_report_lost(const sag_report *report);

#endif
