/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "curve.h"

#include "memory.h"

#include <gsl/gsl_interp.h>
#include <math.h>
#include <string.h>

/* Slopes at the points: GSL's for three and more, the chord for two, none for one. */
static sag_status find_slopes(const double *x, const double *y, size_t count, double *slope)
{
    if (count < 3) {
        for (size_t i = 0; i < count; i++) {
            slope[i] = count == 2 ? (y[1] - y[0]) / (x[1] - x[0]) : 0;
        }
        return SAG_OK;
    }
    gsl_interp *interp = gsl_interp_alloc(gsl_interp_steffen, count);
    if (!interp) {
        return SAG_NO_MEMORY;
    }
    gsl_interp_init(interp, x, y, count);
    for (size_t i = 0; i < count; i++) {
        slope[i] = gsl_interp_eval_deriv(interp, x, y, x[i], NULL);
    }
    gsl_interp_free(interp);
    return SAG_OK;
}

/* Cubic Hermite weights at t in 0..1 over an interval of length h: value = w . (y0, y1, s0, s1). */
static void hermite(double t, double h, double w[4], double dw[4])
{
    double u = 1 - t;
    w[0] = u * u * (1 + 2 * t);
    w[1] = t * t * (3 - 2 * t);
    w[2] = h * t * u * u;
    w[3] = -h * t * t * u;
    dw[0] = -6 * t * u / h;
    dw[1] = 6 * t * u / h;
    dw[2] = u * (1 - 3 * t);
    dw[3] = t * (3 * t - 2);
}

/* The interval [i, i + 1] of count >= 2 rising x that holds `at`, the end ones for points outside.
 */
static size_t find_interval(const double *x, size_t count, double at)
{
    size_t i = 0;
    while (i + 2 < count && at >= x[i + 1]) {
        i++;
    }
    return i;
}

sag_status sag_curve_make(sag_curve *curve, const double *x, const double *y, size_t count)
{
    memset(curve, 0, sizeof *curve);
    curve->x = sag_new(3 * count, sizeof *curve->x);
    if (!curve->x) {
        return SAG_NO_MEMORY;
    }
    curve->y = curve->x + count;
    curve->slope = curve->y + count;
    curve->count = count;
    memcpy(curve->x, x, count * sizeof *x);
    memcpy(curve->y, y, count * sizeof *y);
    sag_status status = find_slopes(x, y, count, curve->slope);
    if (status != SAG_OK) {
        sag_curve_clear(curve);
    }
    return status;
}

void sag_curve_clear(sag_curve *curve)
{
    sag_free(curve->x);
    memset(curve, 0, sizeof *curve);
}

double sag_curve_at(const sag_curve *curve, double x, double *slope)
{
    size_t last = curve->count - 1;
    if (slope) {
        *slope = 0;
    }
    if (x <= curve->x[0]) {
        return curve->y[0];
    }
    if (x >= curve->x[last]) {
        return curve->y[last];
    }
    size_t i = find_interval(curve->x, curve->count, x);
    double h = curve->x[i + 1] - curve->x[i], w[4], dw[4];
    hermite((x - curve->x[i]) / h, h, w, dw);
    const double *y = curve->y + i, *s = curve->slope + i;
    if (slope) {
        *slope = dw[0] * y[0] + dw[1] * y[1] + dw[2] * s[0] + dw[3] * s[1];
    }
    return w[0] * y[0] + w[1] * y[1] + w[2] * s[0] + w[3] * s[1];
}

/* ---- the drop over load current and supply ---- */

static int same_supply(double a, double b)
{
    return (isnan(a) && isnan(b)) || fabs(a - b) < 1e-9;
}

static void sort(double *values, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        double held = values[i];
        size_t j = i;
        for (; j > 0 && values[j - 1] > held; j--) {
            values[j] = values[j - 1];
        }
        values[j] = held;
    }
}

static size_t drop_doubles(double *values, size_t count)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        if (kept == 0 || values[i] > values[kept - 1]) {
            values[kept++] = values[i];
        }
    }
    return kept;
}

