/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "drain.h"

#include <math.h>
#include <stdlib.h>

static const double least_share =
    0.005; /* of the drain; found by trial: what still tells a reader something */

/* The other node of a part with two ends in the order of sag_bias_part_current_a, and whether it
 * has two. */
static int two_ends(const sag_design *design, const sag_part *part, int *from, int *to)
{
    int throw_number;
    *from = part->node[0];
    *to = part->node[1];
    switch (part->kind) {
    case SAG_RESISTOR:
    case SAG_CAPACITOR:
    case SAG_INDUCTOR:
    case SAG_DIODE:
    case SAG_VOLTAGE:
        return 1;
    case SAG_POT:
        *to = part->node[SAG_PIN_WIPER];
        return *from >= 0 && *to >= 0;
    case SAG_SWITCH:
        throw_number = part->control >= 0 ? (int)design->controls[part->control].setting : 1;
        *to = part->node[SAG_PIN_THROW + throw_number - 1];
        return *from >= 0 && *to >= 0;
    case SAG_OPAMP:
        break;
    }
    return 0;
}

/* Marks the nodes that carry the positive supply: its outer node, the positive rails of op-amps,
 * and every node that feeds one of these (a series diode, a filter resistor). */
static void find_rails(const sag_bias *bias, const sag_design *design, unsigned char *is_rail)
{
    is_rail[design->supply.positive] = 1;
    for (size_t i = 0; i < design->package_count; i++) {
        if (design->packages[i].rail_positive != SAG_GROUND) {
            is_rail[design->packages[i].rail_positive] = 1;
        }
    }
    for (int found = 1; found;) {
        found = 0;
        for (size_t i = 0; i < design->part_count; i++) {
            int from, to;
            if (!two_ends(design, &design->parts[i], &from, &to)) {
                continue;
            }
            double current_a = sag_bias_part_current_a(bias, i);
            int source = current_a > 0 ? from : to, sink = current_a > 0 ? to : from;
            if (is_rail[sink] && !is_rail[source] && fabs(current_a) > 0 && source != SAG_GROUND &&
                source != design->supply.negative) {
                is_rail[source] = 1;
                found = 1;
            }
        }
    }
}

/* Falling; NULL last. */
static int by_current(const void *a, const void *b)
{
    const drain_item *left = a, *right = b;
    if (!left->name || !right->name) {
        return (left->name == NULL) - (right->name == NULL);
    }
    return (left->current_a < right->current_a) - (left->current_a > right->current_a);
}

static void add_packages(const sag_bias *bias, const sag_design *design,
                         const unsigned char *is_rail, drain_item *items)
{
    size_t opamp = 0;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        if (part->kind != SAG_OPAMP) {
            continue;
        }
        const sag_package *package = &design->packages[part->package];
        sag_bias_opamp at = sag_bias_opamp_get(bias, opamp++);
        if (!is_rail[part->node[SAG_PIN_RAIL_POSITIVE]]) {
            continue;
        }
        /* The idle amplifiers draw what the used ones do, spread evenly over these. */
        double amplifiers = (double)package->model->amplifiers / package->used;
        items[part->package].name = package->name;
        items[part->package].current_a += at.supply_a * amplifiers + fmax(at.out_a, 0);
    }
}

sag_status drain_sort(const sag_bias *bias, drain_item **items, size_t *count)
{
    const sag_design *design = sag_network_design(sag_bias_network(bias));
    double drain_a = sag_bias_drain_a(bias), named_a = 0;
    size_t capacity = design->package_count + design->part_count + 1, kept = 0;
    drain_item *all = sag_new(capacity, sizeof *all);
    unsigned char *is_rail = sag_new(design->node_count, 1);
    sag_status status = all && is_rail ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        find_rails(bias, design, is_rail);
        add_packages(bias, design, is_rail, all);
        for (size_t i = 0; i < design->part_count; i++) {
            int from, to;
            if (two_ends(design, &design->parts[i], &from, &to) && is_rail[from] != is_rail[to]) {
                double current_a = sag_bias_part_current_a(bias, i);
                all[design->package_count + i].name = design->parts[i].designator;
                all[design->package_count + i].current_a = is_rail[from] ? current_a : -current_a;
            }
        }
        for (size_t i = 0; i + 1 < capacity; i++) {
            if (all[i].name && fabs(all[i].current_a) >= least_share * fabs(drain_a) &&
                fabs(all[i].current_a) > 0) {
                named_a += all[i].current_a;
                all[kept++] = all[i];
            }
        }
        qsort(all, kept, sizeof *all, by_current);
        if (fabs(drain_a - named_a) >= least_share * fabs(drain_a)) {
            all[kept++] = (drain_item){.current_a = drain_a - named_a};
        }
    }
    sag_free(is_rail);
    if (status != SAG_OK) {
        sag_free(all);
        all = NULL;
        kept = 0;
    }
    *items = all;
    *count = kept;
    return status;
}
