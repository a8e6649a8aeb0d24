/* SPDX-License-Identifier: GPL-3.0-or-later */
/* discharge_drain.c - the drain against the open-circuit voltage, from bias points. */
#include "discharge_private.h"

#include "memory.h"
#include "parallel.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Bias points from fresh to flat, evenly over the voltage. The drain is close to straight in it: 33
 * give it to 2e-4 for the Heron preamp (tests/test_discharge.c). */
enum { POINTS = 33, HALVINGS = 12 };

/* More current into the battery than rounding leaves. */
static const double charging_a = 1e-9;

typedef struct {
    double open_circuit_v, terminal_v, drain_a, evenness;
    double *rail_v; /* [op-amp] */
    sag_status status;
    char text[256]; /* of the first finding, when there is no bias point */
} drain_point;

typedef struct {
    const sag_discharge *discharge;
    drain_point *points;
} drain_work;

static void take_bias(const sag_bias *bias, drain_point *point)
{
    double a = sag_bias_half_drain_a(bias, 0), b = sag_bias_half_drain_a(bias, 1);
    point->terminal_v = sag_bias_terminal_v(bias);
    point->drain_a = fmax(a, b);
    point->evenness = a == b ? 1 : fmin(a, b) / fmax(a, b);
    for (size_t k = 0; k < sag_network_opamp_count(sag_bias_network(bias)); k++) {
        sag_bias_opamp at = sag_bias_opamp_get(bias, k);
        point->rail_v[k] = at.rail_positive_v - at.rail_negative_v;
    }
}

static sag_status find_point(const sag_discharge *discharge, drain_point *point)
{
    sag_network *network = NULL;
    sag_bias *bias = NULL;
    sag_report *report = NULL;
    sag_conditions conditions = sag_discharge_conditions(discharge, point->open_circuit_v);
    point->status = sag_report_new(&report);
    if (point->status == SAG_OK) {
        point->status = sag_network_new(discharge->design, &conditions, &network, report);
    }
    if (point->status == SAG_OK) {
        point->status = sag_bias_new(network, &bias, report);
    }
    if (point->status == SAG_OK) {
        take_bias(bias, point);
    } else {
        int found = report && sag_report_count(report) > 0;
        snprintf(point->text, sizeof point->text, "%s",
                 found ? sag_report_get(report, 0)->text : sag_status_text(point->status));
    }
    sag_bias_free(bias);
    sag_network_free(network);
    sag_report_free(report);
    return point->status < SAG_OK ? point->status : SAG_OK;
}

static sag_status find_item(void *context, size_t index)
{
    const drain_work *work = context;
    return find_point(work->discharge, &work->points[index]);
}

/* A part that gets too little says something about the circuit; an iteration that fails does not.
 */
static int stops(sag_status status)
{
    return status == SAG_STOPPED || status == SAG_NO_SWING;
}

/* to gets the figures of from, in its own room. */
static void copy_point(drain_point *to, const drain_point *from, size_t opamps)
{
    double *rail_v = to->rail_v;
    memmove(rail_v, from->rail_v, opamps * sizeof *rail_v);
    *to = *from;
    to->rail_v = rail_v;
}

/* Between a point that works and a lower one that stops: as low as parts work, to a millivolt or
 * so. works moves down to there. */
static sag_status find_stop(sag_discharge *discharge, drain_point *works, drain_point *fails,
                            drain_point *trial)
{
    for (int i = 0; i < HALVINGS; i++) {
        trial->open_circuit_v = (works->open_circuit_v + fails->open_circuit_v) / 2;
        TRY(find_point(discharge, trial));
        copy_point(trial->status == SAG_OK ? works : fails, trial, discharge->opamp_count);
    }
    discharge->end = SAG_END_STOPPED;
    snprintf(discharge->stop_text, sizeof discharge->stop_text, "%s", fails->text);
    return SAG_OK;
}

