/* SPDX-License-Identifier: GPL-3.0-or-later */
/* network_private.h - the equations inside a network, for the modules that solve them.
 *
 *     C x' + G x + S src = constant + drive u
 *
 *   x    unknowns: node voltages without ground, then internal nodes, branch currents and
 *        op-amp input filters, all rows and columns in that order                         V, A
 *   C    sum over states of  kappa * into * of'   (a capacitor: kappa its farads, into = of =
 *        its two ends)
 *   src  what the nonlinear parts feed in, in this order:
 *        the EMF behind the output resistance of each op-amp                              V
 *        the current through each pair of rails, from the positive to the negative one    A
 *        the current of each diode less its reference conductance times its voltage       A
 *   u    EMF of the source                                                                V
 * What the nonlinear parts see are observations, short rows over x. */
#ifndef RAILSAG_NETWORK_PRIVATE_H
#define RAILSAG_NETWORK_PRIVATE_H

#include "curve.h"
#include "diode.h"
#include "network.h"

#define SAG_SPARSE_MAX 4

/* A short vector over the unknowns. Ground is never in it. */
typedef struct {
    int count;
    int at[SAG_SPARSE_MAX];
    double by[SAG_SPARSE_MAX];
} sag_sparse;

/* Whose state it is, where no part of the design is: the load's capacitance, or the battery's, a
 * pickup's, ... */
enum { SAG_STATE_LOAD = -1, SAG_STATE_OTHER = -2 };

/* kappa d(of . x)/dt is added to the rows `into`. */
typedef struct {
    double kappa;
    sag_sparse into, of;
    int part; /* index into design->parts, or one of the above */
} sag_state;

typedef struct {
    const sag_part *part;
    const sag_opamp_model *model;
    int rail;          /* index of its pair of rails */
    int filter;        /* unknown: v(plus) - v(minus) + offset behind the second pole */
    int filter_state;  /* index into states; -1 without a second pole */
    double output_ohm; /* at least 1 */
    sag_drop_surface high, low;
    sag_curve gain_bandwidth, slew; /* ratios to the headline figures over supply */
} sag_network_opamp_data;

/* A pair of rails shared by one or more op-amps. */
typedef struct {
    int positive, negative;     /* nodes of the design */
    sag_curve *supply_current;  /* of each package on it, A over V */
    double *package_amplifiers; /* weights: amplifiers in each package */
    size_t package_count;
} sag_rail;

/* A diode of the design, or the pair of them between the inputs of an op-amp (part is then the
 * op-amp). */
typedef struct {
    const sag_part *part;
    int anode, cathode; /* nodes of the design */
    sag_diode_law law;
} sag_network_diode;

#define SAG_DIODE_REFERENCE_S 1e-6 /* conductance that keeps the linear part regular */

/* How a part's current is read back: (v(a) - v(b)) * conductance, or the branch current when branch
 * >= 0. */
typedef struct {
    int a, b; /* unknowns, -1 ground */
    double conductance;
    int branch;
} sag_leg;

/* Rows of observations, in this order: for each op-amp OBSERVED_PER_OPAMP, for each pair of rails
 * two (positive, negative), for each diode its voltage, then the output; these are observed_count.
 * After them two an op-amp, its input pins, which few op-amps need to look at often: row_count in
 * all. */
enum {
    SAG_OBSERVED_DRIVE = 0, /* op-amp: its filter */
    SAG_OBSERVED_OUT = 1,
    SAG_OBSERVED_PER_OPAMP = 2
};

/* Voltages that nothing depends on, kept an eye on over a period: between the supply's terminals,
 * and of the half-supply reference (an empty row where the design has none). */
enum { SAG_SUPPLY_TERMINAL, SAG_SUPPLY_REFERENCE, SAG_SUPPLY_ROWS };

struct sag_network {
    const sag_design *design;
    sag_conditions conditions;
    sag_supply_state supply;
    size_t n; /* unknowns */
    double *g, *constant, *drive;
    sag_state *states;
    size_t state_count, state_capacity;
    sag_network_opamp_data *opamps;
    size_t opamp_count;
    sag_rail *rails;
    size_t rail_count;
    sag_network_diode *diodes; /* the design's, then those of op-amp inputs */
    size_t diode_count;
    sag_sparse *source; /* source_count columns of S */
    size_t source_count;
    sag_sparse *observed; /* row_count rows */
    size_t observed_count, row_count;
    sag_sparse supply_row[SAG_SUPPLY_ROWS];
    int reference;        /* node of the design; -1: none */
    sag_leg *legs;        /* one a part; a pot's is ends[0] to wiper */
    int supply_branch[2]; /* branch currents of the battery (two halves with a middle; else [1] =
                             -1) */
};

static inline size_t sag_network_rail_row(const sag_network *network, size_t rail)
{
    return network->opamp_count * SAG_OBSERVED_PER_OPAMP + 2 * rail;
}

static inline size_t sag_network_diode_row(const sag_network *network, size_t diode)
{
    return sag_network_rail_row(network, network->rail_count) + diode;
}

static inline size_t sag_network_output_row(const sag_network *network)
{
    return network->observed_count - 1;
}

/* The plus pin; the minus pin is the row after it. */
static inline size_t sag_network_pins_row(const sag_network *network, size_t opamp)
{
    return network->observed_count + 2 * opamp;
}

static inline double sag_sparse_dot(const sag_sparse *sparse, const double *x)
{
    double sum = 0;
    for (int i = 0; i < sparse->count; i++) {
        sum += sparse->by[i] * x[sparse->at[i]];
    }
    return sum;
}

static inline void sag_sparse_add(sag_sparse *sparse, int at, double by)
{
    if (at >= 0) {
        sparse->at[sparse->count] = at;
        sparse->by[sparse->count++] = by;
    }
}

/* The unknown of a node of the design; -1 for ground. */
static inline int sag_network_unknown(int node)
{
    return node - 1;
}

/* What an unknown is, for findings: "node vref", "the branch of L1", ... into buffer. */
const char *sag_network_unknown_name(const sag_network *network, size_t unknown, char *buffer,
                                     size_t size);

/* Quiescent current through a pair of rails at a voltage between them; slope in A/V. */
double sag_rail_current(const sag_rail *rail, double volts, double *slope);

/* A + a C with these state weights, n x n. */
void sag_network_matrix(const sag_network *network, double a, const double *kappa, double *matrix);

#endif
