/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model: the four kinds of model file, and finding them. */
#include "fail_alloc.h"
#include "reading.h"

#define OPAMP_FILE   MODELS "/opamps/sample-dual.json"
#define SINGLE_FILE  MODELS "/opamps/sample-single.json"
#define BATTERY_FILE MODELS "/batteries/sample-9v.json"
#define DIODE_FILE   MODELS "/diodes/sample-diode.json"
#define COIL_FILE    MODELS "/pickups/sample-coil.json"
#define PIEZO_FILE   MODELS "/pickups/sample-piezo.json"
#define ACTIVE_FILE  MODELS "/pickups/sample-active.json"

static sag_status read_as(sag_model_kind kind, const char *text, size_t length, const char *file,
                          sag_report *report)
{
    sag_opamp_model *opamp = NULL;
    sag_battery_model *battery = NULL;
    sag_diode_model *diode = NULL;
    sag_pickup_model *pickup = NULL;
    sag_status status = SAG_BAD_ARGUMENT;
    int made = 0;
    switch (kind) {
    case SAG_MODEL_OPAMP:
        status = sag_opamp_model_read(text, length, file, &opamp, report);
        made = opamp != NULL;
        break;
    case SAG_MODEL_BATTERY:
        status = sag_battery_model_read(text, length, file, &battery, report);
        made = battery != NULL;
        break;
    case SAG_MODEL_DIODE:
        status = sag_diode_model_read(text, length, file, &diode, report);
        made = diode != NULL;
        break;
    case SAG_MODEL_PICKUP:
        status = sag_pickup_model_read(text, length, file, &pickup, report);
        made = pickup != NULL;
        break;
    }
    assert_int_equal(made, status == SAG_OK);
    sag_opamp_model_free(opamp);
    sag_battery_model_free(battery);
    sag_diode_model_free(diode);
    sag_pickup_model_free(pickup);
    return status;
}

static void opamp_figures(void **state)
{
    (void)state;
    char *text = load(OPAMP_FILE);
    sag_opamp_model *m = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_opamp_model_read(text, strlen(text), OPAMP_FILE, &m, report), SAG_OK);
    assert_int_equal(sag_report_count(report), 0);
    assert_string_equal(m->head.name, "sample-dual");
    assert_string_equal(m->head.file, OPAMP_FILE);
    assert_int_equal(m->amplifiers, 2);
    near_rel(m->supply_min_v, 7, 1e-12, FORM);
    near_rel(m->supply_max_v, 30, 1e-12, FORM);
    near_rel(m->absolute_max_v, 36, 1e-12, FORM);
    near_rel(m->stops_below_v, 3.5, 1e-12, FORM);
    near_rel(m->gain_bandwidth_hz, 3e6, 1e-12, FORM);
    near_rel(m->phase_margin_deg, 45, 1e-12, FORM);
    near_rel(m->slew_rise, 13e6, 1e-12, FORM);
    near_rel(m->slew_fall, 12e6, 1e-12, FORM);
    near_rel(m->open_loop_gain, 199526.231497, 1e-9, "106 dB = 10^5.3");
    near_rel(m->supply_current_a, 1.4e-3, 1e-12, FORM);
    near_rel(m->thd_floor, 3e-5, 1e-12, FORM);
    assert_int_equal(m->high_count, 2);
    assert_int_equal(m->low_count, 2);
    near_rel(m->high[0].current_a, 0.7e-3, 1e-12, "points come in rising current");
    near_rel(m->high[1].drop_v, 3, 1e-12, FORM);
    assert_true(isnan(m->high[0].supply_v));
    near_rel(m->low[0].supply_v, 10, 1e-12, "points come in rising supply");
    near_rel(m->low[0].drop_v, 1.1, 1e-12, FORM);
    near_rel(m->output_ohm, 120, 1e-12, FORM);
    near_rel(m->short_source_a, 26e-3, 1e-12, FORM);
    near_rel(m->short_sink_a, 20e-3, 1e-12, FORM);
    near_rel(m->class_a_source_a, 5e-3, 1e-12, FORM);
    near_rel(m->class_a_sink_a, 37e-6, 1e-12, FORM);
    near_rel(m->dead_band_v, 0.6, 1e-12, FORM);
    near_rel(m->input_low.specified_v, 3, 1e-12, FORM);
    near_rel(m->input_low.works_to_v, 1, 1e-12, FORM);
    near_rel(m->input_low.reverses_at_v, 0.3, 1e-12, FORM);
    near_rel(m->input_high.works_to_v, -0.1, 1e-12, FORM);
    assert_true(isnan(m->input_high.reverses_at_v));
    near_rel(m->offset_v, 3e-3, 1e-12, FORM);
    near_rel(m->bias_a, 65e-12, 1e-12, FORM);
    near_rel(m->input_ohm, 1e12, 1e-12, FORM);
    near_rel(m->input_farad, 5e-12, 1e-12, FORM);
    assert_int_equal(m->differential_diodes, 1);
    near_rel(m->noise_voltage, 18e-9, 1e-12, FORM);
    near_rel(m->noise_voltage_corner_hz, 100, 1e-12, FORM);
    near_rel(m->noise_current, 10e-15, 1e-12, FORM);
    near_rel(m->noise_current_corner_hz, 50, 1e-12, FORM);
    assert_int_equal(m->against_count, 2);
    near_rel(m->against[0].supply_v, 5, 1e-12, "rows come in rising supply");
    near_rel(m->against[0].gain_bandwidth, 0.6, 1e-12, FORM);
    assert_true(isnan(m->against[0].slew_rate));
    assert_string_equal(m->against[0].estimate, "made up");
    assert_null(m->against[1].estimate);
    assert_string_equal(m->low[0].estimate, "made up");
    assert_null(m->low[1].estimate);
    assert_null(m->high[0].estimate);
    near_rel(m->limits.gain_bandwidth_hz.min, 2e6, 1e-12, FORM);
    near_rel(m->limits.gain_bandwidth_hz.max, 5e6, 1e-12, FORM);
    near_rel(m->limits.slew_rate.min, 8e6, 1e-12, FORM);
    assert_true(isnan(m->limits.slew_rate.max));
    near_rel(m->limits.open_loop_gain.min, 25000, 1e-12, FORM);
    near_rel(m->limits.supply_current_a.max, 2.5e-3, 1e-12, FORM);
    near_rel(m->limits.short_circuit_a.min, 10e-3, 1e-12, FORM);
    near_rel(m->limits.short_circuit_a.max, 60e-3, 1e-12, FORM);
    near_rel(m->limits.offset_v.max, 10e-3, 1e-12, FORM);
    near_rel(m->limits.bias_a.max, 200e-12, 1e-12, FORM);
    near_rel(m->limits.drop.max, 1.67, 1e-12, FORM);
    sag_opamp_model_free(m);
    sag_report_free(report);
    sag_free(text);
}

