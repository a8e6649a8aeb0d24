/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stepper_lanes.h - stepper.h over lanes. Included with LANE_WIDTH and STEPPER_KIND set. */
#include "stage_lanes.h"
#include "stepper.h"

#include <string.h>

#define GAMMA        (1 - M_SQRT1_2)
#define SECOND_STAGE (1 + M_SQRT2) /* (1 - gamma)/gamma */
typedef struct {
    stage_work work;
    sag_period *period;
    const double *rest_unknown;
    size_t states, size; /* of the network; with gain nodes */
    lane *z, *first, *history, *gain_history;
    lane *y, *y_before; /* next to each other: saved as one */
    lane *saved;        /* z and y of each depth */
    lane *s, *s_first, *s_saved, *e, *es, *row, *column;
    lane_mask active, failed;
    lane level;
    lane *gap;     /* [op-amp][2]: volts from the point where each rail is met, positive past it */
    lane *extreme; /* [op-amp][2]: largest deviation of the output, up and down */
    int with_monodromy;
    const sag_map *map;
    sag_map *finer;
    sag_status (*refine)(void *context, double a, sag_map *map);
    void *refine_context;
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
    size_t depth_room = size + 2 * sources;
    s->z = sag_new(4 * size + 2 * sources + (SAG_SUBSTEP_DEPTH + 1) * 2 * depth_room + 4 * opamps,
                   sizeof(lane));
    s->s = sag_new(size * size * (3 + SAG_SUBSTEP_DEPTH) + 2 * sources * size + size + 2 * sources,
                   sizeof(lane));
    size_t opamp_rows = opamps ? opamps : 1;
    period->end = sag_new(LANE_WIDTH * (size + size * size + SAG_MOST_STEPS * (1 + opamps) +
                                        SAG_USE_COUNT * opamp_rows + 2),
                          sizeof(double));
    period->failed = sag_new(LANE_WIDTH, 1);
    if (!s->z || !s->s || !period->end || !period->failed) {
        stepper_free(s);
        return SAG_NO_MEMORY;
    }
    s->first = s->z + size;
    s->history = s->first + size;
    s->gain_history = s->history + size;
    s->y = s->gain_history + size;
    s->y_before = s->y + sources;
    s->saved = s->y_before + sources;
    s->gap = s->saved + (SAG_SUBSTEP_DEPTH + 1) * 2 * depth_room;
    s->extreme = s->gap + 2 * opamps;
    s->s_first = s->s + size * size;
    s->s_saved = s->s_first + size * size;
    s->e = s->s_saved + (1 + SAG_SUBSTEP_DEPTH) * size * size;
    s->es = s->e + sources * size;
    s->row = s->es + sources * size;
    s->column = s->row + size + sources;
    period->monodromy = period->end + LANE_WIDTH * size;
    period->output = period->monodromy + LANE_WIDTH * size * size;
    period->opamp_out = period->output + LANE_WIDTH * SAG_MOST_STEPS;
    period->use = period->opamp_out + LANE_WIDTH * SAG_MOST_STEPS * opamps;
    period->clamp = period->use + LANE_WIDTH * SAG_USE_COUNT * opamp_rows;
    period->drive = period->clamp + LANE_WIDTH;
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
        s->history[s->states + k] = from[s->states + k] + s->rest_unknown[k];
    }
    lane_mask open = stage_solve_surely(work, map, s->history, u, s->y, active, 0);
    for (size_t i = 0; i < s->states; i++) {
        to[i] = map->m[i * map->columns + s->states] * u;
    }
    lane_add_product(map->m, map->columns, s->states, s->states, from, to);
    lane_add_product(map->m + s->states + 1, map->columns, s->states, work->sources, work->source,
                     to);
    for (size_t k = 0; k < work->opamps; k++) {
        to[s->states + k] = s->y[k] - s->rest_unknown[k];
    }
    return open;
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
    if (s->with_monodromy) {
        run_sensitivity(s, map, s->s, s->s_first);
        second_history(s->s_first, s->s, s->s_first, size * size);
    }
    second_history(s->gain_history, s->z, s->first, size);
    extrapolate(s, (1 - GAMMA) / GAMMA);
    open |=
        run_stage(s, map, s->gain_history, s->level * sin(2 * M_PI * (phase + step)), s->z, active);
    if (s->with_monodromy) {
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

/* A step; lanes that fail are taken back and run again as two half steps, and so on. */
static lane_mask run_step_surely(stepper *s, int depth, double phase, double step, lane_mask active)
{
    size_t size = s->size, sources = s->work.sources, room = size + 2 * sources;
    lane *before = s->saved + (size_t)depth * 2 * room, *after = before + room;
    lane *s_before = s->s_saved + (size_t)depth * size * size;
    const sag_map *map = depth == 0 ? s->map : &s->finer[depth - 1];
    memcpy(before, s->z, size * sizeof *before);
    memcpy(before + size, s->y, 2 * sources * sizeof *before);
    if (s->with_monodromy) {
        memcpy(s_before, s->s, size * size * sizeof *s_before);
    }
    lane_mask open = run_step(s, map, phase, step, active);
    if (!lane_any(open) || depth == SAG_SUBSTEP_DEPTH) {
        return open;
    }
    sag_map *finer = &s->finer[depth];
    double a = 2 * map->a;
    if (finer->a != a && s->refine(s->refine_context, a, finer) != SAG_OK) {
        return open;
    }
    memcpy(after, s->z, size * sizeof *after);
    memcpy(after + size, s->y, 2 * sources * sizeof *after);
    memcpy(s->z, before, size * sizeof *before);
    for (size_t i = 0; i < 2 * sources;
         i++) { /* no history to go on from: the step before was longer */
        s->y[i] = before[size + i % sources];
    }
    if (s->with_monodromy) { /* exchanged: s_before then keeps the finished lanes' */
        for (size_t i = 0; i < size * size; i++) {
            lane held = s->s[i];
            s->s[i] = s_before[i];
            s_before[i] = held;
        }
    }
    lane_mask failed = run_step_surely(s, depth + 1, phase, step / 2, open);
    failed |= run_step_surely(s, depth + 1, phase + step / 2, step / 2, open);
    keep_lanes(s->z, after, size, ~open);
    keep_lanes(s->y, after + size, 2 * sources, ~open);
    if (s->with_monodromy) {
        keep_lanes(s->s, s_before, size * size, ~open);
    }
    return failed;
}

/* Notes what the step just taken came to: waveforms, and how near each op-amp is to its limits. */
static void take_note(stepper *s, size_t at)
{
    stage_work *work = &s->work;
    sag_period *period = s->period;
    lane *output = (lane *)period->output, *opamp_out = (lane *)period->opamp_out;
    lane *use = (lane *)period->use, *clamp = (lane *)period->clamp, *drive = (lane *)period->drive;
    output[at] = work->seen[work->observed - 1] - work->base_observed[work->observed - 1];
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
        lane *extreme = s->extreme + 2 * k, *gap = s->gap + 2 * k;
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
        lane slew = lane_select(LANE_LESS(x, zero), lane_of(p->slew_fall), lane_of(p->slew_rise));
        lane asked = lane_abs(p->wt * x / slew);
        *drive = lane_max(*drive, asked);
        *clamp = lane_max(*clamp, carried);
        /* While a clamp holds the output, the input is far out for that reason alone. */
        lane free_drive =
            lane_select(LANE_LESS(carried, lane_of(SAG_CLAMP_MET)), asked / SAG_SLEW_MET, zero);
        used[SAG_USE_SLEW] = lane_max(used[SAG_USE_SLEW], free_drive);
    }
}

