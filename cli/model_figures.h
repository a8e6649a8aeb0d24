/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_figures.h - the figures of a model one by one: path in the file, value, source; or what is
 * taken where the file leaves it out. */
#ifndef RAILSAG_MODEL_FIGURES_H
#define RAILSAG_MODEL_FIGURES_H

#include "model.h"
#include "output.h"

typedef struct {
    output *out;
    const sag_model_head *head;
} figures;

void figures_opamp(figures *f, const sag_opamp_model *model);
void figures_battery(figures *f, const sag_battery_model *model);
void figures_diode(figures *f, const sag_diode_model *model);
void figures_pickup(figures *f, const sag_pickup_model *model);

#endif