/* design.md, section 4: what is left out is ideal. */
static void opamp_left_out_is_ideal(void **state)
{
    (void)state;
    char *text =
        edit(load(SINGLE_FILE), "\"output\": {", "\"output\": {\"short_circuit\": \"10mA\", ", 0);
    sag_opamp_model *m = NULL;
    assert_int_equal(sag_opamp_model_read(text, strlen(text), SINGLE_FILE, &m, NULL), SAG_OK);
    assert_string_equal(m->head.title, "sample-single");
    assert_int_equal(m->amplifiers, 1);
    near_rel(m->slew_fall, m->slew_rise, 0, "one slew rate is that of both directions");
    near_rel(m->short_sink_a, 10e-3, 1e-12, "one limit is that of both directions");
    near_abs(m->stops_below_v, 0, 0, "model.h");
    assert_true(isnan(m->phase_margin_deg) && isnan(m->thd_floor) && isnan(m->output_ohm));
    assert_true(isinf(m->open_loop_gain) && isinf(m->input_ohm));
    assert_true(isnan(m->input_low.works_to_v) && isnan(m->input_high.specified_v));
    const sag_opamp_limits *limits = &m->limits;
    const sag_figure_limit *all[] = {&limits->gain_bandwidth_hz, &limits->slew_rate,
                                     &limits->open_loop_gain,    &limits->supply_current_a,
                                     &limits->offset_v,          &limits->bias_a,
                                     &limits->short_circuit_a,   &limits->drop};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        assert_true(isnan(all[i]->min) && isnan(all[i]->max));
    }
    near_abs(m->offset_v + m->bias_a + m->input_farad + m->noise_voltage + m->dead_band_v, 0, 0,
             "model.h");
    sag_opamp_model_free(m);
    sag_free(text);

    text = load(SINGLE_FILE);
    assert_int_equal(sag_opamp_model_read(text, strlen(text), SINGLE_FILE, &m, NULL), SAG_OK);
    assert_true(isinf(m->short_source_a) && isinf(m->short_sink_a));
    sag_opamp_model_free(m);
    sag_free(text);
}

/* The sample holds 540 mAh +- 15 % at 10 mA and, with the edit, 310 mAh -40 +20 % at 100 mA. */
static void battery_charge(void **state)
{
    (void)state;
    static const struct {
        double drain_a, charge_mah, least_mah, most_mah;
        const char *why;
    } cases[] = {
        {1e-3, 540, 459, 621, "held below the first row"},
        {10e-3, 540, 459, 621, "the first row"},
        {31.6227766e-3, 425, 308.125, 499.375,
         "half way on a log scale: the means, 27.5 and 17.5 %"},
        {100e-3, 310, 186, 372, "the last row"},
        {1, 310, 186, 372, "held beyond the last row"},
    };
    sag_battery_model *battery = NULL;
    char *text = edit(load(BATTERY_FILE), "\"charge\": \"310mAh\"",
                      "\"charge\": \"310mAh\", \"spread\": {\"down\": \"40%\", \"up\": 0.2}", 0);
    assert_int_equal(sag_battery_model_read(text, strlen(text), BATTERY_FILE, &battery, NULL),
                     SAG_OK);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double least_c, most_c;
        near_rel(sag_battery_charge_c(battery, cases[i].drain_a, &least_c, &most_c),
                 3.6 * cases[i].charge_mah, 1e-9, cases[i].why);
        near_rel(least_c, 3.6 * cases[i].least_mah, 1e-9, cases[i].why);
        near_rel(most_c, 3.6 * cases[i].most_mah, 1e-9, cases[i].why);
        near_rel(sag_battery_charge_c(battery, cases[i].drain_a, NULL, NULL),
                 3.6 * cases[i].charge_mah, 1e-9, cases[i].why);
    }
    near_rel(sag_battery_kept(battery, 2 * 365.25 * 86400), 0.9409, 1e-9, "0.97 squared");
    near_rel(sag_battery_kept(battery, 0), 1, 0, "nothing lost yet");
    sag_battery_model_free(battery);
    sag_free(text);

    text = edit(load(BATTERY_FILE), "\"540mAh\", \"spread\": \"15%\"},", "\"540mAh\"}", 0);
    text = edit(text, "    {\"drain\": \"100mA\", \"charge\": \"310mAh\"}\n", "", 0);
    text = edit(text, "\"nominal\"", "\"rechargeable\": true, \"nominal\"", 0);
    assert_int_equal(sag_battery_model_read(text, strlen(text), BATTERY_FILE, &battery, NULL),
                     SAG_OK);
    near_rel(sag_battery_charge_c(battery, 1e-3, NULL, NULL), 1944, 1e-12, "one row holds at all");
    near_rel(sag_battery_charge_c(battery, 1, NULL, NULL), 1944, 1e-12, "one row holds at all");
    assert_int_equal(battery->rechargeable, 1);
    sag_battery_model_free(battery);
    sag_free(text);
}

