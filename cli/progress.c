/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "progress.h"

#include "output.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static const double silent_s = 1.0;       /* shorter work shows nothing */
static const double redraw_s = 1.0 / 6.0; /* least time between two redraws */

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

void progress_start(progress *bar, int enabled, size_t all)
{
    const char *term = getenv("TERM");
    memset(bar, 0, sizeof *bar);
    bar->enabled = enabled && isatty(STDERR_FILENO) && term && *term && strcmp(term, "dumb") != 0;
    bar->start_s = now_s();
    bar->drawn_s = bar->start_s;
    bar->all = all;
    bar->share = all;
}

static void draw(double done, double elapsed_s)
{
    enum { width = 30 };
    char cells[width + 1];
    int filled = (int)(done * width);
    for (int i = 0; i < width; i++) {
        cells[i] = i < filled ? '#' : '.';
    }
    cells[width] = '\0';
    double left_s = done > 0 ? elapsed_s * (1 - done) / done : 0;
    if (left_s > 359999) {
        left_s = 359999;
    }
    int left = (int)(left_s + 0.5);
    fprintf(stderr, "\r[%s] %3.0f %%  %d:%02d left\033[K", cells, 100 * done, left / 60, left % 60);
    fflush(stderr);
}

int progress_step(void *context, size_t done, size_t total)
{
    progress *bar = context;
    if (bar->enabled && total > 0 && bar->all > 0) {
        double now = now_s();
        if (now - bar->start_s >= silent_s && now - bar->drawn_s >= redraw_s) {
            double part = (double)done / (double)total;
            double all = ((double)bar->before + part * (double)bar->share) / (double)bar->all;
            draw(all > 1 ? 1 : all, now - bar->start_s);
            bar->drawn_s = now;
            bar->shown = 1;
        }
    }
    return output_interrupted();
}

void progress_end(progress *bar)
{
    if (bar->shown) {
        fputs("\r\033[K", stderr);
        fflush(stderr);
        bar->shown = 0;
    }
}
