/* SPDX-License-Identifier: GPL-3.0-or-later */
/* balance.h - what flows into every pin at a bias point, from each part's own law and not from the
 * network's equations: for the current law at every node and for the balance of power. */
#ifndef RAILSAG_BALANCE_H
#define RAILSAG_BALANCE_H

#include "circuit.h"

#include "bias_private.h"

typedef struct {
    double node_a[SAG_MAX_NODES];      /* sum of the currents leaving a node into parts */
    double node_size_a[SAG_MAX_NODES]; /* sum of their sizes */
    double dissipated_w;               /* by everything but the EMFs of battery and voltage parts */
    double delivered_w;                /* by those */
} balance;

static inline void balance_pin(balance *b, const sag_bias *bias, int node, double current_a)
{
    b->node_a[node] += current_a;
    b->node_size_a[node] += fabs(current_a);
    b->dissipated_w += current_a * sag_bias_node_v(bias, node);
}

static inline void balance_through(balance *b, const sag_bias *bias, int from, int to,
                                   double current_a)
{
    balance_pin(b, bias, from, current_a);
    balance_pin(b, bias, to, -current_a);
}

static inline void balance_resistor(balance *b, const sag_bias *bias, int from, int to, double ohm)
{
    if (from != to) {
        double volts = sag_bias_node_v(bias, from) - sag_bias_node_v(bias, to);
        balance_through(b, bias, from, to, volts / ohm);
    }
}

/* Lugs and wiper as two resistors; with the wiper open, the whole track. */
static inline void balance_pot(balance *b, const sag_bias *bias, const sag_part *part)
{
    const sag_design *design = bias->network->design;
    double setting = part->control >= 0 ? design->controls[part->control].setting : 0.5;
    double share = sag_taper_share(part->taper, part->middle, setting);
    double track = part->value - 2 * part->end_ohm;
    const int *node = part->node;
    if (node[SAG_PIN_WIPER] == SAG_OPEN) {
        balance_resistor(b, bias, node[SAG_PIN_END0], node[SAG_PIN_END1], part->value);
        return;
    }
    if (node[SAG_PIN_END0] != SAG_OPEN && node[SAG_PIN_END0] != node[SAG_PIN_WIPER]) {
        double current_a = sag_bias_part_current_a(bias, (size_t)(part - design->parts));
        balance_through(b, bias, node[SAG_PIN_END0], node[SAG_PIN_WIPER], current_a);
    }
    if (node[SAG_PIN_END1] != SAG_OPEN) {
        balance_resistor(b, bias, node[SAG_PIN_END1], node[SAG_PIN_WIPER],
                         part->end_ohm + (1 - share) * track);
    }
}

/* One op-amp: half of what leaves the output from each rail, input resistances half to each rail,
 * bias currents back to a rail. */
static inline void balance_opamp(balance *b, const sag_bias *bias, size_t k)
{
    const sag_network_opamp_data *data = &bias->network->opamps[k];
    const int *node = data->part->node;
    int positive = node[SAG_PIN_RAIL_POSITIVE], negative = node[SAG_PIN_RAIL_NEGATIVE];
    double out_a = sag_bias_opamp_get(bias, k).out_a, bias_a = data->model->bias_a;
    balance_pin(b, bias, node[SAG_PIN_OUT], -out_a);
    balance_pin(b, bias, positive, 0.5 * out_a);
    balance_pin(b, bias, negative, 0.5 * out_a);
    for (int pin = SAG_PIN_PLUS; pin <= SAG_PIN_MINUS; pin++) {
        double middle = 0.5 * (sag_bias_node_v(bias, positive) + sag_bias_node_v(bias, negative));
        double into_a = (sag_bias_node_v(bias, node[pin]) - middle) / data->model->input_ohm;
        balance_pin(b, bias, node[pin], into_a + bias_a);
        balance_pin(b, bias, positive, -0.5 * into_a - (bias_a < 0 ? bias_a : 0));
        balance_pin(b, bias, negative, -0.5 * into_a - (bias_a > 0 ? bias_a : 0));
    }
}

