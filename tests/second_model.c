/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "memory.h"
#include "second_private.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <string.h>

/* A junction's exponential goes on along its tangent from this current, A: only Newton's first
 * guesses get there. */
#define HIGHEST_A 100.0
/* Newton for the resting point begins with diodes that conduct this, A. */
#define START_A 1e-3
/* No unknown moves further in one Newton step, V or A; done below the other. */
#define LONGEST_STEP  0.5
#define SHORTEST_STEP 1e-9
#define MOST_STEPS    400
/* Of one part: an op-amp with a class-B output and input diodes. */
#define MOST_UNKNOWNS 5

int second_model_node(const second_model *m, int node)
{
    return m->unknown_of[node];
}

int second_model_output(const second_model *m)
{
    return second_model_node(m, m->design->output);
}

size_t second_model_size(const second_model *m)
{
    return m->n;
}

const double *second_model_rest(const second_model *m)
{
    return m->rest;
}

int second_model_is_current(const second_model *m, size_t unknown)
{
    return m->is_current[unknown];
}

void second_model_drive(second_model *m, double frequency_hz, double level_vpk)
{
    m->frequency_hz = frequency_hz;
    m->level_vpk = level_vpk;
}

void second_model_free(second_model *m)
{
    if (m) {
        sag_free(m->unknown_of);
        sag_free(m->is_current);
        sag_free(m->g.list);
        sag_free(m->c.list);
        sag_free(m->constant);
        sag_free(m->drive);
        sag_free(m->rest);
        sag_free(m->opamps);
        sag_free(m->packages);
        sag_free(m->junctions);
        sag_free(m);
    }
}

static sag_status allocate(second_model *m)
{
    const sag_design *design = m->design;
    size_t parts = design->part_count, opamps = 0;
    size_t most = design->node_count + MOST_UNKNOWNS * parts + design->input_count + 4;
    for (size_t i = 0; i < parts; i++) {
        opamps += design->parts[i].kind == SAG_OPAMP;
    }
    m->unknown_of = sag_new(design->node_count, sizeof *m->unknown_of);
    m->is_current = sag_new(most, 1);
    m->constant = sag_new(most, sizeof *m->constant);
    m->drive = sag_new(most, sizeof *m->drive);
    m->rest = sag_new(most, sizeof *m->rest);
    m->opamps = sag_new(opamps, sizeof *m->opamps);
    m->packages = sag_new(design->package_count, sizeof *m->packages);
    m->junctions = sag_new(2 * parts, sizeof *m->junctions);
    return m->unknown_of && m->is_current && m->constant && m->drive && m->rest && m->opamps &&
                   m->packages && m->junctions
               ? SAG_OK
               : SAG_NO_MEMORY;
}

/* ---- evaluation ---- */

static double at(const double *y, int unknown)
{
    return unknown < 0 ? 0 : y[unknown];
}

static void add_to(double *r, int row, double value)
{
    if (row >= 0) {
        r[row] += value;
    }
}

/* Column by column. */
static void add_slope(const second_model *m, double *jacobian, int row, int column, double value)
{
    if (row >= 0 && column >= 0) {
        jacobian[(size_t)column * m->n + (size_t)row] += value;
    }
}

static double exponential(const second_exponential *j, double v, double *slope)
{
    double most_v = j->emission_v * log(HIGHEST_A / j->saturation_a);
    double grown = j->saturation_a * exp(fmin(v, most_v) / j->emission_v);
    *slope = grown / j->emission_v;
    return grown - j->less * j->saturation_a + *slope * fmax(v - most_v, 0);
}

static double quiescent(const second_package *p, double volts, double *slope)
{
    double amps = p->amps * second_curve_at(&p->ratio, volts, slope);
    *slope *= p->amps;
    return amps;
}

static void see(const second_opamp *opamp, const double *y, double v[SECOND_PINS])
{
    for (int i = 0; i < SECOND_PINS; i++) {
        v[i] = at(y, opamp->at[i]);
    }
}

void second_model_residual(const second_model *m, double time_s, const double *y,
                           const double *rate, double *residual)
{
    double u = m->level_vpk * sin(2 * M_PI * m->frequency_hz * time_s), slope;
    for (size_t i = 0; i < m->n; i++) {
        residual[i] = -m->constant[i] - m->drive[i] * u;
    }
    for (size_t i = 0; i < m->g.count; i++) {
        const second_entry *e = &m->g.list[i];
        residual[e->row] += e->value * y[e->column];
    }
    for (size_t i = 0; i < m->c.count; i++) {
        const second_entry *e = &m->c.list[i];
        residual[e->row] += e->value * rate[e->column];
    }
    for (size_t i = 0; i < m->package_count; i++) {
        const second_package *p = &m->packages[i];
        double amps = quiescent(p, at(y, p->positive) - at(y, p->negative), &slope);
        add_to(residual, p->positive, amps);
        add_to(residual, p->negative, -amps);
    }
    for (size_t i = 0; i < m->junction_count; i++) {
        const second_exponential *j = &m->junctions[i];
        double amps = exponential(j, at(y, j->from) - at(y, j->to), &slope);
        add_to(residual, j->from, amps);
        add_to(residual, j->to, -amps);
    }
    for (size_t i = 0; i < m->opamp_count; i++) {
        const second_opamp *opamp = &m->opamps[i];
        double v[SECOND_PINS];
        second_opamp_terms terms;
        see(opamp, y, v);
        second_opamp_values(opamp, v, at(rate, opamp->at[SECOND_GAIN]),
                            at(rate, opamp->at[SECOND_INPUT]), &terms);
        for (int pin = 0; pin < SECOND_PINS; pin++) {
            add_to(residual, opamp->at[pin], terms.row[pin]);
        }
    }
}

