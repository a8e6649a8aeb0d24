/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What depends on the settings of switches and pots: loops, outputs that are held, DC paths. */
#include "design_check.h"

#include <stdio.h>
#include <string.h>

/* All settings together up to this number (six switches of three throws); above, one control at a
 * time. */
#define MAX_SETTINGS 729

/* " with mid at throw 2 and bass at 100 %" for the controls that move one of the marked parts; ""
 * for none. */
static void describe_settings(const sag_check *c, const char *marked_controls, char *text)
{
    const sag_design *design = c->design;
    size_t count = 0, total = 0;
    text[0] = '\0';
    for (size_t i = 0; i < design->control_count; i++) {
        total += marked_controls[i] != 0;
    }
    if (total) {
        memcpy(text, " with ", sizeof " with ");
    }
    for (size_t i = 0; i < design->control_count; i++) {
        char word[SAG_NAME_MAX + 32];
        const sag_control *control = &design->controls[i];
        if (!marked_controls[i]) {
            continue;
        }
        if (control->is_switch) {
            snprintf(word, sizeof word, "%s at throw %.0f", control->name, c->settings[i]);
        } else {
            snprintf(word, sizeof word, "%s at %.0f %%", control->name, 100 * c->settings[i]);
        }
        sag_check_list_word(text, &count, total, word);
    }
}

/* The links of the tree from a to b, from[node] being the link that led there. */
static void search_tree(sag_check *c, size_t tree_count, int a, int b)
{
    size_t head = 0, tail = 0;
    for (size_t i = 0; i < c->design->node_count; i++) {
        c->from[i] = -1;
    }
    c->queue[tail++] = a;
    while (head < tail && c->from[b] < 0) {
        int node = c->queue[head++];
        for (size_t i = 0; i < tree_count; i++) {
            const sag_link *link = &c->tree[i];
            int next = link->a == node ? link->b : link->b == node ? link->a : -1;
            if (next >= 0 && next != a && c->from[next] < 0) {
                c->from[next] = (int)i;
                c->queue[tail++] = next;
            }
        }
    }
}

static const char *link_name(const sag_check *c, const sag_link *link)
{
    if (link->part >= 0) {
        return c->design->parts[link->part].designator;
    }
    return link->part == SAG_LINK_SUPPLY ? "the supply" : "the input's source";
}

static void mark_control(const sag_check *c, const sag_link *link, char *controls)
{
    if (link->part >= 0 && c->design->parts[link->part].control >= 0) {
        controls[c->design->parts[link->part].control] = 1;
    }
}

static void report_loop(sag_check *c, const sag_link *closing, size_t tree_count)
{
    char list[SAG_CHECK_LIST_SIZE] = "", settings[SAG_CHECK_LIST_SIZE],
         controls[SAG_MAX_CONTROLS] = {0};
    size_t total = 1, count = 0;
    const sag_design *design = c->design;
    sag_place place =
        closing->part >= 0
            ? sag_check_place_of(c, &design->parts[closing->part])
            : sag_check_place(c, design->supply.line,
                              closing->part == SAG_LINK_SUPPLY ? "supply" : "input", "");
    search_tree(c, tree_count, closing->a, closing->b);
    for (int pass = 0; pass < 2; pass++) {
        int node = closing->b;
        if (pass == 1) {
            sag_check_list_word(list, &count, total, link_name(c, closing));
            mark_control(c, closing, controls);
        }
        while (node != closing->a) {
            const sag_link *link = &c->tree[c->from[node]];
            if (pass == 0) {
                total++;
            } else {
                sag_check_list_word(list, &count, total, link_name(c, link));
                mark_control(c, link, controls);
            }
            node = link->a == node ? link->b : link->a;
        }
    }
    describe_settings(c, controls, settings);
    sag_check_error(c, place, "give one of them a resistance",
                    "%s form%s a loop without resistance%s", list, total == 1 ? "s" : "", settings);
}

