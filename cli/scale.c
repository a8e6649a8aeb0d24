/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "scale.h"

#include <math.h>

/* From fresh to flat, at even places. Found by trial: the CIE lightness goes from 14.7 to 60.2 in
 * even steps, so that five supplies are steps of eleven, with 3.2:1 against white at the light end;
 * neighbours stay apart for red-, green- and blue-blind eyes (test_scale.c has the figures). */
static const scale_colour stops[] = {
    {0.051, 0.145, 0.278}, {0.084, 0.185, 0.383}, {0.119, 0.227, 0.491},
    {0.346, 0.241, 0.497}, {0.506, 0.251, 0.486}, {0.631, 0.281, 0.427},
    {0.749, 0.309, 0.371}, {0.809, 0.388, 0.257}, {0.863, 0.463, 0.149}};
enum { STOPS = sizeof stops / sizeof stops[0] };

/* A light line needs more width to look as strong as a dark one. */
static const double fresh_pt = 1.2, flat_pt = 1.7;

static double between(double from, double to, double part)
{
    return from + part * (to - from);
}

scale_line scale_supply(size_t rank, size_t count)
{
    static const scale_dash dashes[] = {SCALE_SOLID, SCALE_LONG_DASH, SCALE_DASH, SCALE_DASH_DOT,
                                        SCALE_SHORT_DASH};
    enum { DASHES = sizeof dashes / sizeof dashes[0] };
    double place = count > 1 ? (double)rank / (double)(count - 1) : 0;
    double at = place * (STOPS - 1);
    size_t stop = at < STOPS - 2 ? (size_t)at : STOPS - 2;
    double part = at - (double)stop;
    const scale_colour *from = &stops[stop], *to = &stops[stop + 1];
    return (scale_line){
        .colour = {between(from->red, to->red, part), between(from->green, to->green, part),
                   between(from->blue, to->blue, part)},
        .width_pt = between(fresh_pt, flat_pt, place),
        .dash = dashes[rank % DASHES],
    };
}

scale_dash scale_family_dash(size_t index)
{
    static const scale_dash dashes[] = {SCALE_SOLID, SCALE_DASH, SCALE_SHORT_DASH, SCALE_DASH_DOT,
                                        SCALE_LONG_DASH};
    return dashes[index % (sizeof dashes / sizeof dashes[0])];
}

size_t scale_dash_lengths(scale_dash dash, double *pattern)
{
    static const double lengths[SCALE_DASH_COUNT][SCALE_DASH_LENGTHS] = {
        [SCALE_LONG_DASH] = {11, 2.4, 11, 2.4},
        [SCALE_DASH] = {5, 2.2, 5, 2.2},
        [SCALE_DASH_DOT] = {7, 2, 1.6, 2},
        [SCALE_SHORT_DASH] = {2.8, 1.7, 2.8, 1.7},
        [SCALE_DOT] = {1.2, 1.6, 1.2, 1.6}};
    if (dash == SCALE_SOLID) {
        return 0;
    }
    for (size_t i = 0; i < SCALE_DASH_LENGTHS; i++) {
        pattern[i] = lengths[dash][i];
    }
    return SCALE_DASH_LENGTHS;
}

static double linear(double component)
{
    return component <= 0.03928 ? component / 12.92 : pow((component + 0.055) / 1.055, 2.4);
}

double scale_luminance(scale_colour colour)
{
    return 0.2126 * linear(colour.red) + 0.7152 * linear(colour.green) +
           0.0722 * linear(colour.blue);
}

double scale_contrast(scale_colour colour)
{
    return 1.05 / (scale_luminance(colour) + 0.05);
}

scale_range scale_round_range(double low, double high, double least, int most)
{
    /* Beyond these figures steps would be lost in rounding. */
    const double largest = 1e100, finest = 1e-6;
    if (!(low >= -largest && high <= largest && low <= high)) {
        low = 0;
        high = 1;
    }
    least = least > 0 ? least : 1;
    least = fmax(least, finest * fmax(fabs(low), fabs(high)));
    if (high - low < least) {
        double middle = low + (high - low) / 2;
        low = middle - least / 2;
        high = middle + least / 2;
    }
    /* A value this close to a division counts as on it: -20.0000001 asks for no further step. */
    const double close = 1e-6;
    static const double factors[] = {1, 2, 5, 10};
    double decade = pow(10, floor(log10((high - low) / most)));
    scale_range range = {low, high, high - low};
    for (size_t i = 0; i < sizeof factors / sizeof factors[0]; i++) {
        double step = factors[i] * decade;
        double first = floor(low / step + close), last = ceil(high / step - close);
        range = (scale_range){first * step, last * step, step};
        if (last - first <= most) {
            break;
        }
    }
    return range;
}

size_t scale_log_ticks(double low, double high, double *ticks, size_t room)
{
    static const double factors[] = {1, 2, 5};
    const double close = 1e-9;
    size_t count = 0;
    if (!(low > 0 && isfinite(high))) {
        return 0;
    }
    for (int decade = (int)floor(log10(low)); count < room && pow(10, decade) <= high; decade++) {
        for (size_t i = 0; i < 3 && count < room; i++) {
            double tick = factors[i] * pow(10, decade);
            if (tick >= low * (1 - close) && tick <= high * (1 + close)) {
                ticks[count++] = tick;
            }
        }
    }
    return count;
}
