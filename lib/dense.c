/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "dense.h"

#include "memory.h"

#include <math.h>

/* The power of two next to x, so that scaling by it is exact. */
static double power_of_two(double x)
{
    int exponent;
    frexp(x, &exponent);
    return ldexp(1.0, exponent);
}

#define LU        sag_lu
#define LU_(verb) sag_lu_##verb
#define SCALAR    double
#define MAGNITUDE fabs
#include "dense_lu.inc"
#undef LU
#undef LU_
#undef SCALAR
#undef MAGNITUDE

#define LU        sag_zlu
#define LU_(verb) sag_zlu_##verb
#define SCALAR    double complex
#define MAGNITUDE cabs
#include "dense_lu.inc"

double sag_lu_rcond(sag_lu *lu)
{
    size_t n = lu->n;
    double *x = lu->work, *z = lu->work + n;
    for (size_t i = 0; i < n; i++) {
        x[i] = 1.0 / (double)n;
    }
    double estimate = 0;
    size_t seen = n;
    for (int round = 0; round < 5; round++) {
        sag_lu_substitute(lu, x);
        double sum = 0;
        for (size_t i = 0; i < n; i++) {
            sum += fabs(x[i]);
        }
        if (round > 0 && sum <= estimate) {
            break;
        }
        estimate = sum;
        for (size_t i = 0; i < n; i++) {
            z[i] = x[i] < 0 ? -1 : 1;
        }
        sag_lu_substitute_transposed(lu, z);
        size_t largest = 0;
        for (size_t i = 1; i < n; i++) {
            if (fabs(z[i]) > fabs(z[largest])) {
                largest = i;
            }
        }
        if (largest == seen) {
            break;
        }
        seen = largest;
        for (size_t i = 0; i < n; i++) {
            x[i] = i == largest;
        }
    }
    return 1 / (lu->norm * estimate);
}

sag_status sag_lu_factor(sag_lu *lu, const double *a, double least_rcond, size_t *weak)
{
    size_t nowhere = 0;
    weak = weak ? weak : &nowhere;
    TRY(sag_lu_scale(lu, a, weak));
    TRY(sag_lu_eliminate(lu, weak));
    if (!(least_rcond > 0)) { /* no estimate asked for: only that the pivots are numbers */
        for (size_t k = 0; k < lu->n; k++) {
            if (!isfinite(lu->lu[k * lu->n + k])) {
                *weak = k;
                return SAG_SINGULAR;
            }
        }
        return SAG_OK;
    }
    double rcond = sag_lu_rcond(lu);
    if (!(rcond >= least_rcond)) {
        *weak = 0;
        for (size_t k = 1; k < lu->n; k++) {
            if (fabs(lu->lu[k * lu->n + k]) < fabs(lu->lu[*weak * lu->n + *weak])) {
                *weak = k;
            }
        }
        return SAG_SINGULAR;
    }
    return SAG_OK;
}

sag_status sag_zlu_factor(sag_zlu *lu, const double complex *a, size_t *weak)
{
    size_t nowhere = 0;
    weak = weak ? weak : &nowhere;
    TRY(sag_zlu_scale(lu, a, weak));
    return sag_zlu_eliminate(lu, weak);
}

void sag_zlu_solve_transposed(sag_zlu *lu, double complex *b)
{
    for (size_t i = 0; i < lu->n; i++) {
        b[i] *= lu->column[i];
    }
    sag_zlu_substitute_transposed(lu, b);
    for (size_t i = 0; i < lu->n; i++) {
        b[i] *= lu->row[i];
    }
}
