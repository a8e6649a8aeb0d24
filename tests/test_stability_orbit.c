/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stability of orbits: the network frozen at instants of it against differences of the residual;
 * what grows there against the roots of polynomials and time stepping. */
#include "natural.h"
#include "orbits.h"
#include "stepping.h"

#include "headroom.h"
#include "stability_private.h"
#include "steady_private.h"

#define LANE_WIDTH 1
#include "stage_lanes.h"

#include <gsl/gsl_errno.h>

#define SUPPLY "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}"

/* ---- frozen on an orbit ---- */

/* One point, solved without its orbit being judged; the orbit's instants stay in the workspace. */
static sag_steady *orbit_of(const circuit *c, double frequency_hz, double level_vpk,
                            sag_steady_point *point)
{
    sag_steady_settings settings = sag_steady_defaults();
    settings.one_lane = settings.unjudged = 1;
    sag_steady *steady;
    assert_int_equal(sag_steady_new(c->bias, &settings, &steady), SAG_OK);
    *point = point_at(steady, frequency_hz, level_vpk, NULL);
    assert_int_equal(point->status, SAG_OK);
    return steady;
}

static const double *instant_unknown(const sag_steady *steady, size_t instant)
{
    return steady->period.frozen_unknown + instant * steady->bias->network->source_count;
}

static const double *instant_observed(const sag_steady *steady, size_t instant)
{
    return steady->period.frozen_observed + instant * steady->bias->network->row_count;
}

/* The rate that gain nodes change at for a volt: large enough to show in the residual. */
static const double rate_per_s = 1e6;

/* The residuals of all nonlinear parts there. */
static void find_residuals(stage_work *work, const double *unknown, const double *observed,
                           double *residual)
{
    memcpy(work->seen, observed, work->rows * sizeof *observed);
    for (size_t k = 0; k < work->opamps; k++) {
        stage_opamp(work, rate_per_s, 1 / work->devices->opamps[k].wt, k, unknown, 0, 0);
    }
    for (size_t r = 0; r < work->rails; r++) {
        stage_rail(work, r, unknown);
    }
    for (size_t d = 0; d < work->diodes; d++) {
        work->last[d].volts = (double)INFINITY;
        stage_diode(work, d, unknown);
    }
    memcpy(residual, work->residual, work->sources * sizeof *residual);
}

enum { MOST = 12 }; /* Newton unknowns of the circuits here */

/* Central difference of the residuals as one unknown of the linearised network moves. */
static void differentiate(stage_work *work, const sag_network *network, const double *unknown,
                          const double *observed, size_t column, double step,
                          double difference[MOST])
{
    double y[MOST] = {0}, seen[4 * MOST] = {0}, above[MOST] = {0}, below[MOST] = {0};
    for (int side = 0; side < 2; side++) {
        double move = side ? -step : step;
        memcpy(y, unknown, work->sources * sizeof *y);
        memcpy(seen, observed, work->rows * sizeof *seen);
        if (column >= network->n) {
            y[column - network->n] += move;
        }
        for (size_t q = 0; column < network->n && q < work->rows; q++) {
            const sag_sparse *of = &network->observed[q];
            for (int i = 0; i < of->count; i++) {
                seen[q] += of->at[i] == (int)column ? of->by[i] * move : 0;
            }
        }
        find_residuals(work, y, seen, side ? below : above);
    }
    for (size_t i = 0; i < work->sources; i++) {
        difference[i] = (above[i] - below[i]) / (2 * step);
    }
}

/* What the rate of op-amp i's gain node adds to its row; 0 for other rows. */
static double moving(const sag_small_signal *linear, size_t i, size_t column)
{
    const sag_network *network = linear->bias->network;
    double sum = 0;
    const sag_sparse *of = &linear->state[network->state_count + i].of;
    for (int q = 0; i < network->opamp_count && q < of->count; q++) {
        sum += of->at[q] == (int)column ? rate_per_s * of->by[q] : 0;
    }
    return sum;
}

