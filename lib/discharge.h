/* SPDX-License-Identifier: GPL-3.0-or-later */
/* discharge.h - how the battery of a design runs down while the circuit is plugged in.
 *
 * State: the depth of discharge D, the same in all batteries in series. While the cable is in, and
 * the drain I flows,
 *
 *     dD/dt = I / Q(I) + s (1 - D) / p
 *
 *   t  time plugged in                                                                        s
 *   I  drain of the bias point on the battery at that depth, through its DC resistance        A
 *   Q  charge from fresh to flat at a constant drain I (model.h)                              C
 *   s  self-discharge, a share of what is left: -ln(1 - share a year)                       1/s
 *   p  share of the calendar time that is plugged in; the calendar runs t / p
 *
 * Left out: recovery in the pauses, temperature. Limits: a stiff drain and no self-discharge give
 * t = Q/I at D = 1; a resistor R on a battery of straight open-circuit voltage V0 ... V1 and one
 * resistance r gives t = Q (R + r) / (V0 - V1) ln(V0/V). */
#ifndef RAILSAG_DISCHARGE_H
#define RAILSAG_DISCHARGE_H

#include "bias.h"
#include "levels.h"

typedef struct {
    const sag_design *design;  /* its supply names a battery */
    sag_conditions conditions; /* drive and load; supply_v and batteries are set by the call */
    int in_series;             /* batteries: with a middle, an even number */
    double until_v;            /* terminal voltage at which it ends; NAN: flat */
    int threads;
    sag_progress progress; /* may be NULL */
    void *progress_context;
} sag_discharge_request;

/* Battery and circuit at one depth of discharge; voltages and resistances are those of all
 * batteries in series, the resistances with the wiring in them. */
typedef struct {
    double open_circuit_v, depth;
    double terminal_v, drain_a;
    double audio_ohm, dc_ohm;
} sag_discharge_state;

typedef enum {
    SAG_END_UNTIL,  /* the terminal voltage asked for */
    SAG_END_FLAT,   /* the battery's flat voltage, or the end of its data */
    SAG_END_STOPPED /* a part stops: what it draws from there on is not known */
} sag_discharge_end;

typedef struct sag_discharge sag_discharge;

/* Finds the drain at every depth. Holds on to the design. *out is NULL unless SAG_OK.
 * SAG_WOULD_DAMAGE: a part does not stand fresh batteries. SAG_REFUSED: no battery, an odd number
 * of them with a middle, until_v not below the fresh terminal voltage, or a circuit that feeds
 * current into the battery. Other states of the fresh bias point as sag_bias_new. The report says
 * why. */
sag_status sag_discharge_new(const sag_discharge_request *request, sag_discharge **out,
                             sag_report *report);
void sag_discharge_free(sag_discharge *discharge); /* NULL is fine */

int sag_discharge_in_series(const sag_discharge *discharge);
sag_discharge_end sag_discharge_end_reason(const sag_discharge *discharge);
/* What stops the discharge, a sentence; "" unless SAG_END_STOPPED. */
const char *sag_discharge_stop_text(const sag_discharge *discharge);
sag_discharge_state sag_discharge_fresh(const sag_discharge *discharge);
sag_discharge_state sag_discharge_last(const sag_discharge *discharge);

/* The state at an open-circuit voltage between the last and the fresh one. */
sag_discharge_state sag_discharge_at(const sag_discharge *discharge, double open_circuit_v);
/* The open-circuit voltage at which the terminal voltage has first fallen to terminal_v; NAN when
 * it does not before the end, the fresh one when it is below from the start. */
double sag_discharge_find(const sag_discharge *discharge, double terminal_v);
/* The same for the voltage between the rails of an op-amp. */
double sag_discharge_find_rail(const sag_discharge *discharge, size_t opamp, double rail_v);
/* And for a depth of discharge that is reached. */
double sag_discharge_find_depth(const sag_discharge *discharge, double depth);
/* With a middle: the drain of the less drained half over that of the other, fresh; 1 without. */
double sag_discharge_evenness(const sag_discharge *discharge);
/* The conditions of a network at an open-circuit voltage. */
sag_conditions sag_discharge_conditions(const sag_discharge *discharge, double open_circuit_v);
const sag_design *sag_discharge_design(const sag_discharge *discharge);

typedef enum { SAG_CHARGE_LEAST, SAG_CHARGE_TYPICAL, SAG_CHARGE_MOST } sag_charge;

typedef struct {
    double plugged_in; /* share of the time, above 0 to 1 */
    sag_charge charge; /* of the battery: an end of the model's spread, or its mean */
    double extra_a;    /* on top of the drain */
} sag_discharge_use;

/* From fresh to a state. INFINITY where the battery does not run down. */
typedef struct {
    double plugged_s, calendar_s;
    double charge_c, lost_c;         /* drawn by the circuit; lost by self-discharge */
    double emf_j, circuit_j, heat_j; /* of the EMF: to the circuit, and left in the batteries */
} sag_discharge_time;

/* Times at open-circuit voltages that fall (count of them, none above the fresh one). */
sag_status sag_discharge_run(const sag_discharge *discharge, const sag_discharge_use *use,
                             const double *open_circuit_v, size_t count, sag_discharge_time *out);

#endif
