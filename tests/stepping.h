/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stepping.h - for tests that follow a circuit in time, period after period. */
#ifndef RAILSAG_STEPPING_H
#define RAILSAG_STEPPING_H

#include "circuit.h"
#include "near.h"

#include "bias_private.h"
#include "stepper.h"

/* Time stepping from rest until nothing changes: the end of each period is the start of the next.
 */
typedef struct {
    sag_map map, finer[SAG_SUBSTEP_DEPTH];
    sag_map_maker *maker;
    void *stepper;
    sag_period period;
    double *start;
    size_t states;
} stepping;

static inline sag_status stepping_refine(void *context, double a, sag_map *map)
{
    return sag_map_fill(((stepping *)context)->maker, a, map);
}

/* The stepper writes to s->period from here on: s stays where it is. */
static inline void stepping_open(stepping *s, const circuit *c, double step_s)
{
    *s = (stepping){0};
    const sag_bias *bias = c->bias;
    sag_stepper_setup setup = {
        .devices = &bias->devices, .rest_observed = bias->observed, .rest_unknown = bias->unknown};
    assert_int_equal(sag_stepper_1.make(&setup, &s->stepper, &s->period), SAG_OK);
    assert_int_equal(sag_map_maker_new(&bias->devices, &s->maker), SAG_OK);
    assert_int_equal(sag_map_new(c->network, &s->map), SAG_OK);
    assert_int_equal(sag_map_fill(s->maker, SAG_STEP_A(step_s), &s->map), SAG_OK);
    for (int i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        assert_int_equal(sag_map_new(c->network, &s->finer[i]), SAG_OK);
    }
    s->states = c->network->state_count + c->network->opamp_count;
    s->start = sag_new(s->states, sizeof *s->start);
    assert_non_null(s->start);
}

/* A period of so many steps; levels and starts are to be filled in. */
static inline sag_run stepping_how(stepping *s, int steps)
{
    return (sag_run){.map = &s->map,
                     .finer = s->finer,
                     .refine = stepping_refine,
                     .refine_context = s,
                     .steps = (size_t)steps,
                     .flip_halvings = SAG_SUBSTEP_DEPTH};
}

static inline void stepping_run(stepping *s, int steps, int periods, double level_vpk)
{
    unsigned char active = 1;
    double tolerance_v = 1e-10;
    for (int i = 0; i < periods; i++) {
        sag_run how = stepping_how(s, steps);
        how.level_vpk = &level_vpk;
        how.tolerance_v = &tolerance_v;
        how.active = &active;
        how.start = s->start;
        sag_stepper_1.run(s->stepper, &how);
        assert_false(s->period.failed[0]);
        memcpy(s->start, s->period.end, s->states * sizeof *s->start);
    }
}

static inline void stepping_close(stepping *s)
{
    sag_stepper_1.free(s->stepper);
    sag_map_maker_free(s->maker);
    sag_map_clear(&s->map);
    for (int i = 0; i < SAG_SUBSTEP_DEPTH; i++) {
        sag_map_clear(&s->finer[i]);
    }
    sag_free(s->start);
}

#endif
