/* SPDX-License-Identifier: GPL-3.0-or-later */
/* dense.h - LU factors of small dense matrices, real and complex, equilibrated and pivoted.
 *
 * P R A D = L U with row scales R and column scales D (powers of two, so that they cost no
 * accuracy) and row exchanges P. Matrices are row-major, n x n. Circuit equations mix conductances
 * of 1e-12 S with capacitors at 1e9/s and branch rows of ones: without the scales the pivot choice
 * means nothing. */
#ifndef RAILSAG_DENSE_H
#define RAILSAG_DENSE_H

#include "status.h"

#include <complex.h>
#include <stddef.h>

/* re + j im without arithmetic on the parts (C11's CMPLX, which clang's headers lack here). */
static inline double complex sag_complex(double re, double im)
{
    union {
        double part[2];
        double complex whole;
    } both = {.part = {re, im}};
    return both.whole;
}

typedef struct sag_lu sag_lu;   /* real */
typedef struct sag_zlu sag_zlu; /* complex */

sag_status sag_lu_new(size_t n, sag_lu **out); /* *out is NULL unless SAG_OK */
void sag_lu_free(sag_lu *lu);                  /* NULL is fine */

/* Factors a (not modified). SAG_SINGULAR when an entry is not finite, a column has no pivot or, with
 * least_rcond above 0, the reciprocal condition is under it; *weak (may be NULL) is then the unknown
 * that is not determined. */
sag_status sag_lu_factor(sag_lu *lu, const double *a, double least_rcond, size_t *weak);

/* b: n values; in: right side, out: solution. */
void sag_lu_solve(sag_lu *lu, double *b);

/* Estimate (never too small by much) of 1 / (|A| |A^-1|) in the 1-norm, of the scaled matrix;
 * Hager's method (N. J. Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed.,
 * algorithm 15.1). */
double sag_lu_rcond(sag_lu *lu);

sag_status sag_zlu_new(size_t n, sag_zlu **out);
void sag_zlu_free(sag_zlu *lu);
/* As sag_lu_factor; also SAG_SINGULAR when the reciprocal condition is under 1e-15, so that no digit
 * of a solution would be left. */
sag_status sag_zlu_factor(sag_zlu *lu, const double complex *a, size_t *weak);
double sag_zlu_rcond(sag_zlu *lu);
void sag_zlu_solve(sag_zlu *lu, double complex *b);
/* Solves with the transpose (not conjugated): the adjoint network. */
void sag_zlu_solve_transposed(sag_zlu *lu, double complex *b);

#endif
