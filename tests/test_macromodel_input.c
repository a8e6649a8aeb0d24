/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The input stage of the op-amp model on a bench: what lies inside its range, where gain is lost,
 * where the output reverses, and the diodes between the inputs. */
#include "bench.h"

#include "balance.h"
#include "headroom.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_sf_lambert.h>

#define MODEL_FILE "figures of the model file"

/* ---- the window in which a follower follows ---- */

/* The output at rest at each direct input, swept over the whole supply. */
static double follower_out(sag_design *design, double supply_v, double input_v,
                           const sag_opamp_model **model)
{
    bench_set(design, "V1", input_v);
    sag_conditions conditions = circuit_at(supply_v);
    circuit c;
    sag_status status = circuit_try(&c, design, &conditions);
    if (status != SAG_OK) {
        print_error("%s, %g V in at %g V: %s\n", design->packages[0].model->head.name, input_v,
                    supply_v, sag_status_name(status));
        circuit_print_report(c.report);
        fail();
    }
    double out = circuit_v(&c, "out");
    *model = c.network->opamps[0].model;
    balance b = balance_of(c.bias);
    assert_null(balance_fault(c.bias, &b, 1e-12));
    c.design = NULL; /* goes on with the next input */
    circuit_close(&c);
    return out;
}

/* How far towards each rail the output gets into 1 Mohm, from the drops of the model. */
static void reach_of(const char *name, double supply_v, double *lowest, double *highest)
{
    circuit c = bench_follower(name, supply_v, 1e6);
    const sag_network_opamp_data *data = &c.network->opamps[0];
    double by_current, by_supply;
    *lowest = sag_drop_at(&data->low, supply_v / 1e6, supply_v, &by_current, &by_supply);
    *highest =
        supply_v - sag_drop_at(&data->high, supply_v / 1e6, supply_v, &by_current, &by_supply);
    circuit_close(&c);
}

static double or_far(double volts)
{
    return isnan(volts) ? -1e3 : volts;
}

/* A follower's error is its offset, and the output over the DC gain: 10 mV holds both for every part.
 * Inside the range by 0.1 V it follows wherever the output can get; beyond works_to by more than half
 * the width of the edge (50 mV) the output stays at the edge, or where its swing ends; where the window
 * does not hold the middle of the rails, it rests there, as nothing drives it. */
static void sweep(const char *name, double supply_v)
{
    sag_design *design = bench_design(BENCH_DC_FOLLOWER, name);
    double lowest, highest, middle = supply_v / 2;
    reach_of(name, supply_v, &lowest, &highest);
    int followed = 0;
    for (int n = 0; n <= 100; n++) {
        double input_v = -0.25 + (supply_v + 0.5) * n / 100;
        const sag_opamp_model *model;
        double out = follower_out(design, supply_v, input_v, &model);
        double low = or_far(model->input_low.works_to_v);
        double high = supply_v - or_far(model->input_high.works_to_v);
        double reverses = or_far(model->input_low.reverses_at_v);
        int reversed = input_v < reverses + SAG_RANGE_EDGE_V;
        if (input_v > low + 0.1 && input_v < high - 0.1 && input_v > lowest + 0.03 &&
            input_v < highest - 0.03) {
            near_abs(out, input_v, 10e-3, "a follower follows");
            followed++;
        } else if (input_v < low - 0.06 && !reversed) {
            near_abs(out, fmax(fmin(low, middle), lowest), 0.06, "edge of the window");
        } else if (input_v > high + 0.06) {
            near_abs(out, fmin(fmax(high, middle), highest), 0.06, "edge of the window");
        }
    }
    if (followed < 20) {
        print_error("%s at %g V followed at %d of 101 inputs only\n", name, supply_v, followed);
        fail();
    }
    sag_design_free(design);
}

