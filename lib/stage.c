/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stage.h"

#include "dense.h"
#include "memory.h"

#define LANE_WIDTH 1
#include "opamp_lanes.h"

#include <math.h>
#include <string.h>

/* The knee of a limit is no wider than this, and no narrower; whole width, V. */
#define WIDEST_KNEE_V    20e-3
#define NARROWEST_KNEE_V 1e-3
/* The knee of the current limit, as a share of it. */
#define CURRENT_KNEE 0.02
/* Load current over which the rails take turns, as a share of the quiescent current of one
 * amplifier: an idling class-AB stage. It only shapes the supply current. */
#define SPLIT_SHARE   0.05
#define LEAST_SPLIT_A 1e-6 /* for an ideal part that draws nothing */

/* Raises clear_v and clear_ohm so that no drop of the table lies above clear_v + clear_ohm io. The
 * cubic between two points stays between their drops, so the drop at the upper end over the current
 * at the lower one bounds it. */
static void bound_drop(const sag_drop_surface *surface, double *clear_v, double *clear_ohm)
{
    size_t columns = surface->current_count;
    for (size_t i = 0; i < surface->supply_count; i++) {
        *clear_v = fmax(*clear_v, surface->value[i * columns]);
    }
    for (size_t i = 0; i < surface->supply_count; i++) {
        const double *drop = surface->value + i * columns;
        for (size_t j = 1; j < columns; j++) {
            double from = j > 1 ? surface->current[j - 1] : 0;
            double over = drop[j] - *clear_v;
            if (over > 0 && from > 0) {
                *clear_ohm = fmax(*clear_ohm, over / from);
            } else if (over > 0) {
                *clear_v = drop[j];
            }
        }
        *clear_ohm = fmax(*clear_ohm, surface->by_current[i * columns + columns - 1]);
    }
}

static sag_status make_line(const sag_drop_surface *surface, double supply_v, sag_drop_line *line)
{
    line->count = surface->current_count;
    line->supply_v = supply_v;
    line->current = surface->current;
    line->value = sag_new(3 * line->count, sizeof *line->value);
    if (!line->value) {
        return SAG_NO_MEMORY;
    }
    line->slope = line->value + line->count;
    line->by_supply = line->slope + line->count;
    for (size_t i = 0; i < line->count; i++) {
        line->value[i] =
            sag_drop_at(surface, line->current[i], supply_v, &line->slope[i], &line->by_supply[i]);
    }
    line->slope[0] = 0;    /* held below the first current */
    if (line->count > 1) { /* and straight on beyond the last */
        double by_supply, last = line->current[line->count - 1];
        sag_drop_at(surface, last + 1, supply_v, &line->slope[line->count - 1], &by_supply);
    }
    return SAG_OK;
}

double sag_drop_line_at(const sag_drop_line *line, double current_a, double supply_v,
                        double *by_current, double *by_supply)
{
    return stage_drop(line, current_a, supply_v, by_current, by_supply);
}

static double knee(const sag_drop_surface *surface, double supply_v)
{
    double by_current, by_supply;
    double drop = sag_drop_at(surface, 0, supply_v, &by_current, &by_supply);
    return 0.5 * fmin(WIDEST_KNEE_V, fmax(drop / 2, NARROWEST_KNEE_V));
}

/* How far out, in linear ranges, the drive is that a reversed input gives: well saturated. */
#define FLIPPED_RANGES 5

static void fill_range(sag_input_range *range, const sag_input_side *side)
{
    range->works_to_v = isnan(side->works_to_v) ? -(double)INFINITY : side->works_to_v;
    range->reverses_at_v = isnan(side->reverses_at_v) ? -(double)INFINITY : side->reverses_at_v;
    double first = fmax(range->works_to_v, range->reverses_at_v);
    range->watch_v = first + SAG_RANGE_EDGE_V;
    range->met_v = first + SAG_RANGE_MET * SAG_RANGE_EDGE_V;
}

