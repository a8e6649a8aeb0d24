/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "discharge_private.h"

#include "memory.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>
#include <math.h>
#include <string.h>

/* Of the integration, relative. */
#define ACCURACY 1e-9
/* A battery that takes longer to run down does not: ten thousand years, s. */
#define ENDLESS_S 3e11

static const double year_s = 365.25 * 86400;

static sag_status refuse(const sag_discharge_request *request, sag_report *report)
{
    const sag_supply *supply = &request->design->supply;
    if (!supply->battery) {
        sag_report_on(report, SAG_ERROR, "supply", "name one, as in \"battery\": \"6lr61\"",
                      "no battery is given");
        return SAG_REFUSED;
    }
    if (request->in_series < 1) {
        return SAG_BAD_ARGUMENT;
    }
    if (supply->middle >= 0 && request->in_series % 2) {
        sag_report_on(report, SAG_ERROR, "supply", "ask for 2 in series, one for each half",
                      "a supply in two halves takes an even number of batteries, not %d",
                      request->in_series);
        return SAG_REFUSED;
    }
    double supply_v = request->in_series * supply->battery->rows[0].open_circuit_v;
    if (supply_v > 100) { /* the most that sag_conditions takes */
        sag_report_on(report, SAG_ERROR, "supply", "ask for fewer in series",
                      "%d fresh batteries in series are %.4g V, more than 100 V",
                      request->in_series, supply_v);
        return SAG_REFUSED;
    }
    return SAG_OK;
}

/* The last state: the end of the battery's data or of what parts work at, the terminal voltage
 * asked for, or the battery's flat voltage, whichever comes first. */
static sag_status find_end(sag_discharge *discharge, double until_v, sag_report *report)
{
    double fresh_v = sag_curve_at(&discharge->terminal, discharge->fresh_v, NULL);
    if (until_v >= fresh_v) {
        sag_report_on(report, SAG_ERROR, NULL, "give a lower terminal voltage",
                      "the battery is at %.4g V when fresh, not above %.4g V", fresh_v, until_v);
        return SAG_REFUSED;
    }
    double flat_v = discharge->in_series * discharge->design->supply.battery->flat_v;
    double at_v = sag_discharge_find(discharge, flat_v);
    if (at_v > discharge->last_v) {
        discharge->last_v = at_v;
        discharge->end = SAG_END_FLAT;
    }
    at_v = isnan(until_v) ? (double)NAN : sag_discharge_find(discharge, until_v);
    if (at_v > discharge->last_v) {
        discharge->last_v = at_v;
        discharge->end = SAG_END_UNTIL;
    }
    return SAG_OK;
}

sag_status sag_discharge_new(const sag_discharge_request *request, sag_discharge **out,
                             sag_report *report)
{
    *out = NULL;
    TRY(refuse(request, report));
    sag_discharge *discharge = sag_new(1, sizeof *discharge);
    if (!discharge) {
        return SAG_NO_MEMORY;
    }
    discharge->design = request->design;
    discharge->conditions = request->conditions;
    discharge->in_series = request->in_series;
    discharge->end = SAG_END_FLAT;
    for (size_t i = 0; i < request->design->part_count; i++) {
        discharge->opamp_count += request->design->parts[i].kind == SAG_OPAMP;
    }
    discharge->rail = sag_new(discharge->opamp_count, sizeof *discharge->rail);
    sag_status status = discharge->rail ? sag_battery_curves_make(&discharge->battery,
                                                                  request->design->supply.battery)
                                        : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        discharge->fresh_v = discharge->in_series * discharge->battery.fresh_v;
        status = sag_discharge_find_drain(discharge, request, report);
    }
    if (status == SAG_OK) {
        status = find_end(discharge, request->until_v, report);
    }
    if (status != SAG_OK) {
        sag_discharge_free(discharge);
        return status;
    }
    *out = discharge;
    return SAG_OK;
}

void sag_discharge_free(sag_discharge *discharge)
{
    if (discharge) {
        sag_battery_curves_clear(&discharge->battery);
        sag_curve_clear(&discharge->drain);
        sag_curve_clear(&discharge->terminal);
        for (size_t k = 0; discharge->rail && k < discharge->opamp_count; k++) {
            sag_curve_clear(&discharge->rail[k]);
        }
        sag_free(discharge->rail);
        sag_free(discharge);
    }
}

