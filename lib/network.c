/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "battery.h"
#include "dense.h"
#include "memory.h"
#include "network_build.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Least reciprocal condition of the scaled resistive equations; below it the answer would have
 * fewer than three digits. */
#define LEAST_RCOND 1e-13

/* A resistance below this is a branch row, so that 0 ohm is exact and no huge conductance swamps
 * its neighbours. */
#define SMALL_OHM 1e-2

int sag_build_unknown(sag_builder *builder)
{
    return (int)builder->unknown_count++;
}

void sag_build_entry(sag_builder *builder, int row, int column, double value)
{
    if (builder->status != SAG_OK || row < 0 || column < SAG_COLUMN_DRIVE) {
        return;
    }
    if (!sag_grow((void **)&builder->entries, &builder->entry_capacity, builder->entry_count + 1,
                  sizeof *builder->entries)) {
        builder->status = SAG_NO_MEMORY;
        return;
    }
    builder->entries[builder->entry_count++] = (sag_entry){row, column, value};
}

/* An entry of G; ground (-1) has no column. */
static void put(sag_builder *builder, int row, int column, double value)
{
    if (column >= 0) {
        sag_build_entry(builder, row, column, value);
    }
}

void sag_build_conductance(sag_builder *builder, int a, int b, double siemens)
{
    put(builder, a, a, siemens);
    put(builder, b, b, siemens);
    put(builder, a, b, -siemens);
    put(builder, b, a, -siemens);
}

int sag_build_branch(sag_builder *builder, int a, int b, double ohm, double emf, double drive)
{
    int branch = sag_build_unknown(builder);
    put(builder, a, branch, 1);
    put(builder, b, branch, -1);
    put(builder, branch, a, 1);
    put(builder, branch, b, -1);
    put(builder, branch, branch, -ohm);
    sag_build_entry(builder, branch, SAG_COLUMN_CONSTANT, emf);
    sag_build_entry(builder, branch, SAG_COLUMN_DRIVE, drive);
    return branch;
}

sag_leg sag_build_resistor(sag_builder *builder, int a, int b, double ohm)
{
    sag_leg leg = {.a = a, .b = b, .conductance = 0, .branch = -1};
    if (ohm < SMALL_OHM) {
        leg.branch = sag_build_branch(builder, a, b, ohm, 0, 0);
    } else {
        leg.conductance = 1 / ohm;
        sag_build_conductance(builder, a, b, leg.conductance);
    }
    return leg;
}

int sag_build_state(sag_builder *builder, double kappa, sag_sparse into, sag_sparse of)
{
    sag_network *network = builder->network;
    if (builder->status != SAG_OK) {
        return -1;
    }
    if (!sag_grow((void **)&network->states, &network->state_capacity, network->state_count + 1,
                  sizeof *network->states)) {
        builder->status = SAG_NO_MEMORY;
        return -1;
    }
    network->states[network->state_count] = (sag_state){kappa, into, of, builder->part};
    return (int)network->state_count++;
}

void sag_build_capacitor(sag_builder *builder, int a, int b, double farad)
{
    if (farad > 0) {
        sag_sparse ends = {0};
        sag_sparse_add(&ends, a, 1);
        sag_sparse_add(&ends, b, -1);
        sag_build_state(builder, farad, ends, ends);
    }
}

/* The battery's figures at an open-circuit voltage. */
sag_status sag_find_supply_state(const sag_design *design, const sag_conditions *conditions,
                                 sag_supply_state *state)
{
    const sag_supply *supply = &design->supply;
    *state = (sag_supply_state){.depth = (double)NAN,
                                .audio_ohm = supply->resistance_ohm,
                                .dc_ohm = supply->resistance_ohm};
    const sag_battery_model *battery = supply->battery;
    if (conditions->stiff || !battery) {
        return SAG_OK;
    }
    sag_battery_curves curves;
    TRY(sag_battery_curves_make(&curves, battery));
    int least = sag_battery_in_series(battery, conditions->supply_v);
    int wanted = conditions->batteries > 0 ? conditions->batteries : supply->in_series;
    state->batteries = least > wanted ? least : wanted;
    double each_v = conditions->supply_v / state->batteries;
    state->beyond_data = each_v < curves.flat_v - 1e-9;
    state->above_fresh = each_v > curves.fresh_v + 1e-9;
    state->depth = sag_curve_at(&curves.depth, each_v, NULL);
    state->audio_ohm += state->batteries * sag_curve_at(&curves.audio_ohm, each_v, NULL);
    state->dc_ohm += state->batteries * sag_curve_at(&curves.dc_ohm, each_v, NULL);
    sag_battery_curves_clear(&curves);
    return SAG_OK;
}

