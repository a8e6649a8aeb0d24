/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Parts against published figures and closed forms: op-amp errors at DC, pots, pickup and cable,
 * diodes. */
#include "published.h"

#include "diode.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>

/* ---- errors at DC ---- */

/* dc-errors.json: offset 3 mV, bias current 100 nA into each pin, A0 100 dB. */
static void test_dc_errors(void **state)
{
    (void)state;
    const double offset_v = 3e-3, bias_a = 100e-9, a0 = 1e5;
    board b = board_of(read_quoted(CIRCUIT("30V") OPAMP("dc-errors", "plus", "out") CAPACITOR(
        "C1", "1u", "in", "plus") RESISTOR("R1", "1M", "plus", "ground") "}}"));
    sag_bias_opamp follower = sag_bias_opamp_get(b.bias, 0);
    near_abs(follower.plus_v, -bias_a * 1e6, 1e-9,
             "Ohm's law: bias current times 1 Mohm, out of ground into the pin");
    near_abs(follower.out_v, (offset_v - bias_a * 1e6) * a0 / (1 + a0), 1e-8,
             "follower with finite gain, closed form");
    board_free(&b);
    b = board_of(read_quoted(CIRCUIT("30V") OPAMP("dc-errors", "ground", "sum") RESISTOR(
        "R1", "1k5", "in", "sum") RESISTOR("R2", "75k", "sum", "out") "}}"));
    double expected = (51 * offset_v + bias_a * 75e3) / (1 + 51 / a0);
    near_rel(sag_bias_node_v(b.bias, node_named(b.design, "out")), expected, 1e-6,
             "offset times the noise gain of 51, plus bias current times the feedback resistor, "
             "finite gain");
    near_rel(cabs(gain_at(&b, 0.1)), 50 / (1 + 51 / a0), 1e-6,
             "inverting stage with finite gain, closed form");
    board_free(&b);
}

/* ---- potentiometers ---- */

/* Two straight segments, 0 to `middle` at half rotation, then to 1; a reverse taper is the mirror
 * image. A "10 %" 10 k part has 1 k at half travel. */
#define POTENTIOMETERS                                                                             \
    "log pots of two straight segments; the per cent figure is the resistance at half rotation"

static void test_tapers(void **state)
{
    (void)state;
    static const char form[] = CIRCUIT("30V")
        OPAMP("near-ideal", "tap", "out") ", 'VR1': {'pot': '10k', 'ends': "
                                          "['ground', 'in'], 'wiper': 'tap', 'end_resistance': "
                                          "'0R', 'control': 'volume', %s}}}";
    static const struct {
        const char *taper;
        double share[5]; /* at 0, 25, 50, 75 and 100 % */
    } rows[] = {
        {"'taper': 'linear'", {0, 0.25, 0.5, 0.75, 1}},
        {"'taper': 'audio'", {0, 0.05, 0.1, 0.55, 1}},
        {"'taper': 'audio', 'middle': '10%'", {0, 0.05, 0.1, 0.55, 1}},
        {"'taper': 'audio', 'middle': '15%'", {0, 0.075, 0.15, 0.575, 1}},
        {"'taper': 'audio', 'middle': '20%'", {0, 0.1, 0.2, 0.6, 1}},
        {"'taper': 'reverse audio'", {0, 0.45, 0.9, 0.95, 1}},
        {"'taper': 'reverse audio', 'middle': '20%'", {0, 0.4, 0.8, 0.9, 1}},
    };
    static const char *const settings[] = {"volume=0%", "volume=25%", "volume=50%", "volume=75%",
                                           "volume=100%"};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char text[1024];
        snprintf(text, sizeof text, form, rows[i].taper);
        for (size_t k = 0; k < 5; k++) {
            sag_design *design = read_quoted(text);
            set_control(design, settings[k]);
            board b = board_of(design);
            near_abs(cabs(gain_at(&b, 100)), rows[i].share[k], 1e-6, POTENTIOMETERS);
            board_free(&b);
        }
    }
}

/* ---- pickup and cable ---- */

