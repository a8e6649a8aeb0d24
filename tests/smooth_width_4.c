/* SPDX-License-Identifier: GPL-3.0-or-later */
#define LANE_WIDTH 4
#include "smooth_points.h"

void smooth_run_4(const double *x, size_t count, double knee, smooth_values *values)
{
    smooth_run(x, count, knee, values);
}
