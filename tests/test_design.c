/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design: reading, setting and changing. */
#include "fail_alloc.h"
#include "reading.h"

static const char *node_name(const sag_design *design, int node)
{
    return node == SAG_OPEN ? "open" : design->nodes[node];
}

static const sag_part *part_named(const sag_design *design, const char *designator)
{
    const sag_part *part = sag_design_part(design, designator);
    assert_non_null(part);
    return part;
}

static void whole_design(void **state)
{
    (void)state;
    char *text = load(SMALL);
    sag_design *d = NULL;
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_OK);
    if (sag_report_count(report)) {
        print_findings(report);
        fail();
    }
    assert_string_equal(d->file, SMALL);
    assert_string_equal(d->title, "every kind of part once");
    assert_string_equal(d->folder, RAILSAG_SOURCE_DIR "/tests/data/designs");
    assert_int_equal(d->note_count, 2);
    assert_string_equal(d->notes[1], "for the tests");
    assert_string_equal(d->nodes[SAG_GROUND], "ground");
    assert_int_equal(d->input_count, 1);
    assert_string_equal(node_name(d, d->inputs[0].node), "jack_in");
    assert_string_equal(d->inputs[0].pickup->head.name, "sample-coil");
    near_abs(d->inputs[0].relative_level, 1, 0, "design.h: 1 unless given");
    near_abs(d->source_ohm, 50, 0, "design.md: a generator of 50 ohm");
    assert_string_equal(node_name(d, d->output), "jack_out");
    near_rel(d->load_ohm, 1e6, 1e-12, FORM);
    near_rel(d->load_farad, 500e-12, 1e-12, FORM);
    assert_string_equal(node_name(d, d->supply.positive), "bat");
    assert_int_equal(d->supply.negative, SAG_GROUND);
    assert_int_equal(d->supply.middle, -1);
    near_rel(d->supply.nominal_v, 9, 1e-12, FORM);
    assert_string_equal(d->supply.battery->head.name, "sample-9v");
    assert_int_equal(d->supply.in_series, 1);
    near_abs(d->supply.resistance_ohm, 0, 0, FORM);
    near_rel(d->playing[0].vpk, 0.2, 1e-12, "soft: the pickup overrides the default");
    near_rel(d->playing[1].vpk, 0.9, 1e-12, "normal: the design overrides the pickup");
    near_rel(d->playing[2].vpk, 1, 1e-12, "hard: the default of design.md");
    near_rel(d->playing[3].vpk, 2, 1e-12, "extreme: the default of design.md");
    assert_string_equal(d->playing[3].name, "extreme");
    assert_int_equal(d->control_count, 2);
    near_rel(d->controls[0].setting, 0.3, 1e-12, FORM);
    assert_int_equal(d->controls[0].is_switch, 0);
    near_abs(d->controls[1].setting, 2, 0, FORM);
    assert_int_equal(d->controls[1].is_switch, 1);
    assert_int_equal(d->controls[1].throw_count, 3);
    assert_int_equal(d->part_count, 19);
    sag_design_free(d);
    sag_design_free(NULL);
    sag_report_free(report);
    sag_free(text);
}