static void check_loops(sag_check *c, size_t link_count)
{
    size_t tree_count = 0, part_count = c->design->part_count;
    sag_sets_clear(c->parent, c->design->node_count);
    for (size_t i = 0; i < link_count; i++) {
        const sag_link *link = &c->links[i];
        if (link->a == link->b) {
            continue; /* reported as such */
        }
        if (sag_sets_join(c->parent, link->a, link->b)) {
            c->tree[tree_count++] = *link;
            continue;
        }
        size_t own =
            link->part >= 0 ? (size_t)link->part : part_count + (link->part == SAG_LINK_INPUT);
        if (!c->loop_reported[own]) {
            c->loop_reported[own] = 1;
            report_loop(c, link, tree_count);
        }
    }
}

/* Outputs may meet their load and a coil, never a node whose voltage something else holds. */
static void check_outputs(sag_check *c, size_t link_count)
{
    const sag_design *design = c->design;
    const sag_supply *supply = &design->supply;
    sag_sets_clear(c->parent, design->node_count);
    for (size_t i = 0; i < link_count; i++) {
        if (c->links[i].kind != SAG_LINK_COIL) {
            sag_sets_join(c->parent, c->links[i].a, c->links[i].b);
        }
    }
    sag_sets_join(c->parent, supply->positive, supply->negative);
    if (supply->middle >= 0) {
        sag_sets_join(c->parent, supply->middle, supply->negative);
    }
    int ground = sag_sets_find(c->parent, SAG_GROUND);
    int battery = sag_sets_find(c->parent, supply->negative);
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        if (part->kind != SAG_OPAMP || c->output_reported[i]) {
            continue;
        }
        int out = sag_sets_find(c->parent, part->node[SAG_PIN_OUT]);
        int positive = part->node[SAG_PIN_RAIL_POSITIVE];
        int negative = part->node[SAG_PIN_RAIL_NEGATIVE];
        if (out == ground || out == battery || out == sag_sets_find(c->parent, positive) ||
            out == sag_sets_find(c->parent, negative)) {
            int node = part->node[SAG_PIN_OUT];
            c->output_reported[i] = 1;
            sag_check_error(c, sag_check_place_of(c, part),
                            "put a resistor or a capacitor between them",
                            "the output of %s is tied straight to %s", part->designator,
                            node == SAG_GROUND                     ? "ground"
                            : node == positive || node == negative ? "its rail"
                                                                   : "ground, a rail or a source");
        }
    }
}

/* The switches on the nodes of a set. */
static void mark_switches(sag_check *c, int root, char *controls)
{
    const sag_design *design = c->design;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        for (int pin = 0; pin < part->pin_count && part->kind == SAG_SWITCH; pin++) {
            if (part->control >= 0 && part->node[pin] >= 0 &&
                sag_sets_find(c->parent, part->node[pin]) == root) {
                controls[part->control] = 1;
            }
        }
    }
}

static void report_floating(sag_check *c, int root, int with_piezo)
{
    const sag_design *design = c->design;
    char parts[SAG_CHECK_LIST_SIZE], settings[SAG_CHECK_LIST_SIZE],
        more[48] = "", controls[SAG_MAX_CONTROLS] = {0};
    char *reported = with_piezo ? c->node_reported : c->piezo_reported;
    size_t others = 0;
    int used_once = 0;
    for (size_t i = 0; i < design->node_count; i++) {
        if (sag_sets_find(c->parent, (int)i) == root) {
            reported[i] = 1;
            others += i != (size_t)root;
            used_once |= c->uses[i] == 1;
        }
    }
    if (used_once) {
        return; /* a slip that was reported, and most likely the cause */
    }
    if (others) {
        snprintf(more, sizeof more, " (and %zu more node%s with it)", others,
                 others == 1 ? "" : "s");
    }
    sag_check_list_parts(c, root, parts);
    mark_switches(c, root, controls);
    describe_settings(c, controls, settings);
    if (with_piezo) {
        sag_check_error(c, sag_check_place_of_node(c, root),
                        "give it one, for example a resistor of 1M to ground or to the bias node; "
                        "capacitors, op-amp inputs and diodes are none",
                        "the node \"%s\", on %s, has no DC path to ground%s%s", design->nodes[root],
                        parts, settings, more);
    } else {
        sag_report_on(
            c->report, SAG_WARNING, design->nodes[root],
            "add a resistor to ground or to the bias node, for example 1M",
            "with the pickup drive the node has no DC path to ground%s%s: a piezo is none",
            settings, more);
    }
}

