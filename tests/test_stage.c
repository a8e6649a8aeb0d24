/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stage: the Jacobian of the stage equations against central differences, in every state an op-amp
 * can be in; stages against the linearised network and against closed forms. */
#include "circuit.h"
#include "near.h"

#include "bias_private.h"
#include "small_signal.h"

#define LANE_WIDTH 1
#include "stage_lanes.h"

#include <gsl/gsl_errno.h>
#include <string.h>

/* A network moved by implicit Euler steps, whose stages are those of the stepper. */
typedef struct {
    circuit c;
    sag_map map;
    sag_map_maker *maker;
    stage_work work;
    double *history, *next, *y, *rows, *row_above, *row_below, *jacobian;
    double level_v; /* of the source now */
} mover;

static void mover_open(mover *m, sag_design *design, double supply_v, double step_s)
{
    memset(m, 0, sizeof *m);
    sag_conditions conditions = circuit_at(supply_v);
    m->c = circuit_open_design(design, &conditions);
    const sag_bias *bias = m->c.bias;
    size_t states = m->c.network->state_count + m->c.network->opamp_count,
           n = m->c.network->source_count;
    assert_int_equal(sag_map_new(m->c.network, &m->map), SAG_OK);
    assert_int_equal(sag_map_maker_new(&bias->devices, &m->maker), SAG_OK);
    assert_int_equal(sag_map_fill(m->maker, 1 / step_s, &m->map), SAG_OK);
    assert_int_equal(stage_work_make(&m->work, &bias->devices), SAG_OK);
    m->work.base_observed = bias->observed;
    m->work.base_source = bias->unknown;
    m->work.tolerance_v = 1e-10;
    m->history = sag_new(2 * states + 4 * n + n * n, sizeof *m->history);
    assert_non_null(m->history);
    m->next = m->history + states;
    m->y = m->next + states;
    m->rows = m->y + n;
    m->row_above = m->rows + n;
    m->row_below = m->row_above + n;
    m->jacobian = m->row_below + n;
    memcpy(m->y, bias->unknown, n * sizeof *m->y);
    for (size_t k = 0; k < m->c.network->opamp_count; k++) {
        m->history[m->c.network->state_count + k] = bias->unknown[k];
    }
}

static void mover_close(mover *m)
{
    sag_map_clear(&m->map);
    sag_map_maker_free(m->maker);
    stage_work_clear(&m->work);
    sag_free(m->history);
    circuit_close(&m->c);
}

/* One step with the source at level_v; returns 1 when the stage was solved. */
static int mover_step(mover *m, double level_v)
{
    size_t states = m->work.states;
    m->level_v = level_v;
    lane_mask open = stage_solve_surely(&m->work, &m->map, m->history, level_v, m->y, -1, 0);
    stage_see(&m->work, &m->map, m->y);
    for (size_t i = 0; i < states; i++) {
        const double *row = m->map.m + i * m->map.columns;
        double sum = row[states] * level_v;
        for (size_t j = 0; j < states; j++) {
            sum += row[j] * m->history[j];
        }
        for (size_t j = 0; j < m->work.sources; j++) {
            sum += row[states + 1 + j] * m->work.source[j];
        }
        m->next[i] = sum;
    }
    return !lane_any(open);
}

static void mover_keep(mover *m)
{
    memcpy(m->history, m->next, m->work.states * sizeof *m->history);
    for (size_t k = 0; k < m->work.opamps; k++) {
        m->history[m->work.states + k] = stage_gain_node(&m->work, k, m->y[k]);
    }
}

/* The equation of an op-amp's gain node as device_lanes.h states it, in volts: what stage_opamp
 * linearises. */
