/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design: what is refused, and with what words. */
#include "reading.h"

/* One or two edits of the good file, and what is to be said. */
typedef struct {
    const char *find, *put, *find2, *put2;
    sag_severity severity;
    const char *place, *words;
} finding_case;

#define MORE(parts) "\"R8\":", parts ", \"R8\":"
#define ONE         NULL, NULL
#define E           SAG_ERROR
#define W           SAG_WARNING

static const finding_case finding_cases[] = {
    /* the form of the file */
    {"railsag design 1", "railsag desing 1", ONE, E, "format", "railsag design 1"},
    {"railsag design 1", "railsag opamp 1", ONE, E, "format", "of kind opamp"},
    {"\"format\": \"railsag design 1\",", "", ONE, E, "",
     "begin the file with \"format\": \"railsag design 1\""},
    {"\"title\"", "\"titel\"", ONE, E, "titel", "did you mean \"title\"?"},
    {"\"every kind of part once\"", "7", ONE, E, "title", "a text is expected"},
    {"\"input\"", "\"inptu\"", ONE, E, "", "\"input\" is missing"},
    {"\"node\": \"jack_in\", ", "", ONE, E, "input", "\"node\" is missing"},
    {"\"node\": \"jack_in\"", "\"node\": \"ground\"", ONE, E, "input.node", "cannot be ground"},
    {"\"node\": \"jack_out\"", "\"node\": \"ground\"", ONE, E, "output.node", "cannot be ground"},
    {"\"pickup\": \"sample-coil\"", "\"pickup\": \"sample-coal\"", ONE, E, "input.pickup",
     "did you mean \"sample-coil\"?"},
    {"\"pickup\": \"sample-coil\"", "\"pickup\": 3", ONE, E, "input.pickup", "must be a text"},
    {"\"input\": {", "\"source\": \"600R\", \"input\": {", ONE, E, "source", "inside \"input\""},
    {"\"input\": {", "\"inputs\": [], \"input\": {", ONE, E, "inputs", "both"},
    {"\"1M + 500p\"", "\"500p\"", ONE, E, "output.load", "as in 1M + 500p"},
    {"\"1M + 500p\"", "\"1M + 500\"", ONE, E, "output.load", "500"},
    {"\"negative\": \"ground\"", "\"negative\": \"bat\"", ONE, E, "supply.positive", "shorts"},
    {"\"nominal\": \"9V\", ", "", ONE, E, "supply", "\"nominal\" is missing"},
    {"\"nominal\": \"9V\"", "\"nominal\": \"9dBV\"", ONE, E, "supply.nominal", "9dBV"},
    {"\"battery\": \"sample-9v\"", "\"battery\": \"sample-diode\"", ONE, E, "supply.battery",
     "of kind diode"},
    {"\"0.9Vpk\"", "\"0.9V\"", ONE, E, "playing_levels.normal", "0.9V"},
    {"\"0.9Vpk\"", "\"1.5Vpk\"", ONE, W, "playing_levels", "hard (1 Vpk) is not above normal"},
    {"[\"no useful circuit\"", "[1", ONE, E, "notes[0]", "no text"},
    {"\"0.9Vpk\"", "\"2000Vpk\"", ONE, E, "playing_levels.normal", "out of range"},
    {"\"output\"", "\"outptu\"", ONE, E, "", "\"output\" is missing"},
    {"\"input\": {\"node\": \"jack_in\", \"pickup\": \"sample-coil\"}", "\"inputs\": [3]", ONE, E,
     "inputs[0]", "found 3"},
    {"\"negative\": \"ground\"", "\"negative\": \"ground\", \"middle\": \"ground\"", ONE, E,
     "supply.middle", "shorts"},
    /* controls */
    {"\"mid\": 2", "\" mid\": 2", ONE, E, "controls. mid", "no space at either end"},
    {MORE("\"S2\": {\"switch\": [\"low\", \"open\"], \"common\": \"sum\", \"control\": \"mid\"}"),
     ONE, E, "parts.S2.control", "switches of 3 and of 2 throws"},
    {"\"30%\"", "\"130%\"", ONE, E, "controls.bass", "out of range"},
    {"\"mid\": 2", "\"mid\": 4", ONE, E, "controls.mid", "out of range"},
    {"\"mid\": 2", "\"mid\": \"50%\"", ONE, E, "controls.mid", "50%"},
    {"\"bass\": \"30%\"", "\"bas\": \"30%\"", ONE, E, "controls.bas", "did you mean \"bass\"?"},
    {"\"mid\": 2", "\"BASS\": \"3%\", \"mid\": 2", ONE, E, "controls.BASS", "twice"},
    {"\"mid\": 2", "\"a=b\": \"3%\", \"mid\": 2", ONE, E, "controls.a=b", "leave out"},
    {"\"control\": \"mid\"", "\"control\": \"bass\"", ONE, E, "parts.S1.control",
     "a pot and a switch"},
    /* parts */
    {"\"R8\":", "\"8R\":", ONE, E, "parts.8R", "no designator"},
    {"\"R8\":", "\"R8AB\":", ONE, E, "parts.R8AB", "no designator"},
    {"\"R8\":", "\"r7\":", ONE, E, "parts.r7", "as R7 on line 25"},
    {"\"resistor\": \"4k7\"", "\"resistro\": \"4k7\"", ONE, E, "parts.R5",
     "did you mean \"resistor\"?"},
    {"\"resistor\": \"4k7\"", "\"resistor\": \"4k7\", \"pot\": \"1k\"", ONE, E, "parts.R5.pot",
     "a part has one kind"},
    {"\"resistor\": \"4k7\"", "\"resistor\": \"4k7F\"", ONE, E, "parts.R5.resistor", "4k7F"},
    {"\"resistor\": \"4k7\"", "\"resistor\": -1", ONE, E, "parts.R5.resistor", "out of range"},
    {"\"resistor\": \"4k7\"", "\"resistor\": \"1m\"", ONE, W, "parts.R5.resistor",
     "1 mohm is unusual for a resistor"},
    {"\"resistor\": \"4k7\"", "\"resistor\": \"2G\"", ONE, W, "parts.R5.resistor",
     "2 Gohm is unusual"},
    {"\"capacitor\": \"100n\"", "\"capacitor\": \"47m\"", ONE, W, "parts.C1.capacitor",
     "47 mF is unusual for a capacitor"},
    {"[\"high\", \"sum\"]", "[\"high\"]", ONE, E, "parts.R5.between",
     "name two nodes, as \"between\": [\"in\", \"out\"]"},
    {"\"between\": [\"high\", \"sum\"]", "\"notes\": \"x\"", ONE, E, "parts.R5",
     "name two nodes, as"},
    {"[\"high\", \"sum\"]", "[\"high\", \"open\"]", ONE, E, "parts.R5.between[1]", "may be open"},
    {"[\"high\", \"sum\"]", "[\"high\", \"\"]", ONE, E, "parts.R5.between[1]", "empty"},
    {"[\"high\", \"sum\"]", "[\"high\", \"Ground\"]", ONE, E, "parts.R5.between[1]",
     "called ground"},
    {"[\"high\", \"sum\"]", "[\"high\", \"a\\nb\"]", ONE, E, "parts.R5.between[1]",
     "cannot be a node name"},
    {"[\"jack_out\", \"ground\"]", "[\"jack_out\", \"jack_out\"]", ONE, E, "parts.R8",
     "both pins of R8"},
    {"[\"end\", \"open\"]", "[\"minus\", \"minus\"]", ONE, E, "parts.VR2", "all lugs of VR2"},
    {"\"positive\": \"vplus\"", "\"positive\": \"vref\"", ONE, E, "parts.C9.positive",
     "write \"ground\" or \"vplus\""},
    {", \"rated\": \"16V\"", "", ONE, E, "parts.C9.leakage", "rated voltage"},
    {"\"tolerance\": \"10%\"", "\"tolerance\": \"10V\"", ONE, E, "parts.C1.tolerance", "10V"},
    {"\"taper\": \"audio\"", "\"taper\": \"log\"", ONE, E, "parts.VR1.taper", "reverse audio"},
    {"\"taper\": \"audio\"", "\"taper\": \"linear\"", ONE, E, "parts.VR1.middle",
     "only audio tapers"},
    {"\"15%\"", "\"100%\"", ONE, E, "parts.VR1.middle", "out of range"},
    {"\"end_resistance\": \"0R\"", "\"end_resistance\": \"5k\"", ONE, E, "parts.VR2.pot",
     "half the track"},
    {"\"wiper\": \"minus\"", "\"wiper\": \"open\"", ONE, E, "parts.VR2", "fewer than two lugs"},
    {"[\"low\", \"open\", \"high\"]", "[\"low\", \"open\", \"tap\"]", ONE, E, "parts.S1.switch[2]",
     "leads back"},
    {"[\"low\", \"open\", \"high\"]", "[]", ONE, E, "parts.S1.switch", "1 to 3"},
    {"\"plus\": \"in\", ", "", ONE, E, "parts.U1A", "\"plus\" is missing"},
    {"\"opamp\": \"sample-dual\"", "\"opamp\": \"sample-duel\"", ONE, E, "parts.U1A.opamp",
     "did you mean \"sample-dual\"?"},
    {"\"diode\": \"sample-diode\"", "\"diode\": \"sample-9v\"", ONE, E, "parts.D1.diode",
     "of kind battery"},
    {"\"wound by hand\"", "1", ONE, E, "parts.L1.notes", "a text is expected"},
    /* packages */
    {"\"SAMPLE-dual\"", "\"sample-single\"", ONE, E, "parts.u1b.opamp",
     "one package has one model"},
    {"\"out\": \"out\", \"rails\": [\"vplus\"", "\"out\": \"out\", \"rails\": [\"bat\"", ONE, E,
     "parts.u1b.rails", "one pair of rails"},
    {"\"U1A\"", "\"U1\"", ONE, E, "parts.u1b", "U1 and u1b"},
    {"\"sample-dual\"", "\"sample-single\"", "\"SAMPLE-dual\"", "\"sample-single\"", E, "parts.U1A",
     "uses 2 amplifiers, but sample-single has 1"},
    {"\"rails\": [\"vplus\", \"ground\"]}", "\"rails\": [\"ground\", \"ground\"]}", ONE, E,
     "parts.U1A", "both rails of U1A"},
    /* nodes */
    {"[\"vref\", \"ground\"], \"series", "[\"vreff\", \"ground\"], \"series", ONE, E, "parts.C8",
     "did you mean \"vref\"?"},
    {"\"node\": \"jack_in\"", "\"node\": \"jackin\"", ONE, E, "input",
     "\"jackin\" is used only once"},
    {"[\"vref\", \"ground\"], \"series", "[\"VREF\", \"ground\"], \"series", "[\"in\", \"vref\"]",
     "[\"in\", \"VREF\"]", W, "VREF", "a node \"vref\" and a node \"VREF\""},
    {"\"plus\": \"plus\", \"minus\": \"minus\", \"out\": \"out\"",
     "\"plus\": \"plus\", \"minus\": \"minus\", \"out\": \"buf\"", ONE, W, "u1b",
     "drive the same node"},
    /* loops without resistance */
    {MORE("\"R91\": {\"resistor\": \"0R\", \"between\": [\"high\", \"sum\"]}, "
          "\"R92\": {\"resistor\": \"0R\", \"between\": [\"sum\", \"high\"]}"),
     ONE, E, "parts.R92", "R92 and R91 form a loop without resistance"},
    {MORE("\"R91\": {\"resistor\": \"0R\", \"between\": [\"tap\", \"high\"]}"), ONE, E, "parts.R91",
     "R91 and S1 form a loop without resistance with mid at throw 3"},
    {MORE("\"R91\": {\"resistor\": \"0R\", \"between\": [\"end\", \"minus\"]}"), ONE, E,
     "parts.R91", "R91 and VR2 form a loop without resistance with bass at 0 %"},
    {", \"resistance\": \"1k\"", "",
     MORE("\"R91\": {\"resistor\": \"0R\", \"between\": [\"plus\", \"vref\"]}"), E, "parts.R91",
     "R91 and V1"},
    {", \"series_resistance\": \"30R\"", "",
     MORE("\"L2\": {\"inductor\": \"1mH\", \"between\": [\"sum\", \"low\"]}"), E, "parts.L2",
     "L2 and L1"},
    {", \"battery\": \"sample-9v\"", "",
     MORE("\"V2\": {\"voltage\": \"9V\", \"positive\": \"bat\", \"negative\": \"ground\"}"), E,
     "parts.V2", "V2 and the supply"},
    {"\"pickup\": \"sample-coil\"", "\"source\": 0",
     MORE("\"V2\": {\"voltage\": \"9V\", \"positive\": \"jack_in\", \"negative\": \"ground\"}"), E,
     "parts.V2", "V2 and the input's source"},
    /* outputs that are held */
    {MORE("\"R91\": {\"resistor\": \"0R\", \"between\": [\"out\", \"ground\"]}"), ONE, E,
     "parts.u1b", "the output of u1b is tied straight to"},
    {"\"out\": \"buf\"", "\"out\": \"ground\"", ONE, E, "parts.U1A",
     "the output of U1A is tied straight to ground"},
    {"\"out\": \"buf\"", "\"out\": \"vplus\"", ONE, E, "parts.U1A", "tied straight to its rail"},
    {MORE("\"V2\": {\"voltage\": \"3V\", \"positive\": \"out\", \"negative\": \"ground\"}"), ONE, E,
     "parts.u1b", "tied straight to"},
    /* DC paths */
    {"\"R1\":  {\"resistor\": \"1M\"", "\"C11\": {\"capacitor\": \"1u\"", ONE, E, "parts.C1",
     "the node \"in\", on C1, C11 and U1A, has no DC path"},
    {"\"R5\":  {\"resistor\": \"4k7\"", "\"C15\": {\"capacitor\": \"1u\"", ONE, E, "parts.S1",
     "the node \"high\", on S1 and C15, has no DC path to ground with mid at throw"},
    {MORE("\"D2\": {\"diode\": \"sample-diode\", \"anode\": \"bat\", \"cathode\": \"dd\"}, "
          "\"D3\": {\"diode\": \"sample-diode\", \"anode\": \"dd\", \"cathode\": \"ground\"}"),
     ONE, E, "parts.D2", "the node \"dd\", on D2 and D3, has no DC path"},
    {"\"1M + 500p\"", "\"none + 500p\"", "\"R8\":  {\"resistor\": \"100k\"",
     "\"C18\": {\"capacitor\": \"1u\"", E, "parts.C2", "the node \"jack_out\", on C2 and C18"},
    {MORE("\"R91\": {\"resistor\": \"1k\", \"between\": [\"fa\", \"fb\"]}, "
          "\"R92\": {\"resistor\": \"1k\", \"between\": [\"fb\", \"fa\"]}"),
     ONE, E, "parts.R91", "(and 1 more node with it)"},
    {"sample-coil", "sample-piezo", ONE, W, "jack_in", "a piezo is none"},
};