int sag_discharge_in_series(const sag_discharge *discharge)
{
    return discharge->in_series;
}

sag_discharge_end sag_discharge_end_reason(const sag_discharge *discharge)
{
    return discharge->end;
}

const char *sag_discharge_stop_text(const sag_discharge *discharge)
{
    return discharge->end == SAG_END_STOPPED ? discharge->stop_text : "";
}

double sag_discharge_evenness(const sag_discharge *discharge)
{
    return discharge->evenness;
}

const sag_design *sag_discharge_design(const sag_discharge *discharge)
{
    return discharge->design;
}

sag_conditions sag_discharge_conditions(const sag_discharge *discharge, double open_circuit_v)
{
    sag_conditions conditions = discharge->conditions;
    conditions.supply_v = open_circuit_v;
    conditions.batteries = discharge->in_series;
    conditions.stiff = 0;
    return conditions;
}

sag_discharge_state sag_discharge_at(const sag_discharge *discharge, double open_circuit_v)
{
    const sag_battery_curves *battery = &discharge->battery;
    double each_v = open_circuit_v / discharge->in_series;
    double wiring_ohm = discharge->design->supply.resistance_ohm;
    return (sag_discharge_state){
        .open_circuit_v = open_circuit_v,
        .depth = sag_curve_at(&battery->depth, each_v, NULL),
        .terminal_v = sag_curve_at(&discharge->terminal, open_circuit_v, NULL),
        .drain_a = sag_curve_at(&discharge->drain, open_circuit_v, NULL),
        .audio_ohm =
            wiring_ohm + discharge->in_series * sag_curve_at(&battery->audio_ohm, each_v, NULL),
        .dc_ohm = wiring_ohm + discharge->in_series * sag_curve_at(&battery->dc_ohm, each_v, NULL)};
}

sag_discharge_state sag_discharge_fresh(const sag_discharge *discharge)
{
    return sag_discharge_at(discharge, discharge->fresh_v);
}

sag_discharge_state sag_discharge_last(const sag_discharge *discharge)
{
    return sag_discharge_at(discharge, discharge->last_v);
}

