/* SPDX-License-Identifier: GPL-3.0-or-later */
/* dense: LU factors against GSL's, on matrices as mixed as circuit equations are. */
#include "near.h"

#include "chance.h"
#include "dense.h"

#include <gsl/gsl_complex_math.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <string.h>

#define MOST 24

static const double least_decade = -12, highest_decade = 9; /* conductances of 1e-12 to 1e9 S */

static void fill(uint64_t *seed, size_t count, double *values)
{
    for (size_t i = 0; i < count; i++) {
        values[i] = chance_between(seed, -1, 1);
    }
}

static void fill_complex(uint64_t *seed, size_t count, double complex *values)
{
    for (size_t i = 0; i < count; i++) {
        double re = chance_between(seed, -1, 1);
        values[i] = sag_complex(re, chance_between(seed, -1, 1));
    }
}

/* x with a x = b, by GSL; returns the condition in the 1-norm. */
static double solve_by_gsl(size_t n, const double *a, const double *b, double *x)
{
    gsl_matrix *u = gsl_matrix_alloc(n, n), *v = gsl_matrix_alloc(n, n);
    gsl_vector *s = gsl_vector_alloc(n), *work = gsl_vector_alloc(n);
    memcpy(u->data, a, n * n * sizeof *a);
    gsl_linalg_SV_decomp(u, v, s, work);
    double norm = 0, inverse_norm = 0;
    memset(x, 0, n * sizeof *x);
    for (size_t j = 0; j < n; j++) {
        double sum = 0, inverse_sum = 0;
        for (size_t i = 0; i < n; i++) {
            double inverse = 0; /* of A = U S V^T: V S^-1 U^T */
            for (size_t k = 0; k < n; k++) {
                inverse += gsl_matrix_get(v, i, k) * gsl_matrix_get(u, j, k) / gsl_vector_get(s, k);
            }
            sum += fabs(a[i * n + j]);
            inverse_sum += fabs(inverse);
            x[i] += inverse * b[j];
        }
        norm = fmax(norm, sum);
        inverse_norm = fmax(inverse_norm, inverse_sum);
    }
    gsl_matrix_free(u);
    gsl_matrix_free(v);
    gsl_vector_free(s);
    gsl_vector_free(work);
    return norm * inverse_norm;
}

static void solve_complex_by_gsl(size_t n, const double complex *a, int transposed,
                                 const double complex *b, double complex *x)
{
    gsl_matrix_complex *m = gsl_matrix_complex_alloc(n, n);
    gsl_vector_complex *right = gsl_vector_complex_alloc(n), *found = gsl_vector_complex_alloc(n);
    gsl_permutation *order = gsl_permutation_alloc(n);
    int sign;
    for (size_t i = 0; i < n; i++) {
        gsl_vector_complex_set(right, i, gsl_complex_rect(creal(b[i]), cimag(b[i])));
        for (size_t j = 0; j < n; j++) {
            double complex entry = transposed ? a[j * n + i] : a[i * n + j];
            gsl_matrix_complex_set(m, i, j, gsl_complex_rect(creal(entry), cimag(entry)));
        }
    }
    gsl_linalg_complex_LU_decomp(m, order, &sign);
    gsl_linalg_complex_LU_solve(m, order, right, found);
    for (size_t i = 0; i < n; i++) {
        gsl_complex value = gsl_vector_complex_get(found, i);
        x[i] = sag_complex(GSL_REAL(value), GSL_IMAG(value));
    }
    gsl_matrix_complex_free(m);
    gsl_vector_complex_free(right);
    gsl_vector_complex_free(found);
    gsl_permutation_free(order);
}

/* a is made of w by scaling rows and columns over 21 decades: a = diag(row) w diag(column). Then
 * a x = b has the solution x = y / column with w y = b / row, which GSL finds without the scales.
 */
