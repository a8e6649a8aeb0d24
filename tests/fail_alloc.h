/* SPDX-License-Identifier: GPL-3.0-or-later */
/* fail_alloc.h - makes the n-th allocation of the library fail.
 *
 * Link the test with -Wl,--wrap=calloc,--wrap=malloc: this reaches lib/ when it is linked
 * statically. cJSON is a shared library, which a wrap does not reach, so its (global) hooks are set
 * here, in the test program. Allocations inside GSL are not reached. */
#ifndef RAILSAG_FAIL_ALLOC_H
#define RAILSAG_FAIL_ALLOC_H

/* Counts from now on, and lets the n-th allocation (from 1) fail, once; 0: none fails. */
void fail_allocation_at(long n);

/* Allocations since the last call of fail_allocation_at, the failed one included. */
long allocations_seen(void);

#endif
