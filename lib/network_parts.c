/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What each kind of part puts into the equations. */
#include "memory.h"
#include "network_build.h"

#include <math.h>
#include <stdio.h>

/* The battery's slow polarisation settles within seconds; no log resolves it better. Estimate. */
#define POLARISATION_S 3.0

static void put(sag_builder *builder, int row, int column, double value)
{
    if (column >= 0) {
        sag_build_entry(builder, row, column, value);
    }
}

static void build_capacitor_part(sag_builder *builder, const sag_part *part, sag_leg *leg)
{
    int a = sag_network_unknown(part->node[SAG_PIN_A]);
    int b = sag_network_unknown(part->node[SAG_PIN_B]);
    int plate = a;
    if (part->series_ohm > 0) {
        plate = sag_build_unknown(builder);
        sag_build_resistor(builder, a, plate, part->series_ohm);
    }
    sag_build_capacitor(builder, plate, b, part->value);
    *leg = (sag_leg){.a = a, .b = b, .branch = -1};
    if (part->leakage_a > 0) {
        leg->conductance = part->leakage_a / part->rated_v;
        sag_build_conductance(builder, a, b, leg->conductance);
    }
}

/* v(a) - v(b) - R i - L di/dt = 0 */
static int build_coil(sag_builder *builder, int a, int b, double ohm, double henry, double drive)
{
    int branch = sag_build_branch(builder, a, b, ohm, 0, drive);
    if (henry > 0) {
        sag_sparse into = {0}, of = {0};
        sag_sparse_add(&into, branch, -1);
        sag_sparse_add(&of, branch, 1);
        sag_build_state(builder, henry, into, of);
    }
    return branch;
}

static void build_pot(sag_builder *builder, const sag_part *part, sag_leg *leg)
{
    const sag_design *design = builder->network->design;
    double setting = part->control >= 0 ? design->controls[part->control].setting : 0.5;
    double share = sag_taper_share(part->taper, part->middle, setting);
    double track = part->value - 2 * part->end_ohm;
    double ohm[2] = {part->end_ohm + share * track, part->end_ohm + (1 - share) * track};
    int wiper = part->node[SAG_PIN_WIPER];
    *leg = (sag_leg){.a = -1, .b = -1, .branch = -1};
    if (wiper == SAG_OPEN) { /* the whole track between the ends */
        *leg = sag_build_resistor(builder, sag_network_unknown(part->node[SAG_PIN_END0]),
                                  sag_network_unknown(part->node[SAG_PIN_END1]), part->value);
        return;
    }
    for (int end = 0; end < 2; end++) {
        if (part->node[end] != SAG_OPEN && part->node[end] != wiper) {
            sag_leg built = sag_build_resistor(builder, sag_network_unknown(part->node[end]),
                                               sag_network_unknown(wiper), ohm[end]);
            if (end == 0) {
                *leg = built;
            }
        }
    }
}

static void build_switch(sag_builder *builder, const sag_part *part, sag_leg *leg)
{
    const sag_design *design = builder->network->design;
    int control = part->control;
    int chosen = control >= 0 ? (int)lround(design->controls[control].setting) : 1;
    *leg = (sag_leg){.a = -1, .b = -1, .branch = -1};
    if (chosen >= 1 && chosen <= part->throw_count) {
        int to = part->node[SAG_PIN_THROW + chosen - 1];
        if (to != SAG_OPEN) {
            *leg = sag_build_resistor(builder, sag_network_unknown(part->node[SAG_PIN_COMMON]),
                                      sag_network_unknown(to), 0);
        }
    }
}

/* Half to each rail: a conductance, a current or a state between a pin and half way between the
 * rails. */
static void add_to_mid(sag_sparse *sparse, int pin, int positive, int negative)
{
    sag_sparse_add(sparse, pin, 1);
    sag_sparse_add(sparse, positive, -0.5);
    sag_sparse_add(sparse, negative, -0.5);
}