static void what_is_wrong_is_said(void **state)
{
    (void)state;
    int wrong = 0;
    for (size_t i = 0; i < sizeof finding_cases / sizeof *finding_cases; i++) {
        const finding_case *c = &finding_cases[i];
        sag_design *design = NULL;
        sag_report *report = NULL;
        char *text = edit(load(SMALL), c->find, c->put, 0);
        if (c->find2) {
            text = edit(text, c->find2, c->put2, 0);
        }
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_status status = sag_design_read(text, strlen(text), SMALL, &path, &design, report);
        assert_int_equal(design != NULL, status == SAG_OK);
        assert_int_equal(sag_report_count_of(report, SAG_ERROR) > 0, status == SAG_BAD_INPUT);
        if (!has_finding(report, c->severity, c->place, c->words)) {
            print_error("%s instead of %s: expected \"%s\" at %s, got\n", c->put, c->find, c->words,
                        c->place);
            print_findings(report);
            wrong++;
        }
        sag_design_free(design);
        sag_report_free(report);
        sag_free(text);
    }
    assert_int_equal(wrong, 0);
}

/* What looks odd but is sound. */
static void what_is_right_is_accepted(void **state)
{
    (void)state;
    static const char *const cases[][2] = {
        /* an ideal source across a battery, which has a resistance */
        {MORE("\"V2\": {\"voltage\": \"9V\", \"positive\": \"bat\", \"negative\": \"ground\"}")},
        /* two coils with resistance side by side */
        {MORE("\"L2\": {\"inductor\": \"1mH\", \"between\": [\"low\", \"sum\"]}")},
        /* a rheostat whose wiper is tied to an end */
        {"\"ends\": [\"end\", \"open\"]", "\"ends\": [\"end\", \"minus\"]"},
        {"\"ends\": [\"buf\", \"end\"], \"wiper\": \"tap\"",
         "\"ends\": [\"end\", \"tap\"], \"wiper\": \"buf\""},
        /* an output shorted by a coil, a source in series with an output */
        {MORE("\"L2\": {\"inductor\": \"1mH\", \"between\": [\"out\", \"ground\"]}")},
        {"\"C2\":  {\"capacitor\": \"1u\", \"between\": [\"out\", \"jack_out\"]}",
         "\"V2\": {\"voltage\": \"1V\", \"positive\": \"out\", \"negative\": \"jack_out\"}"},
        /* a capacitor whose leakage is the only DC path */
        {"\"R1\":  {\"resistor\": \"1M\"",
         "\"C11\": {\"capacitor\": \"1u\", \"leakage\": \"1nA\", \"rated\": \"16V\""},
        /* no controls listed: they have their defaults */
        {"\"controls\": {\"bass\": \"30%\", \"mid\": 2},", ""},
        {"\"1M + 500p\"", "1000000"},
        {"\"1M + 500p\"", "\"pedal\""},
        {"\"pickup\": \"sample-coil\"", "\"source\": \"600R\""},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char *text = edit(load(SMALL), cases[i][0], cases[i][1], 0);
        sag_design_free(read_good(text));
        sag_free(text);
    }
}

