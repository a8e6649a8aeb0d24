/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bias: resting points against closed forms, at limits, over every op-amp and supply, and what is
 * said where there is none. */
#include "balance.h"
#include "near.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_sf_lambert.h>

#define CLOSED "closed form of the circuit"
#define STIFF                                                                                      \
    "'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "                         \
    "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}"
/* A settable voltage at dc, which also holds the input node, and half the supply at mid. */
#define FEEDS                                                                                      \
    "'V9': {'voltage': '1V', 'positive': 'dc', 'negative': 'ground'}, "                            \
    "'R91': {'resistor': '10k', 'between': ['in', 'dc']}, "                                        \
    "'R92': {'resistor': '47k', 'between': ['bat', 'mid']}, "                                      \
    "'R93': {'resistor': '47k', 'between': ['mid', 'ground']}, "

static void set_value(sag_design *design, const char *designator, double value)
{
    ((sag_part *)sag_design_part(design, designator))->value = value;
}

static void dividers_divide(void **state)
{
    (void)state;
    circuit c =
        circuit_open(CIRCUIT(STIFF, FEEDS "'R1': {'resistor': '1k', 'between': ['bat', 'out']}, "
                                          "'R2': {'resistor': '3k', 'between': ['out', 'ground']}"),
                     NULL);
    double low = 1 / (1 / 3e3 + 1 / 100e3);
    near_rel(circuit_v(&c, "out"), 10 * low / (low + 1e3), 1e-13, CLOSED);
    near_rel(circuit_v(&c, "mid"), 5, 1e-13, CLOSED);
    near_rel(circuit_a(&c, "R1"), 10 / (low + 1e3), 1e-12, CLOSED);
    near_rel(sag_bias_drain_a(c.bias), 10 / (low + 1e3) + 10 / 94e3, 1e-12, CLOSED);
    near_abs(sag_bias_terminal_v(c.bias), 10, 1e-13, "stiff");
    near_abs(sag_bias_node_v(c.bias, SAG_GROUND), 0, 0, "ground");
    assert_ptr_equal(sag_bias_network(c.bias), c.network);
    circuit_close(&c);
    sag_bias_free(NULL);
}

/* The model "leaky": offset 5 mV, 100 nA into each pin, 10 Mohm from each to the middle of the
 * rails, A0 a million, 1 ohm out. */
static void a_follower_has_offset_and_bias_current(void **state)
{
    (void)state;
    circuit c = circuit_open(
        CIRCUIT(STIFF, "'R91': {'resistor': '10k', 'between': ['in', 'ground']}, "
                       "'V1': {'voltage': '4V', 'positive': 'a', 'negative': 'ground'}, "
                       "'R1': {'resistor': '100k', 'between': ['a', 'p']}, "
                       "'R2': {'resistor': '50k', 'between': ['out', 'm']}, "
                       "'U1A': {'opamp': 'leaky', 'plus': 'p', 'minus': 'm', 'out': 'out', "
                       "'rails': ['bat', 'ground']}"),
        NULL);
    double plus = (4 / 100e3 - 100e-9 + 5 / 10e6) / (1 / 100e3 + 1 / 10e6);
    near_rel(circuit_v(&c, "p"), plus, 1e-12, "current law at the plus pin");
    /* Iterated by hand once: A0 (plus - minus + 5 mV) = e - 5 V, e = out + 1 ohm times the current
     * out. */
    double out = plus + 0.005, minus = 0;
    for (int i = 0; i < 5; i++) {
        minus = (out / 50e3 - 100e-9 + 5 / 10e6) / (1 / 50e3 + 1 / 10e6);
        double out_a = out / 100e3 + (out - minus) / 50e3;
        double wanted_minus = plus + 0.005 - (out + out_a - 5) / 1e6;
        out += wanted_minus - minus;
    }
    near_rel(circuit_v(&c, "out"), out, 1e-9, CLOSED);
    near_rel(circuit_v(&c, "m"), minus, 1e-9, CLOSED);
    sag_bias_opamp opamp = sag_bias_opamp_get(c.bias, 0);
    near_rel(opamp.out_a, out / 100e3 + (out - minus) / 50e3, 1e-9, CLOSED);
    near_rel(circuit_a(&c, "U1A"), opamp.out_a, 1e-12, "out of the output");
    near_rel(opamp.plus_v, plus, 1e-12, CLOSED);
    near_rel(opamp.supply_a, 1e-3, 1e-12, "model file");
    near_rel(opamp.to_positive_v, 10 - 0.1 - out, 1e-9, "drop of 0.1 V");
    near_rel(opamp.to_negative_v, out - 0.1, 1e-9, "drop of 0.1 V");
    circuit_close(&c);
}