static void other_kinds(void **state)
{
    (void)state;
    sag_battery_model *battery = NULL;
    char *text = load(BATTERY_FILE);
    assert_int_equal(sag_battery_model_read(text, strlen(text), BATTERY_FILE, &battery, NULL),
                     SAG_OK);
    near_rel(battery->nominal_v, 9, 1e-12, FORM);
    near_rel(battery->flat_v, 4.8, 1e-12, FORM);
    near_rel(battery->self_discharge_per_year, 0.03, 1e-12, FORM);
    near_rel(battery->shelf_life_s, 5 * 365.25 * 86400, 1e-12, "5 Julian years");
    assert_int_equal(battery->row_count, 2);
    near_rel(battery->rows[1].depth, 1, 0, FORM);
    near_rel(battery->rows[1].open_circuit_v, 5.2, 1e-12, FORM);
    near_rel(battery->rows[0].audio_ohm, 1.7, 1e-12, FORM);
    near_rel(battery->rows[0].dc_ohm, 4, 1e-12, FORM);
    assert_int_equal(battery->capacity_count, 2);
    near_rel(battery->capacity[0].charge_c, 1944, 1e-12, "540 mAh = 0.54 x 3600 C");
    near_rel(battery->capacity[0].spread_down, 0.15, 1e-12, FORM);
    near_rel(battery->capacity[0].spread_up, 0.15, 1e-12, "one spread is that of both directions");
    near_abs(battery->capacity[1].spread_down, 0, 0, "model.h: 0 when not given");
    assert_int_equal(battery->rechargeable, 0);
    sag_battery_model_free(battery);
    sag_free(text);

    sag_diode_model *diode = NULL;
    text = load(DIODE_FILE);
    assert_int_equal(sag_diode_model_read(text, strlen(text), DIODE_FILE, &diode, NULL), SAG_OK);
    assert_int_equal(diode->forward_count, 2);
    near_rel(diode->forward[1].current_a, 1, 1e-12, FORM);
    near_rel(diode->forward[1].voltage_v, 0.45, 1e-12, FORM);
    near_rel(diode->breakdown_v, 20, 1e-12, FORM);
    sag_diode_model_free(diode);
    text = edit(text, ",\n  \"breakdown\": \"20V\"", "", 0);
    assert_int_equal(sag_diode_model_read(text, strlen(text), DIODE_FILE, &diode, NULL), SAG_OK);
    assert_true(isinf(diode->breakdown_v));
    sag_diode_model_free(diode);
    sag_free(text);

    sag_pickup_model *pickup = NULL;
    text = load(COIL_FILE);
    assert_int_equal(sag_pickup_model_read(text, strlen(text), COIL_FILE, &pickup, NULL), SAG_OK);
    near_rel(pickup->ohm, 11e3, 1e-12, FORM);
    near_rel(pickup->henry, 5, 1e-12, FORM);
    near_rel(pickup->farad, 120e-12, 1e-12, FORM);
    near_abs(pickup->series_farad, 0, 0, "a coil has none");
    assert_int_equal(pickup->level_count, 2);
    assert_string_equal(pickup->level_names[1], "normal");
    near_rel(pickup->level_vpk[1], 0.8, 1e-12, FORM);
    sag_pickup_model_free(pickup);
    sag_free(text);

    text = load(PIEZO_FILE);
    assert_int_equal(sag_pickup_model_read(text, strlen(text), PIEZO_FILE, &pickup, NULL), SAG_OK);
    near_rel(pickup->series_farad, 1e-9, 1e-12, FORM);
    near_abs(pickup->henry + pickup->ohm + pickup->farad, 0, 0, "a bare piezo");
    assert_int_equal(pickup->active, 0);
    sag_pickup_model_free(pickup);
    sag_free(text);

    text = load(ACTIVE_FILE);
    assert_int_equal(sag_pickup_model_read(text, strlen(text), ACTIVE_FILE, &pickup, NULL), SAG_OK);
    near_rel(pickup->ohm, 1000, 1e-12, FORM);
    near_abs(pickup->henry + pickup->series_farad + pickup->farad, 0, 0, "only a resistance");
    assert_int_equal(pickup->active, 1);
    sag_pickup_model_free(pickup);
    sag_free(text);
}

/* One edit of a good file, and what is to be said about it. */
typedef struct {
    sag_model_kind kind;
    const char *file, *find, *put, *place, *words;
} refusal;

#define OPAMP   SAG_MODEL_OPAMP, OPAMP_FILE
#define BATTERY SAG_MODEL_BATTERY, BATTERY_FILE
#define DIODE   SAG_MODEL_DIODE, DIODE_FILE
#define COIL    SAG_MODEL_PICKUP, COIL_FILE
#define PIEZO   SAG_MODEL_PICKUP, PIEZO_FILE
#define ACTIVE  SAG_MODEL_PICKUP, ACTIVE_FILE

