/* SPDX-License-Identifier: GPL-3.0-or-later */
/* lane.h - a few grid points in lockstep: the number type of the stepping code.
 *
 * A file that includes this has set LANE_WIDTH to 1 or 4 first. Everything above is written once
 * over `lane`; at width 1 it is a plain double. No operation mixes lanes. */
#ifndef RAILSAG_LANE_H
#define RAILSAG_LANE_H

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#ifndef LANE_WIDTH
#error "set LANE_WIDTH before including lane.h"
#endif

#if LANE_WIDTH == 1

typedef double lane;
typedef int64_t lane_mask; /* 0 or -1 */

#define LANE_LESS(a, b) (-(lane_mask)((a) < (b)))

static inline double lane_get(lane a, int i)
{
    (void)i;
    return a;
}

static inline void lane_put(lane *a, int i, double value)
{
    (void)i;
    *a = value;
}

static inline lane lane_of(double value)
{
    return value;
}

static inline lane lane_select(lane_mask mask, lane yes, lane no)
{
    return mask ? yes : no;
}

static inline lane lane_abs(lane a)
{
    return fabs(a);
}

/* The bits of a double as a whole number, and back. */
typedef uint64_t lane_bits;

static inline lane_bits lane_to_bits(lane a)
{
    lane_bits bits;
    memcpy(&bits, &a, sizeof bits);
    return bits;
}

static inline lane lane_from_bits(lane_bits bits)
{
    lane a;
    memcpy(&a, &bits, sizeof a);
    return a;
}

static inline int lane_mask_get(lane_mask mask, int i)
{
    (void)i;
    return mask != 0;
}

static inline void lane_mask_put(lane_mask *mask, int i, int value)
{
    (void)i;
    *mask = value ? -1 : 0;
}

static inline int lane_any(lane_mask mask)
{
    return mask != 0;
}

#else

/* Aligned as the allocator aligns, so that arrays of doubles and of lanes can share memory. */
typedef double lane __attribute__((vector_size(8 * LANE_WIDTH), aligned(16)));
typedef int64_t lane_mask __attribute__((vector_size(8 * LANE_WIDTH), aligned(16)));

#define LANE_LESS(a, b) ((lane_mask)((a) < (b)))

static inline double lane_get(lane a, int i)
{
    return a[i];
}

static inline void lane_put(lane *a, int i, double value)
{
    (*a)[i] = value;
}

static inline lane lane_of(double value)
{
    return value - (lane){0};
}

static inline lane lane_select(lane_mask mask, lane yes, lane no)
{
    return (lane)((mask & (lane_mask)yes) | (~mask & (lane_mask)no));
}

static inline lane lane_abs(lane a)
{
    lane_mask all_but_sign = (lane_mask){0} + INT64_MAX;
    return (lane)((lane_mask)a & all_but_sign);
}

typedef uint64_t lane_bits __attribute__((vector_size(8 * LANE_WIDTH), aligned(16)));

static inline lane_bits lane_to_bits(lane a)
{
    return (lane_bits)a;
}

static inline lane lane_from_bits(lane_bits bits)
{
    return (lane)bits;
}

static inline int lane_mask_get(lane_mask mask, int i)
{
    return mask[i] != 0;
}

static inline void lane_mask_put(lane_mask *mask, int i, int value)
{
    (*mask)[i] = value ? -1 : 0;
}

static inline int lane_any(lane_mask mask)
{
    int64_t any = 0;
    for (int i = 0; i < LANE_WIDTH; i++) {
        any |= mask[i];
    }
    return any != 0;
}

#endif

static inline int lane_count(lane_mask mask)
{
    int count = 0;
    for (int i = 0; i < LANE_WIDTH; i++) {
        count += lane_mask_get(mask, i);
    }
    return count;
}

static inline lane lane_max(lane a, lane b)
{
    return lane_select(LANE_LESS(a, b), b, a);
}

static inline lane lane_min(lane a, lane b)
{
    return lane_select(LANE_LESS(b, a), b, a);
}

