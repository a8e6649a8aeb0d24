/* SPDX-License-Identifier: GPL-3.0-or-later */
#define SLOPES 0
#define LAW    second_opamp_values
#include "second_law.h"