static const refusal refusals[] = {
    {OPAMP, "opamp 1", "opamp 2", "format", "version"},
    {OPAMP, "railsag opamp 1", "railsag opamp1", "format", "railsag opamp 1"},
    {OPAMP, "railsag opamp 1", "railsag battery 1", "format",
     "of kind battery, and one of kind opamp"},
    {OPAMP, "railsag opamp 1", "something else", "format", "railsag opamp 1"},
    {OPAMP, "\"name\": \"sample-dual\",", "", "", "\"name\" is missing"},
    {OPAMP, "\"name\": \"sample-dual\"", "\"name\": \"a/b\"", "name", "a/b"},
    {OPAMP, "\"source\": \"made up for the tests\"", "\"source\": \"\"", "source", "empty"},
    {OPAMP, "\"source\": \"made up for the tests\",", "", "", "\"source\" is missing"},
    {OPAMP, "\"slew_rate\": \"rise", "\"slew_rat\": \"rise", "sources.slew_rat",
     "did you mean \"slew_rate\"?"},
    {OPAMP, "\"output.high\": \"", "\"output.hih\": \"", "sources.output.hih",
     "names no figure in this file"},
    {OPAMP, "\"output.high\": \"", "\"title\": \"", "sources.title",
     "names no figure in this file"},
    {OPAMP, "\"estimate: made up as well\"", "3", "sources.output.high", "a source must be a text"},
    {OPAMP, "[\"no real part\"]", "\"no real part\"", "notes", "not a list"},
    {OPAMP, "[\"no real part\"]", "[3]", "notes[0]", "no text"},
    {OPAMP, "\"amplifiers\": 2", "\"amplifiers\": 0", "amplifiers", "out of range"},
    {OPAMP, "\"min\": \"7V\"", "\"min\": \"31V\"", "supply.min", "min (31 V) is above max (30 V)"},
    {OPAMP, "\"absolute_max\": \"36V\"", "\"absolute_max\": \"29V\"", "supply.absolute_max",
     "above absolute_max (29 V)"},
    {OPAMP, "\"3.5V\"", "\"7.5V\"", "supply.stops_below", "above min (7 V)"},
    {OPAMP, "\"stops_below\"", "\"stops_belo\"", "supply.stops_belo",
     "did you mean \"stops_below\"?"},
    {OPAMP, "\"gain_bandwidth\": \"3MHz\"", "\"gain_bandwidth\": \"3V\"", "gain_bandwidth", "3V"},
    {OPAMP, "{\"rise\": \"13V/us\", ", "{", "slew_rate", "\"rise\" is missing"},
    {OPAMP, "\"drop\": \"3V\"", "\"drop\": \"1V\"", "output.high[0]", "falls with current"},
    {OPAMP, "\"drop\": \"1.5V\"}\n    ],\n    \"low\"", "\"drop\": \"0V\"}\n    ],\n    \"low\"",
     "output.high[1].drop", "out of range"},
    {OPAMP, "{\"supply\": \"30V\", \"current\": \"0.7mA\", \"drop\": \"1.5V\"}",
     "{\"supply\": \"30V\", \"current\": \"0.7mA\", \"drop\": \"21.2V\"}", "output.low[0]",
     "rises faster than the supply"},
    {OPAMP, "{\"supply\": \"10V\", \"current\": \"0.7mA\"",
     "{\"supply\": \"30V\", \"current\": \"10mA\", \"drop\": \"22V\"}, "
     "{\"supply\": \"10V\", \"current\": \"5mA\", \"drop\": \"1.2V\"}, "
     "{\"supply\": \"10V\", \"current\": \"0.7mA\"",
     "output.low[0]", "at 10 mA the drop rises faster than the supply"},
    {OPAMP, "{\"supply\": \"30V\", ", "{", "output.low", "1 of 2 points have a supply"},
    {OPAMP, "\"supply\": \"30V\", \"current\"", "\"supply\": \"10V\", \"current\"", "output.low[1]",
     "two points at 0.7 mA"},
    {OPAMP, "\"sink\": \"20mA\"", "\"sunk\": \"20mA\"", "output.short_circuit",
     "\"sink\" is missing"},
    {OPAMP, ", \"dead_band\": \"0.6V\"", "", "output.crossover", "\"dead_band\" is missing"},
    {OPAMP, "\"works_to\": \"1V\"", "\"works_to\": \"4V\"", "input.low_side.works_to",
     "further inside the rail than specified"},
    {OPAMP, "\"reverses_at\": \"0.3V\"", "\"reverses_at\": \"1.3V\"", "input.low_side.reverses_at",
     "further inside the rail than works_to"},
    {OPAMP, "\"differential_diodes\": true", "\"differential_diodes\": \"yes\"",
     "input.differential_diodes", "yes"},
    {OPAMP, "\"supply_current\": \"80%\"", "\"supply_current\": \"101%\"", "against_supply[0]",
     "supply current falls with supply"},
    {OPAMP, "{\"supply\": \"5V\"", "{\"supply\": \"10V\"", "against_supply[1]", "two rows at 10 V"},
    {OPAMP, "\"gain_bandwidth\": \"60%\", \"supply_current\": \"80%\", ", "", "against_supply[1]",
     "scales no figure"},
    {OPAMP, "\"estimate\": \"made up\"}\n    ],\n    \"resi",
     "\"estimate\": 1}\n    ],\n    \"resi", "output.low[1].estimate", "text"},
    {OPAMP, "{\"min\": \"8V/us\"}", "{}", "limits.slew_rate", "no figure"},
    {OPAMP, "{\"min\": \"8V/us\"}", "{\"min\": \"12.5V/us\"}", "limits.slew_rate.min",
     "above the typical figure"},
    {OPAMP, "{\"max\": \"2.5mA\"}", "{\"max\": \"1.3mA\"}", "limits.supply_current.max",
     "below the typical figure"},
    {OPAMP, "{\"max\": \"167%\"}", "{\"max\": \"90%\"}", "limits.drop.max",
     "below the typical figure"},
    {OPAMP, "\"bias_current\": \"65pA\",", "", "limits.bias_current", "a figure that is left out"},
    {OPAMP, "{\"max\": \"10mV\"}", "{\"most\": \"10mV\", \"max\": 1}", "limits.offset.most",
     "known here: min, max"},
    {OPAMP, "\"slew_rate\": {\"min\"", "\"slew\": {\"min\"", "limits.slew",
     "known here: gain_bandwidth, slew_rate"},
    {BATTERY, "\"flat\": \"4.8V\"", "\"flat\": \"9.6V\"", "flat", "not below the open-circuit"},
    {BATTERY, "\"depth\": \"0%\"", "\"depth\": \"1%\"", "cell[0]", "depth of 1 %"},
    {BATTERY, "\"depth\": \"100%\"", "\"depth\": \"90%\"", "cell[1]", "depth of 90 %"},
    {BATTERY, "\"depth\": \"100%\"", "\"depth\": \"0%\"", "cell[1]", "does not follow"},
    {BATTERY, "\"5.2V\"", "\"9.55V\"", "cell[1]", "not below 9.55 V"},
    {BATTERY, "\"resistance_dc\": \"4R\"", "\"resistance_dc\": \"1R\"", "cell[0]",
     "below resistance_audio"},
    {BATTERY, "\"drain\": \"100mA\"", "\"drain\": \"10mA\"", "capacity[1]", "does not follow"},
    {BATTERY, "\"310mAh\"", "\"560mAh\"", "capacity[1]", "above 540 mAh, the row before it"},
    {BATTERY, "\"15%\"", "{\"down\": \"15%\"}", "capacity[0].spread", "\"up\" is missing"},
    {BATTERY, "\"15%\"", "{\"down\": \"100%\", \"up\": 0}", "capacity[0].spread.down",
     "out of range"},
    {BATTERY, "\"3%\"", "\"100%\"", "self_discharge_per_year", "out of range"},
    {BATTERY, "\"nominal\"", "\"rechargable\": true, \"nominal\"", "rechargable",
     "did you mean \"rechargeable\"?"},
    {BATTERY, "\"cell.open_circuit\"", "\"cell.open\"", "sources.cell.open",
     "names no figure in this file"},
    {BATTERY, "\"shelf_life\": \"5y\"", "\"shelf_life\": \"5V\"", "shelf_life", "5V"},
    {DIODE, "\"0.45V\"", "\"0.2V\"", "forward[1]", "does not follow"},
    {DIODE, "\"current\": \"1A\"", "\"current\": \"1mA\"", "forward[1]", "does not follow"},
    {DIODE, "\"20V\"", "\"-20V\"", "breakdown", "out of range"},
    {DIODE, "\"voltage\": \"0.45V\"}", "\"voltage\": \"0.45V\"}, {}, {}", "forward", "4 elements"},
    {COIL, "\"inductance\"", "\"series_capacitance\": \"1n\", \"inductance\"", "series_capacitance",
     "both"},
    {COIL, "  \"inductance\": \"5H\",\n", "", "", "neither"},
    {COIL, "\"resistance\": \"11k\",", "", "", "\"resistance\" is missing"},
    {COIL, "\"0.8Vpk\"", "\"0.8V\"", "levels.normal", "0.8V"},
    {COIL, "\"0.8Vpk\"", "\"2000Vpk\"", "levels.normal", "out of range"},
    {COIL, "\"normal\"", "\"norml\"", "levels.norml", "did you mean \"normal\"?"},
    {ACTIVE, "\"resistance\": \"1k\"", "\"resistance\": \"1k\", \"inductance\": \"1H\"",
     "inductance", "an active source has neither"},
    {ACTIVE, "\"active\": true,", "", "", "neither"},
    {ACTIVE, ",\n  \"resistance\": \"1k\"", "", "", "\"resistance\" is missing"},
    {PIEZO, "\"1n\"", "\"1u\", \"active\": true, \"resistance\": 1", "series_capacitance",
     "an active source has neither"},
    {PIEZO, "\"1n\"", "\"1u\", \"serial\": 1", "serial", "not known"},
};

