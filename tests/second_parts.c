/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What each part of a design puts into the second model. */
#include "memory.h"
#include "second_private.h"

#include <math.h>
#include <string.h>

/* The battery's slow polarisation settles with this time constant, s. */
#define POLARISATION_S 3.0
/* A battery is still fresh a little above its first row. */
#define FRESHER 1.05
/* A junction in breakdown conducts this at its breakdown voltage, A. */
#define BREAKDOWN_A 1e-3
/* Saturation current, A, and resistance, ohm, of each diode between the inputs of an op-amp. */
#define INPUT_DIODE_A   1e-14
#define INPUT_DIODE_OHM 20.0

static int new_unknown(second_model *m, int is_current)
{
    m->is_current[m->n] = (unsigned char)is_current;
    return (int)m->n++;
}

static void put(second_model *m, second_entries *to, int row, int column, double value)
{
    if (row < 0 || column < 0 || m->status != SAG_OK) {
        return;
    }
    for (size_t i = 0; i < to->count; i++) {
        if (to->list[i].row == (size_t)row && to->list[i].column == (size_t)column) {
            to->list[i].value += value;
            return;
        }
    }
    if (!sag_grow((void **)&to->list, &to->capacity, to->count + 1, sizeof *to->list)) {
        m->status = SAG_NO_MEMORY;
        return;
    }
    to->list[to->count++] = (second_entry){(size_t)row, (size_t)column, value};
}

static void put_pair(second_model *m, second_entries *to, int a, int b, double value)
{
    put(m, to, a, a, value);
    put(m, to, b, b, value);
    put(m, to, a, b, -value);
    put(m, to, b, a, -value);
}

static void add_constant(second_model *m, int row, double value)
{
    if (row >= 0) {
        m->constant[row] += value;
    }
}

/* v(a) - v(b) - ohm i - henry i' = emf + level u; returns i's unknown. */
static int put_branch(second_model *m, int a, int b, double ohm, double henry, double emf,
                      double level)
{
    int i = new_unknown(m, 1);
    put(m, &m->g, a, i, 1);
    put(m, &m->g, b, i, -1);
    put(m, &m->g, i, a, 1);
    put(m, &m->g, i, b, -1);
    put(m, &m->g, i, i, -ohm);
    if (henry > 0) {
        put(m, &m->c, i, i, -henry);
    }
    m->constant[i] = emf;
    m->drive[i] = level;
    return i;
}

static void put_resistor(second_model *m, int a, int b, double ohm)
{
    if (a != b) {
        put_pair(m, &m->g, a, b, 1 / ohm);
    }
}

static void put_capacitor(second_model *m, const sag_part *part, int a, int b)
{
    int plate = a;
    if (part->series_ohm > 0) {
        plate = new_unknown(m, 0);
        put_resistor(m, a, plate, part->series_ohm);
    }
    put_pair(m, &m->c, plate, b, part->value);
    if (part->leakage_a > 0) {
        put_pair(m, &m->g, a, b, part->leakage_a / part->rated_v);
    }
}

/* Two straight segments through `middle` at half rotation. */
static double audio(double s, double middle)
{
    return s < 0.5 ? s / 0.5 * middle : 1 - (1 - s) / 0.5 * (1 - middle);
}

static void put_pot(second_model *m, const sag_part *part)
{
    double s = part->control < 0 ? 0.5 : m->design->controls[part->control].setting, share = s;
    if (part->taper == SAG_TAPER_AUDIO) {
        share = audio(s, part->middle);
    } else if (part->taper == SAG_TAPER_REVERSE_AUDIO) {
        share = 1 - audio(1 - s, part->middle);
    } else if (part->taper == SAG_TAPER_BLEND) {
        share = fmax(0, 2 * s - 1);
    }
    int wiper = part->node[SAG_PIN_WIPER];
    const int *ends = part->node;
    double track = part->value - 2 * part->end_ohm;
    double ohm[2] = {part->end_ohm + share * track, part->end_ohm + (1 - share) * track};
    if (wiper == SAG_OPEN) {
        put_resistor(m, second_model_node(m, ends[0]), second_model_node(m, ends[1]), part->value);
        return;
    }
    for (int end = 0; end < 2; end++) {
        if (ends[end] != SAG_OPEN && ends[end] != wiper) {
            put_resistor(m, second_model_node(m, ends[end]), second_model_node(m, wiper), ohm[end]);
        }
    }
}