static void each_kind_of_part(void **state)
{
    (void)state;
    sag_design *d = small();
    const sag_part *p = part_named(d, "r3");
    assert_int_equal(p->kind, SAG_RESISTOR);
    assert_string_equal(p->designator, "R3");
    near_rel(p->value, 100e3, 1e-12, FORM);
    near_rel(p->tolerance, 0.01, 1e-12, FORM);
    assert_string_equal(node_name(d, p->node[SAG_PIN_B]), "vref");
    assert_true(isnan(part_named(d, "R4")->tolerance));

    p = part_named(d, "C9");
    assert_int_equal(p->kind, SAG_CAPACITOR);
    near_rel(p->value, 47e-6, 1e-12, FORM);
    near_rel(p->leakage_a, 1e-6, 1e-12, FORM);
    near_rel(p->rated_v, 16, 1e-12, FORM);
    assert_int_equal(p->polarised, 1);
    assert_string_equal(node_name(d, p->node[0]), "vplus"); /* the positive side comes first */
    assert_int_equal(p->node[1], SAG_GROUND);
    near_rel(part_named(d, "C8")->series_ohm, 2, 1e-12, FORM);
    assert_int_equal(part_named(d, "C8")->polarised, 0);
    assert_true(isnan(part_named(d, "C8")->rated_v));

    p = part_named(d, "L1");
    assert_int_equal(p->kind, SAG_INDUCTOR);
    near_rel(p->value, 0.1, 1e-12, FORM);
    near_rel(p->series_ohm, 30, 1e-12, FORM);

    p = part_named(d, "VR1");
    assert_int_equal(p->kind, SAG_POT);
    assert_int_equal(p->taper, SAG_TAPER_AUDIO);
    near_rel(p->middle, 0.15, 1e-12, FORM);
    near_rel(p->end_ohm, 2, 1e-12, "design.md: 2 ohm unless given");
    assert_int_equal(p->control, 0);
    assert_string_equal(node_name(d, p->node[SAG_PIN_WIPER]), "tap");
    p = part_named(d, "VR2");
    assert_int_equal(p->node[SAG_PIN_END1], SAG_OPEN);
    near_abs(p->end_ohm, 0, 0, FORM);
    assert_int_equal(p->control, 0); /* ganged */
    assert_int_equal(p->taper, SAG_TAPER_LINEAR);

    p = part_named(d, "U1B");
    assert_int_equal(p->kind, SAG_OPAMP);
    assert_string_equal(p->opamp->head.name, "sample-dual");
    assert_string_equal(node_name(d, p->node[SAG_PIN_MINUS]), "minus");
    assert_string_equal(node_name(d, p->node[SAG_PIN_RAIL_POSITIVE]), "vplus");
    assert_int_equal(p->node[SAG_PIN_RAIL_NEGATIVE], SAG_GROUND);
    assert_int_equal(d->package_count, 1);
    assert_int_equal(p->package, 0);
    assert_string_equal(d->packages[0].name, "U1");
    assert_int_equal(d->packages[0].used, 2);
    assert_ptr_equal(d->packages[0].model, p->opamp);

    p = part_named(d, "D1");
    assert_int_equal(p->kind, SAG_DIODE);
    assert_string_equal(p->diode->head.name, "sample-diode");
    assert_string_equal(node_name(d, p->node[SAG_PIN_CATHODE]), "vplus");

    p = part_named(d, "V1");
    assert_int_equal(p->kind, SAG_VOLTAGE);
    near_rel(p->value, 0.5, 1e-12, FORM);
    near_rel(p->series_ohm, 1e3, 1e-12, FORM);

    p = part_named(d, "S1");
    assert_int_equal(p->kind, SAG_SWITCH);
    assert_int_equal(p->throw_count, 3);
    assert_int_equal(p->pin_count, 4);
    assert_string_equal(node_name(d, p->node[SAG_PIN_COMMON]), "tap");
    assert_int_equal(p->node[SAG_PIN_THROW + 1], SAG_OPEN);
    assert_string_equal(node_name(d, p->node[SAG_PIN_THROW + 2]), "high");
    assert_null(sag_design_part(d, "R99"));
    assert_string_equal(sag_part_kind_name(SAG_VOLTAGE), "voltage");
    sag_design_free(d);
}