/* Gain 11 and -10 with the finite gain of the model "plain": A0 = 1e5, vg against the middle of the
 * rails. */
static void gain_stages_have_their_gain(void **state)
{
    (void)state;
    static const double inputs[] = {-0.3, 0, 0.2, 0.35};
    for (size_t i = 0; i < 4; i++) {
        double v = 5 + inputs[i];
        sag_design *design = circuit_read(
            CIRCUIT(STIFF, "'R91': {'resistor': '10k', 'between': ['in', 'ground']}, "
                           "'V1': {'voltage': '5V', 'positive': 'v', 'negative': 'ground'}, "
                           "'V2': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                           "'R1': {'resistor': '100k', 'between': ['x', 'm']}, "
                           "'R2': {'resistor': '10k', 'between': ['m', 'mid']}, "
                           "'U1A': {'opamp': 'plain', 'plus': 'v', 'minus': 'm', 'out': 'x', "
                           "'rails': ['bat', 'ground']}, "
                           "'R3': {'resistor': '100k', 'between': ['out', 'n']}, "
                           "'R4': {'resistor': '10k', 'between': ['v', 'n']}, "
                           "'U2A': {'opamp': 'plain', 'plus': 'mid', 'minus': 'n', 'out': 'out', "
                           "'rails': ['bat', 'ground']}"));
        set_value(design, "V1", v);
        circuit c = circuit_open_design(design, NULL);
        /* e = 5 + A0 (v - m), out (1 + 1/110k) = e + 5/110k ..., m = 5 + (out - 5)/11 */
        double k = 1 / (1 + 1 / 110e3); /* EMF to output, both against 5 V */
        double out = k * 1e5 / (1 + k * 1e5 / 11) * inputs[i];
        near_abs(circuit_v(&c, "x"), 5 + out, 1e-9, CLOSED);
        /* The load is against ground: a constant pulls the output down by 1 ohm times 50 uA. */
        double load = 1 + 1 / 110e3 + 1 / 100e3; /* e = load out + ... */
        double n_share = 1 / 11.0, in_share = 10 / 11.0;
        double second = -(1e5 * in_share * inputs[i] + inputs[i] * -1 / 110e3 + 5 / 100e3) /
                        (load + 1e5 * n_share);
        near_abs(circuit_v(&c, "out"), 5 + second, 1e-9, CLOSED);
        circuit_close(&c);
    }
}

/* v = n Vt ln(i / Is + 1) + (R + Rs) i, solved with Lambert's W: i = n Vt / Rt W(Is Rt / n Vt
 * exp((v + Is Rt) / n Vt)) - Is, Rt = R + Rs (T. C. Banwell, A. Jayakumar, Electronics Letters
 * 36(4), 291, 2000). */