/* from - R - junction - to */
static void put_junction(second_model *m, int from, int to, double saturation_a, double emission_v,
                         double ohm, double less)
{
    int inside = new_unknown(m, 0);
    put_resistor(m, from, inside, ohm);
    m->junctions[m->junction_count++] =
        (second_exponential){saturation_a, emission_v, less, inside, to};
}

/* A junction each way, the one in breakdown with an R of its own. */
static void put_diode(second_model *m, const sag_part *part)
{
    int anode = second_model_node(m, part->node[SAG_PIN_ANODE]);
    int cathode = second_model_node(m, part->node[SAG_PIN_CATHODE]);
    second_junction law;
    sag_status status = second_junction_fit(&law, part->diode);
    if (status != SAG_OK) {
        m->status = status;
        return;
    }
    put_junction(m, anode, cathode, law.saturation_a, law.emission_v, law.ohm, 1);
    if (isfinite(law.breakdown_v)) {
        double alone_v = law.breakdown_v - BREAKDOWN_A * law.ohm;
        double scale_a = BREAKDOWN_A * exp(-alone_v / law.emission_v);
        put_junction(m, cathode, anode, scale_a, law.emission_v, law.ohm, 0);
    }
}

/* What a pin takes is half to each rail, or power would not balance. */
static void put_to_middle(second_model *m, second_entries *to, const int at[3], double value)
{
    static const double share[3] = {1, -0.5, -0.5};
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            put(m, to, at[i], at[j], value * share[i] * share[j]);
        }
    }
}

static void put_opamp(second_model *m, const sag_part *part)
{
    second_opamp *opamp = &m->opamps[m->opamp_count++];
    const sag_opamp_model *f = part->opamp;
    sag_status status = second_opamp_make(opamp, f);
    if (status != SAG_OK) {
        m->status = status;
        return;
    }
    opamp->at[SECOND_PLUS] = second_model_node(m, part->node[SAG_PIN_PLUS]);
    opamp->at[SECOND_MINUS] = second_model_node(m, part->node[SAG_PIN_MINUS]);
    opamp->at[SECOND_OUT] = second_model_node(m, part->node[SAG_PIN_OUT]);
    opamp->at[SECOND_POSITIVE] = second_model_node(m, part->node[SAG_PIN_RAIL_POSITIVE]);
    opamp->at[SECOND_NEGATIVE] = second_model_node(m, part->node[SAG_PIN_RAIL_NEGATIVE]);
    opamp->at[SECOND_GAIN] = new_unknown(m, 0);
    opamp->at[SECOND_INPUT] = new_unknown(m, 0);
    opamp->at[SECOND_EMF] =
        second_opamp_crosses(opamp) ? new_unknown(m, 0) : opamp->at[SECOND_GAIN];
    for (int pin = SECOND_PLUS; pin <= SECOND_MINUS; pin++) {
        const int across[3] = {opamp->at[pin], opamp->at[SECOND_POSITIVE],
                               opamp->at[SECOND_NEGATIVE]};
        if (isfinite(f->input_ohm)) {
            put_to_middle(m, &m->g, across, 1 / f->input_ohm);
        }
        put_to_middle(m, &m->c, across, f->input_farad);
        /* into the pin; out at the rail that such an input stage feeds */
        add_constant(m, opamp->at[pin], -f->bias_a);
        add_constant(m, opamp->at[f->bias_a > 0 ? SECOND_NEGATIVE : SECOND_POSITIVE], f->bias_a);
        if (f->differential_diodes) {
            put_junction(m, opamp->at[pin], opamp->at[SECOND_PLUS + SECOND_MINUS - pin],
                         INPUT_DIODE_A, SECOND_THERMAL_V, INPUT_DIODE_OHM, 1);
        }
    }
}