static void add_opamp_slopes(const second_model *m, const second_opamp *opamp, double a,
                             const second_opamp_terms *terms, double *jacobian)
{
    for (int row = 0; row < SECOND_PINS; row++) {
        for (int column = 0; column < SECOND_PINS; column++) {
            add_slope(m, jacobian, opamp->at[row], opamp->at[column], terms->by[row][column]);
        }
    }
    add_slope(m, jacobian, opamp->at[SECOND_GAIN], opamp->at[SECOND_GAIN], a * terms->gain_by_rate);
    add_slope(m, jacobian, opamp->at[SECOND_INPUT], opamp->at[SECOND_INPUT],
              a * terms->input_by_rate);
}

static void add_pair(const second_model *m, double *jacobian, int from, int to, double slope)
{
    add_slope(m, jacobian, from, from, slope);
    add_slope(m, jacobian, to, to, slope);
    add_slope(m, jacobian, from, to, -slope);
    add_slope(m, jacobian, to, from, -slope);
}

static void linear_slopes(const second_model *m, double a, double *jacobian)
{
    memset(jacobian, 0, m->n * m->n * sizeof *jacobian);
    for (size_t i = 0; i < m->g.count; i++) {
        const second_entry *e = &m->g.list[i];
        jacobian[e->column * m->n + e->row] += e->value;
    }
    for (size_t i = 0; i < m->c.count; i++) {
        const second_entry *e = &m->c.list[i];
        jacobian[e->column * m->n + e->row] += a * e->value;
    }
}

void second_model_jacobian(const second_model *m, double a, const double *y, const double *rate,
                           double *jacobian)
{
    double slope;
    linear_slopes(m, a, jacobian);
    for (size_t i = 0; i < m->package_count; i++) {
        const second_package *p = &m->packages[i];
        quiescent(p, at(y, p->positive) - at(y, p->negative), &slope);
        add_pair(m, jacobian, p->positive, p->negative, slope);
    }
    for (size_t i = 0; i < m->junction_count; i++) {
        const second_exponential *j = &m->junctions[i];
        exponential(j, at(y, j->from) - at(y, j->to), &slope);
        add_pair(m, jacobian, j->from, j->to, slope);
    }
    for (size_t i = 0; i < m->opamp_count; i++) {
        const second_opamp *opamp = &m->opamps[i];
        double v[SECOND_PINS];
        second_opamp_terms terms;
        see(opamp, y, v);
        second_opamp_slopes(opamp, v, at(rate, opamp->at[SECOND_GAIN]),
                            at(rate, opamp->at[SECOND_INPUT]), &terms);
        add_opamp_slopes(m, opamp, a, &terms, jacobian);
    }
}

void second_model_storage(const second_model *m, const double *y, double *storage)
{
    memset(storage, 0, m->n * m->n * sizeof *storage);
    for (size_t i = 0; i < m->c.count; i++) {
        const second_entry *e = &m->c.list[i];
        storage[e->column * m->n + e->row] += e->value;
    }
    for (size_t i = 0; i < m->opamp_count; i++) {
        const second_opamp *opamp = &m->opamps[i];
        double v[SECOND_PINS];
        second_opamp_terms terms;
        see(opamp, y, v);
        second_opamp_slopes(opamp, v, 0, 0, &terms);
        add_slope(m, storage, opamp->at[SECOND_GAIN], opamp->at[SECOND_GAIN], terms.gain_by_rate);
        add_slope(m, storage, opamp->at[SECOND_INPUT], opamp->at[SECOND_INPUT],
                  terms.input_by_rate);
    }
}

/* ---- the resting point ---- */

/* GSL's matrices go row by row. */
static void transpose(double *matrix, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t j = i + 1; j < n; j++) {
            double held = matrix[i * n + j];
            matrix[i * n + j] = matrix[j * n + i];
            matrix[j * n + i] = held;
        }
    }
}

