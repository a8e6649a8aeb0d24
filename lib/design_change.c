/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Changes from the command line: "R7=22k", "U1A,U1B=tl062", "supply.battery=6f22". */
#include "design_private.h"
#include "memory.h"

#include <stdio.h>
#include <string.h>

#define MAX_TARGETS 64

typedef struct {
    sag_design *design;
    sag_report *report;
    sag_place place;
    char shown[SAG_EXCERPT_SIZE]; /* the option's text, for findings */
    const char *value;
    char value_shown[SAG_EXCERPT_SIZE];
} change;

/* What a change may touch, kept to be put back. */
typedef struct {
    sag_part *parts;
    sag_package *packages;
    sag_supply supply;
} kept_values;

static int keep_values(kept_values *kept, const sag_design *design)
{
    kept->parts = sag_new(design->part_count, sizeof *kept->parts);
    kept->packages = sag_new(design->package_count, sizeof *kept->packages);
    if (!kept->parts || !kept->packages) {
        return 0;
    }
    if (design->part_count) {
        memcpy(kept->parts, design->parts, design->part_count * sizeof *kept->parts);
    }
    if (design->package_count) {
        memcpy(kept->packages, design->packages, design->package_count * sizeof *kept->packages);
    }
    kept->supply = design->supply;
    return 1;
}

static void put_back(const kept_values *kept, sag_design *design)
{
    if (design->part_count) {
        memcpy(design->parts, kept->parts, design->part_count * sizeof *kept->parts);
    }
    if (design->package_count) {
        memcpy(design->packages, kept->packages, design->package_count * sizeof *kept->packages);
    }
    design->supply = kept->supply;
}

static sag_status report_unknown(const change *c, const char *name)
{
    const sag_design *design = c->design;
    char hint[SAG_HINT_SIZE];
    size_t count = 0, room = design->part_count + design->package_count + 2;
    const char **words = sag_new(room, sizeof *words);
    if (!words) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        words[count++] = design->parts[i].designator;
    }
    for (size_t i = 0; i < design->package_count; i++) {
        words[count++] = design->packages[i].name;
    }
    words[count++] = "supply.battery";
    words[count++] = "supply.resistance";
    sag_report_at(c->report, SAG_ERROR, c->place,
                  sag_read_hint(hint, name, words, count,
                                "write a designator of the design, supply.battery or "
                                "supply.resistance"),
                  "there is no part \"%s\"", name);
    sag_free(words);
    return SAG_BAD_INPUT;
}

/* A quantity within a range, or a finding. */
static sag_status read_quantity(const change *c, sag_part_range range, double *out)
{
    char problem[SAG_PROBLEM_SIZE], low[32], high[32];
    double value;
    if (sag_value_read(c->value, strlen(c->value), range.unit, &value, problem) != SAG_OK) {
        sag_report_at(c->report, SAG_ERROR, c->place, NULL, "%s", problem);
        return SAG_BAD_INPUT;
    }
    if (!(value >= range.low && value <= range.high)) {
        sag_report_at(c->report, SAG_ERROR, c->place,
                      value > range.high ? sag_value_bare_hint(problem, c->value, range.unit)
                                         : NULL,
                      "\"%s\" is out of range: from %s to %s is accepted", c->value_shown,
                      sag_value_print(low, sizeof low, range.low, range.unit, 3),
                      sag_value_print(high, sizeof high, range.high, range.unit, 3));
        return SAG_BAD_INPUT;
    }
    *out = value;
    return SAG_OK;
}

static sag_status change_value(const change *c, sag_part *part)
{
    sag_part_range range;
    char text[SAG_HINT_SIZE], hint[SAG_HINT_SIZE];
    if (!sag_part_value_range(part->kind, &range)) {
        sag_report_at(c->report, SAG_ERROR, c->place, "set its control instead",
                      "%s is a switch and has no value", part->designator);
        return SAG_BAD_INPUT;
    }
    TRY(read_quantity(c, range, &part->value));
    if (part->kind == SAG_POT && 2 * part->end_ohm >= part->value) {
        sag_report_at(c->report, SAG_ERROR, c->place, NULL,
                      "%s has an end resistance of %g ohm, which is half of \"%s\" or more",
                      part->designator, part->end_ohm, c->value_shown);
        return SAG_BAD_INPUT;
    }
    if (sag_part_value_unusual(part->kind, part->value, text, hint)) {
        sag_report_at(c->report, SAG_WARNING, c->place, hint, "%s", text);
    }
    return SAG_OK;
}