static double gain_row(const mover *m, size_t k, const double *y)
{
    const stage_work *work = &m->work;
    const sag_stage_opamp *p = &work->devices->opamps[k];
    size_t row = k * SAG_OBSERVED_PER_OPAMP, rail = sag_network_rail_row(m->c.network, p->rail);
    double x = work->seen[row + SAG_OBSERVED_DRIVE], vo = work->seen[row + SAG_OBSERVED_OUT];
    double vp = work->seen[rail], vn = work->seen[rail + 1], io = (y[k] - vo) * p->siemens;
    stage_input in = stage_input_at(work, k, x, vp, vn);
    double vg = stage_gain_node(work, k, y[k]);
    double by[2], slope, slew = in.drive < 0 ? p->slew_fall : p->slew_rise, a = m->map.a;
    double rate = in.gain * slew * tanh(p->wt * in.drive / slew) - (vg - 0.5 * (vp + vn)) * p->leak;
    double high = vp - sag_drop_line_at(&p->high, io, vp - vn, by, by + 1);
    double low = vn + sag_drop_line_at(&p->low, -io, vp - vn, by, by + 1);
    rate -= p->slew_rise / p->knee_high_v *
            lane_ramp(vo - high + p->knee_high_v, p->knee_high_v, &slope);
    rate +=
        p->slew_fall / p->knee_low_v * lane_ramp(low - vo + p->knee_low_v, p->knee_low_v, &slope);
    rate -= p->slew_rise / p->knee_source_a *
            lane_ramp(io - p->short_source_a + p->knee_source_a, p->knee_source_a, &slope);
    rate += p->slew_fall / p->knee_sink_a *
            lane_ramp(-io - p->short_sink_a + p->knee_sink_a, p->knee_sink_a, &slope);
    return (a * (vg - m->history[work->states + k]) - rate) / a;
}

/* The equations at y, into rows; leaves the library's slopes in work. */
static void find_rows(mover *m, const double *y, double *rows)
{
    stage_work *work = &m->work;
    stage_see(work, &m->map, y);
    for (size_t k = 0; k < work->opamps; k++) {
        stage_opamp(work, m->map.a, 1 / m->map.a, k, y, m->history[work->states + k], 0);
    }
    for (size_t r = 0; r < work->rails; r++) {
        stage_rail(work, r, y);
    }
    for (size_t d = 0; d < work->diodes; d++) {
        stage_diode(work, d, y);
    }
    memcpy(rows, work->residual, work->sources * sizeof *rows);
    for (size_t k = 0; k < work->opamps; k++) {
        rows[k] = gain_row(m, k, y);
    }
}

/* What an op-amp or diode does at the solution just found. */
enum {
    LINEAR,
    SLEWS,
    AT_HIGH,
    AT_LOW,
    SOURCES_MOST,
    SINKS_MOST,
    CONDUCTS,
    BLOCKS,
    FADES, /* on the edge of its input range */
    REVERSES,
    REGIMES
};

static void count_regimes(const mover *m, int seen[REGIMES])
{
    const stage_work *work = &m->work;
    for (size_t k = 0; k < work->opamps; k++) {
        const sag_stage_opamp *p = &work->devices->opamps[k];
        size_t row = k * SAG_OBSERVED_PER_OPAMP, rail = sag_network_rail_row(m->c.network, p->rail);
        double x = work->seen[row + SAG_OBSERVED_DRIVE], vo = work->seen[row + SAG_OBSERVED_OUT],
               by[2];
        double vp = work->seen[rail], vn = work->seen[rail + 1], io = (m->y[k] - vo) * p->siemens;
        const sag_network_opamp_data *data = &m->c.network->opamps[k];
        double high = vp - sag_drop_at(&data->high, io, vp - vn, by, by + 1) - vo;
        double low = vo - vn - sag_drop_at(&data->low, -io, vp - vn, by, by + 1);
        double slew = fmin(p->slew_rise, p->slew_fall);
        int at_high = high < p->knee_high_v, at_low = low < p->knee_low_v;
        seen[AT_HIGH] += at_high;
        seen[AT_LOW] += at_low;
        seen[SOURCES_MOST] += io > 0.99 * p->short_source_a;
        seen[SINKS_MOST] += -io > 0.99 * p->short_sink_a;
        seen[SLEWS] += fabs(p->wt * x / slew) > 1.5 && !at_high && !at_low;
        seen[LINEAR] += fabs(p->wt * x / slew) < 0.1;
        stage_input in = stage_input_at(work, k, x, vp, vn);
        seen[FADES] += in.gain > 1e-6 && in.gain < 0.9 && in.by_x > 0.9;
        seen[REVERSES] += in.by_x < 0.1;
    }
    for (size_t d = 0; d < work->diodes; d++) {
        double v = work->seen[sag_network_diode_row(m->c.network, d)];
        seen[CONDUCTS] += v > 0.3;
        seen[BLOCKS] += v < 0;
    }
}

