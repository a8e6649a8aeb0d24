/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bias_private.h"

#include "memory.h"
#include "status.h"

#define LANE_WIDTH 1
#include "stage_lanes.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* A resting voltage is known to this before anything small-signal starts from it. */
#define TOLERANCE_V 1e-11
/* In the dead band of a class-B output the rounding of its current comes back 1e5 times as large. */
#define CROSSING_TOLERANCE_V 1e-9
/* Closer to a limit at rest than this is at it: the knee is 20 mV wide. */
#define LEAST_ROOM_V 20e-3

static sag_status allocate(sag_bias *bias, const sag_network *network)
{
    bias->network = network;
    bias->x = sag_new(network->n, sizeof *bias->x);
    bias->unknown = sag_new(network->source_count, sizeof *bias->unknown);
    bias->observed = sag_new(network->row_count, sizeof *bias->observed);
    bias->rail_v = sag_new(network->rail_count, sizeof *bias->rail_v);
    return bias->x && bias->unknown && bias->observed && bias->rail_v ? SAG_OK : SAG_NO_MEMORY;
}

/* Where a ground-referred supply puts the middle of its rails. */
static double middle_v(const sag_network *network)
{
    const sag_supply *supply = &network->design->supply;
    double volts = network->conditions.supply_v;
    if (supply->middle >= 0) {
        return 0;
    }
    return supply->positive == SAG_GROUND ? -volts / 2 : volts / 2;
}

/* Outputs that are let go may have to creep along a limit. */
#define MOST_SETTLING 3000

/* Lets the outputs go from the middle of the supply with all capacitors open. Left in y. */
static lane_mask settle(stage_work *work, const sag_map *map, const double *history, double *y)
{
    const sag_network *network = work->devices->network;
    for (size_t i = 0; i < network->source_count; i++) {
        y[i] = i < network->opamp_count ? middle_v(network) : 0;
    }
    for (size_t k = 0; k < network->opamp_count; k++) {
        work->anchor[k] = middle_v(network);
    }
    return stage_settle(work, map, history, 0, y, 0, MOST_SETTLING) ? 0 : -1;
}

/* One solve of the resting equations with the devices as they are. Reads and writes bias->unknown.
 */
static sag_status solve(sag_bias *bias, int from_linear)
{
    const sag_network *network = bias->network;
    sag_map map = {0};
    sag_map_maker *maker = NULL;
    stage_work work = {0};
    double *base = sag_new(network->source_count, sizeof *base);
    double *history = sag_new(network->state_count + network->opamp_count, sizeof *history);
    sag_status status = base && history ? SAG_OK : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        status = sag_map_new(network, &map);
    }
    if (status == SAG_OK) {
        status = sag_map_maker_new(&bias->devices, &maker);
    }
    if (status == SAG_OK) {
        status = stage_work_make(&work, &bias->devices);
    }
    if (status == SAG_OK) {
        status = sag_map_fill(maker, 0, &map);
    }
    if (status == SAG_OK) {
        work.base_observed = map.rest;
        work.base_source = base;
        work.tolerance_v = lane_of(work.crosses ? CROSSING_TOLERANCE_V : TOLERANCE_V);
        lane_mask open =
            stage_solve_surely(&work, &map, history, 0, bias->unknown, -1, from_linear);
        if (lane_any(open)) {
            open = settle(&work, &map, history, bias->unknown);
        }
        for (size_t k = 0; k < network->opamp_count; k++) {
            stage_see_pins(&work, &map, k);
        }
        memcpy(bias->observed, work.seen, network->row_count * sizeof *bias->observed);
        for (size_t r = 0; r < network->rail_count; r++) {
            size_t row = sag_network_rail_row(network, r);
            bias->rail_v[r] = bias->observed[row] - bias->observed[row + 1];
        }
        status =
            lane_any(open) ? SAG_NOT_CONVERGED : sag_map_unknowns(maker, bias->unknown, bias->x);
    }
    stage_work_clear(&work);
    sag_map_maker_free(maker);
    sag_map_clear(&map);
    sag_free(history);
    sag_free(base);
    return status;
}