/* targets: the designators named, to tell a half that was not named. */
static sag_status change_package(const change *c, int index, char *const *targets, size_t count)
{
    sag_design *design = c->design;
    sag_package *package = &design->packages[index];
    const sag_opamp_model *model;
    TRY(sag_model_opamp(design->library, c->value, design->folder, c->place, &model, c->report));
    package->model = model;
    for (size_t i = 0; i < design->part_count; i++) {
        sag_part *part = &design->parts[i];
        if (part->kind != SAG_OPAMP || part->package != index) {
            continue;
        }
        part->opamp = model;
        int named = 0;
        for (size_t k = 0; k < count; k++) {
            named |= sag_same_word(targets[k], part->designator) ||
                     sag_same_word(targets[k], package->name);
        }
        if (!named) {
            sag_report_on(c->report, SAG_NOTE, package->name, NULL,
                          "%s changes to %s as well: it is in the same package", part->designator,
                          model->head.name);
        }
    }
    return SAG_OK;
}

static sag_status change_battery(const change *c)
{
    sag_supply *supply = &c->design->supply;
    if (sag_same_word(c->value, "none")) {
        supply->battery = NULL;
        return SAG_OK;
    }
    return sag_model_battery(c->design->library, c->value, c->design->folder, c->place,
                             &supply->battery, c->report);
}

static sag_status change_target(const change *c, char *const *targets, size_t count, size_t at)
{
    const sag_part_range resistance = {.unit = SAG_OHM, .low = 0, .high = 1e6};
    sag_design *design = c->design;
    const char *name = targets[at];
    if (sag_same_word(name, "supply.battery")) {
        return change_battery(c);
    }
    if (sag_same_word(name, "supply.resistance")) {
        return read_quantity(c, resistance, &design->supply.resistance_ohm);
    }
    for (size_t i = 0; i < design->package_count; i++) {
        if (sag_same_word(design->packages[i].name, name)) {
            return change_package(c, (int)i, targets, count);
        }
    }
    for (size_t i = 0; i < design->part_count; i++) {
        sag_part *part = &design->parts[i];
        if (!sag_same_word(part->designator, name)) {
            continue;
        }
        if (part->kind == SAG_OPAMP) {
            return change_package(c, part->package, targets, count);
        }
        if (part->kind == SAG_DIODE) {
            return sag_model_diode(design->library, c->value, design->folder, c->place,
                                   &part->diode, c->report);
        }
        return change_value(c, part);
    }
    return report_unknown(c, name);
}

/* Splits names at its commas, in place; spaces around a name do not count. Returns how many, 0 when
 * there are too many or one is empty. */
static size_t split(char *names, char **targets)
{
    size_t count = 0;
    for (char *next = names; next;) {
        char *name = next, *comma = strchr(next, ',');
        next = comma ? comma + 1 : NULL;
        if (comma) {
            *comma = '\0';
        }
        while (*name == ' ') {
            name++;
        }
        size_t length = strlen(name);
        while (length && name[length - 1] == ' ') {
            name[--length] = '\0';
        }
        if (length == 0 || length > SAG_NAME_MAX || count == MAX_TARGETS) {
            return 0;
        }
        targets[count++] = name;
    }
    return count;
}

static sag_status change_all(const change *c, char *const *targets, size_t count)
{
    sag_status status = SAG_OK;
    for (size_t i = 0; i < count && status != SAG_NO_MEMORY; i++) {
        sag_status one = change_target(c, targets, count, i);
        status = one == SAG_OK ? status : one;
    }
    return status == SAG_OK ? sag_design_check_option(c->design, c->shown, c->report) : status;
}

sag_status sag_design_change(sag_design *design, const char *assignment, sag_report *report)
{
    change c = {.design = design, .report = report};
    kept_values kept = {0};
    char *targets[MAX_TARGETS];
    const char *equals = strchr(assignment, '=');
    c.place.file = sag_read_excerpt(c.shown, assignment);
    char *names = sag_copy_text(assignment, equals ? (size_t)(equals - assignment) : 0);
    sag_status status = SAG_NO_MEMORY;
    if (!names || !keep_values(&kept, design)) {
        goto done;
    }
    c.value = equals ? equals + 1 : "";
    while (*c.value == ' ') {
        c.value++;
    }
    sag_read_excerpt(c.value_shown, c.value);
    const char *comma = strchr(c.value, ',');
    if (comma && strchr(comma, '=')) {
        sag_report_at(report, SAG_ERROR, c.place, "write each after a --change of its own",
                      "these are several changes in one");
        status = SAG_BAD_INPUT;
        goto done;
    }
    size_t count = split(names, targets);
    if (count == 0 || *c.value == '\0') {
        sag_report_at(report, SAG_ERROR, c.place,
                      "write parts and what they become, as in R7=22k or U1A,U1B=tl062",
                      "this changes nothing");
        status = SAG_BAD_INPUT;
        goto done;
    }
    status = change_all(&c, targets, count);
    if (status != SAG_OK) {
        put_back(&kept, design);
    }
done:
    sag_free(kept.parts);
    sag_free(kept.packages);
    sag_free(names);
    return status;
}