static sag_status make_curves(sag_discharge *discharge, const drain_point *points, size_t count,
                              double *work)
{
    double *x = work, *y = work + count;
    for (size_t k = 0; k < discharge->opamp_count + 2; k++) {
        for (size_t i = 0; i < count; i++) {
            const drain_point *point = &points[count - 1 - i];
            x[i] = point->open_circuit_v;
            y[i] = k == 0 ? point->drain_a : k == 1 ? point->terminal_v : point->rail_v[k - 2];
        }
        sag_curve *curve = k == 0   ? &discharge->drain
                           : k == 1 ? &discharge->terminal
                                    : &discharge->rail[k - 2];
        TRY(sag_curve_make(curve, x, y, count));
    }
    discharge->last_v = x[0];
    discharge->evenness = points[0].evenness;
    return SAG_OK;
}

/* Moves the points with a bias point to the front, down to where a part stops; count becomes their
 * number. There is room for two more behind the points. */
static sag_status sift(sag_discharge *discharge, drain_point *points, size_t *count,
                       sag_report *report)
{
    size_t kept = 0, lost = 0, opamps = discharge->opamp_count;
    if (points[0].status != SAG_OK) {
        sag_report_on(report, SAG_WARNING, "fresh", NULL, "%s", points[0].text);
        return points[0].status;
    }
    for (size_t i = 0; i < POINTS; i++) {
        if (points[i].status == SAG_OK) {
            copy_point(&points[kept++], &points[i], opamps);
        } else if (!stops(points[i].status)) {
            lost++;
        } else {
            drain_point *fails = &points[POINTS], *trial = &points[POINTS + 1];
            copy_point(fails, &points[i], opamps);
            copy_point(&points[kept], &points[kept - 1], opamps);
            TRY(find_stop(discharge, &points[kept], fails, trial));
            kept += points[kept].open_circuit_v < points[kept - 1].open_circuit_v;
            break;
        }
    }
    if (lost > 0) {
        sag_report_on(
            report, SAG_WARNING, NULL, NULL,
            "no bias point at %zu of %d battery states: the drain there is that of its neighbours",
            lost, POINTS);
    }
    *count = kept;
    return kept > 1 ? SAG_OK : SAG_NOT_CONVERGED;
}

static sag_status refuse_charging(const drain_point *points, size_t count, sag_report *report)
{
    for (size_t i = 0; i < count; i++) {
        if (points[i].drain_a < -charging_a) {
            sag_report_on(report, SAG_ERROR, NULL,
                          "a diode towards the circuit keeps an adaptor from doing this",
                          "the circuit feeds %.3g mA into the battery: never charge a battery that "
                          "is not made for it",
                          -1e3 * points[i].drain_a);
            return SAG_REFUSED;
        }
    }
    return SAG_OK;
}

sag_status sag_discharge_find_drain(sag_discharge *discharge, const sag_discharge_request *request,
                                    sag_report *report)
{
    enum { SPARE = 2 };
    size_t opamps = discharge->opamp_count, count = 0;
    double low_v = discharge->in_series * discharge->battery.flat_v;
    drain_point *points = sag_new(POINTS + SPARE, sizeof *points);
    double *rail_v = sag_new((POINTS + SPARE) * (opamps + 1), sizeof *rail_v);
    double work[2 * POINTS];
    sag_status status = points && rail_v ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        for (size_t i = 0; i < POINTS + SPARE; i++) {
            points[i].rail_v = rail_v + i * (opamps + 1);
            points[i].open_circuit_v =
                discharge->fresh_v + (low_v - discharge->fresh_v) * (double)i / (POINTS - 1);
        }
        drain_work task = {.discharge = discharge, .points = points};
        status = sag_parallel_run(POINTS, request->threads, find_item, &task, request->progress,
                                  request->progress_context);
    }
    if (status == SAG_OK) {
        status = sift(discharge, points, &count, report);
    }
    if (status == SAG_OK) {
        status = refuse_charging(points, count, report);
    }
    if (status == SAG_OK) {
        status = make_curves(discharge, points, count, work);
    }
    sag_free(points);
    sag_free(rail_v);
    return status;
}