/* SAG_STOPPED or SAG_NO_SWING where an op-amp cannot work with the rails found. */
static sag_status check_opamps(const sag_bias *bias, int converged, sag_report *report)
{
    const sag_network *network = bias->network;
    sag_status status = SAG_OK;
    for (size_t k = 0; k < network->opamp_count; k++) {
        const sag_network_opamp_data *data = &network->opamps[k];
        const sag_stage_opamp *opamp = &bias->devices.opamps[k];
        double rail_v = bias->rail_v[data->rail], by_current, by_supply;
        char where[64];
        snprintf(where, sizeof where, "%s at %.4g V", data->part->designator,
                 network->conditions.supply_v);
        if (!isfinite(rail_v) ||
            (rail_v < 0 && !converged)) { /* of a solve that failed: says nothing */
            continue;
        }
        if (rail_v < 0) {
            sag_report_on(report, SAG_WARNING, where,
                          "name the positive rail first, then the negative one",
                          "%s has its rails the wrong way round: %.3g V between them.",
                          data->part->designator, rail_v);
            status = SAG_STOPPED;
            continue;
        }
        if (rail_v < data->model->stops_below_v) {
            sag_report_on(report, SAG_WARNING, where,
                          "ask for higher supplies, or try another op-amp",
                          "%s gets %.3g V; %s stops working below %.3g V.", data->part->designator,
                          rail_v, data->model->head.name, data->model->stops_below_v);
            status = SAG_STOPPED;
            continue;
        }
        double room_v = rail_v -
                        sag_drop_line_at(&opamp->high, 0, rail_v, &by_current, &by_supply) -
                        sag_drop_line_at(&opamp->low, 0, rail_v, &by_current, &by_supply);
        if (!(room_v > 2 * (opamp->knee_high_v + opamp->knee_low_v)) && status == SAG_OK) {
            sag_report_on(
                report, SAG_WARNING, where, "ask for higher supplies, or try another op-amp",
                "%s has no swing: %.3g V between its rails is used up by the drops of %s.",
                data->part->designator, rail_v, data->model->head.name);
            status = SAG_NO_SWING;
        }
    }
    return status;
}

/* An output that rests at a limit is a wiring mistake or a bias current more often than it is
 * meant. */
static void warn_at_limits(const sag_bias *bias, sag_report *report)
{
    for (size_t k = 0; k < bias->network->opamp_count; k++) {
        sag_bias_opamp opamp = sag_bias_opamp_get(bias, k);
        int high = opamp.to_positive_v < LEAST_ROOM_V, low = opamp.to_negative_v < LEAST_ROOM_V;
        if (high || low) {
            char where[64];
            const char *name = bias->network->opamps[k].part->designator;
            snprintf(where, sizeof where, "%s at %.4g V", name, bias->network->conditions.supply_v);
            sag_report_on(report, SAG_WARNING, where,
                          "look for gain at DC, a resistor to ground where the reference is meant, "
                          "or bias current",
                          "%s rests at its %s limit (%.3g V): it passes no signal cleanly.", name,
                          high ? "positive" : "negative", opamp.out_v);
        }
    }
}

double sag_bias_beyond_range_v(const sag_bias *bias, size_t index, int at_high)
{
    const sag_opamp_model *model = bias->network->opamps[index].model;
    sag_bias_opamp opamp = sag_bias_opamp_get(bias, index);
    double nearer_v = at_high ? opamp.rail_positive_v - fmin(opamp.plus_v, opamp.minus_v)
                              : fmax(opamp.plus_v, opamp.minus_v) - opamp.rail_negative_v;
    double works_to_v = at_high ? model->input_high.works_to_v : model->input_low.works_to_v;
    return isnan(works_to_v) ? -(double)INFINITY : works_to_v - nearer_v;
}

void sag_bias_warn_without_gain(const sag_bias *bias, sag_report *report)
{
    for (size_t k = 0; k < bias->network->opamp_count; k++) {
        int at_high = sag_bias_beyond_range_v(bias, k, 1) > 0;
        if (at_high || sag_bias_beyond_range_v(bias, k, 0) > 0) {
            char where[64];
            const char *name = bias->network->opamps[k].part->designator;
            snprintf(where, sizeof where, "%s at %.4g V", name, bias->network->conditions.supply_v);
            sag_report_on(report, SAG_WARNING, where,
                          "bias the inputs nearer to half the supply, or take an op-amp with a "
                          "wider input range",
                          "%s has lost its gain: its inputs rest %.3g V further towards the %s "
                          "rail than %s works.",
                          name, sag_bias_beyond_range_v(bias, k, at_high),
                          at_high ? "positive" : "negative",
                          bias->network->opamps[k].model->head.name);
        }
    }
}

/* Rounds of figures and rails; each brings the rails a hundred times nearer or more. */
#define MOST_ROUNDS 5
/* Between figures taken at rails this far apart no table shows a difference. */
#define SAME_RAILS_V 1e-4