/* The slowest split of those that share a pair of rails serves them all. */
static void share_splits(second_model *m)
{
    for (size_t i = 0; i < m->opamp_count; i++) {
        for (size_t j = 0; j < m->opamp_count; j++) {
            if (m->opamps[i].at[SECOND_POSITIVE] == m->opamps[j].at[SECOND_POSITIVE] &&
                m->opamps[i].at[SECOND_NEGATIVE] == m->opamps[j].at[SECOND_NEGATIVE]) {
                m->opamps[i].split_a = fmax(m->opamps[i].split_a, m->opamps[j].split_a);
            }
        }
    }
}

static void put_part(second_model *m, const sag_part *part)
{
    int a = second_model_node(m, part->node[0]), b = second_model_node(m, part->node[1]);
    switch (part->kind) {
    case SAG_RESISTOR:
        put_resistor(m, a, b, part->value);
        break;
    case SAG_CAPACITOR:
        put_capacitor(m, part, a, b);
        break;
    case SAG_INDUCTOR:
        put_branch(m, a, b, part->series_ohm, part->value, 0, 0);
        break;
    case SAG_POT:
        put_pot(m, part);
        break;
    case SAG_VOLTAGE:
        put_branch(m, a, b, part->series_ohm, 0, part->value, 0);
        break;
    case SAG_SWITCH: /* join_nodes has done it */
        break;
    case SAG_DIODE:
        put_diode(m, part);
        break;
    case SAG_OPAMP:
        put_opamp(m, part);
        break;
    }
}

/* Audio resistance in series, and the rest of the DC resistance across a capacitor that gives it
 * its time constant. */
static void put_battery(second_model *m, int positive, int negative, double emf_v, double audio_ohm,
                        double dc_ohm)
{
    int foot = negative;
    if (dc_ohm > audio_ohm) {
        foot = new_unknown(m, 0);
        put_resistor(m, foot, negative, dc_ohm - audio_ohm);
        put_pair(m, &m->c, foot, negative, POLARISATION_S / (dc_ohm - audio_ohm));
    }
    put_branch(m, positive, foot, audio_ohm, 0, emf_v, 0);
}

/* Resistances at an open-circuit voltage: the rows read over voltage, flat beyond their ends. */
static void put_supply(second_model *m, const sag_conditions *conditions)
{
    const sag_supply *supply = &m->design->supply;
    const sag_battery_model *battery = conditions->stiff ? NULL : supply->battery;
    double volts = conditions->supply_v, wiring = supply->resistance_ohm, ohm[2] = {0};
    if (battery) {
        double fresh_v = battery->rows[0].open_circuit_v;
        double needed = fmax(1, ceil(volts / (FRESHER * fresh_v)));
        needed = fmax(needed, supply->in_series);
        double x[SECOND_MOST_POINTS], y[2][SECOND_MOST_POINTS], slope;
        size_t count = battery->row_count;
        if (count > SECOND_MOST_POINTS) {
            m->status = SAG_BAD_ARGUMENT;
            return;
        }
        for (size_t i = 0; i < count; i++) {
            const sag_battery_row *row = &battery->rows[count - 1 - i];
            x[i] = row->open_circuit_v;
            y[0][i] = row->audio_ohm;
            y[1][i] = row->dc_ohm;
        }
        for (int k = 0; k < 2; k++) {
            second_curve curve;
            second_curve_make(&curve, x, y[k], count);
            ohm[k] = needed * second_curve_at(&curve, volts / needed, &slope);
        }
    }
    int positive = second_model_node(m, supply->positive);
    int negative = second_model_node(m, supply->negative);
    if (supply->middle < 0) {
        put_battery(m, positive, negative, volts, ohm[0] + wiring, ohm[1] + wiring);
    } else {
        int middle = second_model_node(m, supply->middle);
        put_battery(m, positive, middle, volts / 2, (ohm[0] + wiring) / 2, (ohm[1] + wiring) / 2);
        put_battery(m, middle, negative, volts / 2, (ohm[0] + wiring) / 2, (ohm[1] + wiring) / 2);
    }
}