static void defaults(void **state)
{
    (void)state;
    char *text = edit(load(SMALL), "\"controls\": {\"bass\": \"30%\", \"mid\": 2},", "", 0);
    text = edit(text, ", \"control\": \"bass\"},\n    \"VR2\"", "},\n    \"VR2\"", 0);
    text = edit(text, ", \"load\": \"1M + 500p\"", "", 0);
    text = edit(text, "\"title\": \"every kind of part once\",", "", 0);
    text = edit(text, ", \"pickup\": \"sample-coil\"", "", 0);
    sag_design *d = read_good(text);
    assert_string_equal(d->title, "");
    assert_true(isinf(d->load_ohm));
    assert_null(d->inputs[0].pickup);
    near_rel(d->playing[0].vpk, 0.1, 0, "the default of design.md");
    assert_int_equal(part_named(d, "VR1")->control, -1);
    assert_int_equal(d->control_count, 2);
    assert_string_equal(d->controls[0].name, "bass");
    near_abs(d->controls[0].setting, 0.5, 0, "design.md: 50 % is the default");
    near_abs(d->controls[1].setting, 1, 0, "the first throw is the default");
    sag_design_free(d);
    sag_free(text);
}

static void several_inputs(void **state)
{
    (void)state;
    char *text =
        edit(load(SMALL), "\"input\": {\"node\": \"jack_in\", \"pickup\": \"sample-coil\"}",
             "\"source\": \"600R\", \"inputs\": ["
             "{\"node\": \"jack_in\", \"pickup\": \"sample-coil\", \"relative_level\": \"-6dB\"},"
             "{\"node\": \"high\", \"relative_level\": \"50%\", \"polarity\": \"inverted\"}]",
             0);
    sag_design *d = read_good(text);
    assert_int_equal(d->input_count, 2);
    near_abs(d->source_ohm, 600, 0, FORM);
    near_rel(d->inputs[0].relative_level, 0.501187233627, 1e-9, "10^(-6/20)");
    assert_int_equal(d->inputs[0].inverted, 0);
    near_rel(d->inputs[1].relative_level, 0.5, 1e-12, FORM);
    assert_int_equal(d->inputs[1].inverted, 1);
    assert_null(d->inputs[1].pickup);
    near_rel(d->playing[0].vpk, 0.2, 1e-12, "of the first pickup that gives it");
    sag_design_free(d);

    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    text = edit(text, "\"node\": \"high\"", "\"node\": \"jack_in\"", 0);
    text = edit(text, "\"inverted\"", "\"reversed\"", 0);
    text = edit(text, "\"50%\"", "\"-50%\"", 0);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, "inputs[1]", "two inputs share"));
    assert_true(has_finding(report, SAG_ERROR, "inputs[1].polarity", "inverted"));
    assert_true(has_finding(report, SAG_ERROR, "inputs[1].relative_level", "out of range"));
    sag_report_free(report);
    sag_free(text);
}

static void two_halves(void **state)
{
    (void)state;
    char *text = edit(
        load(SMALL), "\"negative\": \"ground\", \"nominal\": \"9V\", \"battery\": \"sample-9v\"",
        "\"negative\": \"minus9\", \"middle\": \"ground\", \"nominal\": \"18V\", \"in_series\": 2",
        0);
    text =
        edit(text, "\"rails\": [\"vplus\", \"ground\"]", "\"rails\": [\"vplus\", \"minus9\"]", 1);
    sag_design *d = read_good(text);
    assert_int_equal(d->supply.middle, SAG_GROUND);
    assert_int_equal(d->supply.in_series, 2);
    assert_null(d->supply.battery);
    sag_design_free(d);
    /* each half alone is a stiff source */
    text = edit(text, "\"R8\":",
                "\"V2\": {\"voltage\": \"9V\", \"positive\": \"ground\", \"negative\": "
                "\"minus9\"}, \"R8\":",
                0);
    sag_report *report = NULL;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, "parts.V2", "V2 and the supply form a loop"));
    sag_report_free(report);
    sag_free(text);
}