static void solutions_agree_whatever_the_scales(void **state)
{
    (void)state;
    uint64_t seed = 1;
    double w[MOST * MOST], a[MOST * MOST], b[MOST], plain[MOST], x[MOST], y[MOST];
    for (int round = 0; round < 400; round++) {
        size_t n = 1 + (size_t)chance_index(&seed, MOST);
        int mixed = round % 2;
        double row[MOST], column[MOST];
        fill(&seed, n * n, w);
        fill(&seed, n, plain);
        for (size_t i = 0; i < n; i++) {
            row[i] = mixed ? chance_decades(&seed, least_decade, highest_decade) : 1;
            column[i] = mixed ? chance_decades(&seed, least_decade, highest_decade) : 1;
        }
        for (size_t i = 0; i < n; i++) {
            b[i] = plain[i] * row[i];
            for (size_t j = 0; j < n; j++) {
                a[i * n + j] = w[i * n + j] * row[i] * column[j];
            }
        }
        double condition = solve_by_gsl(n, w, plain, y), largest = 0;
        sag_lu *lu;
        assert_int_equal(sag_lu_new(n, &lu), SAG_OK);
        assert_int_equal(sag_lu_factor(lu, a, 0, NULL), SAG_OK);
        memcpy(x, b, n * sizeof *x);
        sag_lu_solve(lu, x);
        for (size_t i = 0; i < n; i++) {
            largest = fmax(largest, fabs(y[i]));
        }
        for (size_t i = 0; i < n; i++) {
            near_abs(x[i] * column[i], y[i], 1e-13 * condition * largest, "GSL, singular values");
        }
        sag_lu_free(lu);
    }
}

/* Equilibrates as dense.h says: scales that are powers of two, rows first. */
static void equilibrate(size_t n, double *a, double *row, double *column)
{
    for (int columns = 0; columns < 2; columns++) {
        for (size_t i = 0; i < n; i++) {
            double largest = 0;
            int exponent;
            for (size_t j = 0; j < n; j++) {
                largest = fmax(largest, fabs(a[columns ? j * n + i : i * n + j]));
            }
            frexp(1 / largest, &exponent);
            (columns ? column : row)[i] = ldexp(1, exponent);
            for (size_t j = 0; j < n; j++) {
                double *entry = &a[columns ? j * n + i : i * n + j];
                *entry = ldexp(*entry, exponent);
            }
        }
    }
}

/* Conductances between random nodes and to ground, and rows of ideal branches (ones). The residual
 * of each equation, scaled, is small against the scaled solution: backward stability as of
 * elimination with exchanges (N. J. Higham, Accuracy and Stability of Numerical Algorithms, 2nd
 * ed., theorem 9.4). */
static void residuals_are_small_in_every_row(void **state)
{
    (void)state;
    uint64_t seed = 2;
    double a[MOST * MOST], b[MOST], x[MOST];
    int checked = 0;
    for (int round = 0; round < 400; round++) {
        size_t nodes = 3 + (size_t)chance_index(&seed, MOST - 8), n = nodes + 2;
        memset(a, 0, sizeof a);
        for (size_t i = 0; i < nodes; i++) {
            size_t j = (size_t)chance_index(&seed, (int)nodes);
            double siemens = fabs(chance_decades(&seed, least_decade, highest_decade));
            a[i * n + i] += siemens;
            if (i != j && i > 0) {
                a[j * n + j] += siemens;
                a[i * n + j] -= siemens;
                a[j * n + i] -= siemens;
            }
        }
        for (size_t k = 0; k < 2; k++) { /* a source from node k to ground */
            a[(nodes + k) * n + k] = a[k * n + nodes + k] = 1;
        }
        for (size_t i = 0; i < n; i++) {
            b[i] = i < nodes ? chance_decades(&seed, -12, 0) : chance_between(&seed, -10, 10);
            x[i] = b[i];
        }
        sag_lu *lu;
        assert_int_equal(sag_lu_new(n, &lu), SAG_OK);
        size_t weak;
        sag_status status = sag_lu_factor(lu, a, 0, &weak);
        if (status == SAG_OK) { /* a group of nodes may hang in the air */
            sag_lu_solve(lu, x);
            double scaled[MOST * MOST] = {0}, row[MOST], column[MOST], largest = 0;
            memcpy(scaled, a, n * n * sizeof *a);
            equilibrate(n, scaled, row, column);
            for (size_t i = 0; i < n; i++) {
                largest = fmax(largest, fabs(x[i] / column[i]));
            }
            for (size_t i = 0; i < n; i++) {
                long double sum = -(long double)b[i];
                for (size_t j = 0; j < n; j++) {
                    sum += (long double)a[i * n + j] * (long double)x[j];
                }
                near_abs((double)(sum * (long double)row[i]), 0, 1e-14 * largest,
                         "the equation itself");
            }
            checked++;
        }
        sag_lu_free(lu);
    }
    assert_true(checked > 200);
}