static void bad_figures_are_refused(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof refusals / sizeof *refusals; i++) {
        const refusal *r = &refusals[i];
        sag_report *report = NULL;
        char *text = edit(load(r->file), r->find, r->put, 0);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_status status = read_as(r->kind, text, strlen(text), "a file", report);
        if (status != SAG_BAD_INPUT || !has_finding(report, SAG_ERROR, r->place, r->words)) {
            print_error("%s instead of %s: expected \"%s\" at %s, got status %s and\n", r->put,
                        r->find, r->words, r->place, sag_status_name(status));
            print_findings(report);
            wrong++;
        }
        for (size_t k = 0; k < sag_report_count(report); k++) {
            assert_string_equal(sag_report_get(report, k)->place.file, "a file");
        }
        sag_report_free(report);
        sag_free(text);
    }
    assert_int_equal(wrong, 0);
}

static void every_error_comes_out(void **state)
{
    (void)state;
    sag_report *report = NULL;
    char *text = load(OPAMP_FILE);
    text = edit(text, "\"3MHz\"", "\"3,0MHz\"", 0);
    text = edit(text, "\"min\": \"7V\"", "\"min\": \"31V\"", 0);
    text = edit(text, "\"noise\"", "\"nose\"", 0);
    text = edit(text, "\"65pA\"", "65000", 0);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(read_as(SAG_MODEL_OPAMP, text, strlen(text), "a file", report), SAG_BAD_INPUT);
    if (sag_report_count_of(report, SAG_ERROR) != 4) {
        print_findings(report);
        fail();
    }
    sag_report_free(report);
    sag_free(text);
}