/* What an instant is like: tanh has lost nine tenths of its slope; a clamp pulls harder than the input;
 * the sides of a class-B output change over; an input pin takes gain away; a diode conducts. */
enum { SLEWS, CLIPS, CROSSES, BENDS, CONDUCTS, REGIMES };

static const struct {
    const char *what, *text; /* NULL: Heron */
    double frequency_hz, level_vpk;
    int must_see; /* bits of the regimes the case is there for */
} orbits[] = {
    {"Heron, clipped", NULL, 100, 1.5, 1 << CLIPS},
    {"slow follower",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
             "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
             "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
             "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
             "'U1A': {'opamp': 'lazy', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
             "['bat', 'ground']}"),
     20e3, 3, 1 << SLEWS},
    {"clipper with diodes",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, " SUPPLY,
             "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
             "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
             "'R1': {'resistor': '1k', 'between': ['p', 'm']}, "
             "'R2': {'resistor': '100k', 'between': ['m', 'out']}, "
             "'D1': {'diode': '1n4148', 'anode': 'm', 'cathode': 'out'}, "
             "'D2': {'diode': '1n4148', 'anode': 'out', 'cathode': 'm'}, "
             "'U1A': {'opamp': 'weak', 'plus': 'mid', 'minus': 'm', 'out': 'out', 'rails': "
             "['bat', 'ground']}"),
     1e3, 1, 1 << CONDUCTS},
    {"class-B part into a load",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1k'}, " SUPPLY,
             "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
             "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
             "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
             "'C2': {'capacitor': '10u', 'between': ['x', 'out']}, "
             "'U1A': {'opamp': 'lm358', 'plus': 'p', 'minus': 'x', 'out': 'x', 'rails': ['bat', "
             "'ground']}"),
     1e3, 1, 1 << CROSSES},
    {"input that leaves its range",
     CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, " SUPPLY,
             "'V1': {'voltage': '3V', 'positive': 'mid', 'negative': 'ground'}, "
             "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, "
             "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "
             "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
             "['bat', 'ground']}"),
     1e3, 2.7, 1 << BENDS},
};

static circuit open_orbit(size_t i)
{
    sag_conditions conditions = circuit_at(10);
    sag_design *design =
        orbits[i].text ? circuit_read(orbits[i].text) : circuit_load(CIRCUIT_HERON);
    return circuit_open_design(design, &conditions);
}

static void count_regimes(const sag_small_signal *linear, int seen[REGIMES])
{
    const sag_network *network = linear->bias->network;
    for (size_t k = 0; k < network->opamp_count; k++) {
        const double *row = linear->a + (linear->n + k) * linear->size;
        double wt = linear->bias->devices.opamps[k].wt;
        const sag_part *part = network->opamps[k].part;
        int plus = sag_network_unknown(part->node[SAG_PIN_PLUS]);
        int out = sag_network_unknown(part->node[SAG_PIN_OUT]);
        seen[SLEWS] += fabs(row[network->opamps[k].filter]) < 0.1 * wt;
        seen[CLIPS] += fabs(row[out]) > wt;
        seen[CROSSES] += linear->state[network->state_count + k].of.by[0] > 2;
        seen[BENDS] += fabs(row[plus]) > 1e-4 * wt;
    }
    for (size_t d = 0; d < network->diode_count; d++) {
        size_t i = linear->size - network->diode_count + d;
        double slope = 0;
        for (size_t k = 0; k < linear->n; k++) {
            slope = fmax(slope, fabs(linear->a[i * linear->size + k]));
        }
        seen[CONDUCTS] += slope > 1e-4;
    }
}

