/* SPDX-License-Identifier: GPL-3.0-or-later */
/* chance.h - random numbers for tests: the same on every machine and in every run. */
#ifndef RAILSAG_CHANCE_H
#define RAILSAG_CHANCE_H

#include <math.h>
#include <stdint.h>

/* Uniform in 0 to 1. The generator is xorshift64* (S. Vigna, ACM Trans. Math. Softw. 42(4), 30,
 * 2016); the state starts at any value but 0. */
static inline double chance(uint64_t *state)
{
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return (double)((*state * 2685821657736338717u) >> 11) / 9007199254740992.0; /* 2^53 */
}

static inline double chance_between(uint64_t *state, double low, double high)
{
    return low + (high - low) * chance(state);
}

/* 10 to a uniform exponent, with either sign. */
static inline double chance_decades(uint64_t *state, double low_exponent, double high_exponent)
{
    double size = pow(10, chance_between(state, low_exponent, high_exponent));
    return chance(state) < 0.5 ? -size : size;
}

/* 0 to count - 1. */
static inline int chance_index(uint64_t *state, int count)
{
    return (int)(chance(state) * count);
}

#endif