static void an_indicator_lights_through_its_resistor(void **state)
{
    (void)state;
    static const double ohms[] = {100, 2.2e3, 47e3, 10e6};
    for (size_t i = 0; i < 4; i++) {
        sag_design *design = circuit_read(
            CIRCUIT(STIFF, FEEDS "'R1': {'resistor': '1k', 'between': ['bat', 'a']}, "
                                 "'D1': {'diode': 'led-red', 'anode': 'a', 'cathode': 'ground'}, "
                                 "'R2': {'resistor': '1k', 'between': ['mid', 'out']}"));
        set_value(design, "R1", ohms[i]);
        circuit c = circuit_open_design(design, NULL);
        const sag_diode_law *law = &c.network->diodes[0].law;
        double total = ohms[i] + law->series_ohm, is = law->saturation_a, nvt = law->emission_v;
        double w = gsl_sf_lambert_W0(is * total / nvt * exp((10 + is * total) / nvt));
        double current = nvt / total * w - is;
        near_rel(circuit_a(&c, "D1"), current, 1e-9, "Lambert's W by GSL");
        near_abs(circuit_v(&c, "a"), 10 - current * ohms[i], 1e-9, "Lambert's W by GSL");
        circuit_close(&c);
    }
}

/* ---- at the limits ---- */

/* An op-amp as a comparator: the output stops at the drop of its load current, within the knee (20
 * mV at most). */
static void a_driven_output_stops_at_its_drop(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double load_ohm,
            to_v; /* NAN ohm: the 100 kohm to ground alone; else to this voltage as well */
    } cases[] = {
        {"plain", (double)NAN, 0}, {"tl072", (double)NAN, 0}, {"tl072", 2e3, 0},
        {"tl072", 2e3, 10},        {"ne5532", 600, 5},        {"tl062", 10e3, 5},
        {"tlv2372", 5e3, 0},       {"tlv2372", 5e3, 10},      {"lm358", 10e3, 0},
        {"lm358", 5e3, 10},        {"opa1678", 2e3, 5},       {"opa2134", 1e3, 5},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        for (int up = 0; up < 2; up++) {
            sag_design *design = circuit_read(
                CIRCUIT(STIFF, FEEDS
                        "'V2': {'voltage': '5V', 'positive': 'to', 'negative': 'ground'}, "
                        "'R1': {'resistor': '1k', 'between': ['out', 'to']}, "
                        "'U1A': {'opamp': 'plain', 'plus': 'dc', 'minus': 'mid', 'out': 'out', "
                        "'rails': ['bat', 'ground']}"));
            char change[32];
            snprintf(change, sizeof change, "U1A=%s", cases[i].model);
            circuit_change(design, change);
            set_value(design, "V9", up ? 8 : 2);
            set_value(design, "V2", cases[i].to_v);
            set_value(design, "R1", isnan(cases[i].load_ohm) ? 1e9 : cases[i].load_ohm);
            circuit c;
            sag_status status = circuit_try(&c, design, NULL);
            if (status != SAG_OK) {
                print_error("%s driven %s at 10 V: %s\n", cases[i].model, up ? "up" : "down",
                            sag_status_name(status));
                fail();
            }
            sag_bias_opamp opamp = sag_bias_opamp_get(c.bias, 0);
            near_abs(up ? opamp.to_positive_v : opamp.to_negative_v, 0, 0.02, "knee of 20 mV");
            double by_current, by_supply;
            double drop = sag_drop_at(up ? &c.network->opamps[0].high : &c.network->opamps[0].low,
                                      up ? opamp.out_a : -opamp.out_a, 10, &by_current, &by_supply);
            near_abs(up ? 10 - opamp.out_v : opamp.out_v, drop, 0.02,
                     "drop of the model at this current");
            double load_a = opamp.out_v / 100e3 +
                            (opamp.out_v - cases[i].to_v) / sag_design_part(design, "R1")->value;
            near_abs(opamp.out_a, load_a, 1e-12, "Ohm's law");
            balance_check(c.bias, 1e-12);
            circuit_close(&c);
        }
    }
}