/* What each pair of rails carries: the quiescent current of every amplifier on it, used or not, and
 * what makes the positive rail deliver the output currents that are positive, and the negative one
 * take the others. Checked against the model's figures; the library takes the quiescent current as
 * straight about the supply it finds first. */
static inline void balance_rails(balance *b, const sag_bias *bias)
{
    const sag_network *network = bias->network;
    for (size_t r = 0; r < network->rail_count; r++) {
        const sag_rail *rail = &network->rails[r];
        double carried_a = bias->unknown[network->opamp_count + r], slope;
        balance_through(b, bias, rail->positive, rail->negative, carried_a);
        double supply_v =
            sag_bias_node_v(bias, rail->positive) - sag_bias_node_v(bias, rail->negative);
        double expected_a = sag_rail_current(rail, supply_v, &slope),
               split_a = bias->devices.split_a[r];
        for (size_t k = 0; k < network->opamp_count; k++) {
            if (network->opamps[k].rail == (int)r) {
                double out_a = sag_bias_opamp_get(bias, k).out_a;
                expected_a += 0.5 * (sqrt(out_a * out_a + split_a * split_a) - split_a);
            }
        }
        near_abs(carried_a, expected_a, 1e-4 * expected_a,
                 "quiescent and output currents of the rails");
    }
}

/* The diodes that op-amps have between their inputs. */
static inline void balance_input_diodes(balance *b, const sag_bias *bias)
{
    const sag_network *network = bias->network;
    for (size_t d = 0; d < network->diode_count; d++) {
        const sag_network_diode *diode = &network->diodes[d];
        if (diode->part->kind == SAG_OPAMP) {
            double v = bias->observed[sag_network_diode_row(network, d)], slope;
            balance_through(b, bias, diode->anode, diode->cathode,
                            sag_diode_current(&diode->law, v, &slope));
        }
    }
}

static inline void balance_part(balance *b, const sag_bias *bias, size_t part)
{
    const sag_part *p = &bias->network->design->parts[part];
    double current_a = sag_bias_part_current_a(bias, part);
    switch (p->kind) {
    case SAG_POT:
        balance_pot(b, bias, p);
        break;
    case SAG_OPAMP:
        break;
    case SAG_SWITCH: {
        int chosen = (int)lround(bias->network->design->controls[p->control].setting);
        int to = p->node[SAG_PIN_THROW + chosen - 1];
        if (to != SAG_OPEN) {
            balance_through(b, bias, p->node[SAG_PIN_COMMON], to, current_a);
        }
        break;
    }
    default:
        balance_through(b, bias, p->node[0], p->node[1], current_a);
        if (p->kind == SAG_VOLTAGE) { /* what its EMF takes is delivered, not dissipated */
            b->delivered_w -= p->value * current_a;
            b->dissipated_w -= p->value * current_a;
        }
        break;
    }
}

static inline void balance_supply(balance *b, const sag_bias *bias)
{
    const sag_network *network = bias->network;
    const sag_supply *supply = &network->design->supply;
    double emf_v = network->conditions.supply_v;
    if (supply->middle >= 0) {
        emf_v /= 2;
        double second_a = bias->x[network->supply_branch[1]];
        balance_through(b, bias, supply->middle, supply->negative, second_a);
        b->delivered_w -= emf_v * second_a;
        b->dissipated_w -= emf_v * second_a;
    }
    double drain_a = sag_bias_drain_a(bias);
    balance_through(b, bias, supply->positive,
                    supply->middle >= 0 ? supply->middle : supply->negative, -drain_a);
    b->delivered_w += emf_v * drain_a;
    b->dissipated_w += emf_v * drain_a;
}