static void build_opamp_input(sag_builder *builder, const sag_opamp_model *model, int pin,
                              int positive, int negative)
{
    sag_sparse across = {0};
    add_to_mid(&across, pin, positive, negative);
    if (isfinite(model->input_ohm)) {
        for (int i = 0; i < across.count; i++) {
            for (int j = 0; j < across.count; j++) {
                put(builder, across.at[i], across.at[j],
                    across.by[i] * across.by[j] / model->input_ohm);
            }
        }
    }
    if (model->input_farad > 0) {
        sag_build_state(builder, model->input_farad, across, across);
    }
    /* Into the pin and out at the negative rail (NPN, N-channel), or the other way round. */
    double bias_a = model->bias_a;
    sag_build_entry(builder, pin, SAG_COLUMN_CONSTANT, -bias_a);
    sag_build_entry(builder, bias_a > 0 ? negative : positive, SAG_COLUMN_CONSTANT, bias_a);
}

/* Output: EMF e behind Ro; its current io = (e - vo)/Ro comes half from each rail, the rest of the
 * split is part of the rail's own source. Input filter: w - (v(plus) - v(minus)) = offset, with the
 * second pole as a state. */
static void build_opamp(sag_builder *builder, sag_network_opamp_data *opamp, sag_sparse *source)
{
    const sag_part *part = opamp->part;
    int plus = sag_network_unknown(part->node[SAG_PIN_PLUS]);
    int minus = sag_network_unknown(part->node[SAG_PIN_MINUS]);
    int out = sag_network_unknown(part->node[SAG_PIN_OUT]);
    int positive = sag_network_unknown(part->node[SAG_PIN_RAIL_POSITIVE]);
    int negative = sag_network_unknown(part->node[SAG_PIN_RAIL_NEGATIVE]);
    double siemens = 1 / opamp->output_ohm;
    put(builder, out, out, siemens);
    put(builder, positive, out, -siemens / 2);
    put(builder, negative, out, -siemens / 2);
    sag_sparse_add(source, out, -siemens);
    sag_sparse_add(source, positive, siemens / 2);
    sag_sparse_add(source, negative, siemens / 2);

    opamp->filter = sag_build_unknown(builder);
    put(builder, opamp->filter, opamp->filter, 1);
    put(builder, opamp->filter, plus, -1);
    put(builder, opamp->filter, minus, 1);
    sag_build_entry(builder, opamp->filter, SAG_COLUMN_CONSTANT, opamp->model->offset_v);
    opamp->filter_state = -1;
    if (!isnan(opamp->model->phase_margin_deg)) {
        sag_sparse own = {0};
        sag_sparse_add(&own, opamp->filter, 1);
        /* kappa is one over the second pole; it depends on the supply and is filled in at the bias
         * point. */
        opamp->filter_state = sag_build_state(builder, 0, own, own);
    }
    build_opamp_input(builder, opamp->model, plus, positive, negative);
    build_opamp_input(builder, opamp->model, minus, positive, negative);
}

void sag_build_part(sag_builder *builder, size_t index)
{
    sag_network *network = builder->network;
    const sag_part *part = &network->design->parts[index];
    sag_leg *leg = &network->legs[index];
    int a = sag_network_unknown(part->node[SAG_PIN_A]);
    int b = sag_network_unknown(part->node[SAG_PIN_B]);
    *leg = (sag_leg){.a = -1, .b = -1, .branch = -1};
    builder->part = (int)index;
    switch (part->kind) {
    case SAG_RESISTOR:
        *leg = sag_build_resistor(builder, a, b, part->value);
        break;
    case SAG_CAPACITOR:
        build_capacitor_part(builder, part, leg);
        break;
    case SAG_INDUCTOR:
        leg->branch = build_coil(builder, a, b, part->series_ohm, part->value, 0);
        break;
    case SAG_POT:
        build_pot(builder, part, leg);
        break;
    case SAG_VOLTAGE:
        leg->branch = sag_build_branch(builder, a, b, part->series_ohm, part->value, 0);
        break;
    case SAG_SWITCH:
        build_switch(builder, part, leg);
        break;
    case SAG_OPAMP: /* sag_build_devices has done these */
    case SAG_DIODE:
        break;
    }
}