/* The model "weak" gives 2 mA and takes 1 mA, with a knee of 2 %. */
static void a_short_circuit_draws_the_limit(void **state)
{
    (void)state;
    for (int up = 0; up < 2; up++) {
        sag_design *design = circuit_read(CIRCUIT(
            STIFF, FEEDS "'R1': {'resistor': '100R', 'between': ['out', 'mid2']}, "
                         "'V2': {'voltage': '5V', 'positive': 'mid2', 'negative': 'ground'}, "
                         "'U1A': {'opamp': 'weak', 'plus': 'dc', 'minus': 'mid', 'out': 'out', "
                         "'rails': ['bat', 'ground']}"));
        set_value(design, "V9", up ? 8 : 2);
        circuit c = circuit_open_design(design, NULL);
        near_rel(sag_bias_opamp_get(c.bias, 0).out_a, up ? 2e-3 : -1e-3, 0.02,
                 "short_circuit of the model");
        balance_check(c.bias, 1e-12);
        circuit_close(&c);
    }
}

/* ---- convergence ---- */

static const char *const library[] = {"lm358", "ne5532", "opa1678", "opa2134",
                                      "tl062", "tl072",  "tlv2372"};
#define LIBRARY (sizeof library / sizeof *library)

/* Heron with every op-amp of the library, from 2.5 V to its maximum: an answer each time, and a
 * right one. */
static void heron_has_a_bias_point_or_a_reason(void **state)
{
    (void)state;
    int failed = 0;
    for (size_t i = 0; i < LIBRARY; i++) {
        sag_design *design = circuit_load(CIRCUIT_HERON);
        char change[32];
        snprintf(change, sizeof change, "U1=%s", library[i]);
        circuit_change(design, change);
        const sag_opamp_model *model = design->packages[0].model;
        for (double supply = 2.5; supply <= model->supply_max_v; supply += 0.25) {
            sag_conditions conditions = circuit_at(supply);
            circuit c;
            sag_status status = circuit_try(&c, design, &conditions);
            if (status == SAG_OK) {
                balance b = balance_of(c.bias);
                const char *fault = balance_fault(c.bias, &b, 1e-12);
                if (fault && failed++ < 20) {
                    print_error("%s at %g V: %s\n", library[i], supply, fault);
                }
                if (!fault) {
                    near_rel(b.delivered_w, b.dissipated_w, 1e-9,
                             "power of the battery is dissipated");
                }
            } else {
                /* A diode and the battery's resistance take less than 1 V. */
                int reason = status == SAG_STOPPED && supply < model->stops_below_v + 1;
                if (!reason && failed++ < 20) {
                    print_error("%s at %g V: %s\n", library[i], supply, sag_status_name(status));
                }
                assert_true(sag_report_count(c.report) > 0);
            }
            c.design = NULL;
            circuit_close(&c);
        }
        sag_design_free(design);
    }
    assert_int_equal(failed, 0);
}

/* Circuits in which op-amps rest at their limits, or diodes decide, over the whole range of a DC
 * input. */