/* On the bench drive: its resistance to ground, and the load. */
static inline balance balance_of(const sag_bias *bias)
{
    const sag_network *network = bias->network;
    const sag_design *design = network->design;
    balance b = {0};
    for (size_t i = 0; i < design->part_count; i++) {
        balance_part(&b, bias, i);
    }
    for (size_t k = 0; k < network->opamp_count; k++) {
        balance_opamp(&b, bias, k);
    }
    balance_rails(&b, bias);
    balance_input_diodes(&b, bias);
    balance_supply(&b, bias);
    for (size_t i = 0; i < design->input_count; i++) {
        balance_resistor(&b, bias, design->inputs[i].node, SAG_GROUND, design->source_ohm);
    }
    double load =
        isnan(network->conditions.load_ohm) ? design->load_ohm : network->conditions.load_ohm;
    balance_resistor(&b, bias, design->output, SAG_GROUND, load);
    return b;
}

static inline double balance_ramp(double u, double k)
{
    return u <= -k ? 0 : u >= k ? u : (u + k) * (u + k) * (u + k) * (3 * k - u) / (16 * k * k * k);
}

/* From 0 to 1 over the edge of an input range. */
static inline double balance_edge(double volts)
{
    double p = fmin(fmax(0.5 + 0.5 * volts / SAG_RANGE_EDGE_V, 0), 1);
    return p * p * p * (10 - 15 * p + 6 * p * p);
}

/* 1 well inside both sides of an input range, 0 outside. Sides that are not given do not limit. */
static inline double balance_inside(double low_v, double high_v, double volts, double vp, double vn)
{
    double low = isnan(low_v) ? 1 : balance_edge(volts - vn - low_v);
    double high = isnan(high_v) ? 1 : balance_edge(vp - volts - high_v);
    return low * high;
}

/* 1 beyond the lower side, -1 beyond the upper one, 0 inside. */
static inline double balance_outside(double low_v, double high_v, double volts, double vp,
                                     double vn)
{
    return balance_inside((double)NAN, high_v, volts, vp, vn) -
           balance_inside(low_v, (double)NAN, volts, vp, vn);
}

/* 1 where both pins, given as their distances inside a rail, are beyond works_to, 0 where either is
 * well inside. */
static inline double balance_both_beyond(double works_to_v, double plus_v, double minus_v)
{
    return isnan(works_to_v)
               ? 0
               : balance_edge(works_to_v - plus_v) * balance_edge(works_to_v - minus_v);
}

/* What the gain node of a class-B output is ahead of its EMF. */
static inline double balance_crossing(const sag_stage_opamp *p, double out_a)
{
    if (!(p->dead_band_v > 0)) {
        return 0;
    }
    double t = (out_a - p->hand_over_a) / p->hand_half_a * SAG_RANGE_EDGE_V;
    return p->dead_band_v * (balance_edge(t) - (p->hand_over_a < 0 ? 1 : 0));
}

/* The rate of an op-amp's gain node over its slew rate, from the equations of stage.h and
 * device_lanes.h: 0 at rest. */
