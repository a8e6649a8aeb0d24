/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stepper_lanes.h - stepper.h over lanes. Included with LANE_WIDTH and STEPPER_KIND set. */
#include "stage_lanes.h"
#include "stepper.h"

#include <string.h>

/* An output stage that has gone this share of its dead band from where it rests bends the wave. */
#define CROSSED      1e-6
#define LIMITS       6
#define GAMMA        (1 - M_SQRT1_2)
#define SECOND_STAGE (1 + M_SQRT2) /* (1 - gamma)/gamma */
typedef struct {
    stage_work work;
    sag_period *period;
    const double *rest_unknown;
    double *rest_gain;   /* the gain nodes at rest */
    size_t states, size; /* of the network; with gain nodes */
    lane *z, *first, *history, *gain_history;
    lane *y, *y_before; /* next to each other and to upright: saved as one */
    lane *upright; /* [op-amp]: share of the drive that its input stage passed at the end of the
                      step */
    lane *saved;   /* z and y of each depth */
    lane *s, *s_first, *s_saved, *e, *es, *row, *column;
    lane_mask active, failed;
    lane level;
    lane leaf_output, area, lean; /* of a step run in finer ones: see add_leaf */
    lane_mask finely;             /* lanes of it */
    int least_depth[LANE_WIDTH];
    /* [op-amp][LIMITS]: volts from the point where a limit is met, positive past it; and the
     * largest deviation towards it of what it limits: the output up and down, then each input pin
     * down and up. */
    lane *gap, *extreme;
    lane supply_v[SAG_SUPPLY_ROWS]; /* after the step just taken */
    int with_supply;
    const sag_run *how; /* while it runs */
} stepper;

static void stepper_free(void *object)
{
    stepper *s = object;
    if (!s) {
        return;
    }
    stage_work_clear(&s->work);
    sag_free(s->z);
    sag_free(s->s);
    sag_free(s->rest_gain);
    if (s->period) {
        sag_free(s->period->end);
        sag_free(s->period->failed);
        memset(s->period, 0, sizeof *s->period);
    }
    sag_free(s);
}

static sag_status stepper_make(const sag_stepper_setup *setup, void **out, sag_period *period)
{
    *out = NULL;
    memset(period, 0, sizeof *period);
    stepper *s = sag_new(1, sizeof *s);
    if (!s) {
        return SAG_NO_MEMORY;
    }
    s->period = period;
    s->rest_unknown = setup->rest_unknown;
    s->with_supply = setup->with_supply;
    sag_status status = stage_work_make(&s->work, setup->devices);
    if (status != SAG_OK) {
        stepper_free(s);
        return status;
    }
    s->work.base_observed = setup->rest_observed;
    s->work.base_source = setup->rest_unknown;
    size_t opamps = s->work.opamps, sources = s->work.sources;
    s->states = s->work.states;
    size_t size = s->size = s->states + opamps;
    size_t depth_room = size + 2 * sources + opamps + s->work.rows;
    s->z = sag_new(4 * size + 2 * sources + opamps + (SAG_SUBSTEP_DEPTH + 1) * 2 * depth_room +
                       2 * LIMITS * opamps,
                   sizeof(lane));
    s->s = sag_new(size * size * (3 + SAG_SUBSTEP_DEPTH) + 2 * sources * size + size + 2 * sources,
                   sizeof(lane));
    size_t opamp_rows = opamps ? opamps : 1;
    period->end = sag_new(
        LANE_WIDTH * (size + size * size + SAG_MOST_STEPS * (2 + opamps + SAG_SUPPLY_ROWS) +
                      SAG_USE_COUNT * opamp_rows + 3 + SAG_FROZEN * (sources + s->work.rows)),
        sizeof(double));
    period->failed = sag_new(LANE_WIDTH, 1);
    s->rest_gain = sag_new(opamps, sizeof *s->rest_gain);
    if (!s->z || !s->s || !period->end || !period->failed || !s->rest_gain) {
        stepper_free(s);
        return SAG_NO_MEMORY;
    }
    for (size_t q = 0; q < s->work.rows; q++) {
        s->work.seen[q] = lane_of(setup->rest_observed[q]);
    }
    for (size_t k = 0; k < opamps; k++) {
        s->rest_gain[k] = lane_get(stage_gain_node(&s->work, k, lane_of(s->rest_unknown[k])), 0);
    }
    s->first = s->z + size;
    s->history = s->first + size;
    s->gain_history = s->history + size;
    s->y = s->gain_history + size;
    s->y_before = s->y + sources;
    s->upright = s->y_before + sources;
    s->saved = s->upright + opamps;
    s->gap = s->saved + (SAG_SUBSTEP_DEPTH + 1) * 2 * depth_room;
    s->extreme = s->gap + LIMITS * opamps;
    s->s_first = s->s + size * size;
    s->s_saved = s->s_first + size * size;
    s->e = s->s_saved + (1 + SAG_SUBSTEP_DEPTH) * size * size;
    s->es = s->e + sources * size;
    s->row = s->es + sources * size;
    s->column = s->row + size + sources;
    period->monodromy = period->end + LANE_WIDTH * size;
    period->output = period->monodromy + LANE_WIDTH * size * size;
    period->wave = period->output + LANE_WIDTH * SAG_MOST_STEPS;
    period->opamp_out = period->wave + LANE_WIDTH * SAG_MOST_STEPS;
    period->supply_v = period->opamp_out + LANE_WIDTH * SAG_MOST_STEPS * opamps;
    period->use = period->supply_v + LANE_WIDTH * SAG_MOST_STEPS * SAG_SUPPLY_ROWS;
    period->clamp = period->use + LANE_WIDTH * SAG_USE_COUNT * opamp_rows;
    period->drive = period->clamp + LANE_WIDTH;
    period->upright = period->drive + LANE_WIDTH;
    period->frozen_unknown = period->upright + LANE_WIDTH;
    period->frozen_observed = period->frozen_unknown + SAG_FROZEN * LANE_WIDTH * sources;
    *out = s;
    return SAG_OK;
}

