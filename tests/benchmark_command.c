/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whole commands, as a user runs them: time on the clock and memory. */
#include "benchmark.h"

#include "railsag.h"

#include <fcntl.h>
#include <math.h>
#include <spawn.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

/* A time is the least of so many runs. */
#define RUNS 5

extern char **environ;

/* Runs the program with standard output thrown away; seconds it took, NAN when it failed. */
static double run_once(char *const *arguments)
{
    posix_spawn_file_actions_t actions;
    pid_t child;
    int status = 0, started = 0;
    double from = bench_seconds(CLOCK_MONOTONIC);
    if (posix_spawn_file_actions_init(&actions) != 0) {
        return (double)NAN;
    }
    if (posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0) == 0 &&
        posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, "/dev/null", O_WRONLY, 0) == 0) {
        started = posix_spawn(&child, arguments[0], &actions, NULL, arguments, environ) == 0;
    }
    posix_spawn_file_actions_destroy(&actions);
    int ended = started && waitpid(child, &status, 0) == child;
    double took = bench_seconds(CLOCK_MONOTONIC) - from;
    return ended && WIFEXITED(status) && WEXITSTATUS(status) == 0 ? took : (double)NAN;
}

static double least_of(char *const *arguments)
{
    double least = (double)INFINITY;
    for (int i = 0; i < RUNS; i++) {
        double took = run_once(arguments);
        if (isnan(took)) {
            return took;
        }
        least = fmin(least, took);
    }
    return least;
}

/* Most memory that any child has taken so far, in megabytes of 1e6 bytes. */
static double children_mb(void)
{
    struct rusage used;
    return getrusage(RUSAGE_CHILDREN, &used) == 0 ? 1024e-6 * (double)used.ru_maxrss : (double)NAN;
}

void bench_commands(bench *b)
{
    char program[4096], design[4096], folder[] = "/tmp/railsag-benchmark-XXXXXX", picture[64];
    if (!mkdtemp(folder)) {
        b->failed = 1;
        return;
    }
    snprintf(picture, sizeof picture, "%s/levels.svg", folder);
    snprintf(program, sizeof program, "%s", b->program);
    snprintf(design, sizeof design, "%s", b->design);
    char levels[] = "levels", response[] = "response", plot[] = "--plot", supply[] = "--supply",
         supplies[] = "18V,9V,7V,5V,3V";
    char *const with_picture[] = {program, levels, design, plot, picture, NULL};
    char *const at_supplies[] = {program, response, design, supply, supplies, NULL};
    b->figure[BENCH_LEVELS] = least_of(with_picture);
    b->figure[BENCH_LEVELS_MB] = children_mb();
    b->figure[BENCH_RESPONSE] = 1e3 * least_of(at_supplies);
    b->failed |= isnan(b->figure[BENCH_LEVELS]) || isnan(b->figure[BENCH_RESPONSE]);
    unlink(picture);
    rmdir(folder);
}