/* Each entry of the Jacobian at the solution against the central difference of the residual. */
static void check_jacobian(mover *m, const char *what)
{
    stage_work *work = &m->work;
    size_t n = work->sources;
    find_rows(m, m->y, m->rows);
    stage_jacobian_size(work, &m->map, n);
    memcpy(m->jacobian, work->jacobian, n * n * sizeof *m->jacobian);
    for (size_t j = 0; j < n; j++) {
        double kept = m->y[j], step = j < work->opamps ? 2e-8 : 2e-10; /* V, A */
        m->y[j] = kept + step;
        find_rows(m, m->y, m->row_above);
        m->y[j] = kept - step;
        find_rows(m, m->y, m->row_below);
        m->y[j] = kept;
        for (size_t i = 0; i < n; i++) {
            double difference = (m->row_above[i] - m->row_below[i]) / (2 * step);
            double size = 0;
            for (size_t k = 0; k < n; k++) {
                size = fmax(size, fabs(m->jacobian[i * n + k]) * (k < work->opamps ? 1 : 0.01));
            }
            size = j < work->opamps
                       ? size
                       : 100 * size; /* rows in V or A, columns in V or A: 100 ohm between them */
            double error = fabs(m->jacobian[i * n + j] - difference);
            double rounding = 4e-15 * (fabs(m->row_above[i]) + 10) /
                              step; /* the residual's terms are of some volts */
            if (!(error <= 1e-4 * fabs(difference) + 1e-5 * size + rounding)) {
                print_error(
                    "%s, source at %g V: d row %zu / d unknown %zu is %.9g, by difference %.9g\n",
                    what, m->level_v, i, j, m->jacobian[i * n + j], difference);
                fail();
            }
        }
    }
}

#define BATTERY                                                                                    \
    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}"
#define MIDDLE                                                                                     \
    "'R92': {'resistor': '47k', 'between': ['bat', 'mid']}, "                                      \
    "'R93': {'resistor': '47k', 'between': ['mid', 'ground']}, "                                   \
    "'C91': {'capacitor': '1u', 'between': ['in', 'p']}, 'R94': {'resistor': '100k', 'between': "  \
    "['p', 'mid']}, "