/* x = -matrix^-1 x; matrix column by column, spent. */
static sag_status solve(double *matrix, double *x, size_t n)
{
    int sign;
    gsl_permutation *order = gsl_permutation_alloc(n);
    if (!order) {
        return SAG_NO_MEMORY;
    }
    transpose(matrix, n);
    gsl_matrix_view a = gsl_matrix_view_array(matrix, n, n);
    gsl_vector_view b = gsl_vector_view_array(x, n);
    int failed = gsl_linalg_LU_decomp(&a.matrix, order, &sign);
    for (size_t i = 0; i < n; i++) {
        failed |= !(fabs(matrix[i * n + i]) > 0);
    }
    if (!failed) {
        gsl_linalg_LU_svx(&a.matrix, order, &b.vector);
        gsl_vector_scale(&b.vector, -1);
    }
    gsl_permutation_free(order);
    return failed ? SAG_SINGULAR : SAG_OK;
}

/* The solution with every op-amp linear, clear of its limits, and diodes along the tangent of one
 * that conducts a little. */
static sag_status start(second_model *m, double supply_v, double *jacobian)
{
    double slope;
    linear_slopes(m, 0, jacobian);
    for (size_t i = 0; i < m->n; i++) {
        m->rest[i] = -m->constant[i];
    }
    for (size_t i = 0; i < m->package_count; i++) {
        double amps = quiescent(&m->packages[i], supply_v, &slope);
        add_to(m->rest, m->packages[i].positive, amps);
        add_to(m->rest, m->packages[i].negative, -amps);
    }
    for (size_t i = 0; i < m->junction_count; i++) {
        const second_exponential *j = &m->junctions[i];
        double v = j->less > 0 ? j->emission_v * log(START_A / j->saturation_a) : 0;
        double amps = exponential(j, v, &slope);
        add_pair(m, jacobian, j->from, j->to, slope);
        add_to(m->rest, j->from, amps - slope * v);
        add_to(m->rest, j->to, slope * v - amps);
    }
    for (size_t i = 0; i < m->opamp_count; i++) {
        const second_opamp *opamp = &m->opamps[i];
        const double v[SECOND_PINS] = {
            [SECOND_POSITIVE] = supply_v / 2, [SECOND_NEGATIVE] = -supply_v / 2};
        second_opamp_terms terms;
        second_opamp_slopes(opamp, v, 0, 0, &terms);
        add_opamp_slopes(m, opamp, 0, &terms, jacobian);
        for (int row = 0; row < SECOND_PINS; row++) {
            double value = terms.row[row];
            for (int pin = 0; pin < SECOND_PINS; pin++) {
                value -= terms.by[row][pin] * v[pin];
            }
            add_to(m->rest, opamp->at[row], value);
        }
    }
    return solve(jacobian, m->rest, m->n);
}

static void take_rest_figures(second_model *m, const double *y, double supply_v)
{
    for (size_t i = 0; i < m->opamp_count; i++) {
        const int *pin = m->opamps[i].at;
        double rail_v = y ? at(y, pin[SECOND_POSITIVE]) - at(y, pin[SECOND_NEGATIVE]) : supply_v;
        second_opamp_rest(&m->opamps[i], rail_v);
    }
}

/* Newton in steps of limited length, once with the knees at the battery's voltage and once with
 * those at the rails found. */
static sag_status find_rest(second_model *m, double supply_v)
{
    size_t n = m->n;
    double *jacobian = sag_new(n * n + 2 * n, sizeof *jacobian);
    if (!jacobian) {
        return SAG_NO_MEMORY;
    }
    double *step = jacobian + n * n, *still = step + n;
    take_rest_figures(m, NULL, supply_v);
    sag_status status = start(m, supply_v, jacobian);
    for (int round = 0; round < 2 && status == SAG_OK; round++) {
        double largest = (double)INFINITY;
        for (int i = 0; i < MOST_STEPS && status == SAG_OK && largest > SHORTEST_STEP; i++) {
            second_model_residual(m, 0, m->rest, still, step);
            second_model_jacobian(m, 0, m->rest, still, jacobian);
            status = solve(jacobian, step, n);
            largest = 0;
            for (size_t k = 0; k < n; k++) {
                largest = fmax(largest, fabs(step[k]));
            }
            double share = fmin(1, LONGEST_STEP / largest);
            for (size_t k = 0; k < n; k++) {
                m->rest[k] += share * step[k];
            }
        }
        if (status == SAG_OK && !(largest <= SHORTEST_STEP)) {
            status = SAG_NOT_CONVERGED;
        }
        take_rest_figures(m, m->rest, supply_v);
    }
    sag_free(jacobian);
    return status;
}

sag_status second_model_new(const sag_design *design, const sag_conditions *conditions,
                            second_model **out)
{
    *out = NULL;
    second_model *m = sag_new(1, sizeof *m);
    if (!m) {
        return SAG_NO_MEMORY;
    }
    m->design = design;
    sag_status status = allocate(m);
    if (status == SAG_OK) {
        second_parts_put(m, conditions);
        status = m->status;
    }
    if (status == SAG_OK) {
        status = find_rest(m, conditions->supply_v);
    }
    if (status != SAG_OK) {
        second_model_free(m);
        return status;
    }
    *out = m;
    return SAG_OK;
}
