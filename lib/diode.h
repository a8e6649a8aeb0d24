/* SPDX-License-Identifier: GPL-3.0-or-later */
/* diode.h - a junction with series resistance, fitted to data-sheet points.
 *
 *     i = Is (exp((v - R i) / (n Vt)) - 1)      forward
 * in closed form with the Lambert W function (T. C. Banwell, A. Jayakumar, Electronics Letters
 * 36(4), 291, 2000): i = (n Vt / R) W( (Is R / n Vt) exp((v + Is R) / n Vt) ) - Is evaluated
 * through the Wright omega function of the logarithm, so that no exponential overflows. A breakdown
 * voltage adds the mirror image of a junction that conducts 1 mA at it. 25 degrees C. */
#ifndef RAILSAG_DIODE_H
#define RAILSAG_DIODE_H

#include "model.h"

#define SAG_BREAKDOWN_A 1e-3        /* flows at the breakdown voltage */
#define SAG_THERMAL_V   0.025692579 /* k T / q at 298.15 K; CODATA 2018 k and q */

typedef struct {
    double saturation_a; /* Is */
    double emission_v;   /* n Vt */
    double series_ohm;   /* R, above 0 */
    double breakdown_v;  /* positive; INFINITY: none */
} sag_diode_law;

/* Fits Is, n and R to one, two or three forward points; where points are missing, R is 1 mohm or n
 * is that of the kind of diode the voltage suggests (1 below 0.45 V at its point, else 1.8).
 * SAG_BAD_INPUT when no law with n in 0.8 to 12 goes through the points. */
sag_status sag_diode_fit(const sag_forward_point *points, size_t count, double breakdown_v,
                         sag_diode_law *law);

/* Current at terminal voltage v; *slope is di/dv. */
double sag_diode_current(const sag_diode_law *law, double v, double *slope);

/* The terminal voltage at a current: what the branch that conducts it drops, forward or, for a
 * negative current, in breakdown (-INFINITY without one; also right below the saturation current,
 * where the law is too flat to tell). */
double sag_diode_voltage(const sag_diode_law *law, double current_a);

/* The same as sag_diode_current, quicker where v has moved little since: *hint carries the
 * iteration's result from call to call; 0 at first. */
double sag_diode_current_near(const sag_diode_law *law, double v, double *slope, double *hint);

/* Wright omega of a real number: w + ln w = z. Relative error under 1e-14 (measured in its test).
 */
double sag_wright_omega(double z);

#endif
