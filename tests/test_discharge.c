/* SPDX-License-Identifier: GPL-3.0-or-later */
/* discharge: closed forms; published service hours; balance of charge and energy; where it ends and
 * what is refused; threads. */
#include "circuit.h"

#include "discharge.h"

#include <gsl/gsl_errno.h>

#define HOUR_S (3600.0)
#define YEAR_S (365.25 * 86400)

/* A resistor on a battery, and something to be the signal path. */
#define RESISTOR(battery, ohm)                                                                     \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, 'supply': "        \
            "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '" battery      \
            "'}",                                                                                  \
            "'R1': {'resistor': '" ohm "', 'between': ['bat', 'ground']}, "                        \
            "'C1': {'capacitor': '1u', 'between': ['in', 'out']}")

static sag_discharge_request request_of(const sag_design *design)
{
    return (sag_discharge_request){.design = design,
                                   .conditions = sag_conditions_defaults(design),
                                   .in_series = 1,
                                   .until_v = (double)NAN,
                                   .threads = 1};
}

static sag_discharge *discharge_of(const sag_discharge_request *request)
{
    sag_discharge *discharge = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    if (sag_discharge_new(request, &discharge, report) != SAG_OK) {
        circuit_print_report(report);
        fail();
    }
    sag_report_free(report);
    return discharge;
}

static sag_discharge_time time_at(const sag_discharge *discharge, double plugged_in,
                                  sag_charge charge, double open_circuit_v)
{
    sag_discharge_use use = {.plugged_in = plugged_in, .charge = charge};
    sag_discharge_time time;
    assert_int_equal(sag_discharge_run(discharge, &use, &open_circuit_v, 1, &time), SAG_OK);
    return time;
}

static double end_v(const sag_discharge *discharge)
{
    return sag_discharge_last(discharge).open_circuit_v;
}

/* ---- closed forms ---- */

/* A straight battery from 9 V to 6 V with 10 ohm and 1 Ah, a resistor R, self-discharge s, plugged
 * in for a share p. I = (V0 - dV D)/(R + r), so dD/dt = a - b D with
 *     a = V0/((R + r) Q) + s/p,   b = dV/((R + r) Q) + s/p,   t = -ln(1 - b D/a)/b. */
static void a_straight_battery_follows_its_closed_form(void **state)
{
    (void)state;
    static const struct {
        const char *ohm;
        double r;
        const char *loss;
        double s; /* a year */
        double plugged_in;
    } cases[] = {{"90R", 100, "0%", 0, 1},
                 {"990R", 1000, "0%", 0, 1.0 / 12},
                 {"9.99k", 10000, "10%", 0.1, 1.0 / 12},
                 {"99.99k", 100000, "50%", 0.5, 1.0 / 24},
                 {"9.99k", 10000, "10%", 0.1, 1}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[2048], battery[1024];
        sag_battery_model *model = NULL;
        snprintf(
            battery, sizeof battery,
            "{\"format\": \"railsag battery 1\", \"name\": \"b\", \"title\": \"b\", "
            "\"source\": \"a straight line\", \"nominal\": \"9V\", \"flat\": \"1V\", "
            "\"self_discharge_per_year\": \"%s\", \"cell\": [{\"depth\": 0, \"open_circuit\": "
            "\"9V\", \"resistance_audio\": \"2R\", \"resistance_dc\": \"10R\"}, {\"depth\": 1, "
            "\"open_circuit\": \"6V\", \"resistance_audio\": \"2R\", \"resistance_dc\": "
            "\"10R\"}], \"capacity\": [{\"drain\": \"1mA\", \"charge\": \"1Ah\"}]}",
            cases[i].loss);
        assert_int_equal(sag_battery_model_read(battery, strlen(battery), "b.json", &model, NULL),
                         SAG_OK);
        snprintf(text, sizeof text, RESISTOR("6lr61", "%s"), cases[i].ohm);
        sag_design *design = circuit_read(text);
        design->supply.battery = model;
        sag_discharge_request request = request_of(design);
        sag_discharge *discharge = discharge_of(&request);
        double charge_c = 3600, rate = -log1p(-cases[i].s) / YEAR_S / cases[i].plugged_in;
        double a = 9 / (cases[i].r * charge_c) + rate, b = 3 / (cases[i].r * charge_c) + rate;
        for (int k = 1; k <= 4; k++) {
            double depth = k / 4.0;
            sag_discharge_time at =
                time_at(discharge, cases[i].plugged_in, SAG_CHARGE_TYPICAL, 9 - 3 * depth);
            double expected = -log1p(-b * depth / a) / b;
            near_rel(at.plugged_s, expected, 1e-8, "closed form above");
            near_rel(at.calendar_s, expected / cases[i].plugged_in, 1e-8, "closed form above");
            near_rel(at.charge_c + at.lost_c, charge_c * depth, 1e-8,
                     "all charge is accounted for");
        }
        sag_discharge_state state_at = sag_discharge_at(discharge, 7.5);
        near_rel(state_at.depth, 0.5, 1e-12, "half way down a straight line");
        near_rel(state_at.drain_a, 7.5 / cases[i].r, 1e-9, "V/(R + r)");
        near_rel(state_at.terminal_v, 7.5 * (1 - 10 / cases[i].r), 1e-9, "V R/(R + r)");
        sag_discharge_free(discharge);
        sag_design_free(design);
        sag_battery_model_free(model);
    }
}

