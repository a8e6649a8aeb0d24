/* SPDX-License-Identifier: GPL-3.0-or-later */
/* supply_motion.h - how a signal moves the supply and the half-supply reference, and how long the
 * reference takes to get there. */
#ifndef RAILSAG_SUPPLY_MOTION_H
#define RAILSAG_SUPPLY_MOTION_H

#include "session.h"

/* The largest swings seen, peak to peak, each with its frequency and level; NAN: none known. */
typedef struct {
    double terminal_v, terminal_hz, terminal_vpk;
    double reference_v, reference_hz, reference_vpk;
} supply_motion;

supply_motion supply_motion_none(void);
/* Takes one point into account. */
void supply_motion_take(supply_motion *motion, const sag_steady_point *point, double hz,
                        double vpk);

/* The largest swings with hard playing at 41, 98 and 400 Hz, at a bias point. */
sag_status supply_motion_find(supply_motion *motion, const session *s, const session_case *c);

/* A sentence about swings over 1 mV; nothing where there are none. */
void supply_motion_write(output *out, const session *s, const supply_motion *motion,
                         const char *played);

/* The reference of the design by name; NULL when it has none. */
const char *supply_motion_reference(const session *s);

#endif