static void complex_solutions_agree_both_ways(void **state)
{
    (void)state;
    uint64_t seed = 3;
    double complex w[MOST * MOST], a[MOST * MOST], plain[MOST], b[MOST], x[MOST], y[MOST];
    for (int round = 0; round < 400; round++) {
        size_t n = 1 + (size_t)chance_index(&seed, MOST);
        int mixed = round % 2, transposed = round / 2 % 2;
        double row[MOST], column[MOST];
        fill_complex(&seed, n * n, w);
        fill_complex(&seed, n, plain);
        for (size_t i = 0; i < n; i++) {
            row[i] = mixed ? chance_decades(&seed, least_decade, highest_decade) : 1;
            column[i] = mixed ? chance_decades(&seed, least_decade, highest_decade) : 1;
        }
        const double *before = transposed ? column : row, *after = transposed ? row : column;
        for (size_t i = 0; i < n; i++) {
            w[i * n + i] += 3; /* well-conditioned, so that all digits count */
            x[i] = b[i] = plain[i] * before[i];
        }
        for (size_t i = 0; i < n; i++) {
            for (size_t j = 0; j < n; j++) {
                a[i * n + j] = w[i * n + j] * row[i] * column[j];
            }
        }
        solve_complex_by_gsl(n, w, transposed, plain, y);
        sag_zlu *lu;
        assert_int_equal(sag_zlu_new(n, &lu), SAG_OK);
        assert_int_equal(sag_zlu_factor(lu, a, NULL), SAG_OK);
        (transposed ? sag_zlu_solve_transposed : sag_zlu_solve)(lu, x);
        double largest = 0;
        for (size_t i = 0; i < n; i++) {
            largest = fmax(largest, cabs(y[i]));
        }
        for (size_t i = 0; i < n; i++) {
            near_abs(cabs(x[i] * after[i] - y[i]), 0, 1e-11 * largest, "GSL, complex LU");
        }
        sag_zlu_free(lu);
    }
}

/* The same factors serve several right sides, and factoring again forgets the matrix before. */
static void a_factor_is_used_again(void **state)
{
    (void)state;
    uint64_t seed = 4;
    sag_lu *lu;
    double a[3][25], b[5], x[5], y[5];
    assert_int_equal(sag_lu_new(5, &lu), SAG_OK);
    for (int round = 0; round < 3; round++) {
        fill(&seed, 25, a[round]);
        double kept[25];
        memcpy(kept, a[round], sizeof kept);
        assert_int_equal(sag_lu_factor(lu, a[round], 0, NULL), SAG_OK);
        assert_memory_equal(kept, a[round], sizeof kept);
        for (int right = 0; right < 3; right++) {
            fill(&seed, 5, b);
            memcpy(x, b, sizeof x);
            sag_lu_solve(lu, x);
            double condition = solve_by_gsl(5, a[round], b, y);
            for (int i = 0; i < 5; i++) {
                near_abs(x[i], y[i], 1e-13 * condition, "GSL, singular values");
            }
        }
    }
    /* After a failure the next matrix is none the worse. */
    double zero[25] = {0};
    assert_int_equal(sag_lu_factor(lu, zero, 0, NULL), SAG_SINGULAR);
    assert_int_equal(sag_lu_factor(lu, a[0], 0, NULL), SAG_OK);
    memcpy(x, b, sizeof x);
    sag_lu_solve(lu, x);
    double condition = solve_by_gsl(5, a[0], b, y);
    for (int i = 0; i < 5; i++) {
        near_abs(x[i], y[i], 1e-13 * condition, "GSL, singular values");
    }
    sag_lu_free(lu);
}

