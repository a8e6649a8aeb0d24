/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design_reference.c - which node is the half-supply reference. */
#include "design.h"

/* Less than this does not hold a reference still at audio rate: 100 nF on 50 kohm is 32 Hz. Found
 * by trial with the examples: signal nodes have less to ground, references more. */
static const double least_farad = 50e-9;

enum { NOWHERE = 0, UPPER = 1, LOWER = 2 };

/* Sides of the supply: its outer nodes, the rails of op-amps, ground where it is an outer node. A
 * rail behind a diode or a resistor belongs to the side that it feeds. */
static void find_sides(const sag_design *design, unsigned char *side)
{
    side[design->supply.positive] = UPPER;
    side[design->supply.negative] = LOWER;
    for (size_t i = 0; i < design->package_count; i++) {
        const sag_package *package = &design->packages[i];
        if (side[package->rail_positive] == NOWHERE) {
            side[package->rail_positive] = UPPER;
        }
        if (side[package->rail_negative] == NOWHERE) {
            side[package->rail_negative] = LOWER;
        }
    }
}

int sag_design_reference(const sag_design *design)
{
    unsigned char side[SAG_MAX_NODES + 1] = {0}, tied[SAG_MAX_NODES + 1] = {0};
    double farad[SAG_MAX_NODES + 1] = {0}, most = least_farad;
    int found = -1;
    if (design->node_count > SAG_MAX_NODES + 1) {
        return -1;
    }
    find_sides(design, side);
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        for (int k = 0; k < 2; k++) {
            if (part->kind == SAG_RESISTOR) {
                tied[part->node[k]] |= side[part->node[1 - k]];
            } else if (part->kind == SAG_CAPACITOR && side[part->node[1 - k]] != NOWHERE) {
                farad[part->node[k]] += part->value;
            }
        }
    }
    for (size_t n = 0; n < design->node_count; n++) {
        if (n != SAG_GROUND && (int)n != design->supply.middle && side[n] == NOWHERE &&
            tied[n] == (UPPER | LOWER) && farad[n] > most) {
            found = (int)n;
            most = farad[n];
        }
    }
    return found;
}
