/* SPDX-License-Identifier: GPL-3.0-or-later */
/* battery.h - the figures of one battery as curves over its open-circuit voltage.
 *
 * The rows of the model read backwards, voltage rising: what a battery is like is known from the
 * voltage it shows without load. */
#ifndef RAILSAG_BATTERY_H
#define RAILSAG_BATTERY_H

#include "curve.h"

typedef struct {
    sag_curve depth; /* of discharge, 0 to 1; falls with voltage */
    sag_curve audio_ohm, dc_ohm;
    double fresh_v, flat_v; /* open-circuit, of the first and the last row */
} sag_battery_curves;

sag_status sag_battery_curves_make(sag_battery_curves *curves, const sag_battery_model *battery);
void sag_battery_curves_clear(sag_battery_curves *curves);

#endif