static inline double balance_gain_rate(const sag_bias *bias, size_t k)
{
    const sag_network_opamp_data *data = &bias->network->opamps[k];
    const sag_opamp_model *model = data->model;
    const sag_stage_opamp *p = &bias->devices.opamps[k];
    sag_bias_opamp opamp = sag_bias_opamp_get(bias, k);
    double vp = opamp.rail_positive_v, vn = opamp.rail_negative_v, by_current, by_supply;
    double x = opamp.plus_v - opamp.minus_v + model->offset_v;
    const sag_input_side *low_side = &model->input_low, *high_side = &model->input_high;
    double wp =
        balance_inside(low_side->reverses_at_v, high_side->reverses_at_v, opamp.plus_v, vp, vn);
    double wm =
        balance_inside(low_side->reverses_at_v, high_side->reverses_at_v, opamp.minus_v, vp, vn);
    double lost_low =
        balance_both_beyond(low_side->works_to_v, opamp.plus_v - vn, opamp.minus_v - vn);
    double lost_high =
        balance_both_beyond(high_side->works_to_v, vp - opamp.plus_v, vp - opamp.minus_v);
    double gain = SAG_LEAST_GAIN + (1 - SAG_LEAST_GAIN) * (1 - lost_low) * (1 - lost_high);
    gain = SAG_REVERSED_GAIN + (gain - SAG_REVERSED_GAIN) * wp * wm;
    double sp =
        balance_outside(low_side->reverses_at_v, high_side->reverses_at_v, opamp.plus_v, vp, vn);
    double sm =
        balance_outside(low_side->reverses_at_v, high_side->reverses_at_v, opamp.minus_v, vp, vn);
    x = wp * wm * x + p->flipped_v * sp - p->flipped_v * sm * wp;
    double slew = x < 0 ? p->slew_fall : p->slew_rise;
    double high = vp - sag_drop_at(&data->high, opamp.out_a, vp - vn, &by_current, &by_supply);
    double low = vn + sag_drop_at(&data->low, -opamp.out_a, vp - vn, &by_current, &by_supply);
    /* Under a load that pushes one limit past the other, the side that carries the current rules,
     * and the other stands four half-knees beside it. */
    double apart = 2 * (p->knee_high_v + p->knee_low_v);
    if (high - low < apart && opamp.out_a < 0) {
        high = low + apart;
    } else if (high - low < apart) {
        low = high - apart;
    }
    double rate = gain * slew * tanh(p->wt * x / slew) -
                  (bias->unknown[k] + balance_crossing(p, opamp.out_a) - 0.5 * (vp + vn)) * p->wt /
                      model->open_loop_gain;
    rate -= p->slew_rise / p->knee_high_v *
            balance_ramp(opamp.out_v - high + p->knee_high_v, p->knee_high_v);
    rate += p->slew_fall / p->knee_low_v *
            balance_ramp(low - opamp.out_v + p->knee_low_v, p->knee_low_v);
    rate -= p->slew_rise / p->knee_source_a *
            balance_ramp(opamp.out_a - p->short_source_a + p->knee_source_a, p->knee_source_a);
    rate += p->slew_fall / p->knee_sink_a *
            balance_ramp(-opamp.out_a - p->short_sink_a + p->knee_sink_a, p->knee_sink_a);
    return rate / fmin(p->slew_rise, p->slew_fall);
}

/* What is wrong with a bias point, in words, or NULL: the current law at every node, ground
 * included, to tolerance_a or the rounding of large currents; an op-amp whose gain node moves by
 * more than 1e-4 of its slew rate. */
static inline const char *balance_fault(const sag_bias *bias, const balance *b, double tolerance_a)
{
    static char fault[128];
    const sag_network *network = bias->network;
    for (size_t i = 0; i < network->design->node_count; i++) {
        if (!(fabs(b->node_a[i]) <= tolerance_a + 1e-13 * b->node_size_a[i])) {
            snprintf(fault, sizeof fault, "%.3g A too much at node %s", b->node_a[i],
                     network->design->nodes[i]);
            return fault;
        }
    }
    for (size_t k = 0; k < network->opamp_count; k++) {
        double rate = balance_gain_rate(bias, k);
        if (!(fabs(rate) <= 1e-4)) {
            snprintf(fault, sizeof fault, "%s moves at %.3g of its slew rate",
                     network->opamps[k].part->designator, rate);
            return fault;
        }
    }
    return NULL;
}

static inline void balance_check(const sag_bias *bias, double tolerance_a)
{
    balance b = balance_of(bias);
    const char *fault = balance_fault(bias, &b, tolerance_a);
    if (fault) {
        print_error("at %g V: %s\n", bias->network->conditions.supply_v, fault);
        fail();
    }
    near_rel(b.delivered_w, b.dissipated_w, 1e-9, "power of the battery is dissipated");
}

#endif