static void ground_must_be_there(void **state)
{
    (void)state;
    sag_design *d = NULL;
    sag_report *report = NULL;
    char *text = edit(load(SMALL), "\"ground\"", "\"zero\"", 1);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_BAD_INPUT);
    assert_true(has_finding(report, SAG_ERROR, "supply", "nothing is connected to ground"));
    assert_int_equal(sag_report_count_of(report, SAG_ERROR), 1);
    sag_report_free(report);
    sag_free(text);
}

/* A misspelt node is used once, and has no DC path either: that is one slip. */
static void one_error_for_one_slip(void **state)
{
    (void)state;
    sag_design *d = NULL;
    sag_report *report = NULL;
    char *text = edit(load(SMALL), "[\"vref\", \"ground\"], \"series",
                      "[\"vreff\", \"ground\"], \"series", 0);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_BAD_INPUT);
    assert_int_equal(sag_report_count(report), 1);
    sag_report_free(report);
    sag_free(text);
}

/* Errors in figures do not hide those of the whole; each has its line. */
static void every_error_comes_out(void **state)
{
    (void)state;
    sag_design *d = NULL;
    sag_report *report = NULL;
    char *text = load(SMALL);
    text = edit(text, "\"1M\", \"between\": [\"in\"", "\"1,5M\", \"between\": [\"in\"", 0);
    text = edit(text, "\"notes\": \"wound by hand\"", "\"note\": \"wound by hand\"", 0);
    text = edit(text, "\"mid\": 2", "\"mid\": 2, \"treble\": \"10%\"", 0);
    text = edit(text, "[\"vref\", \"ground\"], \"series", "[\"vrf\", \"ground\"], \"series", 0);
    text = edit(text, "\"diode\": \"sample-diode\"", "\"diode\": \"nothing\"", 0);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_design_read(text, strlen(text), SMALL, &path, &d, report), SAG_BAD_INPUT);
    static const struct {
        const char *place;
        int line;
    } expected[] = {{"parts.R1.resistor", 17},
                    {"parts.L1.note", 22},
                    {"controls.treble", 8},
                    {"parts.C8", 15},
                    {"parts.D1.diode", 11}};
    for (size_t i = 0; i < sizeof expected / sizeof *expected; i++) {
        int found = 0;
        for (size_t k = 0; k < sag_report_count(report); k++) {
            const sag_finding *finding = sag_report_get(report, k);
            if (finding->place.path && !strcmp(finding->place.path, expected[i].place)) {
                assert_int_equal(finding->place.line, expected[i].line);
                assert_string_equal(finding->place.file, SMALL);
                found = 1;
            }
        }
        if (!found) {
            print_error("nothing was said about %s, but\n", expected[i].place);
            print_findings(report);
            fail();
        }
    }
    sag_report_free(report);
    sag_free(text);
}

