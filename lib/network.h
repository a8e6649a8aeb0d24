/* SPDX-License-Identifier: GPL-3.0-or-later */
/* network.h - the equations of a design under one set of conditions.
 *
 *     C x' + G x + S src = constant + drive u
 *
 * x holds the node voltages (V), branch currents (A) and op-amp input filters (V); src are what
 * op-amps, their rails and diodes feed in (network_private.h), u the source's EMF. A current is
 * positive leaving the node into the part, so each row of a node reads: the sum of the currents
 * leaving it is zero. A network is constant once made and may be shared by threads. */
#ifndef RAILSAG_NETWORK_H
#define RAILSAG_NETWORK_H

#include "design.h"

typedef enum { SAG_DRIVE_BENCH, SAG_DRIVE_PICKUP } sag_drive;

typedef struct {
    double supply_v;   /* open-circuit voltage between the supply's outer nodes, 0.1 to 100 V */
    int stiff;         /* 1: no battery resistance, as on a bench supply; wiring stays */
    sag_drive drive;   /* bench generator, or the design's pickup */
    double load_ohm;   /* NAN: the design's own load; INFINITY: none */
    double load_farad; /* used when load_ohm is not NAN */
    int batteries;     /* in series; 0: as the design says. More where supply_v takes more */
} sag_conditions;

/* The design's nominal supply on its battery, bench drive, its own load. */
sag_conditions sag_conditions_defaults(const sag_design *design);

/* What the battery is like at the supply voltage asked for. */
typedef struct {
    int batteries;    /* in series; 0 when stiff */
    double depth;     /* of discharge, 0 to 1; NAN when stiff */
    double audio_ohm; /* whole supply, wiring included */
    double dc_ohm;
    int beyond_data; /* the open-circuit voltage lies below the battery's last row */
    int above_fresh; /* or above its first */
} sag_supply_state;

typedef struct sag_network sag_network;

/* Holds on to design, which must outlive it and not be changed meanwhile. *out is NULL unless
 * SAG_OK. SAG_WOULD_DAMAGE when the supply is above a part's absolute maximum; SAG_REFUSED when the
 * drive is a pickup that the design does not have; SAG_SINGULAR when the resistive part does not
 * determine every voltage. The report says which part or node. */
sag_status sag_network_new(const sag_design *design, const sag_conditions *conditions,
                           sag_network **out, sag_report *report);
void sag_network_free(sag_network *network); /* NULL is fine */

const sag_design *sag_network_design(const sag_network *network);
const sag_conditions *sag_network_conditions(const sag_network *network);
const sag_supply_state *sag_network_supply(const sag_network *network);

/* sag_design_reference of the design. */
int sag_network_reference(const sag_network *network);

/* Op-amps in file order; index to designator, as "U1B", and to its part. */
size_t sag_network_opamp_count(const sag_network *network);
const sag_part *sag_network_opamp(const sag_network *network, size_t index);

/* Counts that say how large the equations are. */
size_t sag_network_unknown_count(const sag_network *network);
size_t sag_network_state_count(const sag_network *network);

#endif
