/* SPDX-License-Identifier: GPL-3.0-or-later */
/* natural.h - for tests of stability: circuits whose natural frequencies are the roots of a
 * polynomial. */
#ifndef RAILSAG_NATURAL_H
#define RAILSAG_NATURAL_H

#include "circuit.h"
#include "near.h"

#include "dense.h"
#include "stability.h"

#include <gsl/gsl_poly.h>

#define ROOTS "roots of the polynomial by GSL"

static inline sag_stability stability_of(const circuit *c)
{
    sag_stability stability;
    assert_int_equal(sag_stability_at_rest(c->bias, &stability), SAG_OK);
    return stability;
}

/* c = a b, polynomials with the constant first; na and nb coefficients. */
static inline void multiply(double *c, const double *a, size_t na, const double *b, size_t nb)
{
    double product[8] = {0};
    for (size_t i = 0; i < na; i++) {
        for (size_t j = 0; j < nb; j++) {
            product[i + j] += a[i] * b[j];
        }
    }
    memcpy(c, product, (na + nb - 1) * sizeof *c);
}

/* Roots of a polynomial in s, 1/s; solved in 1/us, so that the solver's balancing has an easy task.
 */
static inline void find_roots(const double *a, size_t count, double complex *root)
{
    double scaled[8], found[16], scale = 1e6;
    assert_true(count <= 8);
    for (size_t i = 0; i < count; i++) {
        scaled[i] = a[i] * pow(scale, (double)i);
    }
    gsl_poly_complex_workspace *work = gsl_poly_complex_workspace_alloc(count);
    assert_non_null(work);
    assert_int_equal(gsl_poly_complex_solve(scaled, count, work, found), 0);
    gsl_poly_complex_workspace_free(work);
    for (size_t i = 0; i + 1 < count; i++) {
        root[i] = scale * sag_complex(found[2 * i], found[2 * i + 1]);
    }
}

/* The root that grows fastest or decays slowest. */
static inline double complex find_rightmost(const double complex *root, size_t count)
{
    double complex found = root[0];
    for (size_t i = 1; i < count; i++) {
        found = creal(root[i]) > creal(found) ? root[i] : found;
    }
    return found;
}

/* The model "ringing" as a follower into a capacitor: with out = vg / (1 + Ro (1/R + s C)),
 *     (s + wt/A0) (1 + s/p2) (1 + Ro/R + s Ro C) + wt = 0,   p2 = wt sin 45 tan 45.
 * Returns the number of roots. */
static inline size_t roots_of_the_follower(double farad, double complex root[3])
{
    double wt = 2 * M_PI * 3e6, leak = wt / pow(10, 106 / 20.0), p2 = wt * M_SQRT1_2;
    double a[4], leaky[2] = {leak, 1}, second[2] = {1, 1 / p2},
                 load[2] = {1 + 120 / 100e3, 120 * farad};
    multiply(a, leaky, 2, second, 2);
    multiply(a, a, 3, load, 2);
    a[0] += wt;
    size_t count = farad > 0 ? 4 : 3;
    find_roots(a, count, root);
    return count - 1;
}

/* A conditionally stable loop: a follower whose feedback goes through two lags, with poles at 100
 * kHz and zeros at 1 MHz. Less gain than the op-amp's own makes it oscillate, still less does
 * not: (s + wt/A0) (D + Ro/R2 (D - D1)) + wt g N = 0,       g the share of the gain that is left N
 * = (1 + s R3 C1)(1 + s R5 C2),   D1 = (1 + s R3 C1)(1 + s (R4 + R5) C2) D = D1 + R2 [s C1 (1 + s
 * (R4 + R5) C2) + s C2 (1 + s R3 C1)] */
#define CONDITIONAL                                                                                \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "                \
            "'nominal': '18V'}",                                                                   \
            "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "                             \
            "'R2': {'resistor': '10k', 'between': ['out', 'x']}, "                                 \
            "'R3': {'resistor': '1.1k', 'between': ['x', 'y']}, "                                  \
            "'C1': {'capacitor': '150p', 'between': ['y', 'ground']}, "                            \
            "'R4': {'resistor': '100k', 'between': ['x', 'm']}, "                                  \
            "'R5': {'resistor': '11k', 'between': ['m', 'z']}, "                                   \
            "'C2': {'capacitor': '15p', 'between': ['z', 'ground']}, "                             \
            "'U1A': {'opamp': 'hanging', 'plus': 'in', 'minus': 'm', 'out': 'out', 'rails': "      \
            "['up', 'down']}")

static inline double complex rightmost_of_the_conditional(double share)
{
    static const double r2 = 10e3, c1 = 150e-12, c2 = 15e-12, ro = 1;
    double wt = 2 * M_PI * 100e6, leaky[2] = {wt / 1e5, 1};
    double zero[2] = {1, 1.1e3 * c1}, other[2] = {1, 11e3 * c2}, lag[2] = {1, 111e3 * c2};
    double n[3], d1[3], first[3], second[3], d[3], a[4], by_r2c1[2] = {0, r2 * c1},
                                                         by_r2c2[2] = {0, r2 * c2};
    multiply(n, zero, 2, other, 2);
    multiply(d1, zero, 2, lag, 2);
    multiply(first, by_r2c1, 2, lag, 2);
    multiply(second, by_r2c2, 2, zero, 2);
    for (int i = 0; i < 3; i++) {
        d[i] = d1[i] + (1 + ro / r2) * (first[i] + second[i]);
    }
    multiply(a, d, 3, leaky, 2);
    for (int i = 0; i < 3; i++) {
        a[i] += wt * share * n[i];
    }
    double complex root[3];
    find_roots(a, 4, root);
    return find_rightmost(root, 3);
}

#endif
