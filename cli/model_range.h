/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model_range.h - which of the usual supplies are inside, outside and beyond what a model is made
 * for. */
#ifndef RAILSAG_MODEL_RANGE_H
#define RAILSAG_MODEL_RANGE_H

#include "model.h"
#include "output.h"

void model_range_opamp(const sag_opamp_model *model, output *out);
/* Returns 0 when memory is short. */
int model_range_battery(const sag_battery_model *model, output *out);

#endif
