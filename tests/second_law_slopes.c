/* SPDX-License-Identifier: GPL-3.0-or-later */
#define SLOPES 1
#define LAW    second_opamp_slopes
#include "second_law.h"