static void tapers(void **state)
{
    (void)state;
    static const char published[] = "published-checks.md section 11: two straight segments";
    static const char law[] = "the law of the taper in design.h";
    static const struct {
        sag_taper taper;
        double middle, setting, share;
        const char *origin;
    } cases[] = {
        {SAG_TAPER_AUDIO, 0.10, 0.25, 0.05, published},
        {SAG_TAPER_AUDIO, 0.10, 0.50, 0.10, published},
        {SAG_TAPER_AUDIO, 0.10, 0.75, 0.55, published},
        {SAG_TAPER_AUDIO, 0.15, 0, 0, law},
        {SAG_TAPER_AUDIO, 0.15, 1, 1, law},
        {SAG_TAPER_LINEAR, 0.1, 0.3, 0.3, law},
        {SAG_TAPER_LINEAR, 0.1, -1, 0, "the wiper stops at the end"},
        {SAG_TAPER_LINEAR, 0.1, 2, 1, "the wiper stops at the end"},
        {SAG_TAPER_REVERSE_AUDIO, 0.10, 0.75, 0.95, "the mirror of the published 0.05"},
        {SAG_TAPER_REVERSE_AUDIO, 0.10, 0.25, 0.45, "the mirror of the published 0.55"},
        {SAG_TAPER_REVERSE_AUDIO, 0.10, 0, 0, law},
        {SAG_TAPER_BLEND, 0.1, 0.5, 0, law},
        {SAG_TAPER_BLEND, 0.1, 0.75, 0.5, law},
        {SAG_TAPER_BLEND, 0.1, 1, 1, law},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        near_abs(sag_taper_share(cases[i].taper, cases[i].middle, cases[i].setting), cases[i].share,
                 1e-15, cases[i].origin);
    }
}

static void loads(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double ohm, farad;
    } good[] = {
        {"1M + 500p", 1e6, 500e-12},
        {"10k", 10e3, 0},
        {" 1M+1n ", 1e6, 1e-9},
        {"amp", 1e6, 0},
        {"Pedal", 100e3, 0},
        {"line", 10e3, 0},
        {"amp + 300 pF", 1e6, 3e-10},
        {"1e+5 + 1n", 1e5, 1e-9},
        {"47k", 47e3, 0},
    };
    static const char *const bad[] = {"",          "500p",   "1M + ",  "1M + 5",
                                      "0R",        "+",      "1M +5k", "1M + 1n + 1n",
                                      "amplifier", "10 kHz", "1M 500p"};
    char problem[SAG_PROBLEM_SIZE];
    double ohm = 0, farad = 0;
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        assert_int_equal(sag_load_read(good[i].text, strlen(good[i].text), &ohm, &farad, problem),
                         SAG_OK);
        near_rel(ohm, good[i].ohm, 1e-12, "the text, or the word's value in design.md section 7");
        near_rel(farad, good[i].farad, 1e-12, "the text");
    }
    assert_int_equal(sag_load_read("none", 4, &ohm, &farad, NULL), SAG_OK);
    assert_true(isinf(ohm));
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        ohm = farad = 7;
        problem[0] = '\0';
        if (sag_load_read(bad[i], strlen(bad[i]), &ohm, &farad, problem) != SAG_BAD_INPUT) {
            print_error("\"%s\" was taken for a load\n", bad[i]);
            fail();
        }
        assert_true(strlen(problem) > 0);
        assert_int_equal(sag_load_read(bad[i], strlen(bad[i]), &ohm, &farad, NULL), SAG_BAD_INPUT);
        near_abs(ohm + farad, 14, 0, "unchanged on failure");
    }
}

/* An option's text and what becomes of it; words NULL: it is accepted. */
typedef struct {
    const char *option, *words;
} option_case;

static void run_options(sag_design *d, sag_status (*call)(sag_design *, const char *, sag_report *),
                        const option_case *cases, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        sag_report *report = NULL;
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_status status = call(d, cases[i].option, report);
        int said = 0;
        for (size_t k = 0; k < sag_report_count(report) && cases[i].words; k++) {
            const sag_finding *f = sag_report_get(report, k);
            said |=
                f->severity == SAG_ERROR && f->place.file &&
                !strcmp(f->place.file, cases[i].option) &&
                (strstr(f->text, cases[i].words) || (f->hint && strstr(f->hint, cases[i].words)));
        }
        if (status != (cases[i].words ? SAG_BAD_INPUT : SAG_OK) ||
            (cases[i].words ? !said : sag_report_count_of(report, SAG_ERROR) > 0)) {
            print_error("%s: %s, expected %s\n", cases[i].option, sag_status_name(status),
                        cases[i].words ? cases[i].words : "no error");
            print_findings(report);
            fail();
        }
        sag_report_free(report);
    }
}