/* One stage from `from` (deviations); the result's states and gain nodes go to `to`. */
static lane_mask run_stage(stepper *s, const sag_map *map, const lane *from, lane u, lane *to,
                           lane_mask active)
{
    stage_work *work = &s->work;
    for (size_t i = 0; i < s->states; i++) {
        s->history[i] = from[i];
    }
    for (size_t k = 0; k < work->opamps; k++) {
        s->history[s->states + k] = from[s->states + k] + s->rest_gain[k];
    }
    lane_mask open = stage_solve_surely(work, map, s->history, u, s->y, active, 0);
    for (size_t i = 0; i < s->states; i++) {
        to[i] = map->m[i * map->columns + s->states] * u;
    }
    lane_add_product(map->m, map->columns, s->states, s->states, from, to);
    lane_add_product(map->m + s->states + 1, map->columns, s->states, work->sources, work->source,
                     to);
    for (size_t k = 0; k < work->opamps; k++) {
        to[s->states + k] = stage_gain_node(work, k, s->y[k]) - s->rest_gain[k];
    }
    return open;
}

/* The supply at the end of the stage just solved from `from`, as deviations from rest. */
static void look_at_supply(stepper *s, const sag_map *map, const lane *from, lane u)
{
    const double *m = map->m + (s->states + s->work.rows) * map->columns;
    for (size_t k = 0; k < SAG_SUPPLY_ROWS; k++) {
        s->supply_v[k] = m[k * map->columns + s->states] * u;
    }
    lane_add_product(m, map->columns, SAG_SUPPLY_ROWS, s->states, from, s->supply_v);
    lane_add_product(m + s->states + 1, map->columns, SAG_SUPPLY_ROWS, s->work.sources,
                     s->work.source, s->supply_v);
}

/* The gain node of a class-B output: to, the EMF's row, becomes (1 + c) EMF's - c output's, with c =
 * d cross/d io / Ro. */
static void run_crossing_sensitivity(stepper *s, const sag_map *map, size_t k, const lane *from,
                                     lane *to)
{
    stage_work *work = &s->work;
    const sag_stage_opamp *p = &work->devices->opamps[k];
    size_t row = k * SAG_OBSERVED_PER_OPAMP + SAG_OBSERVED_OUT, size = s->size;
    const double *m = map->m + (work->states + row) * map->columns;
    lane slope;
    stage_crossing(p, (s->y[k] - work->seen[row]) * p->siemens, &slope);
    slope *= p->siemens;
    for (size_t j = 0; j < size; j++) {
        lane output = lane_of(0);
        for (size_t i = 0; i < s->states; i++) {
            output += m[i] * from[i * size + j];
        }
        for (size_t i = 0; i < work->sources; i++) {
            output += m[s->states + 1 + i] * s->es[i * size + j];
        }
        to[j] += slope * (to[j] - output);
    }
}