/* Every op-amp of the library, at 5 V where it is meant for it, and at 9 V. */
static void followers_follow_within_their_window(void **state)
{
    (void)state;
    static const char *const folders[] = {RAILSAG_SOURCE_DIR "/models"};
    static const sag_model_path path = {folders, 1};
    char **names, **files;
    size_t count;
    int swept = 0;
    assert_int_equal(sag_model_list(&path, NULL, SAG_MODEL_OPAMP, &names, &files, &count), SAG_OK);
    for (size_t i = 0; i < count; i++) {
        sag_design *design = bench_design(BENCH_DC_FOLLOWER, names[i]);
        const sag_opamp_model *model = design->packages[0].model;
        double least_v = model->stops_below_v, most_v = model->supply_max_v;
        int has_window =
            !isnan(model->input_low.works_to_v) || !isnan(model->input_high.works_to_v);
        sag_design_free(design);
        for (double supply_v = 5; has_window && supply_v < 10; supply_v += 4) {
            if (supply_v > least_v && supply_v <= most_v) {
                sweep(names[i], supply_v);
                swept++;
            }
        }
        sag_free(names[i]);
        sag_free(files[i]);
    }
    sag_free(names);
    sag_free(files);
    assert_true(swept >= 14); /* seven parts at least, at two supplies */
}

/* opa2134 on 5 V: 1.5 V are lost at either rail, so that a follower from the middle gives 1 V peak and
 * clips there, at any frequency; half of the edge is added. A sine of A cut at r A has the fundamental
 * 2 A / pi (asin r + r sqrt(1 - r^2)). */
static void a_window_clips_as_a_rail_does(void **state)
{
    (void)state;
    static const double frequencies[] = {31, 98, 1000, 5000};
    circuit c = bench_follower("opa2134", 5, 100e3);
    sag_steady *steady = steady_of(&c, 0, 0);
    for (size_t f = 0; f < 4; f++) {
        sag_limit limit;
        assert_int_equal(sag_steady_frequency(steady, frequencies[f]), SAG_OK);
        double met = 1 - SAG_RANGE_MET * SAG_RANGE_EDGE_V; /* an edge has come down to 0.9 */
        near_rel(sag_steady_linear_onset(steady, &limit), met, 1e-3, MODEL_FILE);
        assert_int_equal(limit.kind, SAG_LIMIT_INPUT_RANGE);
        sag_steady_point clean = bench_point(steady, frequencies[f], 0.94);
        near_abs(clean.thd, 0, 1e-5, "inside the window");
        assert_int_equal(clean.limited_by.kind, SAG_LIMIT_NONE);
        for (double level = 1.4; level < 2.3; level += 0.4) {
            sag_steady_point point = bench_point(steady, frequencies[f], level);
            near_abs(point.output_peak_v, 1.05, 5e-3, "works_to, and half of the edge");
            near_abs(point.output_trough_v, -1.05, 5e-3, "works_to, and half of the edge");
            double r = 1.05 / level;
            near_db(point.gain_db, 20 * log10(2 / M_PI * (asin(r) + r * sqrt(1 - r * r))), 0.05,
                    "fundamental of a cut sine");
            assert_int_equal(point.limited_by.kind, SAG_LIMIT_INPUT_RANGE);
        }
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

/* TI SNOSBW5C application hints: one input beyond the upper limit leaves the output right; it is lost
 * when both are. An opa2134 at 5 V compares 1 V or 4 V, both outside, with 2.5 V. */
static void one_input_inside_is_enough(void **state)
{
    (void)state;
    static const double inputs[] = {0.2, 1, 4, 4.8};
    for (size_t i = 0; i < 4; i++) {
        for (int at_minus = 0; at_minus < 2; at_minus++) {
            sag_design *design = circuit_read(
                CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "
                        "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '5V'}",
                        "'V1': {'voltage': '1V', 'positive': 'p', 'negative': 'ground'}, "
                        "'V2': {'voltage': '1V', 'positive': 'm', 'negative': 'ground'}, "
                        "'R1': {'resistor': '10k', 'between': ['in', 'ground']}, "
                        "'R2': {'resistor': '1M', 'between': ['out', 'ground']}, "
                        "'U1A': {'opamp': 'opa2134', 'plus': 'p', 'minus': 'm', 'out': 'out', "
                        "'rails': ['bat', 'ground']}"));
            bench_set(design, "V1", at_minus ? 2.5 : inputs[i]);
            bench_set(design, "V2", at_minus ? inputs[i] : 2.5);
            circuit c = bench_open(design, 5);
            int high = (inputs[i] > 2.5) != at_minus;
            sag_bias_opamp opamp = sag_bias_opamp_get(c.bias, 0);
            near_abs(high ? opamp.to_positive_v : opamp.to_negative_v, 0, 0.02, "knee of 20 mV");
            circuit_close(&c);
        }
    }
}

/* Both inputs beyond works_to (1.5 V for opa2134) at rest: there is nothing to compute with, and the
 * report says so. One of them: no matter. */
static void a_stage_without_gain_is_warned_of(void **state)
{
    (void)state;
    static const struct {
        double supply_v, input_v;
        const char *words; /* NULL: no warning */
    } cases[] = {{5, 1.2, "towards the negative rail"},
                 {5, 3.9, "towards the positive rail"},
                 {2.9 + 1.5, 2.2, NULL},
                 {9, 1.7, NULL},
                 {9, 7.3, NULL}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = bench_design(BENCH_DC_FOLLOWER, "opa2134");
        bench_set(design, "V1", cases[i].input_v);
        circuit c = bench_open(design, cases[i].supply_v);
        sag_bias_warn_without_gain(c.bias, c.report);
        assert_int_equal(circuit_reports(&c, "U1A at", "has lost its gain"),
                         cases[i].words != NULL);
        assert_true(!cases[i].words || circuit_reports(&c, "U1A at", cases[i].words));
        circuit_close(&c);
    }
}

/* ---- reversal ---- */

/* A stage of gain 2 whose output rests well away from its rails when its input does not: R4 goes to
 * the negative rail, and the output rests at twice the input. */
#define DOUBLING                                                                                   \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "                 \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",                \
            "'V1': {'voltage': '2V', 'positive': 'mid', 'negative': 'ground'}, "                   \
            "'C1': {'capacitor': '10u', 'between': ['in', 'p']}, "                                 \
            "'R1': {'resistor': '100k', 'between': ['p', 'mid']}, "                                \
            "'C2': {'capacitor': '100u', 'between': ['x', 'out']}, "                               \
            "'R2': {'resistor': '100k', 'between': ['out', 'ground']}, "                           \
            "'R3': {'resistor': '22k', 'between': ['x', 'm']}, "                                   \
            "'R4': {'resistor': '22k', 'between': ['m', 'ground']}, "                              \
            "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'm', 'out': 'x', "                    \
            "'rails': ['bat', 'ground']}")