/* Nothing drawn: only what a battery loses by itself, 1 - (1 - s)^years; without that, no end. */
static void without_drain_only_storage_counts(void **state)
{
    (void)state;
    sag_design *design = circuit_read(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, 'supply': "
                "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}",
                "'C1': {'capacitor': '1u', 'between': ['in', 'out']}, "
                "'C2': {'capacitor': '1u', 'between': ['bat', 'ground']}"));
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = discharge_of(&request);
    double half_v = sag_discharge_find_depth(discharge, 0.5);
    near_rel(time_at(discharge, 0.5, SAG_CHARGE_TYPICAL, half_v).calendar_s,
             YEAR_S * log(0.5) / log(0.97), 1e-4, "0.97^years = 0.5");
    sag_discharge_free(discharge);
    sag_battery_model kept = *design->supply.battery;
    kept.self_discharge_per_year = 0;
    design->supply.battery = &kept;
    discharge = discharge_of(&request);
    assert_true(isinf(time_at(discharge, 1, SAG_CHARGE_TYPICAL, half_v).plugged_s));
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* ---- published service hours ---- */

/* GP1604AUP data sheet, means after 3 months; the loads with their duty and end voltage. */
static const struct {
    const char *ohm;
    double plugged_in, until_v, hours;
} services[] = {{"270R", 1.0 / 24, 5.4, 20.5}, {"620R", 2.0 / 24, 5.4, 49.0}};

static double service_hours(const char *battery, const char *ohm, double plugged_in, double until_v,
                            sag_charge charge)
{
    char text[1024];
    snprintf(text, sizeof text, RESISTOR("6lr61", "%s"), ohm);
    sag_design *design = circuit_read(text);
    char change[512];
    snprintf(change, sizeof change, "supply.battery=%s", battery);
    circuit_change(design, change);
    sag_discharge_request request = request_of(design);
    request.until_v = until_v;
    sag_discharge *discharge = discharge_of(&request);
    assert_int_equal(sag_discharge_end_reason(discharge), SAG_END_UNTIL);
    near_rel(sag_discharge_last(discharge).terminal_v, until_v, 1e-6, "where it was to end");
    double hours = time_at(discharge, plugged_in, charge, end_v(discharge)).plugged_s / HOUR_S;
    sag_discharge_free(discharge);
    sag_design_free(design);
    return hours;
}

#define ONE_MAKE RAILSAG_SOURCE_DIR "/tests/data/published/batteries/one-make.json"

/* What is fitted to one curve of a make tells its other service hours; so does the mean of makes.
 */
