/* SPDX-License-Identifier: GPL-3.0-or-later */
/* unrest.h - op-amps that oscillate, ring or may burst, gathered over supplies and control settings
 * so that each is told of once. */
#ifndef RAILSAG_UNREST_H
#define RAILSAG_UNREST_H

#include "railsag.h"

/* In the order in which they are reported. */
typedef enum {
    UNREST_OSCILLATES,  /* at rest */
    UNREST_LATCHES,     /* at rest */
    UNREST_DRIVEN,      /* with a signal, so that there are no figures */
    UNREST_BURSTS,      /* in a part of the signal's period */
    UNREST_RINGS,       /* at rest */
    UNREST_CONDITIONAL, /* oscillates with less gain than it has at rest */
    UNREST_KINDS
} unrest_kind;

typedef struct unrest unrest;
struct session; /* session.h */

unrest *unrest_new(void);
void unrest_free(unrest *u); /* NULL is fine */

/* What the bias point of a case has to say. share: of the gain, for UNREST_CONDITIONAL. */
void unrest_add(unrest *u, unrest_kind kind, size_t index, const sag_mode *mode, double share);

/* A point of a map: at this input level and frequency. */
void unrest_add_point(unrest *u, unrest_kind kind, size_t index, const sag_burst *burst, double dbv,
                      double hz);

/* Moves what was gathered to the report of s and starts anew. points: how many of a map a case has,
 * called `name` in plural. Returns 0 when memory was short. */
int unrest_report(unrest *u, const struct session *s, size_t points, const char *name);

#endif