static const struct {
    const char *what, *text;
} hard[] = {
    {"comparator",
     CIRCUIT(STIFF, FEEDS "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'mid', 'out': 'out', "
                          "'rails': ['bat', 'ground']}")},
    {"inverting comparator with a load",
     CIRCUIT(STIFF, FEEDS
             "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'dc', 'out': 'out', "
             "'rails': ['bat', 'ground']}, 'R1': {'resistor': '1k', 'between': ['out', 'mid']}")},
    {"gain of 1000",
     CIRCUIT(STIFF, FEEDS
             "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'm', 'out': 'out', "
             "'rails': ['bat', 'ground']}, 'R1': {'resistor': '100k', 'between': ['out', 'm']}, "
             "'R2': {'resistor': '100R', 'between': ['mid', 'm']}")},
    {"trigger with positive feedback",
     CIRCUIT(STIFF, FEEDS
             "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'dc', 'out': 'out', "
             "'rails': ['bat', 'ground']}, 'R1': {'resistor': '100k', 'between': ['out', 'p']}, "
             "'R2': {'resistor': '10k', 'between': ['mid', 'p']}")},
    {"diodes in the feedback",
     CIRCUIT(STIFF, FEEDS
             "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'm', 'out': 'out', "
             "'rails': ['bat', 'ground']}, 'R1': {'resistor': '100R', 'between': ['dc', 'm']}, "
             "'R2': {'resistor': '1M', 'between': ['out', 'm']}, "
             "'D1': {'diode': '1n4148', 'anode': 'out', 'cathode': 'm'}, "
             "'D2': {'diode': '1n4148', 'anode': 'm', 'cathode': 'out'}")},
    {"rectifier",
     CIRCUIT(
         STIFF, FEEDS
         "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'k', 'out': 'e', "
         "'rails': ['bat', 'ground']}, 'D1': {'diode': '1n4148', 'anode': 'e', 'cathode': 'k'}, "
         "'R1': {'resistor': '10k', 'between': ['k', 'ground']}, "
         "'R2': {'resistor': '10k', 'between': ['k', 'out']}")},
    {"indicator on a comparator",
     CIRCUIT(
         STIFF, FEEDS
         "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'mid', 'out': 'e', "
         "'rails': ['bat', 'ground']}, 'D1': {'diode': 'led-red', 'anode': 'e', 'cathode': 'k'}, "
         "'R1': {'resistor': '100R', 'between': ['k', 'ground']}, "
         "'R2': {'resistor': '10k', 'between': ['k', 'out']}")},
    {"three stages of 100",
     CIRCUIT(STIFF, FEEDS "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'm', 'out': 'x', "
                          "'rails': ['bat', 'ground']}, "
                          "'R1': {'resistor': '100k', 'between': ['x', 'm']}, 'R2': {'resistor': "
                          "'1k', 'between': ['mid', 'm']}, "
                          "'U1B': {'opamp': 'tl072', 'plus': 'x', 'minus': 'n', 'out': 'y', "
                          "'rails': ['bat', 'ground']}, "
                          "'R3': {'resistor': '100k', 'between': ['y', 'n']}, 'R4': {'resistor': "
                          "'1k', 'between': ['mid', 'n']}, "
                          "'U2A': {'opamp': 'plain', 'plus': 'mid', 'minus': 'o', 'out': 'out', "
                          "'rails': ['bat', 'ground']}, "
                          "'R5': {'resistor': '100k', 'between': ['out', 'o']}, 'R6': {'resistor': "
                          "'1k', 'between': ['y', 'o']}")},
    {"follower into 10 ohm",
     CIRCUIT(
         STIFF, FEEDS
         "'U1A': {'opamp': 'tl072', 'plus': 'dc', 'minus': 'out', 'out': 'out', "
         "'rails': ['bat', 'ground']}, 'R1': {'resistor': '10R', 'between': ['out', 'ground']}")},
};

static void bias_points_are_found_at_the_limits(void **state)
{
    (void)state;
    static const double supplies[] = {5, 9, 16};
    int bad = 0;
    for (size_t h = 0; h < sizeof hard / sizeof *hard; h++) {
        int all = 0, failed = 0, wrong = 0;
        char first[256] = "";
        for (size_t i = 0; i < LIBRARY; i++) {
            sag_design *design = circuit_read(hard[h].text);
            char change[32];
            snprintf(change, sizeof change, "U1=%s", library[i]);
            circuit_change(design, change);
            for (size_t k = 0; k < 3; k++) {
                for (double dc = -0.5; dc <= supplies[k] + 0.5; dc += 0.37) {
                    set_value(design, "V9", dc);
                    sag_conditions conditions = circuit_at(supplies[k]);
                    circuit c;
                    sag_status status = circuit_try(&c, design, &conditions);
                    const char *fault = sag_status_name(status);
                    if (status == SAG_OK) {
                        balance b = balance_of(c.bias);
                        fault = balance_fault(c.bias, &b, 1e-12);
                    }
                    if (fault && !first[0]) {
                        snprintf(first, sizeof first, "%s at %g V, input %g V: %s", library[i],
                                 supplies[k], dc, fault);
                    }
                    all++;
                    failed += status != SAG_OK;
                    wrong += fault && status == SAG_OK;
                    c.design = NULL;
                    circuit_close(&c);
                }
            }
            sag_design_free(design);
        }
        if (failed + wrong > 0) {
            print_error("%s: of %d, %d not found, %d wrong; first %s\n", hard[h].what, all, failed,
                        wrong, first);
        }
        bad += failed + wrong;
    }
    assert_int_equal(bad, 0);
}

