/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "design_check.h"
#include "memory.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define MAX_HINTS 20 /* nearest spellings looked for: comparing words is the slow part */

void sag_check_error(sag_check *c, sag_place place, const char *hint, const char *format, ...)
{
    char text[512];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    sag_report_at(c->report, SAG_ERROR, place, hint, "%s", text);
    c->errors++;
}

sag_place sag_check_place(sag_check *c, int line, const char *of, const char *name)
{
    snprintf(c->path, sizeof c->path, "%s%s%s", of, *name ? "." : "", name);
    return (sag_place){.file = c->option ? c->option : c->design->file,
                       .line = c->option ? 0 : line,
                       .path = c->path};
}

sag_place sag_check_place_of(sag_check *c, const sag_part *part)
{
    return sag_check_place(c, part->line, "parts", part->designator);
}

/* The first use of a node. */
sag_place sag_check_place_of_node(sag_check *c, int node)
{
    const sag_design *design = c->design;
    const sag_supply *supply = &design->supply;
    for (size_t i = 0; i < design->part_count; i++) {
        for (int pin = 0; pin < design->parts[i].pin_count; pin++) {
            if (design->parts[i].node[pin] == node) {
                return sag_check_place_of(c, &design->parts[i]);
            }
        }
    }
    for (size_t i = 0; i < design->input_count; i++) {
        if (design->inputs[i].node == node) {
            return sag_check_place(c, design->inputs[i].line,
                                   design->input_count > 1 ? "inputs" : "input", "");
        }
    }
    if (design->output == node) {
        return sag_check_place(c, design->output_line, "output", "node");
    }
    return sag_check_place(c, supply->line, "supply",
                           supply->positive == node   ? "positive"
                           : supply->negative == node ? "negative"
                                                      : "middle");
}

/* Adds a word to a list in `list` (SAG_CHECK_LIST_SIZE bytes) of `count` words; beyond its size it
 * says how many more. */
void sag_check_list_word(char *list, size_t *count, size_t total, const char *word)
{
    size_t used = strlen(list);
    size_t left = total - *count;
    if (used + strlen(word) + 24 < SAG_CHECK_LIST_SIZE) {
        const char *comma = *count == 0 ? "" : left == 1 ? " and " : ", ";
        snprintf(list + used, SAG_CHECK_LIST_SIZE - used, "%s%s", comma, word);
        (*count)++;
    } else if (used && list[used - 1] != ')') {
        snprintf(list + used, SAG_CHECK_LIST_SIZE - used, " (%zu more)", left);
    }
}

/* "R1, C2 and U1A": the parts on a node. */
void sag_check_list_parts(const sag_check *c, int node, char *list)
{
    const sag_design *design = c->design;
    size_t total = 0, count = 0;
    list[0] = '\0';
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < design->part_count; i++) {
            const sag_part *part = &design->parts[i];
            int on = 0;
            for (int pin = 0; pin < part->pin_count; pin++) {
                on |= part->node[pin] == node;
            }
            if (on && pass == 0) {
                total++;
            } else if (on) {
                sag_check_list_word(list, &count, total, part->designator);
            }
        }
    }
    if (total == 0) {
        snprintf(list, SAG_CHECK_LIST_SIZE, "no part");
    }
}

/* What does not depend on the settings. */

static void count_uses(sag_check *c)
{
    const sag_design *design = c->design;
    for (size_t i = 0; i < design->part_count; i++) {
        for (int pin = 0; pin < design->parts[i].pin_count; pin++) {
            if (design->parts[i].node[pin] >= 0) {
                c->uses[design->parts[i].node[pin]]++;
            }
        }
    }
    c->uses[design->supply.positive]++;
    c->uses[design->supply.negative]++;
    if (design->supply.middle >= 0) {
        c->uses[design->supply.middle]++;
    }
}

static void check_nodes(sag_check *c)
{
    const sag_design *design = c->design;
    const char *words[SAG_MAX_NODES];
    char hint[SAG_HINT_SIZE];
    count_uses(c);
    if (c->uses[SAG_GROUND] == 0) {
        sag_check_error(
            c, sag_check_place(c, design->supply.line, "supply", ""),
            "call the reference node ground, most often the negative end of the battery",
            "nothing is connected to ground");
    }
    for (size_t i = 0; i < design->input_count; i++) {
        c->uses[design->inputs[i].node]++;
    }
    c->uses[design->output]++;
    for (size_t i = 1; i < design->node_count; i++) {
        if (c->uses[i] != 1) {
            continue;
        }
        size_t count = 0;
        for (size_t k = 0; k < design->node_count; k++) {
            if (k != i) {
                words[count++] = design->nodes[k];
            }
        }
        sag_check_error(c, sag_check_place_of_node(c, (int)i),
                        c->hints++ < MAX_HINTS ? sag_read_hint(hint, design->nodes[i], words, count,
                                                               "connect it, or leave the part out")
                                               : NULL,
                        "the node \"%s\" is used only once", design->nodes[i]);
    }
    for (size_t i = 1; i < design->node_count; i++) {
        for (size_t k = 1; k < i; k++) {
            if (sag_same_word(design->nodes[i], design->nodes[k])) {
                sag_report_on(c->report, SAG_WARNING, design->nodes[i],
                              "case counts in node names; write both alike if one node is meant",
                              "there is a node \"%s\" and a node \"%s\"", design->nodes[k],
                              design->nodes[i]);
            }
        }
    }
}