static const struct {
    const char *what, *text; /* NULL: Heron */
    double step_s, level_v, period_s;
    int must_see; /* bits of the regimes the case is there for */
} moves[] = {
    {"Heron", NULL, 2e-6, 3, 1e-3, 1 << LINEAR | 1 << AT_HIGH | 1 << AT_LOW},
    {"slow follower",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " BATTERY,
             MIDDLE "'U1A': {'opamp': 'lazy', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                    "['bat', 'ground']}"),
     1e-6, 3, 5e-5, 1 << SLEWS},
    {"weak follower",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, " BATTERY,
             MIDDLE "'C1': {'capacitor': '100u', 'between': ['out', 'x']}, 'R1': {'resistor': "
                    "'470R', 'between': ['x', 'ground']}, "
                    "'U1A': {'opamp': 'weak', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                    "['bat', 'ground']}"),
     5e-6, 3, 1e-3, 1 << LINEAR | 1 << SOURCES_MOST | 1 << SINKS_MOST},
    {"clipper",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, " BATTERY,
             MIDDLE "'R1': {'resistor': '1k', 'between': ['p', 'm']}, 'R2': {'resistor': '100k', "
                    "'between': ['m', 'out']}, "
                    "'D1': {'diode': '1n4148', 'anode': 'm', 'cathode': 'out'}, "
                    "'D2': {'diode': '1n4148', 'anode': 'out', 'cathode': 'm'}, "
                    "'U1A': {'opamp': 'ne5532', 'plus': 'mid', 'minus': 'm', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"),
     5e-6, 2, 1e-3, 1 << LINEAR | 1 << CONDUCTS | 1 << BLOCKS},
    {"class-B part into a load",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1k'}, " BATTERY,
             MIDDLE "'C1': {'capacitor': '10u', 'between': ['x', 'out']}, "
                    "'U1A': {'opamp': 'lm358', 'plus': 'p', 'minus': 'x', 'out': 'x', 'rails': "
                    "['bat', 'ground']}"),
     5e-6, 6, 1e-3, 1 << LINEAR | 1 << AT_HIGH | 1 << AT_LOW},
    {"follower past both ends of its input range",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " BATTERY,
             MIDDLE "'U1A': {'opamp': 'opa2134', 'plus': 'p', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"),
     2e-6, 4, 1e-3, 1 << LINEAR | 1 << FADES},
    {"follower that reverses",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " BATTERY,
             MIDDLE "'U1A': {'opamp': 'tl062', 'plus': 'p', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"),
     2e-6, 5, 1e-3, 1 << LINEAR | 1 << FADES | 1 << REVERSES},
    {"follower that reverses at its upper end",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " BATTERY,
             MIDDLE "'U1A': {'opamp': 'upside', 'plus': 'p', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"),
     2e-6, 5, 1e-3, 1 << LINEAR | 1 << FADES | 1 << REVERSES},
    {"inverting stage that reverses",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " BATTERY,
             MIDDLE "'R1': {'resistor': '10k', 'between': ['p', 'm']}, 'R2': {'resistor': '10k', "
                    "'between': ['m', 'out']}, "
                    "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'm', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"),
     2e-6, 14, 1e-3, 1 << LINEAR | 1 << AT_HIGH | 1 << AT_LOW | 1 << REVERSES},
};

static void jacobians_are_derivatives(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof moves / sizeof *moves; i++) {
        mover m;
        int seen[REGIMES] = {0}, unsolved = 0;
        sag_design *design =
            moves[i].text ? circuit_read(moves[i].text) : circuit_load(CIRCUIT_HERON);
        mover_open(&m, design, 9, moves[i].step_s);
        for (int n = 1; n * moves[i].step_s <= 1.5 * moves[i].period_s; n++) {
            double phase = n * moves[i].step_s / moves[i].period_s;
            unsolved += !mover_step(&m, moves[i].level_v * sin(2 * M_PI * phase));
            count_regimes(&m, seen);
            check_jacobian(&m, moves[i].what);
            mover_keep(&m);
        }
        assert_int_equal(unsolved, 0);
        for (int k = 0; k < REGIMES; k++) {
            if (moves[i].must_see >> k & 1 && seen[k] < 3) {
                print_error("%s: too few instants of kind %d\n", moves[i].what, k);
                fail();
            }
        }
        mover_close(&m);
    }
}

/* Sensitive to the last digit: a solved stage obeys the residual equations themselves, to the
 * tolerance asked for. */
static void solved_stages_have_no_residual(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof moves / sizeof *moves; i++) {
        mover m;
        sag_design *design =
            moves[i].text ? circuit_read(moves[i].text) : circuit_load(CIRCUIT_HERON);
        mover_open(&m, design, 9, moves[i].step_s);
        size_t n = m.work.sources;
        for (int step = 1; step * moves[i].step_s <= 1.5 * moves[i].period_s; step++) {
            double phase = step * moves[i].step_s / moves[i].period_s;
            assert_true(mover_step(&m, moves[i].level_v * sin(2 * M_PI * phase)));
            find_rows(&m, m.y, m.rows);
            /* One more Newton step moves nothing by more than 0.1 uV (currents at 10 ohm): the
             * tolerance, and what the estimate of the error left may be wrong by. */
            assert_false(stage_update(&m.work, &m.map));
            for (size_t k = 0; k < n; k++) {
                near_abs(m.work.update[k] * (k < m.work.opamps ? 1 : 10), 0, 1e-7,
                         "what another iteration would do");
            }
            mover_keep(&m);
        }
        mover_close(&m);
    }
}