sag_conditions sag_conditions_defaults(const sag_design *design)
{
    return (sag_conditions){.supply_v = design->supply.nominal_v,
                            .drive = SAG_DRIVE_BENCH,
                            .load_ohm = (double)NAN,
                            .load_farad = (double)NAN};
}

/* Turns the collected entries into dense equations. */
static sag_status assemble(sag_builder *builder)
{
    sag_network *network = builder->network;
    size_t n = network->n = builder->unknown_count;
    network->g = sag_new(n * n, sizeof *network->g);
    network->constant = sag_new(n, sizeof *network->constant);
    network->drive = sag_new(n, sizeof *network->drive);
    if (!network->g || !network->constant || !network->drive) {
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < builder->entry_count; i++) {
        const sag_entry *entry = &builder->entries[i];
        size_t row = (size_t)entry->row;
        double *to = entry->column == SAG_COLUMN_CONSTANT ? &network->constant[row]
                     : entry->column == SAG_COLUMN_DRIVE
                         ? &network->drive[row]
                         : &network->g[row * n + (size_t)entry->column];
        *to += entry->value;
    }
    return SAG_OK;
}

/* The resistive equations must determine every unknown, or there is no bias point to start from. */
static sag_status check_determined(const sag_network *network, sag_report *report)
{
    sag_lu *lu;
    TRY(sag_lu_new(network->n, &lu));
    size_t weak;
    sag_status status = sag_lu_factor(lu, network->g, LEAST_RCOND, &weak);
    if (status == SAG_SINGULAR) {
        char name[64];
        sag_network_unknown_name(network, weak, name, sizeof name);
        sag_report_on(
            report, SAG_ERROR, name,
            "give it a path for direct current, or break the loop of ideal parts it is in",
            "The resistive part of the circuit does not determine %s.", name);
    }
    sag_lu_free(lu);
    return status;
}

static sag_status refuse_damage(const sag_network *network, sag_report *report)
{
    sag_status status = SAG_OK;
    double supply_v = network->conditions.supply_v;
    for (size_t i = 0; i < network->design->package_count; i++) {
        const sag_package *package = &network->design->packages[i];
        if (supply_v > package->model->absolute_max_v) {
            char where[48];
            snprintf(where, sizeof where, "%s at %.4g V", package->name, supply_v);
            sag_report_on(
                report, SAG_WARNING, where,
                "use fewer batteries or a part for a higher supply; the data sheet decides",
                "%.4g V would damage %s (%s, absolute maximum %.4g V): not computed.", supply_v,
                package->name, package->model->head.name, package->model->absolute_max_v);
            status = SAG_WOULD_DAMAGE;
        }
    }
    return status;
}

sag_status sag_network_new(const sag_design *design, const sag_conditions *conditions,
                           sag_network **out, sag_report *report)
{
    *out = NULL;
    if (!(conditions->supply_v >= 0.1) || !(conditions->supply_v <= 100)) {
        return SAG_BAD_ARGUMENT;
    }
    sag_network *network = sag_new(1, sizeof *network);
    if (!network) {
        return SAG_NO_MEMORY;
    }
    network->design = design;
    network->conditions = *conditions;
    sag_builder builder = {.network = network,
                           .report = report,
                           .unknown_count = design->node_count - 1,
                           .status = refuse_damage(network, report)};
    if (builder.status == SAG_OK) {
        builder.status = sag_find_supply_state(design, conditions, &network->supply);
    }
    if (builder.status == SAG_OK) {
        network->legs = sag_new(design->part_count, sizeof *network->legs);
        builder.status = network->legs ? SAG_OK : SAG_NO_MEMORY;
    }
    if (builder.status == SAG_OK) {
        sag_build_devices(&builder);
        for (size_t i = 0; i < design->part_count; i++) {
            sag_build_part(&builder, i);
        }
        sag_build_supply(&builder);
        sag_build_drive(&builder);
    }
    if (builder.status == SAG_OK) {
        builder.status = assemble(&builder);
    }
    if (builder.status == SAG_OK) {
        builder.status = check_determined(network, report);
    }
    sag_free(builder.entries);
    if (builder.status != SAG_OK) {
        sag_network_free(network);
        return builder.status;
    }
    *out = network;
    return SAG_OK;
}