/* Evaluates one row (the points of one supply) at every current of the surface. */
static sag_status fill_row(sag_drop_surface *surface, size_t row, const sag_drop_point *points,
                           size_t count)
{
    /* A flat lead-in ahead of the first point makes the slope there zero, so that holding the value
     * below it leaves no corner. */
    double *x = sag_new(3 * (count + 1), sizeof *x);
    if (!x) {
        return SAG_NO_MEMORY;
    }
    double *y = x + count + 1, *slope = y + count + 1;
    size_t used = 1;
    double supply = surface->supply[row];
    for (size_t i = 0; i < count; i++) {
        if (surface->all_supplies || same_supply(points[i].supply_v, supply)) {
            size_t at = used++;
            for (; at > 1 && x[at - 1] > points[i].current_a; at--) {
                x[at] = x[at - 1];
                y[at] = y[at - 1];
            }
            x[at] = points[i].current_a;
            y[at] = points[i].drop_v;
        }
    }
    x[0] = x[1] - fmax(1e-6, fabs(x[1]));
    y[0] = y[1];
    sag_status status = find_slopes(x, y, used, slope);
    if (status == SAG_OK) {
        if (used == 2) {
            slope[0] = slope[1] = 0;
        }
        for (size_t j = 0; j < surface->current_count; j++) {
            double at = surface->current[j];
            double *value = surface->value + row * surface->current_count + j;
            double *by_current = surface->by_current + row * surface->current_count + j;
            if (at <= x[1]) {
                *value = y[1];
                *by_current = 0;
            } else if (at >= x[used - 1]) {
                *value = y[used - 1] + slope[used - 1] * (at - x[used - 1]);
                *by_current = slope[used - 1];
            } else {
                size_t k = find_interval(x, used, at);
                double h = x[k + 1] - x[k], w[4], dw[4];
                hermite((at - x[k]) / h, h, w, dw);
                *value = w[0] * y[k] + w[1] * y[k + 1] + w[2] * slope[k] + w[3] * slope[k + 1];
                *by_current =
                    dw[0] * y[k] + dw[1] * y[k + 1] + dw[2] * slope[k] + dw[3] * slope[k + 1];
            }
        }
    }
    sag_free(x);
    return status;
}

/* Slopes across supplies, of the drop and of its slope in current. */
static sag_status fill_across(sag_drop_surface *surface)
{
    size_t rows = surface->supply_count, columns = surface->current_count;
    double *column = sag_new(2 * rows, sizeof *column);
    if (!column) {
        return SAG_NO_MEMORY;
    }
    sag_status status = SAG_OK;
    for (int pass = 0; pass < 2 && status == SAG_OK; pass++) {
        const double *from = pass ? surface->by_current : surface->value;
        double *to = pass ? surface->twist : surface->by_supply;
        for (size_t j = 0; j < columns && status == SAG_OK; j++) {
            for (size_t i = 0; i < rows; i++) {
                column[i] = from[i * columns + j];
            }
            status = find_slopes(surface->supply, column, rows, column + rows);
            for (size_t i = 0; i < rows; i++) {
                to[i * columns + j] = column[rows + i];
            }
        }
    }
    sag_free(column);
    return status;
}