static void stepper_run(void *object, const sag_map *map, sag_map *finer,
                        sag_status (*refine)(void *context, double a, sag_map *map),
                        void *refine_context, size_t steps, const double *level_vpk,
                        const unsigned char *active, const double *start, double tolerance_v,
                        int with_monodromy)
{
    stepper *s = object;
    sag_period *period = s->period;
    size_t size = s->size, opamps = s->work.opamps;
    s->map = map;
    s->finer = finer;
    s->refine = refine;
    s->refine_context = refine_context;
    s->with_monodromy = with_monodromy;
    s->work.tolerance_v = tolerance_v;
    for (int i = 0; i < LANE_WIDTH; i++) {
        lane_mask_put(&s->active, i, active[i]);
        lane_put(&s->level, i, active[i] ? level_vpk[i] : 0);
    }
    for (size_t i = 0; i < size; i++) {
        s->z[i] = lane_select(s->active, ((const lane *)start)[i], lane_of(0));
    }
    for (size_t i = 0; i < s->work.sources; i++) {
        s->y[i] = lane_of(s->rest_unknown[i]);
        if (i < opamps) {
            s->y[i] += s->z[s->states + i];
        }
        s->y_before[i] = s->y[i];
    }
    for (size_t i = 0; i < size * size; i++) {
        s->s[i] = lane_of(i / size == i % size);
    }
    for (size_t k = 0; k < 2 * opamps; k++) {
        s->gap[k] = lane_of(-1e9);
        s->extreme[k] = lane_of(0);
    }
    memset(period->use, 0, opamps * SAG_USE_COUNT * sizeof(lane));
    *(lane *)period->clamp = lane_of(0);
    *(lane *)period->drive = lane_of(0);
    s->failed = ~(LANE_LESS(lane_of(0), lane_of(1)));
    for (size_t n = 0; n < steps; n++) {
        double step = 1.0 / (double)steps;
        s->failed |= run_step_surely(s, 0, (double)n * step, step, s->active & ~s->failed);
        take_note(s, n);
    }
    memcpy(period->end, s->z, size * sizeof(lane));
    if (with_monodromy) {
        memcpy(period->monodromy, s->s, size * size * sizeof(lane));
    }
    for (size_t k = 0; k < opamps; k++) {
        lane *used = (lane *)period->use + k * SAG_USE_COUNT;
        for (int side = 0; side < 2; side++) {
            lane reach = s->extreme[2 * k + (size_t)side], gap = s->gap[2 * k + (size_t)side];
            lane limit = reach - gap; /* deviation at which the rail would be met */
            lane share = reach / lane_max(limit, lane_of(1e-6));
            used[side] = lane_select(LANE_LESS(lane_of(0), reach), share, lane_of(0));
        }
    }
    for (int i = 0; i < LANE_WIDTH; i++) {
        period->failed[i] = (unsigned char)lane_mask_get(s->failed, i);
    }
}

const sag_stepper_kind STEPPER_KIND = {
    .lanes = LANE_WIDTH, .make = stepper_make, .free = stepper_free, .run = stepper_run};
