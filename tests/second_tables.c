/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "second_tables.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_roots.h>
#include <math.h>
#include <string.h>

static double sign_of(double x)
{
    return (x > 0) - (x < 0);
}

/* Steffen's slopes, his equation 11: the smaller of twice the lesser chord and the slope of the
 * parabola, none where the chords change sign; the chords themselves at the ends. */
void second_curve_make(second_curve *curve, const double *x, const double *y, size_t count)
{
    memset(curve, 0, sizeof *curve);
    curve->count = count;
    memcpy(curve->x, x, count * sizeof *x);
    memcpy(curve->y, y, count * sizeof *y);
    for (size_t i = 0; i < count && count > 1; i++) {
        double before = i > 0 ? (y[i] - y[i - 1]) / (x[i] - x[i - 1]) : 0;
        double after = i + 1 < count ? (y[i + 1] - y[i]) / (x[i + 1] - x[i]) : 0;
        if (i == 0 || i + 1 == count) {
            curve->slope[i] = i == 0 ? after : before;
            continue;
        }
        double left = x[i] - x[i - 1], right = x[i + 1] - x[i];
        double parabola = (before * right + after * left) / (left + right);
        double least = fmin(fmin(fabs(before), fabs(after)), fabs(parabola) / 2);
        curve->slope[i] = (sign_of(before) + sign_of(after)) * least;
    }
}

/* The cubic on [0, h] with these values and slopes at its ends, in powers of x. */
static double cubic(double x, double h, double y0, double y1, double s0, double s1, double *slope)
{
    double chord = (y1 - y0) / h;
    double second = (3 * chord - 2 * s0 - s1) / h, third = (s0 + s1 - 2 * chord) / (h * h);
    *slope = s0 + x * (2 * second + x * 3 * third);
    return y0 + x * (s0 + x * (second + x * third));
}

