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

static double real_sign(double x)
{
    return x < 0 ? -1 : 1;
}

static double complex complex_sign(double complex x)
{
    double size = cabs(x);
    return size > 0 ? conj(x) / size : 1;
}

static inline double real_times(double a, double b)
{
    return a * b;
}

/* For comparing, as LAPACK's pivot search does: no root. */
static inline double complex_size(double complex x)
{
    return fabs(creal(x)) + fabs(cimag(x));
}

/* C11's own multiplication (annex G) looks at each product for a NaN that might be an infinity: no
 * matrix that is factored has either. */
static inline double complex complex_times(double complex a, double complex b)
{
    return sag_complex(creal(a) * creal(b) - cimag(a) * cimag(b),
                       creal(a) * cimag(b) + cimag(a) * creal(b));
}

#define LU        sag_lu
#define LU_(verb) sag_lu_##verb
#define SCALAR    double
#define MAGNITUDE fabs
#define SIGN      real_sign
#define SIZE      fabs
#define TIMES     real_times
#include "dense_lu.inc"
#undef LU
#undef LU_
#undef SCALAR
#undef MAGNITUDE
#undef SIGN
#undef SIZE
#undef TIMES

#define LU        sag_zlu
#define LU_(verb) sag_zlu_##verb
#define SCALAR    double complex
#define MAGNITUDE cabs
#define SIGN      complex_sign
#define SIZE      complex_size
#define TIMES     complex_times
#include "dense_lu.inc"

/* Below, no digit of a solution is left. */
static const double least_zlu_rcond = 1e-15;

sag_status sag_lu_factor(sag_lu *lu, const double *a, double least_rcond, size_t *weak)
{
    return sag_lu_decompose(lu, a, least_rcond, weak);
}

sag_status sag_zlu_factor(sag_zlu *lu, const double complex *a, size_t *weak)
{
    return sag_zlu_decompose(lu, a, least_zlu_rcond, weak);
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
