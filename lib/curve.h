/* SPDX-License-Identifier: GPL-3.0-or-later */
/* curve.h - smooth monotone curves and surfaces through tabulated figures.
 *
 * Between points: cubic, continuous in slope, never overshooting the points (M. Steffen, Astron.
 * Astrophys. 239, 443, 1990; the slopes are GSL's). A curve is held at its end values. */
#ifndef RAILSAG_CURVE_H
#define RAILSAG_CURVE_H

#include "model.h"

typedef struct {
    size_t count;
    double *x, *y, *slope;
} sag_curve;

/* Through count >= 1 points, x strictly rising. The curve is empty and safe to free on failure. */
sag_status sag_curve_make(sag_curve *curve, const double *x, const double *y, size_t count);
void sag_curve_clear(sag_curve *curve);
double sag_curve_at(const sag_curve *curve, double x, double *slope); /* slope may be NULL */

/* How far an output stops short of its rail: drop (V) over load current (A) and total supply (V).
 * In current: held below the first point of a row, straight on beyond its last. In supply: held
 * above the last row, in proportion to the supply below the first; rows without a supply hold at
 * all supplies. Between rows: cubic in both, exact on every row and at every tabulated current. */
typedef struct {
    size_t current_count, supply_count;
    double *current, *supply;
    double *value, *by_current, *by_supply,
        *twist; /* [supply][current]: drop and its derivatives */
    int all_supplies;
} sag_drop_surface;

sag_status sag_drop_surface_make(sag_drop_surface *surface, const sag_drop_point *points,
                                 size_t count);
void sag_drop_surface_clear(sag_drop_surface *surface);
double sag_drop_at(const sag_drop_surface *surface, double current_a, double supply_v,
                   double *by_current, double *by_supply);

#endif