/* One battery or one half: EMF and audio resistance in the branch, the slow rest of the resistance
 * shunted by a capacitor, so that both figures are exact at their own rate. */
static int build_battery(sag_builder *builder, int positive, int negative, double emf_v,
                         double audio_ohm, double dc_ohm)
{
    int foot = negative;
    if (dc_ohm > audio_ohm) {
        foot = sag_build_unknown(builder);
        sag_build_resistor(builder, foot, negative, dc_ohm - audio_ohm);
        sag_build_capacitor(builder, foot, negative, POLARISATION_S / (dc_ohm - audio_ohm));
    }
    return sag_build_branch(builder, positive, foot, audio_ohm, emf_v, 0);
}

void sag_build_supply(sag_builder *builder)
{
    sag_network *network = builder->network;
    const sag_supply *supply = &network->design->supply;
    const sag_supply_state *state = &network->supply;
    int positive = sag_network_unknown(supply->positive);
    int negative = sag_network_unknown(supply->negative);
    double volts = network->conditions.supply_v;
    builder->part = SAG_STATE_OTHER;
    if (supply->middle < 0) {
        network->supply_branch[0] =
            build_battery(builder, positive, negative, volts, state->audio_ohm, state->dc_ohm);
        network->supply_branch[1] = -1;
    } else {
        int middle = sag_network_unknown(supply->middle);
        network->supply_branch[0] = build_battery(builder, positive, middle, volts / 2,
                                                  state->audio_ohm / 2, state->dc_ohm / 2);
        network->supply_branch[1] = build_battery(builder, middle, negative, volts / 2,
                                                  state->audio_ohm / 2, state->dc_ohm / 2);
    }
}

/* The EMF u times `level` behind the pickup's own network, at its node. */
static void build_pickup(sag_builder *builder, const sag_pickup_model *pickup, int node,
                         double level)
{
    if (pickup->series_farad > 0) {
        int behind = sag_build_unknown(builder);
        sag_build_branch(builder, behind, -1, pickup->ohm, 0, level);
        sag_build_capacitor(builder, behind, node, pickup->series_farad);
    } else {
        build_coil(builder, node, -1, pickup->ohm, pickup->henry, level);
    }
    sag_build_capacitor(builder, node, -1, pickup->farad);
}

void sag_build_drive(sag_builder *builder)
{
    const sag_network *network = builder->network;
    const sag_design *design = network->design;
    builder->part = SAG_STATE_OTHER;
    for (size_t i = 0; i < design->input_count; i++) {
        const sag_input *input = &design->inputs[i];
        int node = sag_network_unknown(input->node);
        double level = input->inverted ? -input->relative_level : input->relative_level;
        if (network->conditions.drive == SAG_DRIVE_BENCH) {
            sag_build_branch(builder, node, -1, design->source_ohm, 0, level);
        } else if (input->pickup) {
            build_pickup(builder, input->pickup, node, level);
        } else {
            sag_report_on(builder->report, SAG_ERROR, design->nodes[input->node],
                          "name one in the design (\"pickup\"), or use the bench drive",
                          "The input %s has no pickup to drive it.", design->nodes[input->node]);
            builder->status = SAG_REFUSED;
        }
    }
    int own = isnan(network->conditions.load_ohm);
    double ohm = own ? design->load_ohm : network->conditions.load_ohm;
    double farad = own ? design->load_farad : network->conditions.load_farad;
    int output = sag_network_unknown(design->output);
    if (isfinite(ohm)) {
        sag_build_resistor(builder, output, -1, ohm);
    }
    builder->part = SAG_STATE_LOAD;
    sag_build_capacitor(builder, output, -1, farad);
}