static double peak_of(const board *b, double low_hz, double high_hz)
{
    while (high_hz / low_hz > 1 + 1e-7) { /* thirds of a single hump */
        double step = cbrt(high_hz / low_hz);
        if (cabs(gain_at(b, low_hz * step)) < cabs(gain_at(b, high_hz / step))) {
            low_hz *= step;
        } else {
            high_hz /= step;
        }
    }
    return low_hz;
}

/* 2.4 H with a cable: f0 = 1/(2 pi sqrt(LC)), "near 6000 Hz" with 300 pF, "a little above 2000 Hz"
 * with 2.4 nF. With the coil's 6.2 kohm the phase is a quarter turn at f0, Q = sqrt(L/C)/R, and the
 * crest of the curve lies at f0 sqrt(1 - 1/(2 Q^2)), Q/sqrt(1 - 1/(4 Q^2)) high. */
static void test_pickup_resonance(void **state)
{
    (void)state;
    static const struct {
        const char *pickup;
        double farad, resonance_hz;
    } rows[] = {{"coil-300p", 300e-12, 5931}, {"coil-2n4", 2.4e-9, 2097}};
    static const char form[] = "{'format': 'railsag design 1', 'title': 'pickup and cable', "
                               "'input': {'node': 'in', 'pickup': '%s'},"
                               " 'output': {'node': 'out'}, 'supply': {'positive': 'vp', "
                               "'negative': 'vn', 'middle': 'ground', 'nominal': '30V'},"
                               " 'parts': {" OPAMP("near-ideal", "in", "out") "}}";
    for (size_t i = 0; i < 2; i++) {
        char text[1024];
        snprintf(text, sizeof text, form, rows[i].pickup);
        board b = board_at(read_quoted(text), 30, SAG_DRIVE_PICKUP);
        double low_hz = 100, high_hz = 50e3;
        while (high_hz / low_hz > 1 + 1e-9) {
            double middle_hz = sqrt(low_hz * high_hz);
            *(creal(gain_at(&b, middle_hz)) > 0 ? &low_hz : &high_hz) = middle_hz;
        }
        near_rel(low_hz, rows[i].resonance_hz, 0.01,
                 "worked example of a pickup maker: 2.4 H with its cable");
        near_rel(low_hz, 1 / (2 * M_PI * sqrt(2.4 * rows[i].farad)), 1e-6,
                 "f = 1/(2 pi sqrt(L C))");
        double q = sqrt(2.4 / rows[i].farad) / 6200, crest_hz = peak_of(&b, 100, 50e3);
        near_rel(crest_hz, low_hz * sqrt(1 - 1 / (2 * q * q)), 1e-4,
                 "crest of a resonant low-pass, closed form");
        near_rel(cabs(gain_at(&b, crest_hz)), q / sqrt(1 - 1 / (4 * q * q)), 1e-6,
                 "height of the crest, closed form");
        board_free(&b);
    }
}

/* An instrument with a preamp of its own: 1 kohm and 10 nF ahead of 1 kohm, a divider by two with a
 * corner at 1/(2 pi 500 ohm 10 nF). */
static void test_active_source(void **state)
{
    (void)state;
    board b = board_at(
        read_quoted(
            "{'format': 'railsag design 1', 'title': 'active', 'input': {'node': 'in', 'pickup': "
            "'preamp'}, 'output': {'node': 'out'}, 'supply': {'positive': 'vp', 'negative': 'vn', "
            "'middle': 'ground', 'nominal': '30V'}, 'parts': {" OPAMP("near-ideal", "in", "out")
                RESISTOR("R1", "1k", "in", "ground") "}}"),
        30, SAG_DRIVE_PICKUP);
    double corner_hz = 1 / (2 * M_PI * 500 * 10e-9);
    near_rel(cabs(gain_at(&b, 10)), 0.5, 1e-6, "1 kohm into 1 kohm, closed form");
    near_rel(cabs(gain_at(&b, corner_hz)), 0.5 * sqrt(0.5), 1e-4, "at its corner, closed form");
    board_free(&b);
}