static const char *const reversing[] = {"tl072", "tl062"};

/* At rest: below reverses_at (0.3 V of the rail) the output lies at its positive limit, above it and up
 * to works_to (1 V) at the low end, and then it follows. The sheets give the effect (TI SNOSBW5C
 * application hints), the model files the figures. */
static void outputs_reverse_below_the_range_and_come_back(void **state)
{
    (void)state;
    static const double supplies[] = {5, 9, 18};
    for (size_t m = 0; m < 2; m++) {
        for (size_t s = 0; s < 3; s++) {
            double lowest, highest;
            reach_of(reversing[m], supplies[s], &lowest, &highest);
            sag_design *design = bench_design(BENCH_DC_FOLLOWER, reversing[m]);
            /* Down, and up again: the answer does not depend on the way. */
            for (int n = -40; n <= 40; n++) {
                double input_v = -0.2 + 1.7 * fabs(n / 40.0);
                const sag_opamp_model *model;
                double out = follower_out(design, supplies[s], input_v, &model);
                double reverses = model->input_low.reverses_at_v;
                if (input_v < reverses - SAG_RANGE_EDGE_V) {
                    near_abs(out, highest, 0.03, "at the positive limit");
                } else if (input_v > reverses + SAG_RANGE_EDGE_V) {
                    double low = fmax(model->input_low.works_to_v, lowest);
                    near_abs(out, fmax(input_v, low), 0.06, "follows, or stays at the low end");
                }
            }
            sag_design_free(design);
        }
    }
}

/* The same upside down: above reverses_at (0.3 V below the positive rail) the output lies at its negative
 * limit. By symmetry. */