static void service_hours_of_one_make(void **state)
{
    (void)state;
    static const char *const batteries[] = {ONE_MAKE, "6lr61"};
    for (size_t b = 0; b < 2; b++) {
        for (size_t i = 0; i < sizeof services / sizeof *services; i++) {
            double hours = service_hours(batteries[b], services[i].ohm, services[i].plugged_in,
                                         services[i].until_v, SAG_CHARGE_TYPICAL);
            near_rel(hours, services[i].hours, 0.07,
                     "GP1604AUP data sheet, mean service after 3 months; within one make");
        }
    }
}

/* The same sheet's test of a detector: 10 kohm always and 620 ohm for a second each hour, which
 * is no drain to speak of but decides the end: 7.5 V under that load, 20.0 days. */
static void service_days_of_a_detector(void **state)
{
    (void)state;
    const double always = 1 / 10e3, pulse = 1 / 620.0;
    char text[1024];
    snprintf(text, sizeof text, RESISTOR("6lr61", "%.9g"), 1 / (always + pulse / 3600));
    sag_design *design = circuit_read(text);
    circuit_change(design, "supply.battery=" ONE_MAKE);
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = discharge_of(&request);
    /* The open-circuit voltage at which both loads leave 7.5 V. A second is too short for much of
     * the slow part of the resistance: the audio resistance is nearer. */
    double low = end_v(discharge), high = sag_discharge_fresh(discharge).open_circuit_v;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2;
        sag_discharge_state at = sag_discharge_at(discharge, middle);
        double loaded_v = middle - 7.5 * (always * at.dc_ohm + pulse * at.audio_ohm);
        if (loaded_v < 7.5) {
            low = middle;
        } else {
            high = middle;
        }
    }
    double days = time_at(discharge, 1, SAG_CHARGE_TYPICAL, high).plugged_s / 86400;
    near_rel(days, 20.0, 0.07, "GP1604AUP data sheet, mean service after 3 months");
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* Other makes, some by log: inside the model's spread. */
static void service_hours_of_other_makes(void **state)
{
    (void)state;
    static const struct {
        const char *battery, *ohm;
        double until_v, hours;
        const char *origin;
    } cases[] = {
        {"6lr61", "200R", 6.0, 11.9, "published log of one 6LR61 into 200 ohm"},
        {"6lr61", "775R", 6.0, 49.1, "published plot, MN1604 at 10 mA: 491 mAh to 6 V"},
        {"6lr61", "775R", 6.0, 58.9, "published plot, another make at 10 mA: 589 mAh to 6 V"},
        {"6lr61", "150R", 6.0, 458.0 / 50, "maker's graph of a generic one at 50 mA: 458 mAh"},
        {"6f22", "790R", 6.0, 16, "published rule of thumb: about 16 h at 10 mA"},
        {"6f22", "375R", 6.0, 129.0 / 20, "published log of a 6F22 at 20 mA: 129 mAh to 6 V"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double range[2];
        for (int k = 0; k < 2; k++) {
            range[k] = service_hours(cases[i].battery, cases[i].ohm, 1, cases[i].until_v,
                                     k == 0 ? SAG_CHARGE_LEAST : SAG_CHARGE_MOST);
        }
        if (!(range[0] <= cases[i].hours && cases[i].hours <= range[1])) {
            print_error("%s into %s: %.4g h (%s) is outside %.4g to %.4g h\n", cases[i].battery,
                        cases[i].ohm, cases[i].hours, cases[i].origin, range[0], range[1]);
            fail();
        }
    }
}

/* ---- balance ---- */

/* Charge and energy of the run are those of the bias points along it: Simpson's rule over them. */
static void charge_and_energy_balance(void **state)
{
    (void)state;
    enum { STEPS = 400 };
    for (int in_series = 1; in_series <= 2; in_series++) {
        sag_design *design = circuit_load(CIRCUIT_HERON);
        sag_discharge_request request = request_of(design);
        request.in_series = in_series;
        sag_discharge *discharge = discharge_of(&request);
        double fresh_v = sag_discharge_fresh(discharge).open_circuit_v, low_v = end_v(discharge);
        double v[STEPS + 1], drain_a[STEPS + 1], terminal_v[STEPS + 1], dc_ohm[STEPS + 1];
        sag_discharge_time time[STEPS + 1];
        for (int i = 0; i <= STEPS; i++) {
            v[i] = fresh_v + (low_v - fresh_v) * i / STEPS;
            sag_conditions conditions = sag_discharge_conditions(discharge, v[i]);
            circuit c = {.design = design};
            assert_int_equal(sag_network_new(design, &conditions, &c.network, NULL), SAG_OK);
            assert_int_equal(sag_bias_new(c.network, &c.bias, NULL), SAG_OK);
            drain_a[i] = sag_bias_drain_a(c.bias);
            terminal_v[i] = sag_bias_terminal_v(c.bias);
            dc_ohm[i] = sag_network_supply(c.network)->dc_ohm;
            near_rel(sag_discharge_at(discharge, v[i]).drain_a, drain_a[i], 2e-4, "bias point");
            near_rel(sag_discharge_at(discharge, v[i]).terminal_v, terminal_v[i], 1e-5,
                     "bias point");
            sag_bias_free(c.bias);
            sag_network_free(c.network);
        }
        sag_discharge_use use = {.plugged_in = 2.0 / 24, .charge = SAG_CHARGE_TYPICAL};
        assert_int_equal(sag_discharge_run(discharge, &use, v, STEPS + 1, time), SAG_OK);
        double charge_c = 0, circuit_j = 0, heat_j = 0;
        for (int i = 0; i < STEPS; i++) {
            double h = time[i + 1].plugged_s - time[i].plugged_s;
            assert_true(h > 0);
            charge_c += h * (drain_a[i] + drain_a[i + 1]) / 2;
            circuit_j += h * (drain_a[i] * terminal_v[i] + drain_a[i + 1] * terminal_v[i + 1]) / 2;
            heat_j += h *
                      (drain_a[i] * drain_a[i] * dc_ohm[i] +
                       drain_a[i + 1] * drain_a[i + 1] * dc_ohm[i + 1]) /
                      2;
        }
        const sag_discharge_time *all = &time[STEPS];
        near_rel(all->charge_c, charge_c, 1e-3, "sum over the bias points");
        near_rel(all->circuit_j, circuit_j, 1e-3, "sum over the bias points");
        near_rel(all->heat_j, heat_j, 1e-3, "sum over the bias points");
        near_rel(all->emf_j, all->circuit_j + all->heat_j, 1e-3, "energy is kept");
        /* 590 mAh at any drain under 10 mA, whatever the number in series. */
        near_rel(all->charge_c + all->lost_c, 590 * 3.6, 1e-3, "the model's charge");
        sag_discharge_free(discharge);
        sag_design_free(design);
    }
}

static void the_spread_scales_the_hours(void **state)
{
    (void)state;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = discharge_of(&request);
    double least_c, most_c,
        charge_c = sag_battery_charge_c(design->supply.battery, 2.5e-3, &least_c, &most_c);
    double typical = time_at(discharge, 1, SAG_CHARGE_TYPICAL, end_v(discharge)).plugged_s;
    /* Self-discharge over ten days is a thousandth of it. */
    near_rel(time_at(discharge, 1, SAG_CHARGE_LEAST, end_v(discharge)).plugged_s / typical,
             least_c / charge_c, 1e-3, "charge of the model");
    near_rel(time_at(discharge, 1, SAG_CHARGE_MOST, end_v(discharge)).plugged_s / typical,
             most_c / charge_c, 1e-3, "charge of the model");
    /* An extra drain as large as the circuit's own halves the hours. */
    sag_discharge_use use = {.plugged_in = 1, .charge = SAG_CHARGE_TYPICAL, .extra_a = 2.45e-3};
    sag_discharge_time time;
    double v = end_v(discharge);
    assert_int_equal(sag_discharge_run(discharge, &use, &v, 1, &time), SAG_OK);
    near_rel(time.plugged_s / typical, 0.5, 0.02, "twice the drain, half the hours");
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* ---- ends and refusals ---- */

#define FOLLOWER(supply, parts)                                                                    \
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, 'supply': "       \
            "{'positive': 'bat', 'negative': 'neg', 'nominal': '9V', 'battery': '6lr61'" supply    \
            "}",                                                                                   \
            "'C1': {'capacitor': '1u', 'between': ['in', 'p']}, " parts                            \
            ", 'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "     \
            "['plus', 'neg']}")

/* tl072 stops at 3.5 V; the zener-like series voltage of 4 V brings it there at a battery of 7.5 V.
 */
static void it_ends_where_a_part_stops(void **state)
{
    (void)state;
    sag_design *design = circuit_read(FOLLOWER(
        "", "'V1': {'voltage': '4V', 'positive': 'bat', 'negative': 'plus'}, 'R1': {'resistor': "
            "'100k', 'between': ['plus', 'p']}, 'R2': {'resistor': '100k', 'between': ['p', "
            "'neg']}, 'R3': {'resistor': '1R', 'between': ['neg', 'ground']}"));
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = discharge_of(&request);
    assert_int_equal(sag_discharge_end_reason(discharge), SAG_END_STOPPED);
    assert_non_null(strstr(sag_discharge_stop_text(discharge), "U1A"));
    double stops_v = sag_design_part(design, "U1A")->opamp->stops_below_v;
    /* Whether a part works is judged with the currents at the supply asked for: 13 mV here. */
    near_abs(sag_discharge_last(discharge).terminal_v, 4 + stops_v, 0.02,
             "series voltage and model");
    near_abs(sag_discharge_find_rail(discharge, 0, stops_v + 0.02), end_v(discharge), 0.02,
             "where its rails come to that");
    double leaves_v = sag_discharge_find_rail(discharge, 0, 4.5);
    near_abs(sag_discharge_at(discharge, leaves_v).terminal_v, 8.5, 1e-3, "4.5 V and 4 V");
    sag_discharge_free(discharge);
    sag_design_free(design);
}

/* Two halves: each takes one battery, and the more drained one counts. */
static void halves_take_an_even_number(void **state)
{
    (void)state;
    sag_design *design = circuit_read(
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
                "'supply': {'positive': 'plus', 'negative': 'neg', 'middle': 'ground', "
                "'nominal': '18V', 'battery': '6lr61', 'in_series': 2}",
                "'C1': {'capacitor': '1u', 'between': ['in', 'out']}, "
                "'R1': {'resistor': '1k', 'between': ['plus', 'ground']}, "
                "'R2': {'resistor': '4k', 'between': ['neg', 'ground']}"));
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = NULL;
    assert_int_equal(sag_discharge_new(&request, &discharge, NULL), SAG_REFUSED);
    request.in_series = 2;
    discharge = discharge_of(&request);
    near_rel(sag_discharge_fresh(discharge).drain_a, 9.55 / 1003.6, 1e-6, "one battery on 1 kohm");
    near_rel(sag_discharge_evenness(discharge), 1003.6 / 4003.6, 1e-6, "1 kohm against 4 kohm");
    sag_discharge_free(discharge);
    sag_design_free(design);
}

static void what_cannot_be_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text, *change;
        int in_series;
        double until_v;
        sag_status status;
        const char *words;
    } cases[] = {
        {RESISTOR("6lr61", "1k"), "supply.battery=none", 1, (double)NAN, SAG_REFUSED, "no battery"},
        {RESISTOR("6lr61", "1k"), NULL, 0, (double)NAN, SAG_BAD_ARGUMENT, NULL},
        {RESISTOR("6lr61", "1k"), NULL, 11, (double)NAN, SAG_REFUSED, "more than 100 V"},
        {RESISTOR("6lr61", "1k"), NULL, 1, 9.6, SAG_REFUSED, "when fresh"},
        {FOLLOWER("", "'R1': {'resistor': '1R', 'between': ['bat', 'plus']}, 'R2': {'resistor': "
                      "'1R', 'between': ['neg', 'ground']}, 'R3': {'resistor': '1M', 'between': "
                      "['p', 'plus']}, 'R4': {'resistor': '1M', 'between': ['p', 'neg']}"),
         NULL, 4, (double)NAN, SAG_WOULD_DAMAGE, "would damage U1"},
        {CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, 'supply': "
                 "{'positive': 'bat', 'negative': 'ground', 'nominal': '9V', 'battery': '6lr61'}",
                 "'C1': {'capacitor': '1u', 'between': ['in', 'out']}, 'V1': {'voltage': '12V', "
                 "'positive': 'dc', 'negative': 'ground'}, 'R1': {'resistor': '1k', 'between': "
                 "['dc', 'bat']}"),
         NULL, 1, (double)NAN, SAG_REFUSED, "into the battery"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        sag_design *design = circuit_read(cases[i].text);
        sag_report *report = NULL;
        assert_int_equal(sag_report_new(&report), SAG_OK);
        if (cases[i].change) {
            circuit_change(design, cases[i].change);
        }
        sag_discharge_request request = request_of(design);
        request.in_series = cases[i].in_series;
        request.until_v = cases[i].until_v;
        sag_discharge *discharge = (sag_discharge *)design;
        assert_int_equal(sag_discharge_new(&request, &discharge, report), cases[i].status);
        assert_null(discharge);
        if (cases[i].words) {
            assert_true(sag_report_count(report) > 0);
            if (!strstr(sag_report_get(report, 0)->text, cases[i].words)) {
                print_error("case %zu: \"%s\" does not say \"%s\"\n", i,
                            sag_report_get(report, 0)->text, cases[i].words);
                fail();
            }
        }
        sag_report_free(report);
        sag_design_free(design);
    }
}