/* As in the refusals, but at 10 mA the drop rises by 19.7 V over 20 V of supply. */
static void steep_drops_are_accepted(void **state)
{
    (void)state;
    char *text = edit(load(OPAMP_FILE), "{\"supply\": \"10V\", \"current\": \"0.7mA\"",
                      "{\"supply\": \"30V\", \"current\": \"10mA\", \"drop\": \"21V\"}, "
                      "{\"supply\": \"10V\", \"current\": \"5mA\", \"drop\": \"1.2V\"}, "
                      "{\"supply\": \"10V\", \"current\": \"0.7mA\"",
                      0);
    sag_opamp_model *m = NULL;
    assert_int_equal(sag_opamp_model_read(text, strlen(text), OPAMP_FILE, &m, NULL), SAG_OK);
    assert_int_equal(m->low_count, 4);
    static const double expected[4][2] = {{10, 0.7e-3}, {10, 5e-3}, {30, 0.7e-3}, {30, 10e-3}};
    for (size_t i = 0; i < 4; i++) {
        near_rel(m->low[i].supply_v, expected[i][0], 1e-12, "rising supply, then rising current");
        near_rel(m->low[i].current_a, expected[i][1], 1e-12, "rising supply, then rising current");
    }
    sag_opamp_model_free(m);
    sag_free(text);
}

/* Drops of 3 V and 5.8 x 7/10 V below the first supply of the table leave 7 V nothing; that may be
 * what the sheet says. */
static void no_room_is_a_warning(void **state)
{
    (void)state;
    sag_report *report = NULL;
    char *text = edit(load(OPAMP_FILE), "\"drop\": \"1.5V\"}\n    ],\n    \"low\"",
                      "\"drop\": \"3V\"}\n    ],\n    \"low\"", 0);
    text = edit(text, "\"10V\", \"current\": \"0.7mA\", \"drop\": \"1.1V\"",
                "\"10V\", \"current\": \"0.7mA\", \"drop\": \"5.8V\"", 0);
    text = edit(text, "\"30V\", \"current\": \"0.7mA\", \"drop\": \"1.5V\"",
                "\"30V\", \"current\": \"0.7mA\", \"drop\": \"5.8V\"", 0);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(read_as(SAG_MODEL_OPAMP, text, strlen(text), "a file", report), SAG_OK);
    assert_true(has_finding(report, SAG_WARNING, "output", "3 V and 4.06 V leave no swing"));
    sag_report_free(report);
    sag_free(text);
}

/* A slew rate without its unit is one of V/s; nothing is wrong with that but that no part has it. */
static void a_linear_range_that_no_part_has_is_a_warning(void **state)
{
    (void)state;
    static const struct {
        const char *bandwidth, *warning;
    } cases[] = {{"3MHz", NULL}, {"300MHz", "6.9 mV apart already slew"}, {"300kHz", "6.9e+03 mV"}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[1024];
        sag_report *report = NULL;
        snprintf(text, sizeof text,
                 "{\"format\": \"railsag opamp 1\", \"name\": \"a\", \"title\": \"a\", "
                 "\"source\": \"made up\", \"supply\": {\"min\": \"3V\", \"max\": \"30V\", "
                 "\"absolute_max\": \"30V\"}, \"gain_bandwidth\": \"%s\", \"slew_rate\": "
                 "\"13V/us\", \"supply_current\": \"1mA\", \"output\": {\"high\": [{\"current\": "
                 "\"0A\", \"drop\": \"1V\"}], \"low\": [{\"current\": \"0A\", \"drop\": "
                 "\"1V\"}]}}",
                 cases[i].bandwidth);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        assert_int_equal(read_as(SAG_MODEL_OPAMP, text, strlen(text), "a", report), SAG_OK);
        assert_int_equal(sag_report_count_of(report, SAG_WARNING), cases[i].warning != NULL);
        if (cases[i].warning) {
            assert_true(has_finding(report, SAG_WARNING, "slew_rate", cases[i].warning));
        }
        sag_report_free(report);
    }
}

