/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "parallel.h"

#include "memory.h"

#include <pthread.h>

typedef struct {
    pthread_mutex_t lock;
    size_t count, next, done;
    sag_status status;
    sag_status (*item)(void *context, size_t index);
    void *context;
    sag_progress progress;
    void *progress_context;
} queue;

static void *work(void *argument)
{
    queue *q = argument;
    pthread_mutex_lock(&q->lock);
    while (q->next < q->count && q->status == SAG_OK) {
        size_t index = q->next++;
        pthread_mutex_unlock(&q->lock);
        sag_status status = q->item(q->context, index);
        pthread_mutex_lock(&q->lock);
        q->done++;
        if (status < SAG_OK && q->status == SAG_OK) {
            q->status = status;
        }
        if (q->status == SAG_OK && q->progress &&
            q->progress(q->progress_context, q->done, q->count)) {
            q->status = SAG_CANCELLED;
        }
    }
    pthread_mutex_unlock(&q->lock);
    return NULL;
}

sag_status sag_parallel_run(size_t count, int threads,
                            sag_status (*item)(void *context, size_t index), void *context,
                            sag_progress progress, void *progress_context)
{
    queue q = {.count = count,
               .item = item,
               .context = context,
               .progress = progress,
               .progress_context = progress_context};
    size_t helpers = threads > 1 ? (size_t)threads - 1 : 0;
    if (helpers >= count) {
        helpers = count > 0 ? count - 1 : 0;
    }
    pthread_t *thread = sag_new(helpers, sizeof *thread);
    if (!thread) {
        return SAG_NO_MEMORY;
    }
    pthread_mutex_init(&q.lock, NULL);
    size_t started = 0;
    /* A thread that cannot be had only makes the run slower. */
    while (started < helpers && pthread_create(&thread[started], NULL, work, &q) == 0) {
        started++;
    }
    work(&q);
    for (size_t i = 0; i < started; i++) {
        pthread_join(thread[i], NULL);
    }
    pthread_mutex_destroy(&q.lock);
    sag_free(thread);
    return q.status;
}

static size_t blocks_of(const sag_parallel_blocks *map)
{
    return (map->frequencies + map->size - 1) / map->size;
}

static sag_status run_block(void *context, size_t index)
{
    const sag_parallel_blocks *map = context;
    size_t from = index % blocks_of(map) * map->size, to = from + map->size;
    return map->block(map->context, index / blocks_of(map), from,
                      to < map->frequencies ? to : map->frequencies);
}

sag_status sag_parallel_map(const sag_parallel_blocks *map, int threads, sag_progress progress,
                            void *progress_context)
{
    sag_parallel_blocks own = *map;
    return sag_parallel_run(map->biases * blocks_of(map), threads, run_block, &own, progress,
                            progress_context);
}