static void test_cable_loss(void **state)
{
    (void)state;
    board b = board_of(read_quoted(
        "{'format': 'railsag design 1', 'title': 'cable', 'input': {'node': 'in', 'source': '10k'},"
        " 'output': {'node': 'out'}, 'supply': {'positive': 'vp', 'negative': 'vn', 'middle': "
        "'ground', 'nominal': '30V'},"
        " 'parts': {" OPAMP("near-ideal", "in", "out")
            CAPACITOR("C1", "900p", "in", "ground") "}}"));
    near_rel(frequency_of(&b, sqrt(0.5), 100, 1e6), 17.7e3, 3e-3,
             "10 kohm and two 10 ft cables, 900 pF: 17.7 kHz");
    board_free(&b);
}

/* ---- diode with series resistance ---- */

#define DIODE_PAPER "T. C. Banwell, A. Jayakumar, Electronics Letters 36(4), 291 (2000)"

static const struct {
    double v, ohm, saturation_a, emission_v, current_a, junction_v;
    const char *origin;
} diode_rows[] = {
    {0.9, 249.3, 25e-15, 1.38e-23 * 298 / 1.6e-19, 0.00108485173861, 0.629546461565,
     DIODE_PAPER ", numbers of the Boost.Math example"},
    {5, 1e3, 1e-12, 0.025852, 4.4258084973187e-3, 0.57419150268132, DIODE_PAPER ", Vt = 25.852 mV"},
    {5, 1e3, 2.52e-9, 1.752 * 0.025852, 4.3495369109079e-3, 0.65046308909214,
     DIODE_PAPER ", Vt = 25.852 mV"},
    {0.7, 100, 1e-14, 0.025852, 0.58895474212362e-3, 0.64110452578764,
     DIODE_PAPER ", Vt = 25.852 mV"},
};
#define DIODE_ROWS (sizeof diode_rows / sizeof *diode_rows)

static void test_diode_law(void **state)
{
    (void)state;
    for (size_t i = 0; i < DIODE_ROWS; i++) {
        sag_diode_law law = {.saturation_a = diode_rows[i].saturation_a,
                             .emission_v = diode_rows[i].emission_v,
                             .series_ohm = diode_rows[i].ohm,
                             .breakdown_v = (double)INFINITY};
        double slope, current_a = sag_diode_current(&law, diode_rows[i].v, &slope);
        near_rel(current_a, diode_rows[i].current_a, 1e-9, diode_rows[i].origin);
        near_rel(diode_rows[i].v - law.series_ohm * current_a, diode_rows[i].junction_v, 1e-9,
                 diode_rows[i].origin);
        /* di/dv = 1/(R + n Vt/(i + Is)) */
        near_rel(slope, 1 / (law.series_ohm + law.emission_v / (current_a + law.saturation_a)),
                 1e-9, "derivative of the diode equation");
    }
    /* W(x) with ln x = ln(2.42486e-10) + 35.016, as printed; the exact argument gives 10.5224604004
     */
    double share = 25e-15 * 249.3 / diode_rows[0].emission_v;
    near_rel(share, 2.42486e-10, 1e-5, DIODE_PAPER ", Is R/(n Vt)");
    near_rel(sag_wright_omega(log(share) + (0.9 + 25e-15 * 249.3) / diode_rows[0].emission_v),
             10.5224604004, 1e-11, DIODE_PAPER ", W of the Boost.Math example (printed 10.5225)");
}

/* Three points on v = n Vt ln(i/Is + 1) + R i. */
static void make_points(double saturation_a, double emission_v, double ohm,
                        sag_forward_point points[3])
{
    static const double currents_a[3] = {1e-3, 3e-3, 10e-3};
    for (int i = 0; i < 3; i++) {
        double junction_v = emission_v * log1p(currents_a[i] / saturation_a);
        points[i].current_a = currents_a[i];
        points[i].voltage_v = junction_v + ohm * currents_a[i];
    }
}

static void test_diode_fit(void **state)
{
    (void)state;
    for (size_t i = 0; i < DIODE_ROWS; i++) {
        sag_forward_point points[3];
        sag_diode_law law;
        make_points(diode_rows[i].saturation_a, diode_rows[i].emission_v, 0.5, points);
        assert_int_equal(sag_diode_fit(points, 3, (double)INFINITY, &law), SAG_OK);
        near_rel(law.emission_v, diode_rows[i].emission_v, 1e-10,
                 "law that the points were made from");
        near_rel(law.series_ohm, 0.5, 1e-10, "law that the points were made from");
        near_rel(law.saturation_a, diode_rows[i].saturation_a, 1e-9,
                 "law that the points were made from");
        for (int k = 0; k < 3; k++) {
            double slope;
            near_rel(sag_diode_current(&law, points[k].voltage_v, &slope), points[k].current_a,
                     1e-9, "the fit goes through its points");
        }
    }
}