static void check_dc_paths(sag_check *c, int with_piezo)
{
    const sag_design *design = c->design;
    const char *reported = with_piezo ? c->node_reported : c->piezo_reported;
    sag_wiring wiring = {design, c->settings};
    sag_sets_clear(c->parent, design->node_count);
    sag_wiring_join_dc(&wiring, with_piezo, c->parent);
    for (size_t i = 1; i < design->node_count; i++) {
        int is_root = sag_sets_find(c->parent, (int)i) == (int)i;
        /* what floats on the bench drive too is an error already */
        if (is_root && !reported[i] && !c->node_reported[i]) {
            report_floating(c, (int)i, with_piezo);
        }
    }
}

static void check_setting(sag_check *c)
{
    sag_wiring wiring = {c->design, c->settings};
    size_t link_count = sag_wiring_links(&wiring, c->links);
    check_loops(c, link_count);
    check_outputs(c, link_count);
    if (c->uses[SAG_GROUND] == 0) {
        return; /* every node would be without a path to it */
    }
    check_dc_paths(c, 1);
    check_dc_paths(c, 0);
}

/* Throws connect; and so does a wiper at an end without resistance. Settings between the two ends
 * connect no more than one of the ends does, as every taper rises from 0 to 1 and is flat, if at
 * all, next to 0. */
static void find_movers(sag_check *c)
{
    const sag_design *design = c->design;
    for (size_t i = 0; i < design->control_count; i++) {
        const sag_control *control = &design->controls[i];
        sag_mover *next = &c->movers[c->mover_count];
        int ends = 0;
        *next = (sag_mover){.control = i};
        for (size_t k = 0; k < design->part_count; k++) {
            const sag_part *part = &design->parts[k];
            ends |= part->kind == SAG_POT && part->control == (int)i && part->end_ohm <= 0;
        }
        if (control->is_switch) {
            next->count = control->throw_count;
            for (int t = 0; t < control->throw_count; t++) {
                next->positions[t] = t + 1;
            }
        } else if (ends) {
            next->count = 2;
            next->positions[1] = 1;
        }
        c->mover_count += next->count > 0;
    }
}

void sag_check_settings(sag_check *c)
{
    int at[SAG_MAX_CONTROLS] = {0};
    size_t total = 1;
    find_movers(c);
    for (size_t i = 0; i < c->mover_count && total <= MAX_SETTINGS; i++) {
        total *= (size_t)c->movers[i].count;
    }
    if (total > MAX_SETTINGS) {
        check_setting(c);
        for (size_t i = 0; i < c->mover_count; i++) {
            const sag_mover *m = &c->movers[i];
            double own = c->settings[m->control];
            for (int k = 0; k < m->count; k++) {
                c->settings[m->control] = m->positions[k];
                check_setting(c);
            }
            c->settings[m->control] = own;
        }
        return;
    }
    for (size_t n = 0; n < total; n++) {
        size_t rest = n;
        for (size_t i = 0; i < c->mover_count; i++) {
            const sag_mover *m = &c->movers[i];
            at[i] = (int)(rest % (size_t)m->count);
            rest /= (size_t)m->count;
            c->settings[m->control] = m->positions[at[i]];
        }
        check_setting(c);
    }
}