/* Rows at 5, 10 and 30 V, the one at 10 V an estimate. */
static void estimated_drops(void **state)
{
    (void)state;
    static const sag_drop_point with_supply[] = {{5, 1e-3, 1, NULL},
                                                 {10, 1e-3, 1, "a sibling"},
                                                 {10, 5e-3, 2, NULL},
                                                 {20, 1e-3, 1, NULL},
                                                 {30, 1e-3, 1, NULL}};
    static const sag_drop_point at_all[] = {{(double)NAN, 1e-3, 1, NULL},
                                            {(double)NAN, 5e-3, 2, NULL}};
    static const sag_drop_point guessed[] = {{(double)NAN, 1e-3, 1, NULL},
                                             {(double)NAN, 5e-3, 2, "a sibling"}};
    static const struct {
        double supply_v;
        int is_estimate;
    } cases[] = {{3, 1}, {5, 0}, {7, 1}, {10, 1}, {15, 1}, {20, 0}, {25, 0}, {30, 0}, {40, 0}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        assert_int_equal(sag_drop_is_estimate(with_supply, 5, cases[i].supply_v),
                         cases[i].is_estimate);
        assert_int_equal(sag_drop_is_estimate(at_all, 2, cases[i].supply_v), 0);
        assert_int_equal(sag_drop_is_estimate(guessed, 2, cases[i].supply_v), 1);
    }
}

static void figure_sources(void **state)
{
    (void)state;
    static const struct {
        const char *figure, *text;
    } cases[] = {
        {"slew_rate", "rise made up, fall made up"},
        {"slew_rate.rise", "rise made up, fall made up"},
        {"output.high", "estimate: made up as well"},
        {"output.high[1].drop", "estimate: made up as well"},
        {"output.low", "made up for the tests"},
        {"output", "made up for the tests"},
        {"slew_rate_of_another", "made up for the tests"},
        {"", "made up for the tests"},
    };
    char *text = load(OPAMP_FILE);
    sag_opamp_model *m = NULL;
    assert_int_equal(sag_opamp_model_read(text, strlen(text), OPAMP_FILE, &m, NULL), SAG_OK);
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        assert_string_equal(sag_model_figure_source(&m->head, cases[i].figure), cases[i].text);
    }
    sag_opamp_model_free(m);
    sag_free(text);
    const sag_model_head empty = {0};
    assert_string_equal(sag_model_figure_source(&empty, "slew_rate"), "");
}

static void names_lead_to_files(void **state)
{
    (void)state;
    const sag_place from = {.file = "a design", .line = 7, .path = "parts.U1A.opamp"};
    sag_model_library *library = NULL;
    sag_report *report = NULL;
    const sag_opamp_model *a = NULL, *b = NULL;
    const sag_battery_model *battery = NULL;
    const sag_diode_model *diode = NULL;
    const sag_pickup_model *pickup = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_model_library_new(&path, &library), SAG_OK);

    assert_int_equal(sag_model_opamp(library, "sample-dual", NULL, from, &a, report), SAG_OK);
    assert_int_equal(sag_model_opamp(library, "SAMPLE-Dual", DESIGNS, from, &b, report), SAG_OK);
    assert_ptr_equal(a, b); /* each once, case ignored */
    assert_int_equal(sag_model_opamp(library, "sample-beside", DESIGNS, from, &b, report), SAG_OK);
    assert_string_equal(b->head.file, DESIGNS "/sample-beside.json");
    assert_int_equal(
        sag_model_opamp(library, "../models/opamps/sample-single.json", DESIGNS, from, &b, report),
        SAG_OK);
    assert_int_equal(sag_model_opamp(library, SINGLE_FILE, NULL, from, &b, report), SAG_OK);
    assert_int_equal(sag_model_battery(library, "sample-9v", NULL, from, &battery, report), SAG_OK);
    assert_int_equal(sag_model_diode(library, "sample-diode", NULL, from, &diode, report), SAG_OK);
    assert_int_equal(sag_model_pickup(library, "sample-coil", NULL, from, &pickup, report), SAG_OK);
    assert_int_equal(sag_report_count(report), 0);

    assert_int_equal(sag_model_opamp(library, "sample-daul", NULL, from, &a, report),
                     SAG_BAD_INPUT);
    assert_null(a);
    assert_true(has_finding(report, SAG_ERROR, from.path, "did you mean \"sample-dual\"?"));
    assert_int_equal(sag_report_get(report, 0)->place.line, 7);
    assert_int_equal(sag_model_opamp(library, "zz", DESIGNS, from, &a, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, from.path,
                            "known: sample-beside, sample-dual, sample-single"));
    assert_int_equal(sag_model_opamp(library, "nowhere/zz", NULL, from, &a, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, from.path, "there is no op-amp file"));
    assert_int_equal(sag_model_opamp(library, "", NULL, from, &a, report), SAG_BAD_INPUT);
    assert_int_equal(sag_model_opamp(library, BATTERY_FILE, NULL, from, &a, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, "format", "of kind battery, and one of kind opamp"));
    /* asked for again, a bad file is an error at the place that asks */
    assert_int_equal(sag_model_opamp(library, BATTERY_FILE, NULL, from, &a, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, from.path, "has errors"));
    assert_int_equal(sag_model_diode(library, "sample-beside", DESIGNS, from, &diode, report),
                     SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, from.path, "\"sample-beside\" is of kind opamp"));
    for (int i = 0; i < 2; i++) { /* said once, however often it is asked for */
        assert_int_equal(sag_model_diode(library, "sample-copy", DESIGNS, from, &diode, report),
                         SAG_OK);
        assert_int_equal(sag_report_count_of(report, SAG_WARNING), 1);
    }
    assert_true(has_finding(report, SAG_WARNING, "name", "names itself \"sample-diode\""));
    sag_model_library_free(library);
    sag_model_library_free(NULL);
    sag_report_free(report);
}