/* Text put together piece by piece. */
typedef struct {
    char *text;
    size_t used, size;
} builder;

static void add(builder *b, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(builder *b, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int wrote = vsnprintf(b->text + b->used, b->size - b->used, format, arguments);
    va_end(arguments);
    assert_true(wrote >= 0 && (size_t)wrote < b->size - b->used);
    b->used += (size_t)wrote;
}

static builder begin_design(void)
{
    builder b = {sag_new(1 << 20, 1), 0, 1 << 20};
    assert_non_null(b.text);
    add(&b,
        "{\"format\": \"railsag design 1\", \"input\": {\"node\": \"in\"}, \"output\": {\"node\": "
        "\"in\"}, \"supply\": {\"positive\": \"bat\", \"negative\": \"ground\", \"nominal\": "
        "\"9V\"}, \"parts\": {\"R1\": {\"resistor\": \"1k\", \"between\": [\"bat\", \"ground\"]}");
    return b;
}

static void check_built(builder *b, sag_status expected, const char *place, const char *words)
{
    sag_design *d = NULL;
    sag_report *report = NULL;
    add(b, "}}");
    assert_int_equal(sag_report_new(&report), SAG_OK);
    sag_status status = sag_design_read(b->text, b->used, "built", &path, &d, report);
    if (status != expected || (words && !has_finding(report, SAG_ERROR, place, words))) {
        print_findings(report);
        fail();
    }
    sag_design_free(d);
    sag_report_free(report);
    sag_free(b->text);
}

/* 500 nodes with ground are accepted: in, bat and n0 to n496; one more is not. The op-amps stop
 * at 64. */
static void limits(void **state)
{
    (void)state;
    for (int extra = 0; extra < 2; extra++) {
        builder b = begin_design();
        int last = 496 + extra;
        add(&b, ", \"R2\": {\"resistor\": \"1k\", \"between\": [\"in\", \"n0\"]}");
        for (int i = 0; i < last; i++) {
            add(&b, ", \"R%d\": {\"resistor\": \"1k\", \"between\": [\"n%d\", \"n%d\"]}", i + 3, i,
                i + 1);
        }
        add(&b, ", \"R999\": {\"resistor\": \"1k\", \"between\": [\"n%d\", \"ground\"]}", last);
        check_built(&b, extra ? SAG_BAD_INPUT : SAG_OK, "parts.R499.between[1]",
                    extra ? "more than 500 nodes" : NULL);
    }
    for (int extra = 0; extra < 2; extra++) {
        builder b = begin_design();
        for (int i = 0; i < 64 + extra; i++) {
            add(&b,
                ", \"U%d\": {\"opamp\": \"sample-single\", \"plus\": \"in\", \"minus\": \"o%d\", "
                "\"out\": \"o%d\", \"rails\": [\"bat\", \"ground\"]}",
                i + 1, i, i);
        }
        check_built(&b, extra ? SAG_BAD_INPUT : SAG_OK, "parts.U65",
                    extra ? "more than 64 op-amps" : NULL);
    }
    builder b = begin_design();
    for (int i = 0; i < 2000; i++) {
        add(&b, ", \"R%d\": {\"resistor\": 1, \"between\": [\"in\", \"bat\"]}", i + 2);
    }
    check_built(&b, SAG_BAD_INPUT, "parts", "2001 parts");
    b = begin_design(); /* a list that does not fit its sentence */
    for (int i = 0; i < 90; i++) {
        add(&b, ", \"C%d\": {\"capacitor\": \"1n\", \"between\": [\"in\", \"x\"]}", i + 1);
    }
    check_built(&b, SAG_BAD_INPUT, "parts.C1", " more), has no DC path");
    b = begin_design();
    add(&b, ", \"VR0\": {\"pot\": \"1k\", \"ends\": [\"in\", \"bat\"], \"wiper\": \"in\"");
    for (int i = 0; i < 101; i++) {
        add(&b,
            "}, \"VR%d\": {\"pot\": \"1k\", \"ends\": [\"in\", \"bat\"], \"wiper\": \"in\", "
            "\"control\": \"c%d\"",
            i + 1, i);
    }
    add(&b, "}");
    check_built(&b, SAG_BAD_INPUT, "parts.VR101.control", "more than 100 controls");
}

/* Switches that short a loop together, and one that leaves a node in the air by itself; seven of
 * three throws are too many for all settings, and are moved one by one from where the file sets
 * them. */
static void all_throws_are_tried(void **state)
{
    (void)state;
    for (int switches = 2; switches <= 7; switches += 5) {
        for (int kind = 0; kind < 2; kind++) {
            builder b = begin_design();
            add(&b, ", \"R2\": {\"resistor\": \"1k\", \"between\": [\"in\", \"s0\"]}");
            for (int i = 0; i < switches; i++) {
                add(&b,
                    ", \"S%d\": {\"switch\": [\"open\", \"open\", \"s%d\"], \"common\": \"s%d\", "
                    "\"control\": \"c%d\"}, \"R%d\": {\"resistor\": \"1k\", \"between\": [\"s%d\", "
                    "\"s%d\"]}",
                    i + 1, i + 1, i, i, i + 3, i, i + 1);
            }
            if (kind == 0) { /* closes a loop with both switches at throw 3 */
                add(&b, ", \"R99\": {\"resistor\": 0, \"between\": [\"s0\", \"s2\"]}");
            } else { /* "x" is held by the first throw only */
                add(&b,
                    ", \"S99\": {\"switch\": [\"s0\", \"open\"], \"common\": \"x\", \"control\": "
                    "\"c99\"}, \"C1\": {\"capacitor\": \"1n\", \"between\": [\"x\", \"ground\"]}");
            }
            int found = kind == 1 || switches == 2;
            check_built(&b, found ? SAG_BAD_INPUT : SAG_OK, kind ? "parts.S99" : "parts.R99",
                        !found ? NULL
                        : kind ? "with c99 at throw 2"
                               : "with c0 at throw 3 and c1 at throw 3");
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_wrong_is_said), cmocka_unit_test(what_is_right_is_accepted),
        cmocka_unit_test(ground_must_be_there),  cmocka_unit_test(one_error_for_one_slip),
        cmocka_unit_test(every_error_comes_out), cmocka_unit_test(limits),
        cmocka_unit_test(all_throws_are_tried),
    };
    return cmocka_run_group_tests_name("design check", tests, NULL, NULL);
}