/* The slope of tanh is taken where x is, at an instant at which vg may be slewing. */
static void frozen_slopes_are_derivatives(void **state)
{
    (void)state;
    for (size_t o = 0; o < sizeof orbits / sizeof *orbits; o++) {
        circuit c = open_orbit(o);
        sag_steady_point point;
        sag_steady *steady = orbit_of(&c, orbits[o].frequency_hz, orbits[o].level_vpk, &point);
        sag_small_signal linear;
        stage_work work;
        assert_int_equal(sag_small_signal_make(&linear, c.bias), SAG_OK);
        if (stage_work_make(&work, &c.bias->devices) != SAG_OK) {
            fail();
            return;
        }
        work.frozen = 1;
        for (size_t k = 0; k < work.opamps; k++) {
            work.hot[k] = work.watched[k];
        }
        assert_true(work.sources <= MOST && work.rows <= 4 * MOST);
        int seen[REGIMES] = {0};
        for (size_t instant = 0; instant < SAG_FROZEN; instant++) {
            const double *unknown = instant_unknown(steady, instant);
            const double *observed = instant_observed(steady, instant);
            sag_small_signal_move(&linear, unknown, observed);
            for (size_t column = 0; column < linear.size; column++) {
                double difference[MOST];
                int is_current = column >= linear.n + work.opamps;
                /* A, V: a class-B output changes over within a microampere or so. */
                double step = is_current ? 1e-9 : 3e-9;
                differentiate(&work, c.network, unknown, observed, column, step, difference);
                for (size_t i = 0; i < work.sources; i++) {
                    const double *row = linear.a + (linear.n + i) * linear.size;
                    double wt = i < work.opamps ? work.devices->opamps[i].wt : 1, size = 0;
                    for (size_t k = 0; k < linear.size; k++) {
                        size = fmax(size, fabs(row[k]));
                    }
                    double slope = row[column] + moving(&linear, i, column);
                    /* Residuals of up to 10 V, in double precision. */
                    near_abs(slope / wt, difference[i],
                             1e-5 * fabs(difference[i]) + 1e-6 * size / wt + 4e-15 / step,
                             "central difference of the residual");
                }
            }
            count_regimes(&linear, seen);
        }
        for (int k = 0; k < REGIMES; k++) {
            assert_true(seen[k] > 0 || !(orbits[o].must_see >> k & 1));
        }
        stage_work_clear(&work);
        sag_small_signal_clear(&linear);
        sag_steady_free(steady);
        circuit_close(&c);
    }
}

/* ---- bursts ---- */

/* No multiplier of a period map is larger than this: |map^16|^(1/16), Frobenius' norm. */
static double multiplier_bound(const double *map, size_t n)
{
    double *power = sag_new(2 * n * n, sizeof *power), *next = power + n * n, square = 0;
    assert_non_null(power);
    memcpy(power, map, n * n * sizeof *power);
    for (int doubling = 0; doubling < 4; doubling++) {
        for (size_t i = 0; i < n * n; i++) {
            next[i] = 0;
            for (size_t k = 0; k < n; k++) {
                next[i] += power[i / n * n + k] * power[k * n + i % n];
            }
        }
        memcpy(power, next, n * n * sizeof *power);
    }
    for (size_t i = 0; i < n * n; i++) {
        square += power[i] * power[i];
    }
    sag_free(power);
    return pow(square, 1.0 / 32);
}

/* No multiplier of an orbit is larger, as the integrator sees them at 256 steps. */
static double multiplier_of(const circuit *c, const sag_steady *steady, double frequency_hz,
                            double level_vpk)
{
    stepping s;
    unsigned char active = 1;
    double tolerance_v = 1e-10;
    stepping_open(&s, c, 1 / (frequency_hz * 256));
    sag_run how = stepping_how(&s, 256);
    how.level_vpk = &level_vpk;
    how.tolerance_v = &tolerance_v;
    how.active = &active;
    how.start = steady->period.end;
    how.with_monodromy = 1;
    sag_stepper_1.run(s.stepper, &how);
    assert_false(s.period.failed[0]);
    double largest = multiplier_bound(s.period.monodromy, s.states);
    stepping_close(&s);
    return largest;
}

static sag_steady *steady_with(const circuit *c, const sag_gain_loss *losses)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady;
    settings.one_lane = 1;
    settings.losses = losses;
    assert_int_equal(sag_steady_new(c->bias, &settings, &steady), SAG_OK);
    return steady;
}