/* A millivolt's step response, stage by stage, is that of the linearised network. */
static void small_steps_are_those_of_the_linear_network(void **state)
{
    (void)state;
    mover m;
    double step_s = 5e-6;
    mover_open(&m, circuit_load(CIRCUIT_HERON), 9, step_s);
    sag_small_signal linear;
    assert_int_equal(sag_small_signal_make(&linear, m.c.bias), SAG_OK);
    size_t size = linear.size, states = linear.states;
    double *space = sag_new(size * size + size + states * states + 4 * states + 2, sizeof *space);
    double *x = space + size * size, *b = x + size, *g = b + states * states, *output = g + states;
    double *z = output + states + 1, *next = z + states;
    sag_lu *lu;
    assert_non_null(space);
    assert_int_equal(sag_lu_new(size, &lu), SAG_OK);
    assert_int_equal(sag_small_signal_stage(&linear, 1 / step_s, lu, space, x, b, g, output),
                     SAG_OK);
    double u = 1e-6, largest = 0;
    for (int n = 0; n < 100; n++) {
        assert_true(mover_step(&m, u));
        double out = output[states] * u,
               seen = m.work.seen[sag_network_output_row(m.c.network)] -
                      m.c.bias->observed[sag_network_output_row(m.c.network)];
        for (size_t i = 0; i < states; i++) {
            next[i] = g[i] * u;
            out += output[i] * z[i];
            for (size_t j = 0; j < states; j++) {
                next[i] += b[i * states + j] * z[j];
            }
        }
        memcpy(z, next, states * sizeof *z);
        largest = fmax(largest, fabs(out));
        near_abs(seen, out, 1e-10 + 1e-5 * largest, "the linearised network");
        mover_keep(&m);
    }
    assert_true(largest > 1e-6);
    sag_lu_free(lu);
    sag_free(space);
    sag_small_signal_clear(&linear);
    mover_close(&m);
}

/* A follower told to jump slews at the rate of its model, up and down; and settles at its input. */
static void slewing_goes_at_the_slew_rate(void **state)
{
    (void)state;
    mover m;
    double step_s = 1e-7;
    mover_open(
        &m,
        circuit_read(CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
                             "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "
                             "'nominal': '18V'}",
                             "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "
                             "'U1A': {'opamp': 'lazy', 'plus': 'in', 'minus': 'out', 'out': 'out', "
                             "'rails': ['up', 'down']}")),
        18, step_s);
    for (int down = 0; down < 2; down++) {
        double to = down ? -4 : 4, before = down ? 4 * 10e3 / 10050 : 0;
        double rate = down ? 0.1e6 : 0.2e6;
        int checked = 0, steps = (int)((down ? 8.5 : 4.5) / rate / step_s) + 300;
        for (int n = 0; n < steps; n++) {
            assert_true(mover_step(&m, to));
            /* NOLINTNEXTLINE(clang-analyzer-core.NullDereference): an assert ends the test */
            double out = m.work.seen[SAG_OBSERVED_OUT], moved = (out - before) / step_s;
            if (fabs(to - out) > 1 && n > 2) {
                /* The DC gain of 1e5 adds wt/A0 = 63/s times the output. */
                near_abs(fabs(moved), rate, 63 * 4 + 1e-4 * rate, "slew_rate of the model");
                checked++;
            }
            before = out;
            mover_keep(&m);
        }
        assert_true(checked > 100);
        near_abs(before, to * 10e3 / 10050, 1e-3, "the input");
    }
    mover_close(&m);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(jacobians_are_derivatives),
        cmocka_unit_test(solved_stages_have_no_residual),
        cmocka_unit_test(small_steps_are_those_of_the_linear_network),
        cmocka_unit_test(slewing_goes_at_the_slew_rate),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