static void outputs_reverse_above_the_range_as_well(void **state)
{
    (void)state;
    double lowest, highest, supply_v = 9;
    reach_of("upside", supply_v, &lowest, &highest);
    sag_design *design = bench_design(BENCH_DC_FOLLOWER, "upside");
    for (int n = -40; n <= 40; n++) {
        double input_v = supply_v + 0.2 - 1.7 * fabs(n / 40.0);
        const sag_opamp_model *model;
        double out = follower_out(design, supply_v, input_v, &model);
        double reverses = supply_v - model->input_high.reverses_at_v;
        if (input_v > reverses + SAG_RANGE_EDGE_V) {
            near_abs(out, lowest, 0.03, "at the negative limit");
        } else if (input_v < reverses - SAG_RANGE_EDGE_V) {
            double high = fmin(supply_v - model->input_high.works_to_v, highest);
            near_abs(out, fmin(input_v, high), 0.06, "follows, or stays at the high end");
        }
    }
    sag_design_free(design);
}

/* The level at which the output first flips up is that which brings the input, from its rest, to
 * reverses_at, within the edge. */
static void reversal_sets_in_where_the_input_gets_there(void **state)
{
    (void)state;
    static const double frequencies[] = {98, 1000};
    static const double rests[] = {2, 3.5};
    for (size_t m = 0; m < 2; m++) {
        for (size_t r = 0; r < 2; r++) {
            sag_design *design = bench_design(ORBITS_FOLLOWER("tl072", "2V", "100k"), reversing[m]);
            bench_set(design, "V1", rests[r]);
            circuit c = bench_open(design, 9);
            double reverses = c.network->opamps[0].model->input_low.reverses_at_v;
            double reach = sag_bias_opamp_get(c.bias, 0).to_positive_v;
            sag_steady *steady = steady_of(&c, 0, 0);
            for (size_t f = 0; f < 2; f++) {
                double flips = rests[r] - reverses, edge = 1.1 * SAG_RANGE_EDGE_V;
                sag_opamp_swing below, above;
                sag_steady_point before = point_at(steady, frequencies[f], flips - edge, &below);
                sag_steady_point after = point_at(steady, frequencies[f], flips + edge, &above);
                assert_int_equal(before.status, SAG_OK);
                assert_int_equal(after.status, SAG_OK);
                near_abs(below.peak_v, flips - edge, 5e-3, "a follower's crest");
                near_abs(above.peak_v, reach, 0.03, "at the positive limit");
                assert_true(after.thd > before.thd + 0.2);
            }
            sag_steady_free(steady);
            circuit_close(&c);
        }
    }
}

/* THD of sin t cut below -1/level, harmonics 2 to 15. */
static double cut_thd(double level)
{
    enum { SAMPLES = 5000 };
    double first = 0, rest = 0;
    for (int k = 1; k <= SAG_HARMONICS; k++) {
        double re = 0, im = 0;
        for (int n = 0; n < SAMPLES; n++) {
            double t = 2 * M_PI * (n + 0.5) / SAMPLES, y = fmax(sin(t), -1 / level);
            re += y * cos(k * t);
            im += y * sin(k * t);
        }
        *(k == 1 ? &first : &rest) += re * re + im * im;
    }
    return sqrt(rest / first);
}

/* The level, over the one that is just not cut, that has this THD. */
static double level_cut_to(double thd)
{
    double low = 1, high = 2;
    for (int i = 0; i < 30; i++) {
        double middle = 0.5 * (low + high);
        *(cut_thd(middle) < thd ? &low : &high) = middle;
    }
    return low;
}

/* Clip onset of the doubling stage is where its input comes to the edge of works_to; its output has
 * room for 2 V more then. */
