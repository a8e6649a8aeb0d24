/* SPDX-License-Identifier: GPL-3.0-or-later */
/* discharge_private.h - what is known of a circuit on its battery before time comes into it. */
#ifndef RAILSAG_DISCHARGE_PRIVATE_H
#define RAILSAG_DISCHARGE_PRIVATE_H

#include "battery.h"
#include "discharge.h"

struct sag_discharge {
    const sag_design *design;
    sag_conditions conditions;
    int in_series;
    sag_battery_curves battery;
    size_t opamp_count;
    sag_curve drain, terminal; /* over the open-circuit voltage of all batteries */
    sag_curve *rail;           /* [op-amp]: volts between its rails */
    double fresh_v, last_v;    /* open-circuit, of all */
    double evenness;
    sag_discharge_end end;
    char stop_text[256];
};

/* discharge_drain.c: fills drain, terminal, rail, last_v, evenness and end as far as parts work. */
sag_status sag_discharge_find_drain(sag_discharge *discharge, const sag_discharge_request *request,
                                    sag_report *report);

#endif