void sag_network_free(sag_network *network)
{
    if (!network) {
        return;
    }
    for (size_t i = 0; network->opamps && i < network->opamp_count; i++) {
        sag_drop_surface_clear(&network->opamps[i].high);
        sag_drop_surface_clear(&network->opamps[i].low);
        sag_curve_clear(&network->opamps[i].gain_bandwidth);
        sag_curve_clear(&network->opamps[i].slew);
    }
    for (size_t i = 0; network->rails && i < network->rail_count; i++) {
        for (size_t k = 0; k < network->rails[i].package_count; k++) {
            sag_curve_clear(&network->rails[i].supply_current[k]);
        }
        sag_free(network->rails[i].supply_current);
        sag_free(network->rails[i].package_amplifiers);
    }
    sag_free(network->g);
    sag_free(network->constant);
    sag_free(network->drive);
    sag_free(network->states);
    sag_free(network->opamps);
    sag_free(network->rails);
    sag_free(network->diodes);
    sag_free(network->source);
    sag_free(network->observed);
    sag_free(network->legs);
    sag_free(network);
}

const sag_design *sag_network_design(const sag_network *network)
{
    return network->design;
}

const sag_conditions *sag_network_conditions(const sag_network *network)
{
    return &network->conditions;
}

const sag_supply_state *sag_network_supply(const sag_network *network)
{
    return &network->supply;
}

int sag_network_reference(const sag_network *network)
{
    return network->reference;
}

size_t sag_network_opamp_count(const sag_network *network)
{
    return network->opamp_count;
}

const sag_part *sag_network_opamp(const sag_network *network, size_t index)
{
    return network->opamps[index].part;
}

size_t sag_network_unknown_count(const sag_network *network)
{
    return network->n;
}

size_t sag_network_state_count(const sag_network *network)
{
    return network->state_count;
}

const char *sag_network_unknown_name(const sag_network *network, size_t unknown, char *buffer,
                                     size_t size)
{
    const sag_design *design = network->design;
    if (unknown + 1 < design->node_count) {
        snprintf(buffer, size, "node %s", design->nodes[unknown + 1]);
        return buffer;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        if (network->legs[i].branch == (int)unknown) {
            snprintf(buffer, size, "the current of %s", design->parts[i].designator);
            return buffer;
        }
    }
    for (size_t i = 0; i < network->opamp_count; i++) {
        if (network->opamps[i].filter == (int)unknown) {
            snprintf(buffer, size, "the input of %s", network->opamps[i].part->designator);
            return buffer;
        }
    }
    snprintf(buffer, size, "the current of a source");
    return buffer;
}

double sag_rail_current(const sag_rail *rail, double volts, double *slope)
{
    double sum = 0;
    *slope = 0;
    for (size_t i = 0; i < rail->package_count; i++) {
        double by;
        sum += rail->package_amplifiers[i] * sag_curve_at(&rail->supply_current[i], volts, &by);
        *slope += rail->package_amplifiers[i] * by;
    }
    return sum;
}

void sag_network_matrix(const sag_network *network, double a, const double *kappa, double *matrix)
{
    size_t n = network->n;
    memcpy(matrix, network->g, n * n * sizeof *matrix);
    if (a == 0) { /* assigned, not computed: the resting equations */
        return;
    }
    for (size_t k = 0; k < network->state_count; k++) {
        const sag_sparse *into = &network->states[k].into, *of = &network->states[k].of;
        for (int i = 0; i < into->count; i++) {
            for (int j = 0; j < of->count; j++) {
                matrix[(size_t)into->at[i] * n + (size_t)of->at[j]] +=
                    a * kappa[k] * into->by[i] * of->by[j];
            }
        }
    }
}
