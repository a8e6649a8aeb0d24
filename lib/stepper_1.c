/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stepping code at width 1. */
#define LANE_WIDTH   1
#define STEPPER_KIND sag_stepper_1
#include "stepper_lanes.h"