/* A sine that asks for half of the slew rate leaves such a loop three quarters of its gain; one
 * that asks for nearly all of it makes it oscillate for good, and there is no gain to tell. */
static void a_loop_that_lost_its_gain_is_no_result(void **state)
{
    (void)state;
    static const struct {
        double share; /* of the slew rate that the sine asks for */
        int may_burst, oscillates;
    } cases[] = {{0.01, 0, 0}, {0.5, 0, 0}, {0.7, 0, 0}, {0.85, 1, 0}, {1.1, 0, 1}, {2, 0, 1}};
    static const double frequency = 3200;
    circuit c = circuit_open(CONDITIONAL, NULL);
    sag_gain_loss *losses;
    assert_int_equal(sag_stability_losses(c.bias, &losses), SAG_OK);
    sag_steady *steady = steady_with(&c, losses);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double level = cases[i].share * 4e3 / (2 * M_PI * frequency);
        sag_steady_point point = point_at(steady, frequency, level, NULL);
        assert_int_equal(point.status, cases[i].oscillates ? SAG_OSCILLATES : SAG_OK);
        assert_int_equal(isnan(point.gain_db), cases[i].oscillates);
        assert_int_equal(point.burst.opamp >= 0, cases[i].may_burst || cases[i].oscillates);
        if (point.burst.opamp >= 0) {
            /* Pairs turn at these where the roots cross the axis: shares of 0.28 and 0.004. */
            assert_true(point.burst.frequency_hz > 130e3 && point.burst.frequency_hz < 740e3);
        }
    }
    sag_steady_free(steady);
    sag_free(losses);
    circuit_close(&c);
}

/* With the bias current of a bipolar part Heron's second stage rests at its limit: it has no gain to
 * lose there, and is at peace. */
static void a_stage_that_rests_at_its_limit_is_at_peace(void **state)
{
    (void)state;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    circuit_change(design, "U1A,U1B=lm833");
    sag_conditions conditions = circuit_at(18);
    circuit c = circuit_open_design(design, &conditions);
    sag_gain_loss *losses;
    assert_true(sag_bias_opamp_get(c.bias, 1).to_positive_v < 0.1);
    assert_int_equal(sag_stability_losses(c.bias, &losses), SAG_OK);
    near_abs(losses[1].share, 0, 0, "no gain to lose");
    sag_steady *steady = steady_with(&c, losses);
    sag_steady_point point = point_at(steady, 1000, 1, NULL);
    assert_int_equal(point.status, SAG_OK);
    assert_int_equal(point.burst.opamp, -1);
    sag_steady_free(steady);
    sag_free(losses);
    circuit_close(&c);
}

/* A follower that passes a signal and oscillates with its load. The period map converges, and its
 * multipliers are those of a circuit at peace, for the integrator damps what is quicker than its
 * steps. */
static void an_orbit_that_does_not_hold_is_no_result(void **state)
{
    (void)state;
    static const double level = 0.5, frequency = 1000, farad = 3e-9;
    sag_conditions conditions = circuit_at(18);
    conditions.load_ohm = 100e3;
    conditions.load_farad = farad;
    circuit c = circuit_open_design(
        circuit_read(
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
                    "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "
                    "'nominal': '18V'}",
                    "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "
                    "'U1A': {'opamp': 'ringing', 'plus': 'in', 'minus': 'out', 'out': 'out', "
                    "'rails': ['up', 'down']}")),
        &conditions);
    double complex root[3];
    size_t count = roots_of_the_follower(farad, root);
    double complex worst = find_rightmost(root, count);
    assert_true(creal(worst) > 0);
    sag_steady_point blind, seen;
    sag_steady *steady = orbit_of(&c, frequency, level, &blind);
    near_db(blind.gain_db, 20 * log10(10e3 / 10050), 0.01, "a follower, were it to hold");
    assert_true(multiplier_of(&c, steady, frequency, level) < 0.5);
    sag_steady_free(steady);
    steady = steady_with(&c, NULL);
    sag_opamp_swing swing;
    seen = point_at(steady, frequency, level, &swing);
    assert_int_equal(seen.status, SAG_OSCILLATES);
    assert_true(isnan(seen.gain_db) && isnan(seen.thd) && isnan(swing.peak_v));
    assert_int_equal(seen.burst.opamp, 0);
    near_rel(seen.burst.frequency_hz, fabs(cimag(worst)) / (2 * M_PI), 0.02, ROOTS);
    near_rel(seen.burst.growth_db, 20 / log(10) * creal(worst) / frequency, 0.02, ROOTS);
    sag_steady_free(steady);
    circuit_close(&c);
}