static void put_ends(second_model *m, const sag_conditions *conditions)
{
    const sag_design *design = m->design;
    if (conditions->drive != SAG_DRIVE_BENCH || !isnan(conditions->load_ohm)) {
        m->status = SAG_BAD_ARGUMENT;
        return;
    }
    for (size_t i = 0; i < design->input_count; i++) {
        const sag_input *input = &design->inputs[i];
        put_branch(m, second_model_node(m, input->node), -1, design->source_ohm, 0, 0,
                   input->inverted ? -input->relative_level : input->relative_level);
    }
    int output = second_model_node(m, design->output);
    if (isfinite(design->load_ohm)) {
        put_resistor(m, output, -1, design->load_ohm);
    }
    put_pair(m, &m->c, output, -1, design->load_farad);
}

static void put_packages(second_model *m)
{
    for (size_t i = 0; i < m->design->package_count; i++) {
        const sag_package *from = &m->design->packages[i];
        second_package *to = &m->packages[i];
        second_ratio_make(&to->ratio, from->model, 2);
        to->amps = from->model->supply_current_a * from->model->amplifiers;
        to->positive = second_model_node(m, from->rail_positive);
        to->negative = second_model_node(m, from->rail_negative);
    }
    m->package_count = m->design->package_count;
}

/* The node that a part without resistance joins to its first one; SAG_OPEN: none. */
static int joined(const second_model *m, const sag_part *part)
{
    if (part->kind == SAG_SWITCH) {
        int chosen =
            part->control < 0 ? 1 : (int)lround(m->design->controls[part->control].setting);
        return chosen >= 1 && chosen <= part->throw_count ? part->node[chosen] : SAG_OPEN;
    }
    int is_wire = part->kind == SAG_RESISTOR && !(part->value > 0);
    return is_wire ? part->node[SAG_PIN_B] : SAG_OPEN;
}

/* Gives the nodes their unknowns. A current through a closed switch between capacitors would be one
 * that no voltage determines, only the rate of one: such nodes are one instead. */
static void join_nodes(second_model *m)
{
    const sag_design *design = m->design;
    int *of = m->unknown_of; /* first the least node that each is joined to */
    for (size_t i = 0; i < design->node_count; i++) {
        of[i] = (int)i;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        int to = joined(m, &design->parts[i]);
        if (to == SAG_OPEN) {
            continue;
        }
        int a = of[design->parts[i].node[0]], b = of[to];
        for (size_t k = 0; k < design->node_count; k++) {
            of[k] = of[k] == (a > b ? a : b) ? (a < b ? a : b) : of[k];
        }
    }
    for (size_t i = 0; i < design->node_count; i++) {
        if (of[i] == (int)i) {
            of[i] = i == SAG_GROUND ? -1 : new_unknown(m, 0);
        } else {
            of[i] = of[of[i]]; /* a lesser node, which has its unknown */
        }
    }
}

void second_parts_put(second_model *m, const sag_conditions *conditions)
{
    join_nodes(m);
    for (size_t i = 0; i < m->design->part_count && m->status == SAG_OK; i++) {
        put_part(m, &m->design->parts[i]);
    }
    share_splits(m);
    put_packages(m);
    put_supply(m, conditions);
    put_ends(m, conditions);
}