/* Whether the rails that the last round found are those it took the figures at. The second round
 * is run in any case: it starts from a solution, and leaves no more than rounding. */
static int figures_are_at_rails(const sag_bias *bias, int round)
{
    double furthest_v = 0;
    for (size_t r = 0; r < bias->network->rail_count; r++) {
        furthest_v = fmax(furthest_v, fabs(bias->rail_v[r] - bias->devices.rail_v[r]));
    }
    return round > 1 && furthest_v < SAME_RAILS_V;
}

static sag_status find(sag_bias *bias, sag_report *report)
{
    const sag_network *network = bias->network;
    for (size_t r = 0; r < network->rail_count; r++) {
        bias->rail_v[r] = network->conditions.supply_v;
    }
    TRY(sag_devices_make(&bias->devices, network, bias->rail_v));
    for (size_t k = 0; k < network->opamp_count; k++) {
        bias->unknown[k] = middle_v(network);
    }
    /* First with the figures at the supply asked for, then with those at the rails found: a diode
     * and the battery's resistance stand between. Where a part's tables bend between the two (an
     * opa2134 at 5 V) the rails found next are some 20 mV further, and its slew rate 0.4 %. */
    for (int round = 0; round < MOST_ROUNDS && !figures_are_at_rails(bias, round); round++) {
        if (round > 0) {
            sag_devices_clear(&bias->devices);
            TRY(sag_devices_make(&bias->devices, network, bias->rail_v));
        }
        sag_status status = solve(bias, round == 0);
        if (status > SAG_OK) {
            sag_status reason = check_opamps(bias, 0, report);
            if (reason == SAG_OK) {
                char where[32];
                snprintf(where, sizeof where, "%.4g V", network->conditions.supply_v);
                sag_report_on(report, SAG_WARNING, where, NULL,
                              "No bias point was found at %.4g V: %s.",
                              network->conditions.supply_v, sag_status_text(status));
                reason = status;
            }
            return reason;
        }
        TRY(status);
        if (round == 0) {
            TRY(check_opamps(bias, 1, report));
        }
    }
    warn_at_limits(bias, report);
    return SAG_OK;
}

sag_status sag_bias_new(const sag_network *network, sag_bias **out, sag_report *report)
{
    *out = NULL;
    sag_bias *bias = sag_new(1, sizeof *bias);
    if (!bias) {
        return SAG_NO_MEMORY;
    }
    sag_status status = allocate(bias, network);
    if (status == SAG_OK) {
        status = find(bias, report);
    }
    if (status != SAG_OK) {
        sag_bias_free(bias);
        return status;
    }
    *out = bias;
    return SAG_OK;
}

void sag_bias_free(sag_bias *bias)
{
    if (bias) {
        sag_devices_clear(&bias->devices);
        sag_free(bias->x);
        sag_free(bias->unknown);
        sag_free(bias->observed);
        sag_free(bias->rail_v);
        sag_free(bias);
    }
}

const sag_network *sag_bias_network(const sag_bias *bias)
{
    return bias->network;
}

static double unknown_v(const sag_bias *bias, int unknown)
{
    return unknown < 0 ? 0 : bias->x[unknown];
}

double sag_bias_node_v(const sag_bias *bias, int node)
{
    return unknown_v(bias, sag_network_unknown(node));
}

double sag_bias_terminal_v(const sag_bias *bias)
{
    const sag_supply *supply = &bias->network->design->supply;
    return sag_bias_node_v(bias, supply->positive) - sag_bias_node_v(bias, supply->negative);
}

double sag_bias_drain_a(const sag_bias *bias)
{
    return -bias->x[bias->network->supply_branch[0]];
}

double sag_bias_half_drain_a(const sag_bias *bias, int half)
{
    int branch = bias->network->supply_branch[half];
    return branch < 0 ? sag_bias_drain_a(bias) : -bias->x[branch];
}

/* Index of a part among those of its kind. */
static size_t find_device(const sag_network *network, size_t part)
{
    size_t index = 0;
    sag_part_kind kind = network->design->parts[part].kind;
    for (size_t i = 0; i < part; i++) {
        index += network->design->parts[i].kind == kind;
    }
    return index;
}

double sag_bias_part_current_a(const sag_bias *bias, size_t part)
{
    const sag_network *network = bias->network;
    sag_part_kind kind = network->design->parts[part].kind;
    if (kind == SAG_OPAMP) {
        return sag_bias_opamp_get(bias, find_device(network, part)).out_a;
    }
    if (kind == SAG_DIODE) {
        size_t d = find_device(network, part);
        double slope, v = bias->observed[sag_network_diode_row(network, d)];
        return sag_diode_current(&network->diodes[d].law, v, &slope);
    }
    const sag_leg *leg = &network->legs[part];
    if (leg->branch >= 0) {
        return bias->x[leg->branch];
    }
    return leg->conductance * (unknown_v(bias, leg->a) - unknown_v(bias, leg->b));
}