/* Sensitivity of the stage just solved: to = d(result)/d(from) applied to `from`, both size x size.
 * The unknowns move by e = -J^-1 dF/d(history); the states follow the history and the sources. */
static void run_sensitivity(stepper *s, const sag_map *map, const lane *from, lane *to)
{
    stage_work *work = &s->work;
    size_t n = work->sources, size = s->size;
    lane *column = s->column;
    for (size_t j = 0; j < size; j++) {
        for (size_t i = 0; i < n; i++) {
            column[i] = j < s->states ? -stage_through(work, map, i, j)
                                      : lane_of(i == j - s->states ? 1 : 0);
        }
        stage_substitute(work->jacobian, n, column);
        for (size_t i = 0; i < n; i++) {
            s->e[i * size + j] = column[i];
        }
    }
    memset(s->es, 0, n * size * sizeof *s->es);
    memset(to, 0, size * size * sizeof *to);
    for (size_t i = 0; i < n; i++) {
        lane_add_row_product(s->e + i * size, size, from, size, s->es + i * size);
    }
    for (size_t i = 0; i < s->states; i++) {
        const double *m = map->m + i * map->columns;
        for (size_t j = 0; j < s->states; j++) {
            s->row[j] = lane_of(m[j]);
        }
        lane_add_row_product(s->row, s->states, from, size, to + i * size);
        for (size_t j = 0; j < n; j++) {
            s->row[j] = lane_of(m[s->states + 1 + j]);
        }
        lane_add_row_product(s->row, n, s->es, size, to + i * size);
    }
    for (size_t k = 0; k < work->opamps; k++) {
        memcpy(to + (s->states + k) * size, s->es + k * size, size * sizeof *to);
        if (work->devices->opamps[k].dead_band_v > 0) {
            run_crossing_sensitivity(s, map, k, from, to + (s->states + k) * size);
        }
    }
}

/* to = from + SECOND_STAGE (first - from), elementwise: what the second stage starts from. */
static void second_history(lane *to, const lane *from, const lane *first, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        to[i] = from[i] + SECOND_STAGE * (first[i] - from[i]);
    }
}

/* The next guess of the unknowns, straight on from the last two by `share` of their distance. (A
 * parabola through three needs more iterations: its weights of up to six magnify every corner.) */
static void extrapolate(stepper *s, double share)
{
    for (size_t i = 0; i < s->work.sources; i++) {
        lane step = s->y[i] - s->y_before[i];
        s->y_before[i] = s->y[i];
        s->y[i] += share * step;
    }
}

static lane_mask run_step(stepper *s, const sag_map *map, double phase, double step,
                          lane_mask active)
{
    size_t size = s->size;
    extrapolate(s, GAMMA / (1 - GAMMA));
    lane_mask open = run_stage(s, map, s->z, s->level * sin(2 * M_PI * (phase + GAMMA * step)),
                               s->first, active);
    if (s->how->with_monodromy) {
        run_sensitivity(s, map, s->s, s->s_first);
        second_history(s->s_first, s->s, s->s_first, size * size);
    }
    second_history(s->gain_history, s->z, s->first, size);
    extrapolate(s, (1 - GAMMA) / GAMMA);
    lane u = s->level * sin(2 * M_PI * (phase + step));
    open |= run_stage(s, map, s->gain_history, u, s->z, active & ~open);
    if (s->with_supply) {
        look_at_supply(s, map, s->gain_history, u);
    }
    if (s->how->with_monodromy) {
        run_sensitivity(s, map, s->s_first, s->s);
    }
    return open;
}

static void keep_lanes(lane *to, const lane *from, size_t count, lane_mask which)
{
    for (size_t i = 0; i < count; i++) {
        to[i] = lane_select(which, from[i], to[i]);
    }
}

/* An input stage whose gain, or share of upright drive, has changed by this over a step has lost
 * its gain or flipped within it. So has one that lets its gain node move by JUMP_V, V, while a pin is
 * on an edge: even a small share of the slew rate carries an output from rail to rail in one step. */
