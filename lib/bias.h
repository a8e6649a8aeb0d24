/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bias.h - the resting (DC) operating point of a network, and the figures of its op-amps there.
 *
 * Finds x with G x + N phi(N' x) = constants: capacitors open, inductors short. Constant once made
 * and may be shared by threads; everything else (response, periodic solutions) starts from it. */
#ifndef RAILSAG_BIAS_H
#define RAILSAG_BIAS_H

#include "network.h"

typedef struct sag_bias sag_bias;

/* Holds on to network. *out is NULL unless SAG_OK. SAG_NOT_CONVERGED, SAG_NO_SWING (an op-amp whose
 * two limits would cross) and SAG_STOPPED (a part gets less than the supply it works at) name the
 * part in the report. */
sag_status sag_bias_new(const sag_network *network, sag_bias **out, sag_report *report);
void sag_bias_free(sag_bias *bias); /* NULL is fine */

const sag_network *sag_bias_network(const sag_bias *bias);

double sag_bias_node_v(const sag_bias *bias, int node);
double sag_bias_terminal_v(const sag_bias *bias); /* between the supply's outer nodes */
double
sag_bias_drain_a(const sag_bias *bias); /* from the battery (through the outer positive node) */

/* With a middle, of the half above it (0) and below it (1); both sag_bias_drain_a without one. */
double sag_bias_half_drain_a(const sag_bias *bias, int half);

/* The current of a part (index into design->parts), entering at its first pin: resistor, capacitor
 * (leakage), inductor and voltage from node[0] to node[1]; pot from ends[0] to the wiper;
 * diode from anode to cathode; op-amp out of its output; switch from common to the closed throw. */
double sag_bias_part_current_a(const sag_bias *bias, size_t part);

typedef struct {
    double plus_v, minus_v, out_v, rail_positive_v, rail_negative_v; /* against ground */
    double to_positive_v,
        to_negative_v; /* from the output to its swing limits, at its load current */
    double out_a;      /* out of the output pin */
    double class_a_a;  /* where out_a begins to leave class A: negative taken, positive given; NAN
                          when the output is not of class B */
    double supply_a;   /* quiescent, this amplifier's share */
    /* the figures computed with at this supply */
    double gain_bandwidth_hz, second_pole_hz; /* second pole INFINITY: none */
    double slew_rise, slew_fall;              /* V/s */
    double open_loop_gain, output_ohm;
} sag_bias_opamp;

sag_bias_opamp sag_bias_opamp_get(const sag_bias *bias, size_t index);

/* Volts by which both input pins of an op-amp lie further towards the rail (at_high: the positive) than
 * it works: above zero it has no gain. -INFINITY without a limit. */
double sag_bias_beyond_range_v(const sag_bias *bias, size_t index, int at_high);
/* A warning for each op-amp without gain. */
void sag_bias_warn_without_gain(const sag_bias *bias, sag_report *report);

/* What a result rests on. */
typedef enum {
    /* a part under or over its rated supply, or an input pin at rest outside its specified range */
    SAG_MARK_OUTSIDE_SHEET = 1,
    SAG_MARK_ESTIMATE = 2,      /* figures that are estimates at this supply */
    SAG_MARK_BEYOND_BATTERY = 4 /* below the last row of the battery's data */
} sag_mark;
#define SAG_MARK_COUNT 3

unsigned sag_bias_marks(const sag_bias *bias); /* sum of sag_mark */
/* "outside data sheet", "estimate", ...: mark is one bit. */
const char *sag_mark_text(sag_mark mark);

#endif
