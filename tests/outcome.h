/* SPDX-License-Identifier: GPL-3.0-or-later */
/* outcome.h - what became of a point, for tests that count many. */
#ifndef RAILSAG_OUTCOME_H
#define RAILSAG_OUTCOME_H

#include "status.h"

typedef enum { CONVERGED, OSCILLATES, NO_SWING, REFUSED, FAILED, OUTCOMES } outcome;
static const char *const outcome_name[OUTCOMES] = {"converged", "oscillates", "no swing", "refused",
                                                   "failed"};

static inline outcome outcome_of(sag_status status)
{
    switch (status) {
    case SAG_OK:
        return CONVERGED;
    case SAG_OSCILLATES:
    case SAG_LATCHES:
        return OSCILLATES;
    case SAG_NO_SWING:
        return NO_SWING;
    case SAG_BAD_INPUT:
    case SAG_REFUSED:
    case SAG_STOPPED:
    case SAG_WOULD_DAMAGE:
        return REFUSED;
    default:
        return FAILED;
    }
}

#endif