/* A follower that a diode joins to a capacitor while its output is above ground: stable without it,
 * not with it, so that each positive half-wave bursts. */
#define ON_CRESTS(farad)                                                                           \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "                 \
            "'supply': {'positive': 'up', 'negative': 'down', 'middle': 'ground', "                \
            "'nominal': '18V'}",                                                                   \
            "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "                             \
            "'D1': {'diode': '1n5817', 'anode': 'out', 'cathode': 'k'}, "                          \
            "'R2': {'resistor': '1k', 'between': ['k', 'ground']}, "                               \
            "'C1': {'capacitor': '" farad "', 'between': ['k', 'ground']}, "                       \
            "'U1A': {'opamp': 'shaky', 'plus': 'in', 'minus': 'out', 'out': 'out', 'rails': "      \
            "['up', 'down']}")

/* With rd the slope resistance of the diode, and Ro 300 ohm,
 *     (s + wt/A0)(1 + s/p2)[(1 + Ro/RL) K + Ro (1/R2 + s C)] + wt K = 0,  K = 1 + rd (1/R2 + s C)
 */
static double complex rightmost_on_crests(double rd, double farad)
{
    static const double r2 = 1e3, load = 100e3, ro = 300;
    double wt = 2 * M_PI * 3e6, margin = M_PI / 6, p2 = wt * sin(margin) * tan(margin);
    double leaky[2] = {wt / pow(10, 106 / 20.0), 1}, second[2] = {1, 1 / p2};
    double k[2] = {1 + rd / r2, rd * farad}, a[4], loaded[2];
    for (int i = 0; i < 2; i++) {
        loaded[i] = (1 + ro / load) * k[i] + ro * (i ? farad : 1 / r2);
    }
    multiply(a, leaky, 2, second, 2);
    multiply(a, a, 3, loaded, 2);
    for (int i = 0; i < 2; i++) {
        a[i] += wt * k[i];
    }
    double complex root[3];
    find_roots(a, 4, root);
    return find_rightmost(root, 3);
}

/* Slope resistance of the diode when the output is slow at a voltage: i(vo - vk) = vk / R2. */
static double slope_ohm(const circuit *c, double vo)
{
    const sag_diode_law *law = &c->network->diodes[0].law;
    double low = fmin(vo, 0) - 1e-3, high = fmax(vo, 0) + 1e-3, slope = 0; /* of vk */
    for (int i = 0; i < 60; i++) {
        double vk = 0.5 * (low + high);
        double over = sag_diode_current(law, vo - vk, &slope) - vk / 1e3;
        *(over > 0 ? &low : &high) = vk;
    }
    return 1 / slope;
}

