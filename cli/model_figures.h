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
    size_t given, estimates, remembered; /* figures written, and what they rest on */
    char left_out[512];                  /* the paths of those that the file leaves out */
} figures;

void figures_opamp(figures *f, const sag_opamp_model *model);
void figures_battery(figures *f, const sag_battery_model *model);
void figures_diode(figures *f, const sag_diode_model *model);
void figures_pickup(figures *f, const sag_pickup_model *model);

/* After them: what they rest on, and which are ideal because they were left out. */
void figures_summary(const figures *f);

#endif