#define FLIP   0.1
#define JUMP_V 0.25

/* Notes what the input stages pass after a step from the states `before`; returns the lanes in which
 * one has changed over. */
static lane_mask note_flips(stepper *s, const lane *before)
{
    stage_work *work = &s->work;
    lane_mask flipped = LANE_LESS(lane_of(0), lane_of(0));
    for (size_t k = 0; k < work->opamps; k++) {
        lane now = lane_of(2);
        if (work->hot[k]) {
            size_t rail = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * work->devices->opamps[k].rail;
            stage_input in =
                stage_input_at(work, k, lane_of(0), work->seen[rail], work->seen[rail + 1]);
            now = in.gain + in.by_x;
            lane moved = lane_abs(s->z[s->states + k] - before[s->states + k]);
            flipped |= LANE_LESS(lane_of(JUMP_V), moved) & LANE_LESS(now, lane_of(2));
        }
        flipped |= LANE_LESS(lane_of(FLIP), lane_abs(now - s->upright[k]));
        s->upright[k] = now;
    }
    return flipped;
}

static lane output_now(const stepper *s)
{
    const stage_work *work = &s->work;
    return work->seen[work->observed - 1] - work->base_observed[work->observed - 1];
}

/* One of the finer steps that a step was run in, straight from the output before it to the one now:
 * adds its share of the integrals of y and t y over the whole step, t from 0 to 1 in it. */
static void add_leaf(stepper *s, double t0, double width, lane_mask which)
{
    lane from = s->leaf_output, to = output_now(s);
    double t1 = t0 + width;
    s->area += lane_select(which, 0.5 * width * (from + to), lane_of(0));
    s->lean +=
        lane_select(which, width / 6 * ((2 * t0 + t1) * from + (t0 + 2 * t1) * to), lane_of(0));
    s->leaf_output = lane_select(which, to, s->leaf_output);
    s->finely |= which;
}

/* The lanes whose last finer step asks for one no more than twice as long. */
static lane_mask too_long(const stepper *s, int depth, lane_mask active)
{
    lane_mask longer = LANE_LESS(lane_of(0), lane_of(0));
    for (int i = 0; i < LANE_WIDTH; i++) {
        lane_mask_put(&longer, i, s->least_depth[i] > depth);
    }
    return longer & active;
}

static void keep_depth(stepper *s, int depth, lane_mask flipped, lane_mask which)
{
    for (int i = 0; i < LANE_WIDTH; i++) {
        if (lane_mask_get(which, i)) {
            s->least_depth[i] = lane_mask_get(flipped, i) || depth == 0 ? depth : depth - 1;
        }
    }
}

/* A step; lanes that fail are taken back and run again as two half steps, and so on. So are those
 * in which an input flips: the instant decides over the waveform, as the output jumps there. What
 * follows a jump begins fast, so that the steps after it grow no quicker than twofold. */