static void bad_uses_are_refused(void **state)
{
    (void)state;
    sag_design *design = circuit_read(RESISTOR("6lr61", "1k"));
    sag_discharge_request request = request_of(design);
    sag_discharge *discharge = discharge_of(&request);
    static const sag_discharge_use uses[] = {{0, SAG_CHARGE_TYPICAL, 0},
                                             {1.1, SAG_CHARGE_TYPICAL, 0},
                                             {(double)NAN, SAG_CHARGE_TYPICAL, 0},
                                             {1, SAG_CHARGE_TYPICAL, -1}};
    double v = 8;
    sag_discharge_time time;
    for (size_t i = 0; i < sizeof uses / sizeof *uses; i++) {
        assert_int_equal(sag_discharge_run(discharge, &uses[i], &v, 1, &time), SAG_BAD_ARGUMENT);
    }
    assert_true(isnan(sag_discharge_find(discharge, 1)));
    near_rel(sag_discharge_find(discharge, 20), 9.55, 1e-12, "below it from the start");
    sag_discharge_free(discharge);
    sag_discharge_free(NULL);
    sag_design_free(design);
}

static void threads_do_not_change_a_bit(void **state)
{
    (void)state;
    sag_design *design = circuit_load(CIRCUIT_HERON);
    double seconds[3];
    for (int i = 0; i < 3; i++) {
        sag_discharge_request request = request_of(design);
        request.threads = 1 + 3 * i;
        sag_discharge *discharge = discharge_of(&request);
        seconds[i] = time_at(discharge, 0.1, SAG_CHARGE_TYPICAL, end_v(discharge)).plugged_s;
        sag_discharge_free(discharge);
    }
    near_rel(seconds[1], seconds[0], 0, "one thread");
    near_rel(seconds[2], seconds[0], 0, "one thread");
    sag_design_free(design);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_straight_battery_follows_its_closed_form),
        cmocka_unit_test(without_drain_only_storage_counts),
        cmocka_unit_test(service_hours_of_one_make),
        cmocka_unit_test(service_days_of_a_detector),
        cmocka_unit_test(service_hours_of_other_makes),
        cmocka_unit_test(charge_and_energy_balance),
        cmocka_unit_test(the_spread_scales_the_hours),
        cmocka_unit_test(it_ends_where_a_part_stops),
        cmocka_unit_test(halves_take_an_even_number),
        cmocka_unit_test(what_cannot_be_is_refused),
        cmocka_unit_test(bad_uses_are_refused),
        cmocka_unit_test(threads_do_not_change_a_bit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