static void a_stage_bursts_on_its_crests(void **state)
{
    (void)state;
    static const double frequency = 1000, farad = 1e-9;
    static const double levels[] = {0.05, 0.1, 0.3, 1, 4, 6};
    int bursts = 0, calms = 0;
    circuit c = circuit_open(ON_CRESTS("1n"), NULL);
    sag_stability stability = stability_of(&c);
    assert_false(stability.oscillates || stability.rings);
    sag_steady *steady = steady_with(&c, NULL);
    for (size_t i = 0; i < sizeof levels / sizeof *levels; i++) {
        sag_steady_point point = point_at(steady, frequency, levels[i], NULL);
        assert_int_equal(point.status, SAG_OK);
        near_db(point.gain_db, 20 * log10(10e3 / 10050), 0.01, "a follower");
        double growth = 0; /* over the part of the period in which it grows */
        for (int n = 0; n < 4096; n++) {
            double vo = levels[i] * sin(2 * M_PI * n / 4096);
            double complex root = rightmost_on_crests(slope_ohm(&c, vo), farad);
            growth += fmax(creal(root), 0) / (4096 * frequency);
        }
        assert_int_equal(point.burst.opamp, growth > 0 ? 0 : -1);
        bursts += growth > 0;
        calms += !(growth > 0);
        if (levels[i] >= 4) { /* lower ones hang on the instants looked at, and on what is near */
            double complex crest = rightmost_on_crests(slope_ohm(&c, levels[i]), farad);
            near_rel(point.burst.frequency_hz, fabs(cimag(crest)) / (2 * M_PI), 0.01, ROOTS);
            near_rel(point.burst.growth_db, 20 / log(10) * growth, 0.1,
                     ROOTS ", summed in 4096 steps instead of 16");
        }
    }
    assert_true(bursts > 1 && calms > 1);
    assert_true(multiplier_of(&c, steady, frequency, 4) < 0.5);
    sag_steady_free(steady);
    circuit_close(&c);
}

/* The same with less capacitance, so that a burst stays small, followed in time in steps that
 * resolve it: a nudge grows by what the roots add up to, and is gone in the other half-wave. */
static void a_nudge_grows_as_the_frozen_roots_say(void **state)
{
    (void)state;
    enum { STEPS = 2048, TURN = 97 }; /* steps a turn of 1.06 MHz takes */
    static const double frequency = 20e3, nudge = 1e-6, level = 4, farad = 600e-12;
    double step_s = 1 / (frequency * STEPS);
    circuit c = circuit_open(ON_CRESTS("600p"), NULL);
    sag_steady_point point;
    sag_steady *steady = orbit_of(&c, frequency, level, &point);
    stepping calm, nudged;
    stepping_open(&calm, &c, step_s);
    stepping_open(&nudged, &c, step_s);
    memcpy(calm.start, steady->period.end, calm.states * sizeof *calm.start);
    stepping_run(&calm, STEPS, 2, level);
    memcpy(nudged.start, calm.start, calm.states * sizeof *calm.start);
    nudged.start[calm.states - 1] += nudge;
    stepping_run(&calm, STEPS, 1, level);
    stepping_run(&nudged, STEPS, 1, level);
    double growth = 0, first = 0, last = 0, rest = 0;
    for (int n = 0; n < STEPS; n++) {
        double away = fabs(nudged.period.output[n] - calm.period.output[n]);
        double complex root = rightmost_on_crests(slope_ohm(&c, calm.period.output[n]), farad);
        /* Peaks of the first and the last turn counted. */
        first = n >= 100 && n < 100 + TURN ? fmax(first, away) : first;
        last = n >= 800 && n < 800 + TURN ? fmax(last, away) : last;
        rest = n > STEPS - TURN ? fmax(rest, away) : rest;
        growth += n >= 100 + TURN / 2 && n < 800 + TURN / 2 ? creal(root) * step_s : 0;
    }
    /* How much of the pair the output shows changes a little as the diode does. */
    near_abs(log(last / first), growth, 0.1 * growth, ROOTS ", summed");
    near_abs(rest, 0, 1e-12, "the capacitor is off");
    assert_true(growth > 1 && last < 1e-5);
    stepping_close(&calm);
    stepping_close(&nudged);
    sag_steady_free(steady);
    circuit_close(&c);
}

/* The largest clean level is searched for on the way up: what bursts up to there is told, what
 * oscillates ends the search. */