/* The battery's far end is ground: every voltage but ground's is negative. */
static void a_negative_supply_works_as_well(void **state)
{
    (void)state;
    circuit c =
        circuit_open(CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                             "'supply': {'positive': 'ground', 'negative': 'neg', 'nominal': '9V', "
                             "'battery': '6lr61'}",
                             "'R1': {'resistor': '47k', 'between': ['ground', 'in']}, "
                             "'R2': {'resistor': '47k', 'between': ['mid', 'neg']}, "
                             "'R3': {'resistor': '47k', 'between': ['mid', 'ground']}, "
                             "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'out', 'out': "
                             "'out', 'rails': ['ground', 'neg']}"),
                     NULL);
    double offset = 3e-3; /* of the model */
    near_abs(circuit_v(&c, "out"), circuit_v(&c, "mid") + offset, 1e-4, CLOSED);
    near_abs(circuit_v(&c, "mid"), circuit_v(&c, "neg") / 2, 1e-5, CLOSED);
    assert_true(circuit_v(&c, "neg") < -8.9);
    assert_true(sag_bias_drain_a(c.bias) > 2e-3);
    balance_check(c.bias, 1e-12);
    circuit_close(&c);
}

/* ---- where there is none ---- */

/* The model "heavy" stops below 2.5 V and needs 2.7 V for its drops alone. */
static void a_part_without_supply_or_swing_is_named(void **state)
{
    (void)state;
    static const struct {
        double supply_v;
        sag_status status;
        const char *where, *words;
    } cases[] = {
        {0.5, SAG_STOPPED, "U1A at 0.5 V", "stops working below 2.5 V"},
        {2.4, SAG_STOPPED, "U1A at 2.4 V", "U1A gets 2.4 V; heavy stops working below 2.5 V"},
        {2.6, SAG_NO_SWING, "U1A at 2.6 V", "U1A has no swing"},
        {2.7, SAG_NO_SWING, "U1A at 2.7 V", "drops of heavy"},
        {2.9, SAG_OK, NULL, NULL},
        {20, SAG_OK, NULL, NULL},
        {24.5, SAG_WOULD_DAMAGE, "U1 at 24.5 V", "absolute maximum 24 V"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(CIRCUIT(
            STIFF, FEEDS "'U1A': {'opamp': 'heavy', 'plus': 'mid', 'minus': 'out', 'out': 'out', "
                         "'rails': ['bat', 'ground']}"));
        sag_conditions conditions = circuit_at(cases[i].supply_v);
        circuit c;
        sag_status status = circuit_try(&c, design, &conditions);
        if (status != cases[i].status) {
            print_error("%g V: %s\n", cases[i].supply_v, sag_status_name(status));
            circuit_print_report(c.report);
        }
        assert_int_equal(status, cases[i].status);
        assert_true((c.bias != NULL) == (status == SAG_OK));
        if (cases[i].words && !circuit_reports(&c, cases[i].where, cases[i].words)) {
            circuit_print_report(c.report);
            fail();
        }
        circuit_close(&c);
    }
}

/* Only the op-amp that has too little is named. */
static void each_op_amp_is_judged_by_its_own_rails(void **state)
{
    (void)state;
    circuit c;
    sag_design *design =
        circuit_read(CIRCUIT(STIFF, FEEDS "'R1': {'resistor': '2k', 'between': ['bat', 'low']}, "
                                          "'U1A': {'opamp': 'plain', 'plus': 'mid', 'minus': 'x', "
                                          "'out': 'x', 'rails': ['bat', 'ground']}, "
                                          "'R2': {'resistor': '10k', 'between': ['x', 'out']}, "
                                          "'R3': {'resistor': '10k', 'between': ['y', 'out']}, "
                                          "'U2A': {'opamp': 'heavy', 'plus': 'out', 'minus': 'y', "
                                          "'out': 'y', 'rails': ['low', 'ground']}"));
    assert_int_equal(circuit_try(&c, design, NULL), SAG_STOPPED);
    assert_true(circuit_reports(&c, "U2A", "stops working"));
    assert_false(circuit_reports(&c, "U1A", "stops working"));
    circuit_close(&c);
}

/* ---- what a result rests on ---- */

static void marks_say_what_a_result_rests_on(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double supply_v;
        unsigned marks;
    } cases[] = {
        /* tl072: rated from 10 V; its drops below 30 V are a sibling's. tl062: rows below 12 V are
         * estimates. sample-dual: so is its drop at 10 V. */
        {"tl062", 18, 0},
        {"tl062", 9, SAG_MARK_OUTSIDE_SHEET | SAG_MARK_ESTIMATE},
        {"tl072", 18, SAG_MARK_ESTIMATE},
        {"tl072", 9, SAG_MARK_OUTSIDE_SHEET | SAG_MARK_ESTIMATE},
        {"tl072", 4, SAG_MARK_OUTSIDE_SHEET | SAG_MARK_ESTIMATE | SAG_MARK_BEYOND_BATTERY},
        {"lm358", 9, 0},
        {"lm358", 31, SAG_MARK_OUTSIDE_SHEET},
        {"opa1678", 9, 0},
        {"sample-dual", 12, SAG_MARK_ESTIMATE},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_load(CIRCUIT_HERON);
        char change[32];
        snprintf(change, sizeof change, "U1=%s", cases[i].model);
        circuit_change(design, change);
        sag_conditions conditions = circuit_at(cases[i].supply_v);
        circuit c = circuit_open_design(design, &conditions);
        unsigned marks = sag_bias_marks(c.bias);
        if (marks != cases[i].marks) {
            print_error("%s at %g V: marks %#x, expected %#x\n", cases[i].model, cases[i].supply_v,
                        marks, cases[i].marks);
        }
        assert_int_equal(marks, cases[i].marks);
        circuit_close(&c);
    }
    for (int i = 0; i < SAG_MARK_COUNT; i++) {
        for (int k = 0; k < i; k++) {
            assert_string_not_equal(sag_mark_text((sag_mark)(1 << i)),
                                    sag_mark_text((sag_mark)(1 << k)));
        }
        assert_true(strlen(sag_mark_text((sag_mark)(1 << i))) > 0);
    }
}