static void setting_controls(void **state)
{
    (void)state;
    static const option_case cases[] = {
        {"bass=70%", NULL},
        {" BASS = 0.75", NULL},
        {"mid=3", NULL},
        {"bas=70%", "did you mean \"bass\"?"},
        {"volume=70%", "the controls are bass, mid"},
        {"bass", "as in bass=30%"},
        {"=3", "as in bass=30%"},
        {"bass=170%", "0% to 100%"},
        {"bass=", "a ratio"},
        {"bass=loud", "loud"},
        {"mid=0", "throws 1 to 3"},
        {"mid=4", "throws 1 to 3"},
        {"mid=1.5", "whole number"},
    };
    sag_design *d = small();
    run_options(d, sag_design_set, cases, sizeof cases / sizeof *cases);
    near_abs(d->controls[0].setting, 0.75, 0, "the last good setting");
    near_abs(d->controls[1].setting, 3, 0, "the last good setting");
    sag_design_free(d);
}

static void changing_values(void **state)
{
    (void)state;
    static const option_case cases[] = {
        {"R7=22k", NULL},
        {"r3, r4 = 220k", NULL},
        {"C1=220n", NULL},
        {"L1=50mH", NULL},
        {"VR1=50k", NULL},
        {"V1=-0.2V", NULL},
        {"D1=Sample-Diode", NULL},
        {"supply.resistance=2R", NULL},
        {"supply.battery=none", NULL},
        {"Supply.Battery=SAMPLE-9V", NULL},
        {"R7=22kHz", "22kHz"},
        {"R7=-5", "out of range"},
        {"R77=5k", "there is no part \"R77\""},
        {"suply.battery=sample-9v", "did you mean \"supply.battery\"?"},
        {"supply.battery=sample-9", "did you mean \"sample-9v\"?"},
        {"supply.resistance=low", "low"},
        {"S1=3", "set its control"},
        {"D1=sample-dual", "of kind opamp"},
        {"U1A=sample-daul", "did you mean \"sample-dual\"?"},
        {"U1A,U1B=sample-single", "uses 2 amplifiers"},
        {"R7", "as in R7=22k"},
        {"=22k", "as in R7=22k"},
        {"R7,,R6=1k", "as in R7=22k"},
        {"R7=", "as in R7=22k"},
        {"", "as in R7=22k"},
        {"R7,R99=33k", "there is no part \"R99\""}, /* then R7 keeps its value too */
    };
    sag_design *d = small();
    run_options(d, sag_design_change, cases, sizeof cases / sizeof *cases);
    near_rel(part_named(d, "R7")->value, 22e3, 1e-12, "the change");
    near_rel(part_named(d, "R3")->value, 220e3, 1e-12, "the change");
    near_rel(part_named(d, "R4")->value, 220e3, 1e-12, "the change");
    near_rel(part_named(d, "C1")->value, 220e-9, 1e-12, "the change");
    near_rel(part_named(d, "L1")->value, 50e-3, 1e-12, "the change");
    near_rel(part_named(d, "VR1")->value, 50e3, 1e-12, "the change");
    near_rel(part_named(d, "V1")->value, -0.2, 1e-12, "the change");
    near_rel(d->supply.resistance_ohm, 2, 1e-12, "the change");
    assert_string_equal(d->supply.battery->head.name, "sample-9v");
    assert_string_equal(part_named(d, "U1A")->opamp->head.name, "sample-dual");
    sag_design_free(d);
}