static lane_mask run_step_surely(stepper *s, int depth, double phase, double step, lane_mask active)
{
    size_t size = s->size, sources = s->work.sources, follow = 2 * sources + s->work.opamps;
    size_t rows = s->work.rows, room = size + follow + rows;
    lane *before = s->saved + (size_t)depth * 2 * room, *after = before + room;
    lane *s_before = s->s_saved + (size_t)depth * size * size;
    const sag_map *map = depth == 0 ? s->how->map : &s->how->finer[depth - 1];
    memcpy(before, s->z, size * sizeof *before);
    memcpy(before + size, s->y, follow * sizeof *before);
    if (s->how->with_monodromy) {
        memcpy(s_before, s->s, size * size * sizeof *s_before);
    }
    lane_mask none = LANE_LESS(lane_of(0), lane_of(0)), failed = none;
    lane_mask open = too_long(s, depth, active);
    if (lane_any(active & ~open)) {
        s->period->steps_run += lane_count(active & ~open);
        failed = run_step(s, map, phase, step, active & ~open);
        lane_mask flipped = note_flips(s, before) & active & ~open;
        open |= depth < SAG_SUBSTEP_DEPTH ? failed : none;
        open |= depth < s->how->flip_halvings ? flipped : none;
        keep_depth(s, depth, flipped, active & ~open);
    }
    if (depth > 0 && lane_any(active & ~open)) {
        double whole = step * (double)(1 << depth), first = floor(phase / whole + 1e-9) * whole;
        add_leaf(s, (phase - first) / whole, step / whole, active & ~open);
    }
    if (!lane_any(open)) {
        return failed;
    }
    sag_map *finer = &s->how->finer[depth];
    double a = 2 * map->a;
    if (finer->a != a && s->how->refine(s->how->refine_context, a, finer) != SAG_OK) {
        return open;
    }
    memcpy(after, s->z, size * sizeof *after);
    memcpy(after + size, s->y, follow * sizeof *after);
    memcpy(after + size + follow, s->work.seen, rows * sizeof *after);
    lane supply_v[SAG_SUPPLY_ROWS];
    memcpy(supply_v, s->supply_v, sizeof supply_v);
    memcpy(s->z, before, size * sizeof *before);
    for (size_t i = 0; i < 2 * sources;
         i++) { /* no history to go on from: the step before was longer */
        s->y[i] = before[size + i % sources];
    }
    memcpy(s->upright, before + size + 2 * sources, s->work.opamps * sizeof *before);
    if (s->how->with_monodromy) { /* exchanged: s_before then keeps the finished lanes' */
        for (size_t i = 0; i < size * size; i++) {
            lane held = s->s[i];
            s->s[i] = s_before[i];
            s_before[i] = held;
        }
    }
    failed = run_step_surely(s, depth + 1, phase, step / 2, open);
    failed |= run_step_surely(s, depth + 1, phase + step / 2, step / 2, open & ~failed);
    keep_lanes(s->z, after, size, ~open);
    keep_lanes(s->y, after + size, follow, ~open);
    keep_lanes(s->work.seen, after + size + follow, rows, ~open);
    keep_lanes(s->supply_v, supply_v, SAG_SUPPLY_ROWS, ~open);
    if (s->how->with_monodromy) {
        keep_lanes(s->s, s_before, size * size, ~open);
    }
    return failed;
}

/* How near the input pins of op-amp k came to the ends of its range. */
static void note_pins(stepper *s, size_t k, lane vp, lane vn, lane *gap, lane *extreme)
{
    const stage_work *work = &s->work;
    const sag_stage_opamp *p = &work->devices->opamps[k];
    for (size_t pin = 0; pin < 2; pin++) {
        size_t row = work->observed + 2 * k + pin;
        lane volts = work->seen[row], moved = volts - work->base_observed[row];
        lane *g = gap + 2 + 2 * pin, *e = extreme + 2 + 2 * pin;
        g[0] = lane_max(g[0], p->input_low.met_v - (volts - vn));
        g[1] = lane_max(g[1], p->input_high.met_v - (vp - volts));
        e[0] = lane_max(e[0], -moved);
        e[1] = lane_max(e[1], moved);
    }
}