/* The curve of a ratio over supply through those rows that give it; 1 everywhere when none does. */
static sag_status make_ratio(const sag_opamp_model *model, size_t field, double scale,
                             sag_curve *curve)
{
    size_t used = 0;
    double *x = sag_new(2 * (model->against_count + 1), sizeof *x);
    if (!x) {
        return SAG_NO_MEMORY;
    }
    double *y = x + model->against_count + 1;
    for (size_t i = 0; i < model->against_count; i++) {
        const sag_against_supply *row = &model->against[i];
        double ratio = field == 0   ? row->gain_bandwidth
                       : field == 1 ? row->slew_rate
                                    : row->supply_current;
        if (!isnan(ratio)) {
            x[used] = row->supply_v;
            y[used++] = ratio * scale;
        }
    }
    if (used == 0) {
        x[0] = 0;
        y[0] = scale;
        used = 1;
    }
    sag_status status = sag_curve_make(curve, x, y, used);
    sag_free(x);
    return status;
}

static sag_status fill_opamp(sag_network_opamp_data *opamp)
{
    const sag_opamp_model *model = opamp->model;
    /* No output stage has less than an ohm worth computing; left out counts as one. */
    opamp->output_ohm = model->output_ohm >= 1 ? model->output_ohm : 1;
    TRY(sag_drop_surface_make(&opamp->high, model->high, model->high_count));
    TRY(sag_drop_surface_make(&opamp->low, model->low, model->low_count));
    TRY(make_ratio(model, 0, 1, &opamp->gain_bandwidth));
    return make_ratio(model, 1, 1, &opamp->slew);
}

/* The pair of rails of a part, added when new. */
static int find_rail(sag_network *network, int positive, int negative)
{
    for (size_t i = 0; i < network->rail_count; i++) {
        if (network->rails[i].positive == positive && network->rails[i].negative == negative) {
            return (int)i;
        }
    }
    network->rails[network->rail_count].positive = positive;
    network->rails[network->rail_count].negative = negative;
    return (int)network->rail_count++;
}

static sag_status fill_rails(sag_network *network)
{
    const sag_design *design = network->design;
    for (size_t r = 0; r < network->rail_count; r++) {
        sag_rail *rail = &network->rails[r];
        rail->supply_current = sag_new(design->package_count, sizeof *rail->supply_current);
        rail->package_amplifiers = sag_new(design->package_count, sizeof(double));
        if (!rail->supply_current || !rail->package_amplifiers) {
            return SAG_NO_MEMORY;
        }
        for (size_t i = 0; i < design->package_count; i++) {
            const sag_package *package = &design->packages[i];
            if (package->rail_positive == rail->positive &&
                package->rail_negative == rail->negative) {
                size_t at = rail->package_count++;
                rail->package_amplifiers[at] = package->model->amplifiers;
                TRY(make_ratio(package->model, 2, package->model->supply_current_a,
                               &rail->supply_current[at]));
            }
        }
    }
    return SAG_OK;
}

static sag_status allocate_devices(sag_network *network)
{
    const sag_design *design = network->design;
    size_t opamps = 0, diodes = 0;
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        opamps += part->kind == SAG_OPAMP;
        diodes += part->kind == SAG_DIODE;
        diodes += part->kind == SAG_OPAMP && part->opamp->differential_diodes;
    }
    network->opamps = sag_new(opamps, sizeof *network->opamps);
    network->rails = sag_new(opamps, sizeof *network->rails);
    network->diodes = sag_new(diodes, sizeof *network->diodes);
    network->source = sag_new(2 * opamps + diodes, sizeof *network->source);
    network->observed =
        sag_new(opamps * (SAG_OBSERVED_PER_OPAMP + 4) + diodes + 1, sizeof *network->observed);
    return network->opamps && network->rails && network->diodes && network->source &&
                   network->observed
               ? SAG_OK
               : SAG_NO_MEMORY;
}

/* The anti-parallel pair between the inputs of an op-amp, as one law: the second one is the
 * first's breakdown. Sheets state their presence and a limit of current alone. Estimate: a small
 * base-emitter junction, 1e-14 A, with 20 ohm. */
static void add_input_diodes(sag_network *network, const sag_part *part)
{
    sag_network_diode *diode = &network->diodes[network->diode_count++];
    *diode = (sag_network_diode){
        .part = part, .anode = part->node[SAG_PIN_PLUS], .cathode = part->node[SAG_PIN_MINUS]};
    diode->law =
        (sag_diode_law){.saturation_a = 1e-14, .emission_v = SAG_THERMAL_V, .series_ohm = 20};
    diode->law.breakdown_v = sag_diode_voltage(&diode->law, SAG_BREAKDOWN_A);
}