/* Where a curve over the open-circuit voltage has first fallen to a value, coming from fresh. */
static double find_fall(const sag_discharge *discharge, const sag_curve *curve, double value)
{
    double high = discharge->fresh_v, low = high;
    if (sag_curve_at(curve, high, NULL) <= value) {
        return high;
    }
    for (size_t i = curve->count; i-- > 0;) {
        low = fmax(curve->x[i], discharge->last_v);
        if (sag_curve_at(curve, low, NULL) <= value) {
            break;
        }
        high = low;
    }
    if (high <= low) {
        return (double)NAN;
    }
    for (int i = 0; i < 60; i++) {
        double middle = (high + low) / 2;
        if (sag_curve_at(curve, middle, NULL) <= value) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return high;
}

double sag_discharge_find(const sag_discharge *discharge, double terminal_v)
{
    return find_fall(discharge, &discharge->terminal, terminal_v);
}

double sag_discharge_find_rail(const sag_discharge *discharge, size_t opamp, double rail_v)
{
    return find_fall(discharge, &discharge->rail[opamp], rail_v);
}

double sag_discharge_find_depth(const sag_discharge *discharge, double depth)
{
    double high = discharge->fresh_v, low = discharge->last_v;
    const sag_curve *curve = &discharge->battery.depth;
    if (!(sag_curve_at(curve, low / discharge->in_series, NULL) >= depth)) {
        return (double)NAN;
    }
    for (int i = 0; i < 60; i++) {
        double middle = (high + low) / 2;
        if (sag_curve_at(curve, middle / discharge->in_series, NULL) >= depth) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

/* ---- time ---- */

/* The open-circuit voltage is as good a clock as the time, and makes every point of interest a
 * place to stop at: with x the volts fallen since fresh, dt/dx = (dD/dx) / (I/Q + s (1 - D)/p),
 * dq/dx = I dt/dx,   ... */
enum { TIME_S, CHARGE_C, LOST_C, EMF_J, CIRCUIT_J, HEAT_J, INTEGRALS };

typedef struct {
    const sag_discharge *discharge;
    const sag_discharge_use *use;
    double loss; /* self-discharge, 1/s of calendar time */
} integrand;

static double charge_at(const sag_battery_model *battery, double drain_a, sag_charge which)
{
    double least_c, most_c, charge_c = sag_battery_charge_c(battery, drain_a, &least_c, &most_c);
    switch (which) {
    case SAG_CHARGE_LEAST:
        return least_c;
    case SAG_CHARGE_MOST:
        return most_c;
    case SAG_CHARGE_TYPICAL:
        break;
    }
    return charge_c;
}

static int slope(double x, const double y[], double dy[], void *context)
{
    const integrand *of = context;
    const sag_discharge *discharge = of->discharge;
    double v = discharge->fresh_v - x, by_v;
    sag_discharge_state at = sag_discharge_at(discharge, v);
    (void)y;
    sag_curve_at(&discharge->battery.depth, v / discharge->in_series, &by_v);
    double drain_a = fmax(at.drain_a, 0) + of->use->extra_a;
    double charge_c = charge_at(discharge->design->supply.battery, drain_a, of->use->charge);
    double lost_a = charge_c * of->loss * (1 - at.depth) / of->use->plugged_in;
    double per_s = (drain_a + lost_a) / charge_c;
    double depth_by_x = -by_v / discharge->in_series;
    dy[TIME_S] = depth_by_x / fmax(per_s, 1 / (1e3 * ENDLESS_S));
    dy[CHARGE_C] = drain_a * dy[TIME_S];
    dy[LOST_C] = lost_a * dy[TIME_S];
    dy[EMF_J] = v * dy[CHARGE_C];
    dy[CIRCUIT_J] = (at.terminal_v - of->use->extra_a * at.dc_ohm) * dy[CHARGE_C];
    dy[HEAT_J] = drain_a * at.dc_ohm * dy[CHARGE_C];
    return GSL_SUCCESS;
}

static sag_discharge_time time_of(const double y[], double plugged_in)
{
    if (!(y[TIME_S] < ENDLESS_S)) {
        double none = (double)INFINITY;
        return (sag_discharge_time){none, none, none, none, none, none, none};
    }
    return (sag_discharge_time){.plugged_s = y[TIME_S],
                                .calendar_s = y[TIME_S] / plugged_in,
                                .charge_c = y[CHARGE_C],
                                .lost_c = y[LOST_C],
                                .emf_j = y[EMF_J],
                                .circuit_j = y[CIRCUIT_J],
                                .heat_j = y[HEAT_J]};
}

sag_status sag_discharge_run(const sag_discharge *discharge, const sag_discharge_use *use,
                             const double *open_circuit_v, size_t count, sag_discharge_time *out)
{
    if (!(use->plugged_in > 0) || !(use->plugged_in <= 1) || !(use->extra_a >= 0)) {
        return SAG_BAD_ARGUMENT;
    }
    double per_year = discharge->design->supply.battery->self_discharge_per_year;
    integrand of = {.discharge = discharge, .use = use, .loss = -log1p(-per_year) / year_s};
    gsl_odeiv2_system system = {.function = slope, .dimension = INTEGRALS, .params = &of};
    double x = 0, y[INTEGRALS] = {0};
    gsl_odeiv2_driver *driver =
        gsl_odeiv2_driver_alloc_y_new(&system, gsl_odeiv2_step_rk8pd, 1e-3, 1e-9, ACCURACY);
    if (!driver) {
        return SAG_NO_MEMORY;
    }
    sag_status status = SAG_OK;
    for (size_t i = 0; i < count && status == SAG_OK; i++) {
        double to = discharge->fresh_v - open_circuit_v[i];
        if (to > x && gsl_odeiv2_driver_apply(driver, &x, to, y) != GSL_SUCCESS) {
            status = SAG_NOT_CONVERGED;
        }
        out[i] = time_of(y, use->plugged_in);
    }
    gsl_odeiv2_driver_free(driver);
    return status;
}
