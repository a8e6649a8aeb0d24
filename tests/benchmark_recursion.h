/* SPDX-License-Identifier: GPL-3.0-or-later */
/* benchmark_recursion.h - what a time step would cost if the circuit were linear and nothing of it had
 * to be looked at. */
#ifndef RAILSAG_BENCHMARK_RECURSION_H
#define RAILSAG_BENCHMARK_RECURSION_H

#include <stddef.h>

/* Seconds that a step z <- A z + b u takes one level, four of them in lanes: states x (states + 1)
 * multiplications and additions. */
double bench_recursion_step(size_t states);

#endif