/* Between its 10 V row (99 %, 98 %, 89 %) and its 12 V row (100, 100, 90 %) tl072 is as at each of
 * them. */
static void figures_are_those_of_the_supply(void **state)
{
    (void)state;
    static const struct {
        double supply_v, bandwidth, slew, current;
    } cases[] = {{10, 0.99, 0.98, 0.89},
                 {12, 1, 1, 0.9},
                 {6, 0.95, 0.9, 0.81},
                 {30, 1, 1, 1},
                 {34, 1, 1, 1}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_conditions conditions = circuit_at(cases[i].supply_v);
        circuit c = circuit_open_design(
            circuit_read(
                CIRCUIT(STIFF, FEEDS
                        "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'out', 'out': 'out', "
                        "'rails': ['bat', 'ground']}")),
            &conditions);
        sag_bias_opamp opamp = sag_bias_opamp_get(c.bias, 0);
        near_rel(opamp.gain_bandwidth_hz, 3e6 * cases[i].bandwidth, 1e-9, "model file");
        near_rel(opamp.slew_rise, 13e6 * cases[i].slew, 1e-9, "model file");
        near_rel(opamp.slew_fall, 13e6 * cases[i].slew, 1e-9, "model file");
        near_rel(opamp.supply_a, 1.4e-3 * cases[i].current, 1e-9, "model file");
        near_rel(opamp.second_pole_hz, opamp.gain_bandwidth_hz * M_SQRT1_2, 1e-9, "sin 45 tan 45");
        near_rel(20 * log10(opamp.open_loop_gain), 106, 1e-9, "model file");
        near_abs(opamp.output_ohm, 190, 1e-9, "model file");
        /* Half of the package is idle and draws as well. */
        near_rel(sag_bias_drain_a(c.bias),
                 2 * opamp.supply_a + cases[i].supply_v / 94e3 + opamp.out_a, 0.01,
                 "two amplifiers, the divider and the load");
        circuit_close(&c);
    }
}

