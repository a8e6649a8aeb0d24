/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "class_b.h"

#include "label.h"

#include <complex.h>
#include <math.h>
#include <stdio.h>

/* Fundamentals of playing at its full level (design.h); the load current of most stages is largest at
 * one of the ends. */
static const double fundamentals_hz[] = {31, 62, 125, 250, 400};
enum { NORMAL = 1 }; /* index of normal playing */

/* The next value of E12 (IEC 60063) that is not larger. */
static double e12_below(double ohm)
{
    static const double values[] = {1, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2};
    double decade = pow(10, floor(log10(ohm))), found = decade;
    for (int i = 0; i < 12; i++) {
        found = values[i] * decade <= ohm * (1 + 1e-9) ? values[i] * decade : found;
    }
    return found;
}

/* At the crest of a swing of peak_v with peak_a of load current, both worst at once, a resistor R to a
 * rail carries (room - peak_v)/R and leaves so much less for the output. */
int class_b_leaves(const session_case *c, const sag_design *design, size_t opamp,
                   class_b_finding *found)
{
    sag_bias_opamp at = sag_bias_opamp_get(c->bias, opamp);
    const sag_part *part = sag_network_opamp(c->network, opamp);
    double level_vpk = design->playing[NORMAL].vpk, peak_a = 0, peak_v = 0;
    if (isnan(at.class_a_a)) {
        return 0;
    }
    for (size_t f = 0; f < sizeof fundamentals_hz / sizeof fundamentals_hz[0]; f++) {
        double complex gain;
        if (sag_response_gain(c->response, fundamentals_hz[f], &gain) != SAG_OK) {
            continue;
        }
        peak_a = fmax(peak_a, level_vpk * cabs(sag_response_opamp_a(c->response, opamp)));
        peak_v =
            fmax(peak_v, level_vpk * cabs(sag_response_node(c->response, part->node[SAG_PIN_OUT])));
    }
    int takes = at.class_a_a < 0;
    double crest_a = takes ? peak_a - at.out_a : peak_a + at.out_a, limit_a = fabs(at.class_a_a);
    double room_v = takes ? at.out_v - at.rail_negative_v : at.rail_positive_v - at.out_v;
    *found = (class_b_finding){.level_vpk = level_vpk,
                               .peak_a = crest_a,
                               .class_a_a = limit_a,
                               .takes = takes,
                               .remedy_ohm = (double)NAN,
                               .rest_v = room_v};
    if (crest_a > limit_a && room_v > peak_v) {
        found->remedy_ohm = e12_below((room_v - peak_v) / (crest_a - limit_a));
    }
    return crest_a > limit_a;
}

int class_b_is_worse(const class_b_finding *a, const class_b_finding *b)
{
    return a->remedy_ohm < b->remedy_ohm || (isnan(b->remedy_ohm) && !isnan(a->remedy_ohm));
}

const char *class_b_text(char *buffer, size_t size, const class_b_finding *found, const char *list)
{
    char level[LABEL_SIZE], class_a[LABEL_SIZE], ohm[LABEL_SIZE], rest[LABEL_SIZE];
    char remedy[LABEL_SIZE] = "no resistor will do at that level, at which it clips as well";
    if (isfinite(found->remedy_ohm)) {
        snprintf(remedy, sizeof remedy,
                 "adding %.64s or less from the output to the %s rail prevents that and takes "
                 "%.64s or more at rest",
                 label_value(ohm, found->remedy_ohm, SAG_OHM),
                 found->takes ? "negative" : "positive",
                 label_value(rest, found->rest_v / found->remedy_ohm, SAG_AMPERE));
    }
    snprintf(buffer, size,
             "normal playing (%s peak) makes its class-B output %s up to %s, over the %s of class "
             "A, and it distorts where it crosses over; %s",
             label_value(level, found->level_vpk, SAG_VOLT), found->takes ? "take" : "give", list,
             label_value(class_a, found->class_a_a, SAG_AMPERE), remedy);
    return buffer;
}