static void test_diode_in_a_network(void **state)
{
    (void)state;
    /* A volt source, a resistor and a diode; the resistor is short of the published R by the
     * diode's own. */
    static const char form[] = CIRCUIT("9V")
        OPAMP("near-ideal", "in",
              "out") ", 'V1': {'voltage': %.17g, 'positive': 'a', 'negative': 'ground'}"
                     ", 'R1': {'resistor': %.17g, 'between': ['a', 'b']}"
                     ", 'D1': {'diode': 'pair', 'anode': 'b', 'cathode': 'ground'}}}";
    for (size_t i = 0; i < DIODE_ROWS; i++) {
        char text[1024];
        sag_forward_point points[3];
        sag_diode_model model = {
            .forward = points, .forward_count = 3, .breakdown_v = (double)INFINITY};
        make_points(diode_rows[i].saturation_a, diode_rows[i].emission_v, 0.5, points);
        snprintf(text, sizeof text, form, diode_rows[i].v, diode_rows[i].ohm - 0.5);
        sag_design *design = read_quoted(text);
        const sag_part *diode = sag_design_part(design, "D1");
        design->parts[diode - design->parts].diode = &model;
        board b = board_of(design);
        size_t part = (size_t)(diode - design->parts);
        near_rel(sag_bias_part_current_a(b.bias, part), diode_rows[i].current_a, 1e-9,
                 diode_rows[i].origin);
        board_free(&b);
    }
}

/* V + 2 R Is sinh(V/Vt) = Vin: the two diodes back to back of D. Yeh and others, Computer Music
 * Journal 32:2 (2008); part values from memory, solutions computed from the equation. */
static void test_diode_clipper(void **state)
{
    (void)state;
    static const double rows[][2] = {{0.1, 0.0999502540743}, {0.5, 0.428654542995},
                                     {1, 0.51543643039},     {2, 0.564629057656},
                                     {4.5, 0.609794904774},  {9, 0.644425263014}};
    static const char form[] = CIRCUIT("9V") OPAMP(
        "near-ideal", "in", "out") ", 'V1': {'voltage': %.17g, 'positive': 'a', 'negative': "
                                   "'ground'}" RESISTOR("R1", "2k2", "a",
                                                        "b") ", 'D1': {'diode': 'pair', 'anode': "
                                                             "'b', 'cathode': 'ground'}"
                                                             ", 'D2': {'diode': 'pair', 'anode': "
                                                             "'ground', 'cathode': 'b'}}}";
    /* The least series resistance of a fit, 1 mohm, is there at the points too; at 4 mA it is worth
     * 4 uV. */
    sag_forward_point points[3];
    sag_diode_model model = {
        .forward = points, .forward_count = 3, .breakdown_v = (double)INFINITY};
    make_points(2.52e-9, 45.3e-3, 1e-3, points);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        for (int sign = 1; sign >= -1; sign -= 2) {
            char text[1024];
            snprintf(text, sizeof text, form, sign * rows[i][0]);
            sag_design *design = read_quoted(text);
            for (size_t k = 0; k < design->part_count; k++) {
                design->parts[k].diode = design->parts[k].kind == SAG_DIODE ? &model : NULL;
            }
            board b = board_of(design);
            near_abs(sag_bias_node_v(b.bias, node_named(design, "b")), sign * rows[i][1], 6e-6,
                     "static solution of the diode clipper");
            board_free(&b);
        }
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_dc_errors),        cmocka_unit_test(test_tapers),
        cmocka_unit_test(test_pickup_resonance), cmocka_unit_test(test_active_source),
        cmocka_unit_test(test_cable_loss),       cmocka_unit_test(test_diode_law),
        cmocka_unit_test(test_diode_fit),        cmocka_unit_test(test_diode_in_a_network),
        cmocka_unit_test(test_diode_clipper),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