sag_status sag_drop_surface_make(sag_drop_surface *surface, const sag_drop_point *points,
                                 size_t count)
{
    memset(surface, 0, sizeof *surface);
    sag_status status = SAG_NO_MEMORY;
    surface->current = sag_new(count, sizeof *surface->current);
    surface->supply = sag_new(count, sizeof *surface->supply);
    if (!surface->current || !surface->supply) {
        goto done;
    }
    for (size_t i = 0; i < count; i++) {
        surface->current[i] = points[i].current_a;
        surface->supply[i] = points[i].supply_v;
    }
    sort(surface->current, count);
    surface->current_count = drop_doubles(surface->current, count);
    surface->all_supplies = isnan(points[0].supply_v);
    if (surface->all_supplies) {
        surface->supply_count = 1;
    } else {
        sort(surface->supply, count);
        surface->supply_count = drop_doubles(surface->supply, count);
    }
    size_t cells = surface->supply_count * surface->current_count;
    surface->value = sag_new(4 * cells, sizeof *surface->value);
    if (!surface->value) {
        goto done;
    }
    surface->by_current = surface->value + cells;
    surface->by_supply = surface->by_current + cells;
    surface->twist = surface->by_supply + cells;
    for (size_t i = 0; i < surface->supply_count; i++) {
        status = fill_row(surface, i, points, count);
        if (status != SAG_OK) {
            goto done;
        }
    }
    status = fill_across(surface);
done:
    if (status != SAG_OK) {
        sag_drop_surface_clear(surface);
    }
    return status;
}

void sag_drop_surface_clear(sag_drop_surface *surface)
{
    sag_free(surface->current);
    sag_free(surface->supply);
    sag_free(surface->value);
    memset(surface, 0, sizeof *surface);
}

/* Along current on one row: value and slope of two quantities at once, the drop and its slope in
 * supply. */
static void along_row(const sag_drop_surface *surface, size_t row, double current, double value[2],
                      double slope[2])
{
    size_t columns = surface->current_count;
    const double *y[2] = {surface->value + row * columns, surface->by_supply + row * columns};
    const double *s[2] = {surface->by_current + row * columns, surface->twist + row * columns};
    size_t last = columns - 1;
    for (int q = 0; q < 2; q++) {
        if (current <= surface->current[0]) {
            value[q] = y[q][0];
            slope[q] = 0;
        } else if (current >= surface->current[last]) {
            value[q] = y[q][last] + s[q][last] * (current - surface->current[last]);
            slope[q] = s[q][last];
        } else {
            size_t k = find_interval(surface->current, columns, current);
            double h = surface->current[k + 1] - surface->current[k], w[4], dw[4];
            hermite((current - surface->current[k]) / h, h, w, dw);
            value[q] = w[0] * y[q][k] + w[1] * y[q][k + 1] + w[2] * s[q][k] + w[3] * s[q][k + 1];
            slope[q] =
                dw[0] * y[q][k] + dw[1] * y[q][k + 1] + dw[2] * s[q][k] + dw[3] * s[q][k + 1];
        }
    }
}

double sag_drop_at(const sag_drop_surface *surface, double current_a, double supply_v,
                   double *by_current, double *by_supply)
{
    double value[2][2], slope[2][2];
    size_t last = surface->supply_count - 1;
    if (surface->all_supplies || supply_v >= surface->supply[last]) {
        along_row(surface, last, current_a, value[0], slope[0]);
        *by_current = slope[0][0];
        *by_supply = 0;
        return value[0][0];
    }
    if (supply_v <= surface->supply[0]) {
        along_row(surface, 0, current_a, value[0], slope[0]);
        double share = fmax(supply_v, 0) / surface->supply[0];
        *by_current = slope[0][0] * share;
        *by_supply = supply_v > 0 ? value[0][0] / surface->supply[0] : 0;
        return value[0][0] * share;
    }
    size_t i = find_interval(surface->supply, surface->supply_count, supply_v);
    along_row(surface, i, current_a, value[0], slope[0]);
    along_row(surface, i + 1, current_a, value[1], slope[1]);
    double h = surface->supply[i + 1] - surface->supply[i], w[4], dw[4];
    hermite((supply_v - surface->supply[i]) / h, h, w, dw);
    *by_current = w[0] * slope[0][0] + w[1] * slope[1][0] + w[2] * slope[0][1] + w[3] * slope[1][1];
    *by_supply =
        dw[0] * value[0][0] + dw[1] * value[1][0] + dw[2] * value[0][1] + dw[3] * value[1][1];
    return w[0] * value[0][0] + w[1] * value[1][0] + w[2] * value[0][1] + w[3] * value[1][1];
}