/* Loops over a few unknowns are short; with their number known to the compiler they are no loops.
 * Calls f(..., n) with n a constant where it is small. */
#define LANE_INLINE static inline __attribute__((always_inline))
#define LANE_FOR_SIZE(n, f, ...)                                                                   \
    do {                                                                                           \
        switch (n) {                                                                               \
        case 1:                                                                                    \
            f(__VA_ARGS__, 1);                                                                     \
            break;                                                                                 \
        case 2:                                                                                    \
            f(__VA_ARGS__, 2);                                                                     \
            break;                                                                                 \
        case 3:                                                                                    \
            f(__VA_ARGS__, 3);                                                                     \
            break;                                                                                 \
        case 4:                                                                                    \
            f(__VA_ARGS__, 4);                                                                     \
            break;                                                                                 \
        case 5:                                                                                    \
            f(__VA_ARGS__, 5);                                                                     \
            break;                                                                                 \
        case 6:                                                                                    \
            f(__VA_ARGS__, 6);                                                                     \
            break;                                                                                 \
        default:                                                                                   \
            f(__VA_ARGS__, n);                                                                     \
        }                                                                                          \
    } while (0)

LANE_INLINE void lane_add_rows(const double *m, size_t stride, size_t rows, const lane *v,
                               lane *out, size_t columns)
{
    size_t r = 0;
    for (; r + 4 <= rows; r += 4) {
        const double *m0 = m + r * stride, *m1 = m0 + stride, *m2 = m1 + stride, *m3 = m2 + stride;
        lane s0 = out[r], s1 = out[r + 1], s2 = out[r + 2], s3 = out[r + 3];
        for (size_t c = 0; c < columns; c++) {
            s0 += m0[c] * v[c];
            s1 += m1[c] * v[c];
            s2 += m2[c] * v[c];
            s3 += m3[c] * v[c];
        }
        out[r] = s0;
        out[r + 1] = s1;
        out[r + 2] = s2;
        out[r + 3] = s3;
    }
    if (r + 2 <= rows) {
        const double *m0 = m + r * stride, *m1 = m0 + stride;
        lane s0 = out[r], s1 = out[r + 1];
        for (size_t c = 0; c < columns; c++) {
            s0 += m0[c] * v[c];
            s1 += m1[c] * v[c];
        }
        out[r] = s0;
        out[r + 1] = s1;
        r += 2;
    }
    if (r < rows) {
        lane sum = out[r];
        for (size_t c = 0; c < columns; c++) {
            sum += m[r * stride + c] * v[c];
        }
        out[r] = sum;
    }
}

/* out[r] += sum over c of m[r * stride + c] v[c]. Four rows at a time, so that their sums do not
 * wait for each other; each row adds in the order of its columns. */
static inline void lane_add_product(const double *m, size_t stride, size_t rows, size_t columns,
                                    const lane *v, lane *out)
{
    LANE_FOR_SIZE(columns, lane_add_rows, m, stride, rows, v, out);
}

/* out[c] += sum over r of v[r] m[r * columns + c], m of rows x columns: a row vector times a
 * matrix. Four columns at a time, their sums in registers. */
static inline void lane_add_row_product(const lane *v, size_t rows, const lane *m, size_t columns,
                                        lane *out)
{
    size_t c = 0;
    for (; c + 4 <= columns; c += 4) {
        lane s0 = out[c], s1 = out[c + 1], s2 = out[c + 2], s3 = out[c + 3];
        for (size_t r = 0; r < rows; r++) {
            const lane *row = m + r * columns + c;
            s0 += v[r] * row[0];
            s1 += v[r] * row[1];
            s2 += v[r] * row[2];
            s3 += v[r] * row[3];
        }
        out[c] = s0;
        out[c + 1] = s1;
        out[c + 2] = s2;
        out[c + 3] = s3;
    }
    for (; c < columns; c++) {
        lane sum = out[c];
        for (size_t r = 0; r < rows; r++) {
            sum += v[r] * m[r * columns + c];
        }
        out[c] = sum;
    }
}

#endif