static void headroom_names_the_input_range(void **state)
{
    (void)state;
    static const double frequencies[] = {98, 1000, 5000};
    for (size_t m = 0; m < 2; m++) {
        circuit c = bench_open(bench_design(DOUBLING, reversing[m]), 9);
        const sag_opamp_model *model = c.network->opamps[0].model;
        /* Input at 2 V; an edge that has come down to 0.9 counts as met. */
        double onset = 2 - model->input_low.works_to_v - SAG_RANGE_MET * SAG_RANGE_EDGE_V;
        sag_headroom_request request = {.frequency_hz = frequencies,
                                        .frequency_count = 3,
                                        .thd_limit = 0.01,
                                        .soft_vpk = 0.1,
                                        .steady = sag_steady_defaults(),
                                        .threads = 1};
        const sag_bias *bias = c.bias;
        sag_headroom *headroom = NULL;
        assert_int_equal(sag_headroom_compute(&bias, 1, &request, &headroom, NULL), SAG_OK);
        sag_steady *steady = steady_of(&c, 0, 0);
        for (size_t f = 0; f < 3; f++) {
            const sag_headroom_point *point = &headroom->points[f];
            assert_int_equal(point->clip_onset_reason, SAG_HEADROOM_FOUND);
            near_db(20 * log10(point->clip_onset_vpk / onset), 0, 0.06,
                    "rest less works_to and the edge");
            assert_int_equal(point->limited_by.kind, SAG_LIMIT_INPUT_RANGE);
            assert_int_equal(point->limited_by.opamp, 0);
            /* Half an edge further the input has lost all gain, and the trough is cut there. */
            double cut_v = 2 - model->input_low.works_to_v + SAG_RANGE_EDGE_V;
            near_db(20 * log10(point->max_input_vpk / cut_v), 20 * log10(level_cut_to(0.01)), 0.1,
                    "THD of a sine cut on one side, by quadrature");
            sag_steady_point louder = bench_point(steady, frequencies[f], 1.2 * onset);
            assert_int_equal(louder.limited_by.kind, SAG_LIMIT_INPUT_RANGE);
            assert_true(louder.thd > 0.01);
        }
        sag_steady_free(steady);
        sag_headroom_free(headroom);
        circuit_close(&c);
    }
}

/* ---- the diodes between the inputs ---- */

/* The pair as documented: 1e-14 A, the thermal voltage, 20 ohm. What flows from volts through ohm and
 * one junction: i (ohm + 20) + Vt ln(i / Is + 1) = volts, by Lambert's W (T. C. Banwell, A. Jayakumar,
 * Electronics Letters 36(4), 291, 2000). */
static double junction_a(double volts, double ohm)
{
    double is = 1e-14, all = ohm + 20;
    if (volts < 0) {
        return -junction_a(-volts, ohm);
    }
    return SAG_THERMAL_V / all *
               gsl_sf_lambert_W0(is * all / SAG_THERMAL_V *
                                 exp((volts + is * all) / SAG_THERMAL_V)) -
           is;
}

#define COMPARATOR                                                                                 \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '1M'}, "                   \
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",               \
            "'V1': {'voltage': '2V', 'positive': 'a', 'negative': 'ground'}, "                     \
            "'V2': {'voltage': '5V', 'positive': 'b', 'negative': 'ground'}, "                     \
            "'R1': {'resistor': '1k', 'between': ['a', 'p']}, "                                    \
            "'R2': {'resistor': '1k', 'between': ['b', 'm']}, "                                    \
            "'R3': {'resistor': '10k', 'between': ['in', 'ground']}, "                             \
            "'U1A': {'opamp': 'ne5532', 'plus': 'p', 'minus': 'm', 'out': 'out', "                 \
            "'rails': ['bat', 'ground']}")

/* No feedback: the pins are held within a junction's voltage (TI SLOS075J states the pair), and the
 * resistors carry the rest. The bias currents, 200 nA into each pin, go through one resistor each. */