sag_bias_opamp sag_bias_opamp_get(const sag_bias *bias, size_t index)
{
    const sag_network *network = bias->network;
    const sag_network_opamp_data *data = &network->opamps[index];
    const sag_stage_opamp *opamp = &bias->devices.opamps[index];
    const sag_part *part = data->part;
    double by_current, by_supply, rail_v = bias->rail_v[data->rail];
    sag_bias_opamp found = {
        .plus_v = sag_bias_node_v(bias, part->node[SAG_PIN_PLUS]),
        .minus_v = sag_bias_node_v(bias, part->node[SAG_PIN_MINUS]),
        .out_v = sag_bias_node_v(bias, part->node[SAG_PIN_OUT]),
        .rail_positive_v = sag_bias_node_v(bias, part->node[SAG_PIN_RAIL_POSITIVE]),
        .rail_negative_v = sag_bias_node_v(bias, part->node[SAG_PIN_RAIL_NEGATIVE]),
        .gain_bandwidth_hz = opamp->wt / (2 * M_PI),
        .second_pole_hz = opamp->second_pole / (2 * M_PI),
        .slew_rise = opamp->slew_rise,
        .slew_fall = opamp->slew_fall,
        .open_loop_gain = data->model->open_loop_gain,
        .output_ohm = data->output_ohm};
    found.out_a = (bias->unknown[index] - found.out_v) * opamp->siemens;
    found.class_a_a =
        opamp->dead_band_v > 0 ? (1 - SAG_HAND_OVER) * opamp->hand_over_a : (double)NAN;
    found.to_positive_v =
        found.rail_positive_v - found.out_v -
        sag_drop_line_at(&opamp->high, found.out_a, rail_v, &by_current, &by_supply);
    found.to_negative_v =
        found.out_v - found.rail_negative_v -
        sag_drop_line_at(&opamp->low, -found.out_a, rail_v, &by_current, &by_supply);
    const sag_rail *rail = &network->rails[data->rail];
    size_t at = 0;
    for (size_t i = 0; i < network->design->package_count; i++) {
        const sag_package *package = &network->design->packages[i];
        if (package->rail_positive == rail->positive && package->rail_negative == rail->negative) {
            if ((int)i == part->package) {
                found.supply_a = sag_curve_at(&rail->supply_current[at], rail_v, NULL);
            }
            at++;
        }
    }
    return found;
}

/* 1 when an input pin rests outside the range that the data sheet specifies. */
static int rests_outside(const sag_bias *bias, size_t k)
{
    const sag_opamp_model *model = bias->network->opamps[k].model;
    sag_bias_opamp opamp = sag_bias_opamp_get(bias, k);
    double lowest = fmin(opamp.plus_v, opamp.minus_v) - opamp.rail_negative_v;
    double highest = opamp.rail_positive_v - fmax(opamp.plus_v, opamp.minus_v);
    /* A side that is not given is NAN, and nothing is below that. */
    return lowest < model->input_low.specified_v || highest < model->input_high.specified_v;
}

unsigned sag_bias_marks(const sag_bias *bias)
{
    const sag_network *network = bias->network;
    unsigned marks = 0;
    if (network->supply.beyond_data) {
        marks |= SAG_MARK_BEYOND_BATTERY;
    }
    for (size_t k = 0; k < network->opamp_count; k++) {
        const sag_network_opamp_data *data = &network->opamps[k];
        const sag_opamp_model *model = data->model;
        double rail_v = bias->rail_v[data->rail];
        if (rail_v < model->supply_min_v || rail_v > model->supply_max_v ||
            rests_outside(bias, k)) {
            marks |= SAG_MARK_OUTSIDE_SHEET;
        }
        if (sag_opamp_is_estimate(model, rail_v)) {
            marks |= SAG_MARK_ESTIMATE;
        }
    }
    return marks;
}

const char *sag_mark_text(sag_mark mark)
{
    switch (mark) {
    case SAG_MARK_OUTSIDE_SHEET:
        return "outside data sheet";
    case SAG_MARK_ESTIMATE:
        return "estimate";
    case SAG_MARK_BEYOND_BATTERY:
        return "beyond battery data";
    }
    return "";
}
