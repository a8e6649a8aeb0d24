/* SPDX-License-Identifier: GPL-3.0-or-later */
/* network_build.h - collecting the entries of the equations before their number is known. */
#ifndef RAILSAG_NETWORK_BUILD_H
#define RAILSAG_NETWORK_BUILD_H

#include "network_private.h"

enum { SAG_COLUMN_CONSTANT = -1, SAG_COLUMN_DRIVE = -2 };

typedef struct {
    int row, column; /* column: an unknown, or one of the right sides above */
    double value;
} sag_entry;

typedef struct {
    sag_network *network;
    sag_report *report;
    sag_entry *entries;
    size_t entry_count, entry_capacity;
    size_t unknown_count;
    int part;          /* whose states are built: as sag_state's */
    sag_status status; /* the first failure sticks; later calls do nothing */
} sag_builder;

int sag_build_unknown(sag_builder *builder); /* a new one */
void sag_build_entry(sag_builder *builder, int row, int column,
                     double value); /* -1 rows, columns < -2: skipped */
void sag_build_conductance(sag_builder *builder, int a, int b, double siemens);
/* v(a) - v(b) - ohm i = emf (constant) + drive u; returns the unknown i, entering at a. */
int sag_build_branch(sag_builder *builder, int a, int b, double ohm, double emf, double drive);
/* A resistor of any value from 0 up: a conductance, or a branch where it is too small for one. */
sag_leg sag_build_resistor(sag_builder *builder, int a, int b, double ohm);
int sag_build_state(sag_builder *builder, double kappa, sag_sparse into, sag_sparse of);
void sag_build_capacitor(sag_builder *builder, int a, int b, double farad);

/* network_parts.c: one part each. */
void sag_build_part(sag_builder *builder, size_t index);
void sag_build_supply(sag_builder *builder);
void sag_build_drive(sag_builder *builder);
/* Fills in the op-amps, rails, diodes, sources and observations. */
void sag_build_devices(sag_builder *builder);

/* In the battery model, at the open-circuit voltage asked for. */
sag_status sag_find_supply_state(const sag_design *design, const sag_conditions *conditions,
                                 sag_supply_state *state);

#endif