/* Notes what the step just taken came to: waveforms, and how near each op-amp is to its limits. */
static void take_note(stepper *s, size_t at)
{
    stage_work *work = &s->work;
    sag_period *period = s->period;
    lane *output = (lane *)period->output, *opamp_out = (lane *)period->opamp_out;
    lane *use = (lane *)period->use, *clamp = (lane *)period->clamp, *drive = (lane *)period->drive;
    lane *upright = (lane *)period->upright;
    output[at] = work->seen[work->observed - 1] - work->base_observed[work->observed - 1];
    for (size_t k = 0; k < SAG_SUPPLY_ROWS; k++) {
        ((lane *)period->supply_v)[k * SAG_MOST_STEPS + at] = s->supply_v[k];
    }
    lane zero = lane_of(0);
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &work->devices->opamps[k];
        size_t row = k * SAG_OBSERVED_PER_OPAMP;
        size_t rail = work->opamps * SAG_OBSERVED_PER_OPAMP + 2 * p->rail;
        lane x = work->seen[row + SAG_OBSERVED_DRIVE], vo = work->seen[row + SAG_OBSERVED_OUT];
        lane vp = work->seen[rail], vn = work->seen[rail + 1], by_current, by_supply, slope;
        lane io = (s->y[k] - vo) * p->siemens;
        lane out = vo - work->base_observed[row + SAG_OBSERVED_OUT];
        opamp_out[k * SAG_MOST_STEPS + at] = out;
        lane carried = zero;
        lane *extreme = s->extreme + LIMITS * k, *gap = s->gap + LIMITS * k;
        lane_mask near = stage_near(p, vo, io, vp, vn), look = LANE_LESS(extreme[0], out) | near;
        if (lane_any(look)) {
            double k_v = p->knee_high_v;
            lane past = vo - vp + stage_drop(&p->high, io, vp - vn, &by_current, &by_supply) + k_v;
            gap[0] = lane_select(look, lane_max(gap[0], past - SAG_RAMP_MET * k_v), gap[0]);
            carried = lane_ramp(past, k_v, &slope) / k_v;
            extreme[0] = lane_max(extreme[0], out);
        }
        look = LANE_LESS(extreme[1], -out) | near;
        if (lane_any(look)) {
            double k_v = p->knee_low_v;
            lane past = vn - vo + stage_drop(&p->low, -io, vp - vn, &by_current, &by_supply) + k_v;
            gap[1] = lane_select(look, lane_max(gap[1], past - SAG_RAMP_MET * k_v), gap[1]);
            carried = lane_max(carried, lane_ramp(past, k_v, &slope) / k_v);
            extreme[1] = lane_max(extreme[1], -out);
        }
        lane *used = use + k * SAG_USE_COUNT;
        lane source_limit = lane_of(p->short_source_a - (1 - SAG_RAMP_MET) * p->knee_source_a);
        lane sink_limit = lane_of(p->short_sink_a - (1 - SAG_RAMP_MET) * p->knee_sink_a);
        used[SAG_USE_CURRENT] =
            lane_max(used[SAG_USE_CURRENT], lane_max(io / source_limit, -io / sink_limit));
        lane over = lane_ramp(io - p->short_source_a + p->knee_source_a, p->knee_source_a, &slope) /
                    p->knee_source_a;
        carried = lane_max(carried, over);
        over = lane_ramp(-io - p->short_sink_a + p->knee_sink_a, p->knee_sink_a, &slope) /
               p->knee_sink_a;
        carried = lane_max(carried, over);
        stage_input in = stage_input_at(work, k, x, vp, vn);
        if (work->watched[k]) {
            note_pins(s, k, vp, vn, gap, extreme);
        }
        lane crossed = stage_gain_node(work, k, s->y[k]) - s->y[k];
        double at_rest = s->rest_gain[k] - s->rest_unknown[k];
        crossed = lane_abs(crossed - at_rest);
        carried =
            lane_select(LANE_LESS(lane_of(CROSSED * p->dead_band_v), crossed), lane_of(1), carried);
        if (p->dead_band_v > 0) {
            used[SAG_USE_CROSSOVER] =
                lane_max(used[SAG_USE_CROSSOVER], crossed * (100 / p->dead_band_v));
        }
        if (work->hot[k]) { /* as a clamp does, it bends what passes and asks for a large drive */
            carried = lane_select(LANE_LESS(in.gain * in.by_x, lane_of(1)), lane_of(1), carried);
            *upright = lane_min(*upright, in.by_x);
        }
        lane slew =
            lane_select(LANE_LESS(in.drive, zero), lane_of(p->slew_fall), lane_of(p->slew_rise));
        lane asked = lane_abs(p->wt * in.drive / slew);
        *drive = lane_max(*drive, asked);
        *clamp = lane_max(*clamp, carried);
        /* While a clamp holds the output or a pin is out of range, the drive is far out for that
         * reason alone. */
        lane free_drive =
            lane_select(LANE_LESS(carried, lane_of(SAG_CLAMP_MET)), asked / SAG_SLEW_MET, zero);
        used[SAG_USE_SLEW] = lane_max(used[SAG_USE_SLEW], free_drive);
    }
}

/* Gives the samples before and after a step that was run in finer ones what the straight line
 * between them misses of the integrals of y and t y. */
static void mend_wave(stepper *s, size_t at, size_t steps, lane before)
{
    lane *output = (lane *)s->period->output, *wave = (lane *)s->period->wave;
    if (at == 0) {
        wave[steps - 1] = lane_of(0);
    }
    lane after = output[at];
    wave[at] = at + 1 == steps ? wave[at] + after : after;
    if (lane_any(s->finely)) {
        lane lean = s->lean - (before + 2.0 * after) / 6.0, area = s->area - 0.5 * (before + after);
        lane none = lane_of(0);
        wave[at] += lane_select(s->finely, lean, none);
        wave[at > 0 ? at - 1 : steps - 1] += lane_select(s->finely, area - lean, none);
    }
}