/* Each: a matrix of which one unknown (or any of a set) is not determined. */
static void singular_matrices_name_an_unknown(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        size_t n;
        double a[16];
        int undetermined; /* bits of the unknowns that may be named */
    } cases[] = {
        {"one equation, nothing in it", 1, {0}, 1},
        {"a column of zeros", 3, {1, 0, 2, 3, 0, 4, 5, 0, 6}, 1 << 1},
        {"two equal columns", 3, {1, 2, 2, 3, 4, 4, 5, 7, 7}, 1 << 1 | 1 << 2},
        {"a node without any path",
         4,
         {2, -1, 0, 0, -1, 3, 0, -1, 0, 0, 0, 0, 0, -1, 0, 4},
         1 << 2},
        {"two nodes joined to each other alone",
         4,
         {1e-3, 0, 0, -1e-3, 0, 1e-9, -1e-9, 0, 0, -1e-9, 1e-9, 0, -1e-3, 0, 0, 2e-3},
         1 << 1 | 1 << 2},
        {"two sources in parallel: their currents",
         4,
         {1, 0, 1, 1, 0, 1, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0},
         1 << 2 | 1 << 3},
        {"an empty row, whose own unknown another row gives",
         3,
         {0, 1, 0, 0, 0, 0, 1, 0, 1},
         1 << 0 | 1 << 2},
        {"an empty row below", 3, {1, 0, 1, 0, 0, 2, 0, 0, 0}, 1 << 1},
        {"not a number", 2, {1, 2, 3, (double)NAN}, 1 << 1},
        {"not a number above the diagonal", 3, {1, (double)NAN, 0, 0, 1, 0, 0, 0, 1}, 1 << 1},
        {"not a number in the last column", 3, {1, 0, (double)NAN, 0, 1, 0, 0, 0, 1}, 1 << 2},
        {"infinite", 2, {1, 2, (double)INFINITY, 4}, 1 << 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        size_t n = cases[i].n, weak = 99;
        sag_lu *lu;
        assert_int_equal(sag_lu_new(n, &lu), SAG_OK);
        int named = sag_lu_factor(lu, cases[i].a, 1e-13, &weak) == SAG_SINGULAR && weak < n &&
                    (cases[i].undetermined >> weak & 1);
        sag_lu_free(lu);
        sag_zlu *zlu;
        double complex za[16];
        for (size_t k = 0; k < n * n; k++) {
            za[k] = sag_complex(cases[i].a[k], cases[i].a[k]);
        }
        size_t zweak = 99;
        assert_int_equal(sag_zlu_new(n, &zlu), SAG_OK);
        sag_status zstatus = sag_zlu_factor(zlu, za, &zweak);
        int znamed = zstatus == SAG_SINGULAR && zweak < n && (cases[i].undetermined >> zweak & 1);
        sag_zlu_free(zlu);
        if (!named || !znamed) {
            print_error("%s: real names %zu, complex %zu\n", cases[i].what, weak, zweak);
            fail();
        }
    }
    sag_lu_free(NULL);
    sag_zlu_free(NULL);
}

/* From well-conditioned to 1e-11: a column comes near the sum of the others. */
static void the_condition_is_estimated_within_ten(void **state)
{
    (void)state;
    uint64_t seed = 5;
    double a[MOST * MOST] = {0}, b[MOST] = {0}, x[MOST], row[MOST], column[MOST];
    for (int round = 0; round < 600; round++) {
        size_t n = 2 + (size_t)chance_index(&seed, MOST - 1);
        double distance = pow(10, -chance_between(&seed, 0, 11));
        fill(&seed, n * n, a);
        for (size_t i = 0; i < n && round % 3; i++) {
            double sum = 0;
            for (size_t j = 1; j < n; j++) {
                sum += a[i * n + j] / (double)n;
            }
            a[i * n] = sum + distance * a[i * n];
        }
        for (size_t i = 0; i < n && round % 2; i++) {
            double scale = chance_decades(&seed, least_decade, highest_decade);
            for (size_t j = 0; j < n; j++) {
                a[i * n + j] *= scale;
            }
        }
        sag_lu *lu;
        assert_int_equal(sag_lu_new(n, &lu), SAG_OK);
        assert_int_equal(sag_lu_factor(lu, a, 0, NULL), SAG_OK);
        double estimate = sag_lu_rcond(lu);
        equilibrate(n, a, row, column);
        double exact = 1 / solve_by_gsl(n, a, b, x);
        if (!(estimate >= 0.99 * exact) || !(estimate <= 10 * exact)) {
            print_error("n %zu: reciprocal condition %g, exact %g\n", n, estimate, exact);
            fail();
        }
        sag_lu_free(lu);
    }
}

