/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "diode.h"

#include <math.h>

/* From a start above 0: Newton on f = w + ln w - z with the third-order correction of Fritsch,
 * Shafer and Crowley (Comm. ACM 16, 123, 1973); the error left is the fourth power of the last
 * relative step. */
static double refine_omega(double z, double w)
{
    for (int i = 0; i < 12; i++) {
        double r = z - w - log(w);
        double t = 2 * (1 + w) * (1 + w + 2.0 / 3.0 * r);
        double step = r / (1 + w) * (t - r) / (t - 2 * r);
        w *= fmax(1 + step, 0.1);
        if (fabs(step) < 1e-4) {
            break;
        }
    }
    return w;
}

/* A result for a nearby z is a start only where its own z is within this. */
#define NEAR_Z 0.5

double sag_wright_omega(double z)
{
    if (z < -36) {
        return exp(z); /* w = e^z (1 - e^z + ...): the next term is below rounding */
    }
    /* Asymptotic for large z, exponential for small, a fair guess between. */
    return refine_omega(z, z > 1 ? z - log(z) * (1 - 1 / z) : z > -2 ? exp((z - 1) * 0.6) : exp(z));
}

/* One junction with its series resistance: current at v, without the reverse branch. */
static double junction(double saturation_a, double emission_v, double series_ohm, double v,
                       double *slope, double *hint)
{
    double shift = saturation_a * series_ohm;
    double z = log(shift / emission_v) + (v + shift) / emission_v;
    int usable = z > -36 && *hint > 0 && fabs(z - *hint - log(*hint)) < NEAR_Z;
    double omega = usable ? refine_omega(z, *hint) : sag_wright_omega(z);
    *hint = omega > 1e-15 ? omega : 0;
    *slope = omega / (1 + omega) / series_ohm;
    return emission_v / series_ohm * omega - saturation_a;
}

/* The breakdown branch takes over the same emission voltage and resistance. Its own voltage, from
 * the cathode, at no current through the resistance. */
static double breakdown_start(const sag_diode_law *law)
{
    return law->breakdown_v - SAG_BREAKDOWN_A * law->series_ohm;
}

double sag_diode_voltage(const sag_diode_law *law, double current_a)
{
    if (current_a >= 0) {
        return law->emission_v * log1p(current_a / law->saturation_a) + law->series_ohm * current_a;
    }
    return law->series_ohm * current_a -
           (breakdown_start(law) + law->emission_v * log(-current_a / SAG_BREAKDOWN_A));
}

double sag_diode_current(const sag_diode_law *law, double v, double *slope)
{
    double hint = 0;
    return sag_diode_current_near(law, v, slope, &hint);
}

double sag_diode_current_near(const sag_diode_law *law, double v, double *slope, double *hint)
{
    double current = junction(law->saturation_a, law->emission_v, law->series_ohm, v, slope, hint);
    /* A hundred emission voltages short of breakdown its current is below e^-100 of it. */
    if (v < -law->breakdown_v + 100 * law->emission_v) {
        double back_slope;
        /* Scaled so that SAG_BREAKDOWN_A flows at -breakdown_v; the constant term is left out, or
         * it would add to the forward law. */
        double start = breakdown_start(law);
        double scale = log(SAG_BREAKDOWN_A * law->series_ohm / law->emission_v);
        double omega = sag_wright_omega(scale + (-v - start) / law->emission_v);
        back_slope = omega / (1 + omega) / law->series_ohm;
        current -= law->emission_v / law->series_ohm * omega;
        *slope += back_slope;
    }
    return current;
}

#define FIT_ROUNDS 40

sag_status sag_diode_fit(const sag_forward_point *points, size_t count, double breakdown_v,
                         sag_diode_law *law)
{
    const double least_ohm = 1e-3;
    double n_vt = (double)NAN, ohm = least_ohm, saturation_a = 0;
    if (count == 0) {
        return SAG_BAD_INPUT;
    }
    /* v = n Vt ln((i + Is)/Is) + R i: differences of it are linear in n Vt and R once Is is known.
     * Is starts from 0, and each round brings it nearer by the share it has in the smallest
     * current. */
    for (int round = 0; round < FIT_ROUNDS; round++) {
        double l1 = 0, l2 = 0;
        if (count > 1) {
            l1 = log((points[1].current_a + saturation_a) / (points[0].current_a + saturation_a));
        }
        if (count == 1) {
            n_vt = (points[0].voltage_v < 0.45 ? 1.0 : 1.8) * SAG_THERMAL_V;
        } else if (count == 2) {
            n_vt = (points[1].voltage_v - points[0].voltage_v -
                    ohm * (points[1].current_a - points[0].current_a)) /
                   l1;
        } else {
            l2 = log((points[2].current_a + saturation_a) / (points[1].current_a + saturation_a));
            double d1 = points[1].current_a - points[0].current_a;
            double d2 = points[2].current_a - points[1].current_a;
            double v1 = points[1].voltage_v - points[0].voltage_v;
            double v2 = points[2].voltage_v - points[1].voltage_v;
            double determinant = l1 * d2 - l2 * d1;
            n_vt = (v1 * d2 - v2 * d1) / determinant;
            ohm = (l1 * v2 - l2 * v1) / determinant;
        }
        saturation_a =
            points[0].current_a / expm1((points[0].voltage_v - ohm * points[0].current_a) / n_vt);
        if (!(saturation_a > 0)) {
            return SAG_BAD_INPUT;
        }
    }
    if (!(n_vt >= 0.8 * SAG_THERMAL_V) || !(n_vt <= 12 * SAG_THERMAL_V) || !(ohm >= 0)) {
        return SAG_BAD_INPUT;
    }
    law->emission_v = n_vt;
    law->series_ohm = fmax(ohm, least_ohm);
    law->breakdown_v = breakdown_v;
    law->saturation_a = saturation_a;
    return isfinite(saturation_a) ? SAG_OK : SAG_BAD_INPUT;
}