static void check_controls(sag_check *c)
{
    const sag_design *design = c->design;
    const char *used[SAG_MAX_CONTROLS];
    char hint[SAG_HINT_SIZE], moves[SAG_MAX_CONTROLS] = {0};
    size_t used_count = 0;
    for (size_t i = 0; i < design->part_count; i++) {
        if (design->parts[i].control >= 0) {
            moves[design->parts[i].control] = 1;
        }
    }
    for (size_t i = 0; i < design->control_count; i++) {
        if (moves[i]) {
            used[used_count++] = design->controls[i].name;
        }
    }
    for (size_t i = 0; i < design->control_count; i++) {
        const sag_control *control = &design->controls[i];
        if (!moves[i]) {
            sag_check_error(
                c, sag_check_place(c, control->line, "controls", control->name),
                sag_read_hint(hint, control->name, used, used_count,
                              "name it at a pot or a switch, as \"control\", or leave it out"),
                "the control \"%s\" moves no pot and no switch", control->name);
        }
    }
}

static void check_pins(sag_check *c)
{
    const sag_design *design = c->design;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        const int *node = part->node;
        if (part->pin_count == 2 && part->kind != SAG_SWITCH && node[0] == node[1]) {
            sag_check_error(
                c, sag_check_place_of(c, part), "connect it between two nodes, or leave it out",
                "both pins of %s are on the node \"%s\"", part->designator, design->nodes[node[0]]);
        }
        if (part->kind == SAG_POT && node[0] == node[1] && node[1] == node[2]) {
            sag_check_error(
                c, sag_check_place_of(c, part), "connect it between two nodes, or leave it out",
                "all lugs of %s are on the node \"%s\"", part->designator, design->nodes[node[0]]);
        }
        if (part->kind != SAG_OPAMP) {
            continue;
        }
        if (node[SAG_PIN_RAIL_POSITIVE] == node[SAG_PIN_RAIL_NEGATIVE]) {
            sag_check_error(c, sag_check_place_of(c, part),
                            "write the positive rail, then the negative one",
                            "both rails of %s are on the node \"%s\"", part->designator,
                            design->nodes[node[SAG_PIN_RAIL_POSITIVE]]);
        }
        for (size_t k = 0; k < i; k++) {
            const sag_part *other = &design->parts[k];
            if (other->kind == SAG_OPAMP && other->node[SAG_PIN_OUT] == node[SAG_PIN_OUT]) {
                sag_report_on(c->report, SAG_WARNING, part->designator,
                              "put a resistor behind each output",
                              "its output and that of %s drive the same node", other->designator);
            }
        }
    }
}

static void check_packages(sag_check *c)
{
    const sag_design *design = c->design;
    for (size_t i = 0; i < design->package_count; i++) {
        const sag_package *package = &design->packages[i];
        if (!package->model) {
            continue; /* its model has errors of its own */
        }
        int unused = package->model->amplifiers - package->used;
        for (size_t k = 0; k < design->part_count && unused < 0; k++) {
            if (design->parts[k].package == (int)i && design->parts[k].kind == SAG_OPAMP) {
                sag_check_error(c, sag_check_place_of(c, &design->parts[k]),
                                "put the rest into a further package, as U2A; a model file that "
                                "says no \"amplifiers\" has one",
                                "%s uses %d amplifiers, but %s has %d", package->name,
                                package->used, package->model->head.name,
                                package->model->amplifiers);
                break;
            }
        }
    }
}

static int allocate(sag_check *c)
{
    const sag_design *design = c->design;
    c->uses = sag_new(design->node_count, sizeof *c->uses);
    c->parent = sag_new(design->node_count, sizeof *c->parent);
    c->from = sag_new(design->node_count, sizeof *c->from);
    c->queue = sag_new(design->node_count, sizeof *c->queue);
    c->links = sag_new(sag_wiring_link_room(design), sizeof *c->links);
    c->tree = sag_new(design->node_count, sizeof *c->tree);
    c->settings = sag_new(design->control_count, sizeof *c->settings);
    c->movers = sag_new(design->control_count + 1, sizeof *c->movers);
    c->node_reported = sag_new(design->node_count, 1);
    c->piezo_reported = sag_new(design->node_count, 1);
    c->loop_reported = sag_new(design->part_count + 2, 1);
    c->output_reported = sag_new(design->part_count, 1);
    return c->uses && c->parent && c->from && c->queue && c->links && c->tree && c->settings &&
           c->movers && c->node_reported && c->piezo_reported && c->loop_reported &&
           c->output_reported;
}

static void clear(sag_check *c)
{
    void *const blocks[] = {c->uses,           c->parent,        c->from,
                            c->queue,          c->links,         c->tree,
                            c->settings,       c->movers,        c->node_reported,
                            c->piezo_reported, c->loop_reported, c->output_reported};
    for (size_t i = 0; i < sizeof blocks / sizeof *blocks; i++) {
        sag_free(blocks[i]);
    }
}

sag_status sag_design_check_option(const sag_design *design, const char *option, sag_report *report)
{
    sag_check c = {.design = design, .option = option, .report = report};
    sag_status status = SAG_NO_MEMORY;
    if (allocate(&c)) {
        for (size_t i = 0; i < design->control_count; i++) {
            c.settings[i] = design->controls[i].setting;
        }
        check_nodes(&c);
        check_controls(&c);
        check_pins(&c);
        check_packages(&c);
        sag_check_settings(&c);
        status = c.errors ? SAG_BAD_INPUT : SAG_OK;
    }
    clear(&c);
    return status;
}

sag_status sag_design_check(const sag_design *design, sag_report *report)
{
    return sag_design_check_option(design, NULL, report);
}
