/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "battery.h"

#include "memory.h"

#include <string.h>

void sag_battery_curves_clear(sag_battery_curves *curves)
{
    sag_curve_clear(&curves->depth);
    sag_curve_clear(&curves->audio_ohm);
    sag_curve_clear(&curves->dc_ohm);
    memset(curves, 0, sizeof *curves);
}

sag_status sag_battery_curves_make(sag_battery_curves *curves, const sag_battery_model *battery)
{
    memset(curves, 0, sizeof *curves);
    size_t count = battery->row_count;
    double *x = sag_new(4 * count, sizeof *x);
    if (!x) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < count; i++) {
        const sag_battery_row *row = &battery->rows[count - 1 - i];
        x[i] = row->open_circuit_v;
        x[count + i] = row->depth;
        x[2 * count + i] = row->audio_ohm;
        x[3 * count + i] = row->dc_ohm;
    }
    curves->flat_v = x[0];
    curves->fresh_v = x[count - 1];
    sag_curve *each[] = {&curves->depth, &curves->audio_ohm, &curves->dc_ohm};
    sag_status status = SAG_OK;
    for (size_t k = 0; k < 3 && status == SAG_OK; k++) {
        status = sag_curve_make(each[k], x, x + (k + 1) * count, count);
    }
    sag_free(x);
    if (status != SAG_OK) {
        sag_battery_curves_clear(curves);
    }
    return status;
}
