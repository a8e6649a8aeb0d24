/* SPDX-License-Identifier: GPL-3.0-or-later */
/* second_tables.h - tabulated figures and diode laws read a second time, for the second model.
 *
 * Written from the descriptions alone: monotone cubics with the slopes of M. Steffen, Astron.
 * Astrophys. 239, 443, 1990; i = Is (exp((v - R i)/(n Vt)) - 1) through the points of a diode. */
#ifndef RAILSAG_SECOND_TABLES_H
#define RAILSAG_SECOND_TABLES_H

#include "model.h"

#define SECOND_MOST_POINTS 48 /* of one curve, and of each axis of a surface */

/* Held at its end values. */
typedef struct {
    size_t count;
    double x[SECOND_MOST_POINTS], y[SECOND_MOST_POINTS], slope[SECOND_MOST_POINTS];
} second_curve;

/* count 1 to SECOND_MOST_POINTS, x strictly rising. */
void second_curve_make(second_curve *curve, const double *x, const double *y, size_t count);
double second_curve_at(const second_curve *curve, double x, double *slope);

/* The drop over load current (A) and total supply (V). In current: held below the first point of a
 * row, straight on beyond its last. In supply: held above the last row, in proportion to the supply
 * below the first. */
typedef struct {
    size_t supplies, currents;
    double supply[SECOND_MOST_POINTS], current[SECOND_MOST_POINTS];
    second_curve row[SECOND_MOST_POINTS]; /* over current, with a flat lead-in: one a supply */
    /* over supply, one a tabulated current: the drop, and its slope in current */
    second_curve drop[SECOND_MOST_POINTS], steepness[SECOND_MOST_POINTS];
} second_drop;

/* SAG_BAD_ARGUMENT when the table is larger than SECOND_MOST_POINTS a side. */
sag_status second_drop_make(second_drop *surface, const sag_drop_point *points, size_t count);
double second_drop_at(const second_drop *surface, double current_a, double supply_v,
                      double *by_current, double *by_supply);

/* k T / q at 25 degrees C, CODATA 2018. */
#define SECOND_THERMAL_V (1.380649e-23 * 298.15 / 1.602176634e-19)

/* Is, n Vt and R of a diode; R is at least 1 mohm. */
typedef struct {
    double saturation_a, emission_v, ohm, breakdown_v;
} second_junction;

/* SAG_NOT_CONVERGED when no law goes through the points. */
sag_status second_junction_fit(second_junction *junction, const sag_diode_model *model);

#endif
