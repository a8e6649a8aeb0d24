/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stage.h"

#include "dense.h"
#include "memory.h"

#include <math.h>
#include <string.h>

/* The knee of a limit is no wider than this, and no narrower; whole width, V. */
#define WIDEST_KNEE_V    20e-3
#define NARROWEST_KNEE_V 1e-3
/* The knee of the current limit, as a share of it. */
#define CURRENT_KNEE 0.02
/* Load current over which the rails take turns, as a share of the quiescent current of one amplifier: an idling
 * class-AB stage. It only shapes the supply current. */
#define SPLIT_SHARE 0.05

/* The largest drop anywhere in the table, up to the current limit. */
static double largest_drop(const sag_drop_surface *surface, double current_a)
{
    double largest = 0, by_current, by_supply;
    for (size_t i = 0; i < surface->supply_count; i++) {
        double supply = surface->all_supplies ? 0 : surface->supply[i];
        largest = fmax(largest, sag_drop_at(surface, current_a, supply, &by_current, &by_supply));
    }
    return largest;
}

static double knee(const sag_drop_surface *surface, double supply_v)
{
    double by_current, by_supply;
    double drop = sag_drop_at(surface, 0, supply_v, &by_current, &by_supply);
    return 0.5 * fmin(WIDEST_KNEE_V, fmax(drop / 2, NARROWEST_KNEE_V));
}

static void fill_opamp(sag_stage_opamp *opamp, const sag_network_opamp_data *data, double rail_v)
{
    const sag_opamp_model *model = data->model;
    double slew = sag_curve_at(&data->slew, rail_v, NULL);
    opamp->wt = 2 * M_PI * model->gain_bandwidth_hz * sag_curve_at(&data->gain_bandwidth, rail_v, NULL);
    opamp->slew_rise = model->slew_rise * slew;
    opamp->slew_fall = model->slew_fall * slew;
    opamp->leak = opamp->wt / model->open_loop_gain;
    opamp->siemens = 1 / data->output_ohm;
    /* Unity gain at wt sin(PM), where the second pole takes the phase down to the margin. */
    double margin = model->phase_margin_deg * M_PI / 180;
    opamp->second_pole = isnan(model->phase_margin_deg) ? (double)INFINITY
                                                        : opamp->wt * sin(margin) * tan(margin);
    opamp->short_source_a = model->short_source_a;
    opamp->short_sink_a = model->short_sink_a;
    opamp->high = &data->high;
    opamp->low = &data->low;
    opamp->knee_high_v = knee(&data->high, rail_v);
    opamp->knee_low_v = knee(&data->low, rail_v);
    opamp->knee_source_a = isfinite(model->short_source_a) ? CURRENT_KNEE / 2 * model->short_source_a : 1;
    opamp->knee_sink_a = isfinite(model->short_sink_a) ? CURRENT_KNEE / 2 * model->short_sink_a : 1;
    /* Where no current limit is given, drops are not trusted beyond an ampere. */
    double most_a = fmin(1, fmax(model->short_source_a, model->short_sink_a));
    opamp->clear_v = fmax(largest_drop(&data->high, most_a), largest_drop(&data->low, most_a)) +
                     WIDEST_KNEE_V;
    opamp->rail = (size_t)data->rail;
}

sag_status sag_devices_make(sag_devices *devices, const sag_network *network, const double *rail_v)
{
    memset(devices, 0, sizeof *devices);
    devices->network = network;
    devices->opamps = sag_new(network->opamp_count, sizeof *devices->opamps);
    devices->kappa = sag_new(network->state_count, sizeof *devices->kappa);
    devices->split_a = sag_new(network->rail_count, sizeof *devices->split_a);
    if (!devices->opamps || !devices->kappa || !devices->split_a) {
        sag_devices_clear(devices);
        return SAG_NO_MEMORY;
    }
    for (size_t i = 0; i < network->state_count; i++) {
        devices->kappa[i] = network->states[i].kappa;
    }
    for (size_t i = 0; i < network->opamp_count; i++) {
        const sag_network_opamp_data *data = &network->opamps[i];
        fill_opamp(&devices->opamps[i], data, rail_v[data->rail]);
        if (data->filter_state >= 0) {
            devices->kappa[data->filter_state] = 1 / devices->opamps[i].second_pole;
        }
        double *split = &devices->split_a[data->rail];
        *split = fmax(*split, SPLIT_SHARE * data->model->supply_current_a);
    }
    return SAG_OK;
}

