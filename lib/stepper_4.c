/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stepping code at width 4. */
#define LANE_WIDTH   4
#define STEPPER_KIND sag_stepper_4
#include "stepper_lanes.h"
