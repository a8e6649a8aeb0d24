/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stepping code at width 4. */
#define LANE_WIDTH   4
#define STEPPER_KIND sag_stepper_4
#include "stepper_lanes.h"

const sag_stepper_kind *sag_stepper_best(void)
{
#ifdef RAILSAG_AVX2
    if (__builtin_cpu_supports("avx2")) {
        return &sag_stepper_4_avx2;
    }
#endif
    return &sag_stepper_4;
}
