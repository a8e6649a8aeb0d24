/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "supply_motion.h"

#include "label.h"

#include <math.h>
#include <stdio.h>

/* Peak to peak; less is not worth a sentence. */
static const double least_v = 1e-3;

enum { HARD = 2 }; /* of soft, normal, hard, extreme */

supply_motion supply_motion_none(void)
{
    const double none = (double)NAN;
    return (supply_motion){none, none, none, none, none, none};
}

void supply_motion_take(supply_motion *motion, const sag_steady_point *point, double hz, double vpk)
{
    if (point->status != SAG_OK) {
        return;
    }
    if (!(motion->terminal_v >= point->terminal_ripple_v) && !isnan(point->terminal_ripple_v)) {
        motion->terminal_v = point->terminal_ripple_v;
        motion->terminal_hz = hz;
        motion->terminal_vpk = vpk;
    }
    if (!(motion->reference_v >= point->reference_ripple_v) && !isnan(point->reference_ripple_v)) {
        motion->reference_v = point->reference_ripple_v;
        motion->reference_hz = hz;
        motion->reference_vpk = vpk;
    }
}

sag_status supply_motion_find(supply_motion *motion, const session *s, const session_case *c)
{
    static const double tones_hz[] = {41, 98, 400};
    sag_steady_settings settings = session_steady();
    sag_steady *steady = NULL;
    double vpk = s->designs[c->setting]->playing[HARD].vpk;
    *motion = supply_motion_none();
    if (c->status != SAG_OK) {
        return SAG_OK;
    }
    settings.one_lane = 1;
    settings.supply_ripple = 1;
    sag_status status = sag_steady_new(c->bias, &settings, &steady);
    for (size_t i = 0; i < sizeof tones_hz / sizeof *tones_hz && status == SAG_OK; i++) {
        sag_steady_point point;
        status = sag_steady_frequency(steady, tones_hz[i]);
        if (status >= SAG_OK) { /* a point at a frequency without a linear solution fails alone */
            status = sag_steady_solve(steady, &vpk, 1, &point, NULL);
        }
        if (status == SAG_OK) {
            supply_motion_take(motion, &point, tones_hz[i], vpk);
        }
    }
    sag_steady_free(steady);
    return status;
}

const char *supply_motion_reference(const session *s)
{
    const sag_design *design = s->designs[0];
    int node = sag_design_reference(design);
    return node < 0 ? NULL : design->nodes[node];
}

void supply_motion_write(output *out, const session *s, const supply_motion *motion,
                         const char *played)
{
    char line[1024], volts[LABEL_SIZE], hz[LABEL_SIZE], vpk[LABEL_SIZE];
    int terminal = motion->terminal_v > least_v, reference = motion->reference_v > least_v;
    if (!terminal && !reference) {
        return;
    }
    int used = snprintf(line, sizeof line, "%s moves ", played);
    if (terminal) {
        used += snprintf(line + used, sizeof line - (size_t)used,
                         "the terminal voltage by %.60s (%.60s, %.60s peak)",
                         label_value(volts, motion->terminal_v, SAG_VOLT),
                         label_value(hz, motion->terminal_hz, SAG_HERTZ),
                         label_value(vpk, motion->terminal_vpk, SAG_VOLT));
    }
    if (reference) {
        used += snprintf(line + used, sizeof line - (size_t)used,
                         "%sthe half-supply point %.60s by %.60s (%.60s, %.60s peak)",
                         terminal ? " and " : "", supply_motion_reference(s),
                         label_value(volts, motion->reference_v, SAG_VOLT),
                         label_value(hz, motion->reference_hz, SAG_HERTZ),
                         label_value(vpk, motion->reference_vpk, SAG_VOLT));
    }
    snprintf(line + used, sizeof line - (size_t)used, ", peak to peak.");
    output_text(out, "\n");
    output_wrapped(out, line, 0, 0);
}
