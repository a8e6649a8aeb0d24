/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "second_opamp.h"

#include <math.h>
#include <string.h>

/* Whole widths of the knee, V. */
#define WIDEST_KNEE_V    20e-3
#define NARROWEST_KNEE_V 1e-3
#define SPLIT_SHARE      0.05
#define LEAST_SPLIT_A    1e-6

void second_ratio_make(second_curve *curve, const sag_opamp_model *figures, int which)
{
    double x[SECOND_MOST_POINTS] = {0}, y[SECOND_MOST_POINTS] = {1};
    size_t used = 0;
    for (size_t i = 0; i < figures->against_count && used < SECOND_MOST_POINTS; i++) {
        const sag_against_supply *row = &figures->against[i];
        double ratio[] = {row->gain_bandwidth, row->slew_rate, row->supply_current};
        if (!isnan(ratio[which])) {
            x[used] = row->supply_v;
            y[used++] = ratio[which];
        }
    }
    second_curve_make(curve, x, y, used ? used : 1);
}

sag_status second_opamp_make(second_opamp *opamp, const sag_opamp_model *figures)
{
    opamp->figures = figures;
    second_ratio_make(&opamp->gain_bandwidth, figures, 0);
    second_ratio_make(&opamp->slew, figures, 1);
    opamp->ohm = figures->output_ohm >= 1 ? figures->output_ohm : 1;
    opamp->split_a = fmax(LEAST_SPLIT_A, SPLIT_SHARE * figures->supply_current_a);
    TRY(second_drop_make(&opamp->high, figures->high, figures->high_count));
    return second_drop_make(&opamp->low, figures->low, figures->low_count);
}

static double knee_of(const second_drop *surface, double supply_v)
{
    double by_current, by_supply;
    double drop = second_drop_at(surface, 0, supply_v, &by_current, &by_supply);
    return fmin(WIDEST_KNEE_V, fmax(drop / 2, NARROWEST_KNEE_V)) / 2;
}

void second_opamp_rest(second_opamp *opamp, double supply_v)
{
    double slope;
    opamp->rest_supply_v = supply_v;
    opamp->knee_high = knee_of(&opamp->high, supply_v);
    opamp->knee_low = knee_of(&opamp->low, supply_v);
    opamp->scale_s = 1 / (2 * M_PI * opamp->figures->gain_bandwidth_hz *
                          second_curve_at(&opamp->gain_bandwidth, supply_v, &slope));
}

int second_opamp_crosses(const second_opamp *opamp)
{
    return opamp->figures->dead_band_v > 0;
}