static sag_status fill_opamp(sag_stage_opamp *opamp, const sag_network_opamp_data *data,
                             double rail_v)
{
    const sag_opamp_model *model = data->model;
    double slew = sag_curve_at(&data->slew, rail_v, NULL);
    opamp->wt =
        2 * M_PI * model->gain_bandwidth_hz * sag_curve_at(&data->gain_bandwidth, rail_v, NULL);
    opamp->slew_rise = model->slew_rise * slew;
    opamp->slew_fall = model->slew_fall * slew;
    opamp->leak = opamp->wt / model->open_loop_gain;
    opamp->siemens = 1 / data->output_ohm;
    /* Unity gain at wt sin(PM), where the second pole takes the phase down to the margin. */
    double margin = model->phase_margin_deg * M_PI / 180;
    opamp->second_pole =
        isnan(model->phase_margin_deg) ? (double)INFINITY : opamp->wt * sin(margin) * tan(margin);
    opamp->short_source_a = model->short_source_a;
    opamp->short_sink_a = model->short_sink_a;
    opamp->knee_high_v = knee(&data->high, rail_v);
    opamp->knee_low_v = knee(&data->low, rail_v);
    opamp->knee_source_a =
        isfinite(model->short_source_a) ? CURRENT_KNEE / 2 * model->short_source_a : 1;
    opamp->knee_sink_a = isfinite(model->short_sink_a) ? CURRENT_KNEE / 2 * model->short_sink_a : 1;
    opamp->clear_v = opamp->clear_ohm = 0;
    bound_drop(&data->high, &opamp->clear_v, &opamp->clear_ohm);
    bound_drop(&data->low, &opamp->clear_v, &opamp->clear_ohm);
    opamp->clear_v += WIDEST_KNEE_V + SAG_SMOOTH_STEP_V;
    opamp->rail = (size_t)data->rail;
    fill_range(&opamp->input_low, &model->input_low);
    fill_range(&opamp->input_high, &model->input_high);
    int sinks = model->class_a_sink_a < model->class_a_source_a;
    opamp->dead_band_v = model->dead_band_v;
    opamp->hand_over_a = sinks ? -model->class_a_sink_a : model->class_a_source_a;
    opamp->hand_half_a = SAG_HAND_OVER * fabs(opamp->hand_over_a);
    opamp->flipped_v = FLIPPED_RANGES * fmax(opamp->slew_rise, opamp->slew_fall) / opamp->wt;
    TRY(make_line(&data->high, rail_v, &opamp->high));
    return make_line(&data->low, rail_v, &opamp->low);
}

sag_status sag_devices_make(sag_devices *devices, const sag_network *network, const double *rail_v)
{
    memset(devices, 0, sizeof *devices);
    devices->network = network;
    devices->opamps = sag_new(network->opamp_count, sizeof *devices->opamps);
    devices->kappa = sag_new(network->state_count, sizeof *devices->kappa);
    devices->split_a = sag_new(4 * network->rail_count, sizeof *devices->split_a);
    if (!devices->opamps || !devices->kappa || !devices->split_a) {
        sag_devices_clear(devices);
        return SAG_NO_MEMORY;
    }
    devices->rail_v = devices->split_a + network->rail_count;
    devices->quiet_a = devices->rail_v + network->rail_count;
    devices->quiet_slope = devices->quiet_a + network->rail_count;
    for (size_t r = 0; r < network->rail_count; r++) {
        devices->rail_v[r] = rail_v[r];
        devices->quiet_a[r] =
            sag_rail_current(&network->rails[r], rail_v[r], &devices->quiet_slope[r]);
    }
    for (size_t i = 0; i < network->state_count; i++) {
        devices->kappa[i] = network->states[i].kappa;
    }
    for (size_t i = 0; i < network->opamp_count; i++) {
        const sag_network_opamp_data *data = &network->opamps[i];
        sag_status status = fill_opamp(&devices->opamps[i], data, rail_v[data->rail]);
        if (status != SAG_OK) {
            sag_devices_clear(devices);
            return status;
        }
        if (data->filter_state >= 0) {
            devices->kappa[data->filter_state] = 1 / devices->opamps[i].second_pole;
        }
        double *split = &devices->split_a[data->rail];
        *split = fmax(fmax(*split, LEAST_SPLIT_A), SPLIT_SHARE * data->model->supply_current_a);
    }
    return SAG_OK;
}

void sag_devices_clear(sag_devices *devices)
{
    for (size_t i = 0; devices->opamps && i < devices->network->opamp_count; i++) {
        sag_free(devices->opamps[i].high.value);
        sag_free(devices->opamps[i].low.value);
    }
    sag_free(devices->opamps);
    sag_free(devices->kappa);
    sag_free(devices->split_a);
    memset(devices, 0, sizeof *devices);
}

sag_status sag_map_new(const sag_network *network, sag_map *map)
{
    map->a = (double)NAN;
    map->rows = network->state_count + network->row_count + SAG_SUPPLY_ROWS;
    map->columns = network->state_count + 1 + network->source_count;
    map->m = sag_new(map->rows * map->columns, sizeof *map->m);
    map->rest = sag_new(network->row_count, sizeof *map->rest);
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
    map->a = (double)NAN; /* nobody may take a half-filled map for the one at this rate */
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
            size_t after = row - states;
            const sag_sparse *of = row < states ? &network->states[row].of
                                   : after < network->row_count
                                       ? &network->observed[after]
                                       : &network->supply_row[after - network->row_count];
            map->m[row * map->columns + column] = sag_sparse_dot(of, maker->x);
        }
    }
    memcpy(maker->x, network->constant, network->n * sizeof *maker->x);
    sag_lu_solve(maker->lu, maker->x);
    for (size_t row = 0; row < network->row_count; row++) {
        map->rest[row] = sag_sparse_dot(&network->observed[row], maker->x);
    }
    map->a = a;
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
