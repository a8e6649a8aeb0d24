/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is connected with what, for one setting of the controls. */
#include "design_private.h"

void sag_sets_clear(int *parent, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        parent[i] = (int)i;
    }
}

int sag_sets_find(int *parent, int node)
{
    while (parent[node] != node) {
        parent[node] = parent[parent[node]];
        node = parent[node];
    }
    return node;
}

int sag_sets_join(int *parent, int a, int b)
{
    a = sag_sets_find(parent, a);
    b = sag_sets_find(parent, b);
    if (a == b) {
        return 0;
    }
    parent[a < b ? b : a] = a < b ? a : b;
    return 1;
}

static double setting_of(const sag_wiring *wiring, const sag_part *part, double unmoved)
{
    return part->control >= 0 ? wiring->settings[part->control] : unmoved;
}

/* The node of the closed throw, or SAG_OPEN. */
static int closed_throw(const sag_wiring *wiring, const sag_part *part)
{
    int closed = (int)(setting_of(wiring, part, 1) + 0.5);
    return closed >= 1 && closed <= part->throw_count ? part->node[SAG_PIN_THROW + closed - 1]
                                                      : SAG_OPEN;
}

size_t sag_wiring_link_room(const sag_design *design)
{
    return 2 * design->part_count + 2 + design->input_count;
}

static void add_link(sag_link *links, size_t *count, int a, int b, sag_link_kind kind, int part)
{
    links[(*count)++] = (sag_link){a, b, kind, part};
}

/* Between a pot's end and its wiper there is no resistance when the end has none and the wiper
 * stands at it. A section from a node to itself carries nothing whatever its resistance, and is
 * left out. */
static void add_pot_links(const sag_wiring *wiring, int index, sag_link *links, size_t *count)
{
    const sag_part *part = &wiring->design->parts[index];
    double share = sag_taper_share(part->taper, part->middle, setting_of(wiring, part, 0.5));
    int wiper = part->node[SAG_PIN_WIPER];
    if (wiper == SAG_OPEN || part->end_ohm > 0) {
        return;
    }
    for (int end = SAG_PIN_END0; end <= SAG_PIN_END1; end++) {
        int node = part->node[end];
        int reached = end == SAG_PIN_END0 ? share <= 0 : share >= 1;
        if (node != SAG_OPEN && node != wiper && reached) {
            add_link(links, count, node, wiper, SAG_LINK_WIRE, index);
        }
    }
}

static void add_part_links(const sag_wiring *wiring, int index, sag_link *links, size_t *count)
{
    const sag_part *part = &wiring->design->parts[index];
    int to;
    switch (part->kind) {
    case SAG_RESISTOR:
        if (part->value <= 0) {
            add_link(links, count, part->node[0], part->node[1], SAG_LINK_WIRE, index);
        }
        break;
    case SAG_INDUCTOR:
        if (part->series_ohm <= 0) {
            add_link(links, count, part->node[0], part->node[1], SAG_LINK_COIL, index);
        }
        break;
    case SAG_VOLTAGE:
        if (part->series_ohm <= 0) {
            add_link(links, count, part->node[0], part->node[1], SAG_LINK_SOURCE, index);
        }
        break;
    case SAG_SWITCH:
        to = closed_throw(wiring, part);
        if (to != SAG_OPEN) {
            add_link(links, count, part->node[SAG_PIN_COMMON], to, SAG_LINK_WIRE, index);
        }
        break;
    case SAG_POT:
        add_pot_links(wiring, index, links, count);
        break;
    case SAG_CAPACITOR:
    case SAG_OPAMP:
    case SAG_DIODE:
        break;
    }
}

static int supply_is_ideal(const sag_supply *supply)
{
    int ideal = supply->resistance_ohm <= 0;
    if (supply->battery && ideal) {
        ideal = 0;
        for (size_t i = 0; i < supply->battery->row_count; i++) {
            ideal |= supply->battery->rows[i].audio_ohm <= 0;
        }
    }
    return ideal;
}

size_t sag_wiring_links(const sag_wiring *wiring, sag_link *links)
{
    const sag_design *design = wiring->design;
    const sag_supply *supply = &design->supply;
    size_t count = 0;
    if (supply_is_ideal(supply)) {
        int foot = supply->middle >= 0 ? supply->middle : supply->negative;
        add_link(links, &count, supply->positive, foot, SAG_LINK_SOURCE, SAG_LINK_SUPPLY);
        if (supply->middle >= 0) {
            add_link(links, &count, foot, supply->negative, SAG_LINK_SOURCE, SAG_LINK_SUPPLY);
        }
    }
    for (size_t i = 0; i < design->input_count && design->source_ohm <= 0; i++) {
        add_link(links, &count, design->inputs[i].node, SAG_GROUND, SAG_LINK_SOURCE,
                 SAG_LINK_INPUT);
    }
    for (size_t i = 0; i < design->part_count; i++) {
        add_part_links(wiring, (int)i, links, &count);
    }
    return count;
}

static void join_part_dc(const sag_wiring *wiring, const sag_part *part, int *parent)
{
    const int *node = part->node;
    int to, first = SAG_OPEN;
    switch (part->kind) {
    case SAG_RESISTOR:
    case SAG_INDUCTOR:
    case SAG_VOLTAGE:
        sag_sets_join(parent, node[0], node[1]);
        break;
    case SAG_CAPACITOR:
        if (part->leakage_a > 0) {
            sag_sets_join(parent, node[0], node[1]);
        }
        break;
    case SAG_POT:
        for (int i = 0; i < part->pin_count; i++) {
            if (node[i] != SAG_OPEN && first != SAG_OPEN) {
                sag_sets_join(parent, first, node[i]);
            }
            first = first == SAG_OPEN ? node[i] : first;
        }
        break;
    case SAG_SWITCH:
        to = closed_throw(wiring, part);
        if (to != SAG_OPEN) {
            sag_sets_join(parent, node[SAG_PIN_COMMON], to);
        }
        break;
    case SAG_OPAMP: /* its supply current flows between the rails, its output is driven from them */
        sag_sets_join(parent, node[SAG_PIN_RAIL_POSITIVE], node[SAG_PIN_RAIL_NEGATIVE]);
        sag_sets_join(parent, node[SAG_PIN_OUT], node[SAG_PIN_RAIL_NEGATIVE]);
        break;
    case SAG_DIODE:
        break;
    }
}

void sag_wiring_join_dc(const sag_wiring *wiring, int with_piezo, int *parent)
{
    const sag_design *design = wiring->design;
    const sag_supply *supply = &design->supply;
    sag_sets_join(parent, supply->positive, supply->negative);
    if (supply->middle >= 0) {
        sag_sets_join(parent, supply->middle, supply->negative);
    }
    for (size_t i = 0; i < design->input_count; i++) {
        const sag_input *input = &design->inputs[i];
        if (with_piezo || !input->pickup || input->pickup->series_farad <= 0) {
            sag_sets_join(parent, input->node, SAG_GROUND);
        }
    }
    if (design->load_ohm < 1e300) { /* INFINITY: none */
        sag_sets_join(parent, design->output, SAG_GROUND);
    }
    for (size_t i = 0; i < design->part_count; i++) {
        join_part_dc(wiring, &design->parts[i], parent);
    }
}