/* The complex factors likewise; the inverse is found column by column. */
static void the_complex_condition_is_estimated_within_ten(void **state)
{
    (void)state;
    uint64_t seed = 6;
    double complex a[MOST * MOST] = {0}, scaled[MOST * MOST], b[MOST], x[MOST];
    for (int round = 0; round < 200; round++) {
        size_t n = 2 + (size_t)chance_index(&seed, MOST - 1);
        double distance = pow(10, -chance_between(&seed, 0, 11));
        double norm = 0, inverse_norm = 0;
        fill_complex(&seed, n * n, a);
        for (size_t i = 0; i < n && round % 3; i++) {
            double complex sum = 0;
            for (size_t j = 1; j < n; j++) {
                sum += a[i * n + j] / (double)n;
            }
            a[i * n] = sum + distance * a[i * n];
        }
        memcpy(scaled, a, n * n * sizeof *a);
        for (int columns = 0; columns < 2; columns++) { /* as equilibrate does */
            for (size_t i = 0; i < n; i++) {
                double largest = 0;
                int exponent;
                for (size_t j = 0; j < n; j++) {
                    double complex entry = scaled[columns ? j * n + i : i * n + j];
                    largest = fmax(largest, fabs(creal(entry)) + fabs(cimag(entry)));
                }
                frexp(1 / largest, &exponent);
                for (size_t j = 0; j < n; j++) {
                    scaled[columns ? j * n + i : i * n + j] *= ldexp(1, exponent);
                }
            }
        }
        for (size_t j = 0; j < n; j++) {
            double sum = 0, inverse_sum = 0;
            for (size_t i = 0; i < n; i++) {
                b[i] = i == j;
            }
            solve_complex_by_gsl(n, scaled, 0, b, x);
            for (size_t i = 0; i < n; i++) {
                sum += cabs(scaled[i * n + j]);
                inverse_sum += cabs(x[i]);
            }
            norm = fmax(norm, sum);
            inverse_norm = fmax(inverse_norm, inverse_sum);
        }
        sag_zlu *lu;
        assert_int_equal(sag_zlu_new(n, &lu), SAG_OK);
        assert_int_equal(sag_zlu_factor(lu, a, NULL), SAG_OK);
        double estimate = sag_zlu_rcond(lu), exact = 1 / (norm * inverse_norm);
        if (!(estimate >= 0.99 * exact) || !(estimate <= 10 * exact)) {
            print_error("n %zu: reciprocal condition %g, exact %g\n", n, estimate, exact);
            fail();
        }
        sag_zlu_free(lu);
    }
}

/* A column that is almost another one is refused or not, as the caller asks. */
static void the_least_condition_is_the_callers(void **state)
{
    (void)state;
    static const double a[9] = {1, 1, 0.5, 2, 2 + 1e-9, 0.25, 3, 3, 4};
    size_t weak = 99;
    sag_lu *lu;
    assert_int_equal(sag_lu_new(3, &lu), SAG_OK);
    assert_int_equal(sag_lu_factor(lu, a, 1e-12, &weak), SAG_OK);
    double rcond = sag_lu_rcond(lu);
    near_abs(log10(rcond), -10, 1.2, "1e-9 against sums of a few");
    assert_int_equal(sag_lu_factor(lu, a, 2 * rcond, &weak), SAG_SINGULAR);
    assert_true(weak == 0 || weak == 1);
    assert_int_equal(sag_lu_factor(lu, a, rcond / 2, &weak), SAG_OK);
    sag_lu_free(lu);
    /* Nothing to solve is solved. */
    assert_int_equal(sag_lu_new(0, &lu), SAG_OK);
    assert_int_equal(sag_lu_factor(lu, a, 0, NULL), SAG_OK);
    sag_lu_solve(lu, NULL);
    sag_lu_free(lu);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(solutions_agree_whatever_the_scales),
        cmocka_unit_test(residuals_are_small_in_every_row),
        cmocka_unit_test(complex_solutions_agree_both_ways),
        cmocka_unit_test(a_factor_is_used_again),
        cmocka_unit_test(singular_matrices_name_an_unknown),
        cmocka_unit_test(the_condition_is_estimated_within_ten),
        cmocka_unit_test(the_complex_condition_is_estimated_within_ten),
        cmocka_unit_test(the_least_condition_is_the_callers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
