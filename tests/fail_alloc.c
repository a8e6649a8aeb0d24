/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "fail_alloc.h"

#include <cjson/cJSON.h>

#include <stddef.h>
#include <stdlib.h>

void *__real_malloc(size_t size);
void *__real_calloc(size_t count, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t count, size_t size);

/* Read by the address sanitizer, when there is one: without it a size that overflows ends the
 * process instead of being refused. */
const char *__asan_default_options(void);

const char *__asan_default_options(void)
{
    return "allocator_may_return_null=1";
}

static long seen, failing;

static int fails_now(void)
{
    return ++seen == failing;
}

void *__wrap_malloc(size_t size)
{
    return fails_now() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t count, size_t size)
{
    return fails_now() ? NULL : __real_calloc(count, size);
}

void fail_allocation_at(long n)
{
    cJSON_InitHooks(&(cJSON_Hooks){.malloc_fn = __wrap_malloc, .free_fn = free});
    seen = 0;
    failing = n;
}

long allocations_seen(void)
{
    return seen;
}