static void a_comparator_is_clamped_by_its_input_diodes(void **state)
{
    (void)state;
    static const struct {
        double plus_v, ohm;
    } cases[] = {{2, 1e3}, {3.5, 1e3}, {4.2, 1e3}, {5.8, 1e3}, {8, 1e3}, {2, 470}, {8, 10e3}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(COMPARATOR);
        bench_set(design, "V1", cases[i].plus_v);
        bench_set(design, "R1", cases[i].ohm);
        bench_set(design, "R2", cases[i].ohm);
        circuit c = bench_open(design, 10);
        /* The bias currents are the same on both sides, and drop the same volts. */
        double expected_a = junction_a(cases[i].plus_v - 5, 2 * cases[i].ohm);
        near_rel(circuit_a(&c, "R1") - 200e-9, expected_a, 1e-6, "Lambert's W by GSL");
        near_rel(circuit_a(&c, "R2") - 200e-9, -expected_a, 1e-6, "Lambert's W by GSL");
        double between_v = fabs(circuit_v(&c, "p") - circuit_v(&c, "m"));
        near_abs(between_v, 0.65, 0.1, "a silicon junction at some 0.1 to 3 mA");
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* Feedback keeps the pins together; a follower that stops at its rail while its input goes on draws the
 * difference through the diodes. */
static void a_follower_draws_input_current_only_when_it_clips(void **state)
{
    (void)state;
    for (int clips = 0; clips < 2; clips++) {
        sag_design *design = circuit_read(
            CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': 'none'}, "
                    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",
                    "'V1': {'voltage': '5V', 'positive': 'a', 'negative': 'ground'}, "
                    "'R1': {'resistor': '10k', 'between': ['a', 'p']}, "
                    "'R2': {'resistor': '1k', 'between': ['out', 'ground']}, "
                    "'R3': {'resistor': '10k', 'between': ['in', 'ground']}, "
                    "'U1A': {'opamp': 'ne5532', 'plus': 'p', 'minus': 'out', 'out': 'out', "
                    "'rails': ['bat', 'ground']}"));
        bench_set(design, "V1", clips ? 11 : 5);
        circuit c = bench_open(design, 10);
        double out = circuit_v(&c, "out");
        double expected_a = clips ? junction_a(11 - 200e-9 * 10e3 - out, 10e3) : 0;
        near_abs(circuit_a(&c, "R1") - 200e-9, expected_a, 1e-9, "Lambert's W by GSL");
        if (clips) {
            assert_true(expected_a > 1e-4);
            /* 10 V less the drop of 1.05 V at 6.75 mA (model file); the load takes 8.95 mA. */
            near_abs(out, 10 - 1.1, 0.03, MODEL_FILE);
        }
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* A limiter made of the diodes alone: the generator's 50 ohm and 950 ohm into a pin, the other pin
 * held. The wave at the pin, off the slope of the bias current, is cut where the junction law says. */
static void input_diodes_limit_a_loud_signal(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'p', 'load': 'none'}, "
                "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'C1': {'capacitor': '1000u', 'between': ['in', 'a']}, "
                "'R1': {'resistor': '950R', 'between': ['a', 'p']}, "
                "'R2': {'resistor': '1M', 'between': ['p', 'mid']}, "
                "'R3': {'resistor': '1M', 'between': ['out', 'ground']}, "
                "'U1A': {'opamp': 'ne5532', 'plus': 'p', 'minus': 'mid', 'out': 'out', "
                "'rails': ['bat', 'ground']}"),
        NULL);
    double rest = circuit_v(&c, "p") - 5; /* bias current in R2 */
    near_abs(rest, -0.2, 1e-3, "200 nA in 1 Mohm");
    sag_steady *steady = steady_of(&c, 0, 0);
    static const double levels[] = {0.01, 1, 2, 3};
    for (size_t l = 0; l < 4; l++) {
        sag_steady_point point = bench_point(steady, 1000, levels[l]);
        /* C1 charges to what makes the mean current of the pin that of R2 and the bias: about -rest, as
         * the diodes conduct alike both ways. */
        double mean = point.harmonic_vpk[0];
        double crest = levels[l] + mean + rest, into_a = junction_a(crest, 1000);
        double expected = crest - 1000 * into_a - rest;
        near_abs(point.output_peak_v, expected, 0.02, "junction law at the crest");
        assert_true((point.thd > 0.01) == (l > 0));
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(followers_follow_within_their_window),
        cmocka_unit_test(a_window_clips_as_a_rail_does),
        cmocka_unit_test(one_input_inside_is_enough),
        cmocka_unit_test(a_stage_without_gain_is_warned_of),
        cmocka_unit_test(outputs_reverse_below_the_range_and_come_back),
        cmocka_unit_test(outputs_reverse_above_the_range_as_well),
        cmocka_unit_test(reversal_sets_in_where_the_input_gets_there),
        cmocka_unit_test(headroom_names_the_input_range),
        cmocka_unit_test(a_comparator_is_clamped_by_its_input_diodes),
        cmocka_unit_test(a_follower_draws_input_current_only_when_it_clips),
        cmocka_unit_test(input_diodes_limit_a_loud_signal),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