static sag_status fill_devices(sag_builder *builder)
{
    sag_network *network = builder->network;
    const sag_design *design = network->design;
    TRY(allocate_devices(network));
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        if (part->kind == SAG_OPAMP) {
            sag_network_opamp_data *opamp = &network->opamps[network->opamp_count++];
            opamp->part = part;
            opamp->model = part->opamp;
            opamp->rail = find_rail(network, part->node[SAG_PIN_RAIL_POSITIVE],
                                    part->node[SAG_PIN_RAIL_NEGATIVE]);
            TRY(fill_opamp(opamp));
        } else if (part->kind == SAG_DIODE) {
            sag_network_diode *diode = &network->diodes[network->diode_count++];
            diode->part = part;
            diode->anode = part->node[SAG_PIN_ANODE];
            diode->cathode = part->node[SAG_PIN_CATHODE];
            TRY(sag_diode_fit(part->diode->forward, part->diode->forward_count,
                              part->diode->breakdown_v, &diode->law));
        }
    }
    for (size_t k = 0; k < network->opamp_count; k++) {
        if (network->opamps[k].model->differential_diodes) {
            add_input_diodes(network, network->opamps[k].part);
        }
    }
    return fill_rails(network);
}

void sag_build_devices(sag_builder *builder)
{
    sag_network *network = builder->network;
    builder->status = fill_devices(builder);
    if (builder->status != SAG_OK) {
        return;
    }
    sag_sparse *source = network->source, *observed = network->observed;
    for (size_t i = 0; i < network->opamp_count; i++) {
        sag_network_opamp_data *opamp = &network->opamps[i];
        builder->part = (int)(opamp->part - network->design->parts);
        build_opamp(builder, opamp, source++);
        sag_sparse_add(observed++, opamp->filter, 1);
        sag_sparse_add(observed++, sag_network_unknown(opamp->part->node[SAG_PIN_OUT]), 1);
    }
    for (size_t i = 0; i < network->rail_count; i++) {
        int positive = sag_network_unknown(network->rails[i].positive);
        int negative = sag_network_unknown(network->rails[i].negative);
        sag_sparse_add(source, positive, 1);
        sag_sparse_add(source++, negative, -1);
        sag_sparse_add(observed++, positive, 1);
        sag_sparse_add(observed++, negative, 1);
    }
    for (size_t i = 0; i < network->diode_count; i++) {
        int anode = sag_network_unknown(network->diodes[i].anode);
        int cathode = sag_network_unknown(network->diodes[i].cathode);
        sag_build_conductance(builder, anode, cathode, SAG_DIODE_REFERENCE_S);
        sag_sparse_add(source, anode, 1);
        sag_sparse_add(source++, cathode, -1);
        sag_sparse_add(observed, anode, 1);
        sag_sparse_add(observed++, cathode, -1);
    }
    sag_sparse_add(observed++, sag_network_unknown(network->design->output), 1);
    network->source_count = (size_t)(source - network->source);
    network->observed_count = (size_t)(observed - network->observed);
    for (size_t i = 0; i < network->opamp_count; i++) {
        const sag_part *part = network->opamps[i].part;
        sag_sparse_add(observed++, sag_network_unknown(part->node[SAG_PIN_PLUS]), 1);
        sag_sparse_add(observed++, sag_network_unknown(part->node[SAG_PIN_MINUS]), 1);
    }
    network->row_count = (size_t)(observed - network->observed);
    const sag_supply *supply = &network->design->supply;
    sag_sparse *terminal = &network->supply_row[SAG_SUPPLY_TERMINAL];
    sag_sparse_add(terminal, sag_network_unknown(supply->positive), 1);
    sag_sparse_add(terminal, sag_network_unknown(supply->negative), -1);
    network->reference = sag_design_reference(network->design);
    if (network->reference >= 0) {
        sag_sparse_add(&network->supply_row[SAG_SUPPLY_REFERENCE],
                       sag_network_unknown(network->reference), 1);
    }
}
