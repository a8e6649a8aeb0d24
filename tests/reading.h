/* SPDX-License-Identifier: GPL-3.0-or-later */
/* reading.h - for the tests of the readers: good files, edited, and what is said about them. */
#ifndef RAILSAG_READING_H
#define RAILSAG_READING_H

#include "near.h"

#include "design.h"
#include "json.h"
#include "memory.h"

#include <stdio.h>
#include <string.h>

/* RAILSAG_SOURCE_DIR: the root of the checkout, as a string, set by the build. */
#define MODELS  RAILSAG_SOURCE_DIR "/tests/data/models"
#define DESIGNS RAILSAG_SOURCE_DIR "/tests/data/designs"
#define SMALL   DESIGNS "/small.json"
#define FORM    "what the file of the test data says"

static const char *const reading_folders[] = {RAILSAG_SOURCE_DIR "/tests/data/none", MODELS};
static const sag_model_path path = {reading_folders, 2};

/* The whole of a file, freed with sag_free. */
static inline char *load(const char *file)
{
    char *text = NULL;
    size_t length;
    assert_int_equal(sag_json_load(file, &text, &length, NULL), SAG_OK);
    return text;
}

/* text with the first `find`, or every one, replaced; find must be there. Frees text. */
static inline char *edit(char *text, const char *find, const char *put, int everywhere)
{
    if (!strstr(text, find)) {
        print_error("the file has no %s\n", find);
        fail();
    }
    size_t length = strlen(text), find_length = strlen(find), put_length = strlen(put), used = 0;
    char *changed = sag_new(length + length / find_length * put_length + 1, 1);
    assert_non_null(changed);
    int done = 0;
    for (size_t i = 0; i < length;) {
        if (!done && strncmp(text + i, find, find_length) == 0) {
            memcpy(changed + used, put, put_length);
            used += put_length;
            i += find_length;
            done = !everywhere;
        } else {
            changed[used++] = text[i++];
        }
    }
    sag_free(text);
    return changed;
}

/* Where a finding belongs, as far as it says. */
static inline const char *place_of(const sag_finding *finding)
{
    const char *where = finding->where ? finding->where : "";
    return finding->place.path ? finding->place.path : where;
}

static inline void print_findings(const sag_report *report)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        const sag_finding *finding = sag_report_get(report, i);
        print_error("  %s:%d %s: %s (%s)\n", finding->place.file ? finding->place.file : "-",
                    finding->place.line, place_of(finding), finding->text,
                    finding->hint ? finding->hint : "-");
    }
}

/* A finding of this severity at this place with these words in its text or hint. */
static inline int has_finding(const sag_report *report, sag_severity severity, const char *place,
                              const char *words)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        const sag_finding *finding = sag_report_get(report, i);
        if (finding->severity == severity && !strcmp(place_of(finding), place) &&
            (strstr(finding->text, words) || (finding->hint && strstr(finding->hint, words)))) {
            return 1;
        }
    }
    return 0;
}

/* The design in a text without errors, named as if it were SMALL. */
static inline sag_design *read_good(const char *text)
{
    sag_design *design = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    if (sag_design_read(text, strlen(text), SMALL, &path, &design, report) != SAG_OK) {
        print_findings(report);
        fail();
    }
    sag_report_free(report);
    return design;
}

static inline sag_design *small(void)
{
    char *text = load(SMALL);
    sag_design *design = read_good(text);
    sag_free(text);
    return design;
}

#endif