void sag_devices_clear(sag_devices *devices)
{
    sag_free(devices->opamps);
    sag_free(devices->kappa);
    sag_free(devices->split_a);
    memset(devices, 0, sizeof *devices);
}

sag_status sag_map_new(const sag_network *network, sag_map *map)
{
    map->a = NAN;
    map->rows = network->state_count + network->observed_count;
    map->columns = network->state_count + 1 + network->source_count;
    map->m = sag_new(map->rows * map->columns, sizeof *map->m);
    map->rest = sag_new(network->observed_count, sizeof *map->rest);
    if (!map->m || !map->rest) {
        sag_map_clear(map);
        return SAG_NO_MEMORY;
    }
    return SAG_OK;
}

void sag_map_clear(sag_map *map)
{
    sag_free(map->m);
    sag_free(map->rest);
    memset(map, 0, sizeof *map);
}

struct sag_map_maker {
    const sag_devices *devices;
    sag_lu *lu;
    double *matrix, *x;
};

void sag_map_maker_free(sag_map_maker *maker)
{
    if (maker) {
        sag_lu_free(maker->lu);
        sag_free(maker->matrix);
        sag_free(maker->x);
        sag_free(maker);
    }
}

sag_status sag_map_maker_new(const sag_devices *devices, sag_map_maker **out)
{
    size_t n = devices->network->n;
    *out = NULL;
    sag_map_maker *maker = sag_new(1, sizeof *maker);
    if (!maker) {
        return SAG_NO_MEMORY;
    }
    maker->devices = devices;
    maker->matrix = sag_new(n * n, sizeof *maker->matrix);
    maker->x = sag_new(n, sizeof *maker->x);
    if (!maker->matrix || !maker->x || sag_lu_new(n, &maker->lu) != SAG_OK) {
        sag_map_maker_free(maker);
        return SAG_NO_MEMORY;
    }
    *out = maker;
    return SAG_OK;
}

static sag_status factor(sag_map_maker *maker, double a)
{
    const sag_network *network = maker->devices->network;
    sag_network_matrix(network, a, maker->devices->kappa, maker->matrix);
    return sag_lu_factor(maker->lu, maker->matrix, 0, NULL);
}

static void clear_x(sag_map_maker *maker)
{
    memset(maker->x, 0, maker->devices->network->n * sizeof *maker->x);
}

static void add_sparse(double *x, const sag_sparse *sparse, double by)
{
    for (int i = 0; i < sparse->count; i++) {
        x[sparse->at[i]] += by * sparse->by[i];
    }
}

sag_status sag_map_fill(sag_map_maker *maker, double a, sag_map *map)
{
    const sag_network *network = maker->devices->network;
    size_t states = network->state_count;
    map->a = a;
    TRY(factor(maker, a));
    for (size_t column = 0; column < map->columns; column++) {
        clear_x(maker);
        if (column < states) {
            add_sparse(maker->x, &network->states[column].into, a * maker->devices->kappa[column]);
        } else if (column == states) {
            memcpy(maker->x, network->drive, network->n * sizeof *maker->x);
        } else {
            add_sparse(maker->x, &network->source[column - states - 1], -1);
        }
        sag_lu_solve(maker->lu, maker->x);
        for (size_t row = 0; row < map->rows; row++) {
            const sag_sparse *of =
                row < states ? &network->states[row].of : &network->observed[row - states];
            map->m[row * map->columns + column] = sag_sparse_dot(of, maker->x);
        }
    }
    memcpy(maker->x, network->constant, network->n * sizeof *maker->x);
    sag_lu_solve(maker->lu, maker->x);
    for (size_t row = 0; row < network->observed_count; row++) {
        map->rest[row] = sag_sparse_dot(&network->observed[row], maker->x);
    }
    return SAG_OK;
}

sag_status sag_map_unknowns(sag_map_maker *maker, const double *source, double *x)
{
    const sag_network *network = maker->devices->network;
    TRY(factor(maker, 0));
    memcpy(x, network->constant, network->n * sizeof *x);
    for (size_t i = 0; i < network->source_count; i++) {
        add_sparse(x, &network->source[i], -source[i]);
    }
    sag_lu_solve(maker->lu, x);
    return SAG_OK;
}