/* The last point not above x, but never the last of all; x[0] <= x. */
static size_t point_below(const double *x, size_t count, double at)
{
    size_t low = 0, high = count - 1;
    while (high - low > 1) {
        size_t middle = (low + high) / 2;
        if (x[middle] <= at) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

double second_curve_at(const second_curve *curve, double x, double *slope)
{
    *slope = 0;
    if (x <= curve->x[0]) {
        return curve->y[0];
    }
    if (x >= curve->x[curve->count - 1]) {
        return curve->y[curve->count - 1];
    }
    size_t i = point_below(curve->x, curve->count, x);
    return cubic(x - curve->x[i], curve->x[i + 1] - curve->x[i], curve->y[i], curve->y[i + 1],
                 curve->slope[i], curve->slope[i + 1], slope);
}

/* Inserts a value into a rising list unless it is there; 0 when the list is full. */
static int insert(double *list, size_t *count, double value)
{
    size_t at = 0;
    while (at < *count && list[at] < value) {
        at++;
    }
    if (at < *count && list[at] <= value) {
        return 1;
    }
    if (*count == SECOND_MOST_POINTS) {
        return 0;
    }
    memmove(list + at + 1, list + at, (*count - at) * sizeof *list);
    list[at] = value;
    (*count)++;
    return 1;
}

/* The points of one supply over current, after one at the first drop that makes the start flat. */
static void make_row(second_curve *row, const sag_drop_point *points, size_t count, double supply_v)
{
    double current[SECOND_MOST_POINTS + 1] = {0}, drop[SECOND_MOST_POINTS + 1] = {0};
    size_t used = 0;
    for (size_t i = 0; i < count; i++) {
        if (!isnan(points[i].supply_v) && points[i].supply_v != supply_v) {
            continue;
        }
        size_t at = used++;
        for (; at > 0 && current[at - 1] > points[i].current_a; at--) {
            current[at] = current[at - 1];
            drop[at] = drop[at - 1];
        }
        current[at] = points[i].current_a;
        drop[at] = points[i].drop_v;
    }
    second_curve with_lead;
    memmove(current + 1, current, used * sizeof *current);
    memmove(drop + 1, drop, used * sizeof *drop);
    current[0] = current[1] - 1;
    drop[0] = drop[1];
    second_curve_make(&with_lead, current, drop, used + 1);
    *row = with_lead;
}

/* A row at a current, straight on beyond its last point. */
static double row_at(const second_curve *row, double current_a, double *slope)
{
    size_t last = row->count - 1;
    double over = current_a - row->x[last];
    if (over >= 0) {
        *slope = row->slope[last];
        return row->y[last] + *slope * over;
    }
    return second_curve_at(row, current_a, slope);
}

sag_status second_drop_make(second_drop *surface, const sag_drop_point *points, size_t count)
{
    memset(surface, 0, sizeof *surface);
    for (size_t i = 0; i < count; i++) {
        double supply_v = isnan(points[i].supply_v) ? 0 : points[i].supply_v;
        if (count >= SECOND_MOST_POINTS * SECOND_MOST_POINTS ||
            !insert(surface->supply, &surface->supplies, supply_v) ||
            !insert(surface->current, &surface->currents, points[i].current_a)) {
            return SAG_BAD_ARGUMENT;
        }
    }
    if (surface->currents == SECOND_MOST_POINTS) { /* no room for the lead-in */
        return SAG_BAD_ARGUMENT;
    }
    for (size_t k = 0; k < surface->supplies; k++) {
        make_row(&surface->row[k], points, count, surface->supply[k]);
    }
    for (size_t j = 0; j < surface->currents; j++) {
        double drop[SECOND_MOST_POINTS] = {0}, steepness[SECOND_MOST_POINTS] = {0};
        for (size_t k = 0; k < surface->supplies; k++) {
            drop[k] = row_at(&surface->row[k], surface->current[j], &steepness[k]);
        }
        second_curve_make(&surface->drop[j], surface->supply, drop, surface->supplies);
        second_curve_make(&surface->steepness[j], surface->supply, steepness, surface->supplies);
    }
    return SAG_OK;
}

/* A curve over supply, in proportion to it below its first point; one point without a supply holds
 * everywhere. */
static double across(const second_curve *curve, double supply_v, double *slope)
{
    double first_v = curve->x[0];
    if (first_v > 0 && supply_v < first_v) {
        *slope = supply_v > 0 ? curve->y[0] / first_v : 0;
        return curve->y[0] * fmax(supply_v, 0) / first_v;
    }
    return second_curve_at(curve, supply_v, slope);
}

double second_drop_at(const second_drop *surface, double current_a, double supply_v,
                      double *by_current, double *by_supply)
{
    const double *current = surface->current;
    size_t last = surface->currents - 1;
    double value[2], slope[2], value_by_supply[2], slope_by_supply[2], ignored;
    size_t i = 0, ends = 1;
    if (current_a >= current[last]) {
        i = last;
    } else if (current_a > current[0]) {
        i = point_below(current, surface->currents, current_a);
        ends = 2;
    }
    for (size_t end = 0; end < ends; end++) {
        value[end] = across(&surface->drop[i + end], supply_v, &value_by_supply[end]);
        slope[end] = across(&surface->steepness[i + end], supply_v, &slope_by_supply[end]);
    }
    double x = current_a - current[i];
    if (ends == 2) { /* the cubic is linear in its four numbers, and so is its derivative */
        double h = current[i + 1] - current[i];
        *by_supply = cubic(x, h, value_by_supply[0], value_by_supply[1], slope_by_supply[0],
                           slope_by_supply[1], &ignored);
        return cubic(x, h, value[0], value[1], slope[0], slope[1], by_current);
    }
    if (x <= 0) {
        *by_current = 0;
        *by_supply = value_by_supply[0];
        return value[0];
    }
    *by_current = slope[0];
    *by_supply = value_by_supply[0] + slope_by_supply[0] * x;
    return value[0] + slope[0] * x;
}

/* ---- diodes ---- */

#define LEAST_OHM 1e-3
/* A single point below it counts as a Schottky diode's, with n = 1. */
#define SCHOTTKY_V 0.45

/* The law v = n Vt ln(1 + i/Is) + R i put through the first and last point at a trial Is; what it
 * misses the rest by. */
typedef struct {
    const sag_forward_point *points;
    size_t count;
    second_junction *junction;
} fit;

static double miss(double log_saturation, void *context)
{
    const fit *f = context;
    const sag_forward_point *first = f->points, *last = f->points + f->count - 1;
    second_junction *j = f->junction;
    j->saturation_a = exp(log_saturation);
    double l0 = log1p(first->current_a / j->saturation_a);
    double l2 = log1p(last->current_a / j->saturation_a);
    if (f->count < 3) {
        j->ohm = LEAST_OHM;
        if (f->count == 1) {
            j->emission_v = (first->voltage_v < SCHOTTKY_V ? 1.0 : 1.8) * SECOND_THERMAL_V;
        } else {
            j->emission_v = (last->voltage_v - j->ohm * last->current_a) / l2;
        }
        return j->emission_v * l0 + j->ohm * first->current_a - first->voltage_v;
    }
    double det = l0 * last->current_a - l2 * first->current_a;
    j->emission_v = (first->voltage_v * last->current_a - last->voltage_v * first->current_a) / det;
    j->ohm = (l0 * last->voltage_v - l2 * first->voltage_v) / det;
    const sag_forward_point *middle = f->points + 1;
    double l1 = log1p(middle->current_a / j->saturation_a);
    return j->emission_v * l1 + j->ohm * middle->current_a - middle->voltage_v;
}

sag_status second_junction_fit(second_junction *junction, const sag_diode_model *model)
{
    fit f = {model->forward, model->forward_count, junction};
    gsl_function function = {miss, &f};
    gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
    if (!solver) {
        return SAG_NO_MEMORY;
    }
    /* The smallest saturation current that fits: from where n would be far above any diode's. */
    double low = log(1e-40), step = 0.5, top = log(model->forward[0].current_a);
    while (low < top && miss(low, &f) * miss(low + step, &f) > 0) {
        low += step;
    }
    sag_status status = SAG_NOT_CONVERGED;
    if (low < top && gsl_root_fsolver_set(solver, &function, low, low + step) == GSL_SUCCESS) {
        for (int i = 0; i < 100; i++) {
            gsl_root_fsolver_iterate(solver);
        }
        miss(gsl_root_fsolver_root(solver), &f);
        junction->ohm = fmax(junction->ohm, LEAST_OHM);
        junction->breakdown_v = model->breakdown_v;
        status = junction->saturation_a > 0 && junction->emission_v > 0 ? SAG_OK : status;
    }
    gsl_root_fsolver_free(solver);
    return status;
}