/* The second pole takes the phase at unity gain down to the margin: with L = A0 / ((1 + s A0/wt)(1
 * + s/p2)) around a follower, the phase of L where |L| = 1 is the margin above -180 degrees. */
static void phase_margins_are_those_of_the_model(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double margin_deg;
    } cases[] = {{"tl072", 45},   {"tl062", 66},   {"opa2134", 53},
                 {"opa1678", 80}, {"tlv2372", 65}, {"ne5532", (double)NAN}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(CIRCUIT(
            STIFF, FEEDS "'U1A': {'opamp': 'tl072', 'plus': 'mid', 'minus': 'out', 'out': 'out', "
                         "'rails': ['bat', 'ground']}"));
        char change[32];
        snprintf(change, sizeof change, "U1=%s", cases[i].model);
        circuit_change(design, change);
        circuit c = circuit_open_design(design, NULL);
        sag_bias_opamp opamp = sag_bias_opamp_get(c.bias, 0);
        double gbw = opamp.gain_bandwidth_hz, pole = opamp.second_pole_hz, low = 1, high = gbw * 10;
        if (isnan(cases[i].margin_deg)) {
            assert_true(isinf(pole));
        }
        while (!isnan(cases[i].margin_deg) && high / low > 1 + 1e-12) {
            double f = sqrt(low * high), first = f * opamp.open_loop_gain / gbw;
            double gain = opamp.open_loop_gain / hypot(1, first) / hypot(1, f / pole);
            *(gain > 1 ? &low : &high) = f;
        }
        if (!isnan(cases[i].margin_deg)) {
            double phase = atan(low * opamp.open_loop_gain / gbw) + atan(low / pole);
            near_abs(180 - phase * 180 / M_PI, cases[i].margin_deg, 0.05,
                     "phase_margin of the model");
        }
        circuit_close(&c);
    }
}

/* Hungry op-amps behind diodes: the last digits of 15 mA, over the megohm that a diode counts by, are
 * more than the tolerance of a voltage. */
static void a_heavy_drain_through_diodes_converges(void **state)
{
    (void)state;
    for (double supply_v = 4.6; supply_v < 5.4; supply_v += 0.0137) {
        sag_design *design = circuit_load(RAILSAG_SOURCE_DIR "/examples/curlew.json");
        circuit_change(design, "U1,U2=opa1679");
        sag_conditions conditions = circuit_at(supply_v);
        circuit c = circuit_open_design(design, &conditions);
        near_abs(circuit_a(&c, "D1"), sag_bias_drain_a(c.bias), 1e-9, "all of it passes D1");
        circuit_close(&c);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dividers_divide),
        cmocka_unit_test(a_follower_has_offset_and_bias_current),
        cmocka_unit_test(gain_stages_have_their_gain),
        cmocka_unit_test(an_indicator_lights_through_its_resistor),
        cmocka_unit_test(a_driven_output_stops_at_its_drop),
        cmocka_unit_test(a_short_circuit_draws_the_limit),
        cmocka_unit_test(heron_has_a_bias_point_or_a_reason),
        cmocka_unit_test(bias_points_are_found_at_the_limits),
        cmocka_unit_test(a_negative_supply_works_as_well),
        cmocka_unit_test(a_part_without_supply_or_swing_is_named),
        cmocka_unit_test(each_op_amp_is_judged_by_its_own_rails),
        cmocka_unit_test(marks_say_what_a_result_rests_on),
        cmocka_unit_test(figures_are_those_of_the_supply),
        cmocka_unit_test(phase_margins_are_those_of_the_model),
        cmocka_unit_test(a_heavy_drain_through_diodes_converges),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