static void listing(void **state)
{
    (void)state;
    static const struct {
        sag_model_kind kind;
        const char *beside, *names;
    } cases[] = {
        {SAG_MODEL_OPAMP, NULL, "sample-dual sample-single "},
        {SAG_MODEL_OPAMP, DESIGNS, "sample-beside sample-dual sample-single "},
        {SAG_MODEL_BATTERY, DESIGNS, "sample-9v "},
        {SAG_MODEL_DIODE, NULL, "sample-diode "},
        {SAG_MODEL_PICKUP, MODELS, "sample-active sample-coil sample-piezo "},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char **names = NULL, **files = NULL, all[200] = "";
        size_t count = 99;
        assert_int_equal(
            sag_model_list(&path, cases[i].beside, cases[i].kind, &names, &files, &count), SAG_OK);
        for (size_t k = 0; k < count; k++) {
            snprintf(all + strlen(all), sizeof all - strlen(all), "%s ", names[k]);
            assert_non_null(strstr(files[k], names[k]));
            sag_free(names[k]);
            sag_free(files[k]);
        }
        sag_free(names);
        sag_free(files);
        assert_string_equal(all, cases[i].names);
    }
    char **names = NULL, **files = NULL;
    size_t count = 99;
    assert_int_equal(sag_model_list(NULL, NULL, SAG_MODEL_OPAMP, &names, &files, &count), SAG_OK);
    assert_int_equal(count, 0);
    sag_free(names);
    sag_free(files);
    assert_string_equal(sag_model_kind_name(SAG_MODEL_PICKUP), "pickup");
}

/* With memory short at the n-th allocation a call fails cleanly or loses no more than a finding. */
static void memory_short_while_reading(void **state)
{
    (void)state;
    static const struct {
        sag_model_kind kind;
        const char *file;
    } cases[] = {{OPAMP}, {BATTERY}, {DIODE}, {COIL}, {PIEZO}, {ACTIVE}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char *text = load(cases[i].file);
        long n = 0;
        int done = 0;
        while (!done) {
            fail_allocation_at(++n);
            sag_status status = read_as(cases[i].kind, text, strlen(text), "a file", NULL);
            done = allocations_seen() < n;
            fail_allocation_at(0);
            assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
            assert_true(n < 10000);
        }
        assert_true(n > 5);
        sag_free(text);
    }
}

static void memory_short_while_finding(void **state)
{
    (void)state;
    static const char *const asked[] = {"sample-dual", "sample-daul", SINGLE_FILE};
    for (size_t i = 0; i < sizeof asked / sizeof *asked; i++) {
        long n = 0;
        int done = 0;
        while (!done) {
            sag_model_library *library = NULL;
            const sag_opamp_model *opamp = NULL;
            fail_allocation_at(++n);
            sag_status status = sag_model_library_new(&path, &library);
            if (status == SAG_OK) {
                status = sag_model_opamp(library, asked[i], DESIGNS, (sag_place){0}, &opamp, NULL);
            }
            done = allocations_seen() < n;
            fail_allocation_at(0);
            assert_int_equal(status, !done ? SAG_NO_MEMORY : i == 1 ? SAG_BAD_INPUT : SAG_OK);
            assert_int_equal(opamp != NULL, status == SAG_OK);
            sag_model_library_free(library);
            assert_true(n < 10000);
        }
    }
}

/* Bytes taken out, doubled or exchanged: never a crash, and never a failure without an error. */
static void broken_files(void **state)
{
    (void)state;
    static const struct {
        sag_model_kind kind;
        const char *file;
    } cases[] = {{OPAMP}, {BATTERY}, {DIODE}, {COIL}};
    static const char bytes[] = "\"{}[]:,0-9.eV%mMk \n\\\x01\xff";
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char *text = load(cases[i].file);
        size_t length = strlen(text);
        char *broken = sag_new(length + 2, 1);
        assert_non_null(broken);
        for (size_t at = 0; at < length; at++) {
            for (int way = 0; way < 3; way++) {
                sag_report *report = NULL;
                size_t skip = way == 0 ? 1 : 0, twice = way == 1 ? 1 : 0;
                memcpy(broken, text, at + twice);
                memcpy(broken + at + twice, text + at + skip, length - at - skip);
                if (way == 2) {
                    broken[at] = bytes[(at * 7 + i) % (sizeof bytes - 1)];
                }
                assert_int_equal(sag_report_new(&report), SAG_OK);
                sag_status status =
                    read_as(cases[i].kind, broken, length + twice - skip, "a file", report);
                assert_true(status == SAG_OK || status == SAG_BAD_INPUT);
                assert_int_equal(sag_report_count_of(report, SAG_ERROR) > 0, status != SAG_OK);
                sag_report_free(report);
            }
        }
        sag_free(broken);
        sag_free(text);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(opamp_figures),
        cmocka_unit_test(opamp_left_out_is_ideal),
        cmocka_unit_test(battery_charge),
        cmocka_unit_test(other_kinds),
        cmocka_unit_test(bad_figures_are_refused),
        cmocka_unit_test(every_error_comes_out),
        cmocka_unit_test(steep_drops_are_accepted),
        cmocka_unit_test(no_room_is_a_warning),
        cmocka_unit_test(a_linear_range_that_no_part_has_is_a_warning),
        cmocka_unit_test(estimated_drops),
        cmocka_unit_test(figure_sources),
        cmocka_unit_test(names_lead_to_files),
        cmocka_unit_test(listing),
        cmocka_unit_test(memory_short_while_reading),
        cmocka_unit_test(memory_short_while_finding),
        cmocka_unit_test(broken_files),
    };
    return cmocka_run_group_tests_name("model", tests, NULL, NULL);
}