static void changing_a_package(void **state)
{
    (void)state;
    sag_report *report = NULL;
    sag_design *d = small();
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_change(d, "U1A=sample-beside", report), SAG_OK);
    assert_true(has_finding(report, SAG_NOTE, "U1", "u1b changes to sample-beside as well"));
    assert_string_equal(part_named(d, "U1A")->opamp->head.name, "sample-beside");
    assert_ptr_equal(part_named(d, "U1B")->opamp, part_named(d, "U1A")->opamp);
    assert_ptr_equal(d->packages[0].model, part_named(d, "U1A")->opamp);
    sag_report_free(report);

    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_change(d, "U1A,U1B=sample-dual", report), SAG_OK);
    assert_int_equal(sag_design_change(d, "u1=sample-dual", report), SAG_OK);
    assert_int_equal(sag_report_count(report), 0);
    sag_report_free(report);
    sag_design_free(d);
}

/* The checks run again: a loop that a change makes is found, and the change is taken back. */
static void a_change_is_checked(void **state)
{
    (void)state;
    static const option_case cases[] = {
        {"R91=0", NULL},
        {"R92=0R", "R92 and R91 form a loop without resistance"},
        {"VR2=1k5", "end resistance of 1000 ohm"},
    };
    char *text = edit(load(SMALL), "\"R8\":",
                      "\"R91\": {\"resistor\": \"1k\", \"between\": [\"high\", \"sum\"]}, "
                      "\"R92\": {\"resistor\": \"1k\", \"between\": [\"sum\", \"high\"]}, \"R8\":",
                      0);
    text = edit(text, "\"end_resistance\": \"0R\"", "\"end_resistance\": \"1k\"", 0);
    sag_design *d = read_good(text);
    run_options(d, sag_design_change, cases, sizeof cases / sizeof *cases);
    near_abs(part_named(d, "R91")->value, 0, 0, "the good change");
    near_abs(part_named(d, "R92")->value, 1000, 0, "the bad change is taken back");
    sag_design_free(d);
    sag_free(text);
}

/* With memory short at the n-th allocation a call fails cleanly, or loses no more than a finding.
 */
static void memory_short(void **state)
{
    (void)state;
    char *text = load(SMALL);
    long n = 0;
    int done = 0;
    while (!done) {
        sag_design *d = NULL;
        fail_allocation_at(++n);
        sag_status status = sag_design_read(text, strlen(text), SMALL, &path, &d, NULL);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
        assert_int_equal(d != NULL, status == SAG_OK);
        sag_design_free(d);
        assert_true(n < 20000);
    }
    assert_true(n > 100);
    sag_free(text);

    static const char *const changes[] = {"R7,R6=22k", "U1=sample-beside", "R99=1k",
                                          "supply.battery=sample-8v"};
    for (size_t i = 0; i < sizeof changes / sizeof *changes; i++) {
        n = 0;
        done = 0;
        while (!done) {
            sag_design *d = small();
            fail_allocation_at(++n);
            sag_status status = sag_design_change(d, changes[i], NULL);
            done = allocations_seen() < n;
            fail_allocation_at(0);
            assert_int_equal(status, !done ? SAG_NO_MEMORY : i < 2 ? SAG_OK : SAG_BAD_INPUT);
            near_rel(part_named(d, "R7")->value, status == SAG_OK && i == 0 ? 22e3 : 47e3, 1e-12,
                     "a failed change changes nothing");
            sag_design_free(d);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_design),
        cmocka_unit_test(each_kind_of_part),
        cmocka_unit_test(defaults),
        cmocka_unit_test(several_inputs),
        cmocka_unit_test(two_halves),
        cmocka_unit_test(tapers),
        cmocka_unit_test(loads),
        cmocka_unit_test(setting_controls),
        cmocka_unit_test(changing_values),
        cmocka_unit_test(changing_a_package),
        cmocka_unit_test(a_change_is_checked),
        cmocka_unit_test(memory_short),
    };
    return cmocka_run_group_tests_name("design", tests, NULL, NULL);
}