static void headroom_tells_of_bursts(void **state)
{
    (void)state;
    static const double frequency = 1000;
    sag_headroom_request request = {.frequency_hz = &frequency,
                                    .frequency_count = 1,
                                    .thd_limit = 0.01,
                                    .soft_vpk = 0.1,
                                    .steady = sag_steady_defaults(),
                                    .threads = 1};
    for (int oscillates = 0; oscillates < 2; oscillates++) {
        circuit c = circuit_open(oscillates ? CONDITIONAL : ON_CRESTS("1n"), NULL);
        const sag_bias *bias = c.bias;
        sag_headroom *found;
        assert_int_equal(sag_headroom_compute(&bias, 1, &request, &found, NULL), SAG_OK);
        const sag_headroom_point *point = &found->points[0];
        assert_int_equal(point->burst.opamp, 0);
        assert_true(point->burst_vpk >= request.soft_vpk);
        if (oscillates) {
            assert_int_equal(point->max_input_reason, SAG_HEADROOM_OSCILLATES);
            assert_true(isnan(point->max_input_vpk) && isnan(point->max_output_vpk));
        } else {
            assert_int_equal(point->max_input_reason, SAG_HEADROOM_FOUND);
            assert_true(point->burst_vpk < point->max_input_vpk);
        }
        sag_headroom_free(found);
        circuit_close(&c);
    }
}

/* What is taken over from instants with similar slopes is what judging each would find: of all
 * instants of a clipped map, which grow, unless they hardly do. */
static void near_instants_are_judged_alike(void **state)
{
    (void)state;
    static const double frequencies[] = {150, 1000, 7000}, levels[] = {0.3, 1, 2, 4, 7, 12};
    for (int which = 0; which < 3; which++) {
        circuit c = which == 0   ? circuit_open(ON_CRESTS("1n"), NULL)
                    : which == 1 ? circuit_open(CONDITIONAL, NULL)
                                 : circuit_heron(9);
        sag_judge *judge, *each;
        size_t grew = 0, asked = 0;
        assert_int_equal(sag_judge_new(c.bias, &judge), SAG_OK);
        assert_int_equal(sag_judge_new(c.bias, &each), SAG_OK);
        for (size_t i = 0; i < 18; i++) {
            sag_steady_point point;
            double level = levels[i % 6] * (which == 1 ? 0.1 : which == 2 ? 0.3 : 1);
            sag_steady *steady = orbit_of(&c, frequencies[i / 6], level, &point);
            for (size_t k = 0; k < SAG_FROZEN; k++) {
                sag_mode near;
                sag_stability exact;
                const double *unknown = instant_unknown(steady, k);
                const double *observed = instant_observed(steady, k);
                assert_int_equal(sag_judge_near(judge, unknown, observed, &near), SAG_OK);
                assert_int_equal(sag_judge_at(each, unknown, observed, &exact), SAG_OK);
                double turn = 2 * M_PI * fmax(exact.grows.frequency_hz, near.frequency_hz);
                int clear = exact.grows.growth_per_s > 0.1 * turn || near.growth_per_s > 0.1 * turn;
                if (clear) {
                    assert_int_equal(exact.grows.growth_per_s > 0, near.growth_per_s > 0);
                }
                grew += near.growth_per_s > 0;
                asked++;
            }
            sag_steady_free(steady);
        }
        assert_true(sag_judge_solved(judge) < asked / 5);
        assert_true(grew > 10 || which != 0);
        sag_judge_free(judge);
        sag_judge_free(each);
        circuit_close(&c);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frozen_slopes_are_derivatives),
        cmocka_unit_test(a_loop_that_lost_its_gain_is_no_result),
        cmocka_unit_test(a_stage_that_rests_at_its_limit_is_at_peace),
        cmocka_unit_test(an_orbit_that_does_not_hold_is_no_result),
        cmocka_unit_test(a_stage_bursts_on_its_crests),
        cmocka_unit_test(a_nudge_grows_as_the_frozen_roots_say),
        cmocka_unit_test(headroom_tells_of_bursts),
        cmocka_unit_test(near_instants_are_judged_alike),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