static void stepper_run(void *object, const sag_run *how)
{
    stepper *s = object;
    sag_period *period = s->period;
    size_t size = s->size, opamps = s->work.opamps, steps = how->steps;
    s->how = how;
    for (int i = 0; i < LANE_WIDTH; i++) {
        lane_mask_put(&s->active, i, how->active[i]);
        lane_put(&s->level, i, how->active[i] ? how->level_vpk[i] : 0);
        lane_put(&s->work.tolerance_v, i, how->tolerance_v[i]);
        s->least_depth[i] = 0;
    }
    for (size_t i = 0; i < size; i++) {
        s->z[i] = lane_select(s->active, ((const lane *)how->start)[i], lane_of(0));
    }
    for (size_t i = 0; i < s->work.sources; i++) {
        s->y[i] = lane_of(s->rest_unknown[i]);
        if (i < opamps) {
            s->y[i] += s->z[s->states + i];
        }
        s->y_before[i] = s->y[i];
    }
    for (size_t k = 0; k < opamps; k++) {
        s->upright[k] = lane_of((double)NAN); /* not known yet, and nothing has changed over */
    }
    for (size_t i = 0; i < size * size; i++) {
        s->s[i] = lane_of(i / size == i % size);
    }
    for (size_t k = 0; k < LIMITS * opamps; k++) {
        s->gap[k] = lane_of(-1e9);
        s->extreme[k] = lane_of(0);
    }
    memset(period->use, 0, opamps * SAG_USE_COUNT * sizeof(lane));
    *(lane *)period->clamp = lane_of(0);
    *(lane *)period->drive = lane_of(0);
    *(lane *)period->upright = lane_of(1);
    period->steps_run = 0;
    s->failed = ~(LANE_LESS(lane_of(0), lane_of(1)));
    /* An orbit ends where it starts: what the sweep before came to, for want of a solution at t =
     * 0. */
    lane started = ((lane *)period->output)[steps - 1];
    for (size_t n = 0; n < steps; n++) {
        double step = 1.0 / (double)steps;
        s->leaf_output = n > 0 ? ((lane *)period->output)[n - 1] : started;
        s->area = s->lean = lane_of(0);
        s->finely = LANE_LESS(lane_of(0), lane_of(0));
        s->failed |= run_step_surely(s, 0, (double)n * step, step, s->active & ~s->failed);
        take_note(s, n);
        mend_wave(s, n, steps, n > 0 ? ((lane *)period->output)[n - 1] : started);
        if ((n + 1) * SAG_FROZEN % steps == 0) {
            size_t sources = s->work.sources, rows = s->work.rows;
            size_t instant = (n + 1) * SAG_FROZEN / steps - 1;
            memcpy((lane *)period->frozen_unknown + instant * sources, s->y,
                   sources * sizeof(lane));
            memcpy((lane *)period->frozen_observed + instant * rows, s->work.seen,
                   rows * sizeof(lane));
        }
    }
    memcpy(period->end, s->z, size * sizeof(lane));
    if (how->with_monodromy) {
        memcpy(period->monodromy, s->s, size * size * sizeof(lane));
    }
    for (size_t k = 0; k < opamps; k++) {
        lane *used = (lane *)period->use + k * SAG_USE_COUNT;
        for (size_t side = 0; side < LIMITS; side++) {
            lane reach = s->extreme[LIMITS * k + side], gap = s->gap[LIMITS * k + side];
            lane limit = reach - gap; /* deviation at which the limit would be met */
            lane share = reach / lane_max(limit, lane_of(1e-6));
            lane *use = used + (side < 2 ? side : SAG_USE_INPUT_RANGE);
            *use = lane_max(*use, lane_select(LANE_LESS(lane_of(0), reach), share, lane_of(0)));
        }
    }
    for (int i = 0; i < LANE_WIDTH; i++) {
        period->failed[i] = (unsigned char)lane_mask_get(s->failed, i);
    }
}

const sag_stepper_kind STEPPER_KIND = {
    .lanes = LANE_WIDTH, .make = stepper_make, .free = stepper_free, .run = stepper_run};
