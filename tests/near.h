/* SPDX-License-Identifier: GPL-3.0-or-later */
/* near.h - comparing numbers in tests, in double.
 *
 * Each check takes the tolerance and a text saying where the expected value comes from, and prints
 * expected, got, difference and tolerance when it fails. NaN never passes. */
#ifndef RAILSAG_NEAR_H
#define RAILSAG_NEAR_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>

static inline void near_check_(double got, double expected, double difference, double tolerance,
                               const char *unit, const char *origin, const char *file, int line)
{
    if (!(difference <= tolerance)) {
        print_error("expected %.12g, got %.12g, difference %.3g%s, tolerance %.3g%s (%s)\n",
                    expected, got, difference, unit, tolerance, unit, origin);
        _fail(file, line);
    }
}

/* |got - expected| <= tolerance */
#define near_abs(got, expected, tolerance, origin)                                                 \
    near_check_((got), (expected), fabs((double)(got) - (double)(expected)), (tolerance), "",      \
                (origin), __FILE__, __LINE__)

/* |got / expected - 1| <= tolerance; an expected 0 passes only for 0 */
#define near_rel(got, expected, tolerance, origin)                                                 \
    near_check_((got), (expected),                                                                 \
                (double)(got) == (double)(expected)                                                \
                    ? 0.0                                                                          \
                    : fabs((double)(got) - (double)(expected)) / fabs((double)(expected)),         \
                (tolerance), "", (origin), __FILE__, __LINE__)

/* both in dB already */
#define near_db(got, expected, tolerance, origin)                                                  \
    near_check_((got), (expected), fabs((double)(got) - (double)(expected)), (tolerance), " dB",   \
                (origin), __FILE__, __LINE__)

#endif
