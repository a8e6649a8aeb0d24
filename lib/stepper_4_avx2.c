/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stepping code at width 4, compiled for processors with AVX2: the same operations in the same
 * order, so the same bytes as stepper_4.c, in half the time. */
#define LANE_WIDTH   4
#define STEPPER_KIND sag_stepper_4_avx2
#include "stepper_lanes.h"
