/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Small-signal responses against published figures and closed forms: tone control, record
 * equaliser, closed-loop bandwidth, shelving filters. */
#include "published.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>

/* ---- active tone control ---- */

#define HANDBOOK                                                                                   \
    "active tone control of the LM833 and LM4562 data sheets and the 1976 audio handbook"

/* Exact response of that circuit with an ideal op-amp, computed from its part values apart from
 * this program; dB with the pots at an end or exactly centred. */
static const struct {
    double frequency_hz, bass_db, treble_db, both_db;
} tone_rows[] = {
    {1, 20.073, 0.000, 20.074},     {10, 19.581, 0.024, 19.672},    {20, 18.365, 0.088, 18.645},
    {30, 16.893, 0.176, 17.345},    {50, 14.108, 0.365, 14.761},    {100, 9.321, 0.683, 10.062},
    {200, 4.739, 0.977, 5.323},     {300, 2.743, 1.229, 3.231},     {500, 1.192, 1.868, 2.027},
    {1000, 0.329, 3.955, 3.500},    {2000, 0.084, 7.839, 7.607},    {5000, 0.014, 13.957, 13.907},
    {10000, 0.003, 17.330, 17.316}, {20000, 0.001, 18.903, 18.899}, {100000, 0.000, 19.562, 19.562},
};
#define TONE_ROWS (sizeof tone_rows / sizeof *tone_rows)

static board tone_control(const char *bass, const char *treble)
{
    sag_design *design = read_design(PUBLISHED "/tone-control.json");
    set_control(design, bass);
    set_control(design, treble);
    return board_of(design);
}

static void test_tone_control(void **state)
{
    (void)state;
    board bass_up = tone_control("bass=100%", "treble=50%"),
          bass_down = tone_control("bass=0%", "treble=50%");
    board treble_up = tone_control("bass=50%", "treble=100%"),
          treble_down = tone_control("bass=50%", "treble=0%");
    board both_up = tone_control("bass=100%", "treble=100%"),
          both_down = tone_control("bass=0%", "treble=0%");
    board flat = tone_control("bass=50%", "treble=50%");
    for (size_t i = 0; i < TONE_ROWS; i++) {
        double f = tone_rows[i].frequency_hz;
        near_db(db_at(&bass_up, f), tone_rows[i].bass_db, 0.01, HANDBOOK ", bass at maximum");
        near_db(db_at(&bass_down, f), -tone_rows[i].bass_db, 0.01,
                HANDBOOK ", bass at minimum, the mirror image");
        near_db(db_at(&treble_up, f), tone_rows[i].treble_db, 0.01, HANDBOOK ", treble at maximum");
        near_db(db_at(&treble_down, f), -tone_rows[i].treble_db, 0.01,
                HANDBOOK ", treble at minimum, the mirror image");
        near_db(db_at(&both_up, f), tone_rows[i].both_db, 0.01, HANDBOOK ", both at maximum");
        near_db(db_at(&both_down, f), -tone_rows[i].both_db, 0.01,
                HANDBOOK ", both at minimum, the mirror image");
        near_db(db_at(&flat, f), 0, 0.01, HANDBOOK ", both centred");
    }
    board *const all[] = {&bass_up, &bass_down, &treble_up, &treble_down,
                          &both_up, &both_down, &flat};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        board_free(all[i]);
    }
}

/* The bass branch alone: H = G (1 + j f/fz)/(1 + j f/fp), G = 1 + R2/R1, fp = 1/(2 pi R2 C1), fz =
 * G fp. */
static void test_bass_shelf(void **state)
{
    (void)state;
    static const double rows[][2] = {
        {10, 19.674}, {31.83, 17.111}, {101.115, 10.039}, {321.2, 2.968}, {1000, 0.422}};
    board b = board_of(read_design(PUBLISHED "/bass-shelf.json"));
    near_db(db_at(&b, 1e-3), 20.079, 0.01, HANDBOOK ", bass gain limit 1 + R2/R1 = 10.09");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        near_db(db_at(&b, rows[i][0]), rows[i][1], 0.01, "first-order shelf, closed form");
    }
    double g = 1 + 100 / 11.0, fp = 1 / (2 * M_PI * 100e3 * 50e-9);
    for (double f = 0.1; f < 1e5; f *= 3) {
        double complex h = -g * complex_of(1, f / (g * fp)) / complex_of(1, f / fp);
        double complex ratio = gain_at(&b, f) / h;
        near_db(sag_gain_db(ratio), 0, 1e-4, "first-order shelf, closed form");
        near_abs(sag_phase_deg(ratio), 0, 1e-2, "first-order shelf, closed form, phase in degrees");
    }
    /* At the pole |H|^2 = (G^2 + 1)/2, at the zero 2 G^2/(1 + G^2). */
    double pole_hz = frequency_of(&b, sqrt((g * g + 1) / 2), 1, 1e4);
    double zero_hz = frequency_of(&b, sqrt(2 * g * g / (1 + g * g)), 1, 1e4);
    near_rel(pole_hz, 31.83, 2e-4, HANDBOOK ", fL = 1/(2 pi R2 C1), printed 31.83 Hz");
    near_rel(zero_hz, 321.20, 1e-4, "true zero of the shelf, (R1 + R2)/(2 pi R1 R2 C1)");
    near_rel(zero_hz, 320, 5e-3, HANDBOOK ", fLB printed as 320 Hz in the data sheet");
    near_rel(zero_hz * 100 / 111, 289.37, 1e-4,
             HANDBOOK ", fLB by formula: the zero without its share R2/(R1 + R2)");
    board_free(&b);
}

/* At high frequencies C1 shorts the bass pot, and with R4 very large the treble branch alone is
 * left: H = (1 + j f/fHB)/(1 + j f/fH), fH = 1/(2 pi R3 C3), fHB = 1/(2 pi (R1 + R3 + 2 R5) C3). */
static void test_treble_corners(void **state)
{
    (void)state;
    static const struct {
        const char *c3;
        double fhb_hz, fh_hz, fhb_tolerance, fh_tolerance;
        const char *origin;
    } rows[] = {
        {"C3=5n", 869.7, 8841.9, 1e-4, 1e-4, HANDBOOK ", fHB and fH by formula"},
        {"C3=3n9", 1115, 11300, 5e-4, 5e-3,
         HANDBOOK ", the printed 1.1 kHz and 11 kHz are those of 3.9 nF"},
    };
    double g = 1 + (11 + 2 * 11) / 3.6;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        sag_design *design = read_design(PUBLISHED "/tone-control.json");
        set_control(design, "treble=100%");
        change_part(design, "VR2=500M");
        change_part(design, "C1,C2=5m");
        change_part(design, rows[i].c3);
        board b = board_of(design);
        near_rel(frequency_of(&b, sqrt(2 / (1 + 1 / (g * g))), 10, 1e5), rows[i].fhb_hz,
                 rows[i].fhb_tolerance, rows[i].origin);
        near_rel(frequency_of(&b, sqrt((1 + g * g) / 2), 10, 1e6), rows[i].fh_hz,
                 rows[i].fh_tolerance, rows[i].origin);
        near_db(db_at(&b, 5e6), 20.144, 0.01,
                HANDBOOK ", treble gain limit 1 + (R1 + 2 R5)/R3 = 10.17");
        board_free(&b);
    }
}

/* ---- record equaliser ---- */

#define AN346 "TI application report AN-346, SNOA586D"

/* Table 1 of that report (right to 0.06 dB, not to its last digit); the exact function; and with
 * the 7950 us corner of IEC 98 amendment 4. dB re 1 kHz. */
static const struct {
    double frequency_hz, printed_db, exact_db, rumble_db;
} riaa_rows[] = {
    {20, 19.3, 19.274, 16.261},       {30, 18.6, 18.593, 16.995},
    {40, 17.8, 17.792, 16.823},       {50, 17.0, 16.946, 16.302},
    {60, 16.1, 16.101, 15.644},       {80, 14.5, 14.506, 14.244},
    {100, 13.1, 13.088, 12.920},      {150, 10.3, 10.271, 10.196},
    {200, 8.2, 8.219, 8.178},         {300, 5.5, 5.484, 5.467},
    {400, 3.8, 3.784, 3.775},         {500, 2.6, 2.648, 2.642},
    {800, 0.7, 0.751, 0.750},         {1000, 0.0, 0, 0},
    {1500, -1.4, -1.395, -1.394},     {2000, -2.6, -2.589, -2.587},
    {3000, -4.8, -4.740, -4.739},     {4000, -6.6, -6.605, -6.604},
    {5000, -8.2, -8.210, -8.208},     {6000, -9.6, -9.599, -9.597},
    {8000, -11.9, -11.894, -11.892},  {10000, -13.7, -13.734, -13.733},
    {15000, -17.2, -17.157, -17.155}, {20000, -19.6, -19.620, -19.619},
};
#define RIAA_ROWS (sizeof riaa_rows / sizeof *riaa_rows)

/* (1 + s 318u)/((1 + s 3180u)(1 + s 75u)) in dB re 1 kHz */
static double riaa_db(double frequency_hz)
{
    double db[2];
    for (int i = 0; i < 2; i++) {
        double w = 2 * M_PI * (i ? 1000 : frequency_hz);
        db[i] = sag_gain_db(complex_of(1, w * 318e-6) /
                            (complex_of(1, w * 3180e-6) * complex_of(1, w * 75e-6)));
    }
    return db[0] - db[1];
}

static void test_riaa_one_opamp(void **state)
{
    (void)state;
    /* Gain with an ideal op-amp, and its error against the exact function. */
    static const struct {
        double frequency_hz, gain_db, error_db;
    } rows[] = {
        {20, 54.136, -0.110},    {50, 52.130, 0.213},    {100, 48.432, 0.372},
        {200, 43.583, 0.392},    {500, 37.813, 0.194},   {1000, 34.972, 0},
        {2000, 32.283, -0.100},  {5000, 26.627, -0.135}, {10000, 21.119, -0.118},
        {20000, 15.326, -0.025}, {50000, 8.022, 0.591},
    };
    board b = board_of(read_design(PUBLISHED "/riaa-one-opamp.json"));
    double reference_db = db_at(&b, 1000);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double db = db_at(&b, rows[i].frequency_hz);
        near_db(db, rows[i].gain_db, 0.01, AN346 ", figure 2a, computed from its values");
        near_db(db - reference_db - riaa_db(rows[i].frequency_hz), rows[i].error_db, 0.01,
                AN346 ", figure 2a, error computed from its values");
    }
    for (size_t i = 0; i < RIAA_ROWS; i++) {
        near_db(db_at(&b, riaa_rows[i].frequency_hz) - reference_db, riaa_rows[i].exact_db, 0.5,
                AN346 ", stated for figure 2a: within 0.5 dB from 20 Hz to 20 kHz");
    }
    board_free(&b);
}

static void test_riaa_two_opamps(void **state)
{
    (void)state;
    board b = board_of(read_design(PUBLISHED "/riaa-two-opamps.json"));
    double reference_db = db_at(&b, 1000);
    near_db(reference_db, 34.783, 0.01, AN346 ", figure 3, computed from its values, 1 kHz");
    near_db(sag_gain_db(sag_response_node(b.response, node_named(b.design, "first"))), 26.055, 0.01,
            AN346 ", figure 3, first stage at 1 kHz (its design aim is 26 dB)");
    near_db(sag_gain_db(sag_response_node(b.response, node_named(b.design, "second"))), 24.817,
            0.01, AN346 ", figure 3, after the network at 1 kHz");
    static const double errors[][2] = {{20, -0.050}, {200, 0.064}, {20000, -0.019}};
    for (size_t i = 0; i < 3; i++) {
        near_db(db_at(&b, errors[i][0]) - reference_db - riaa_db(errors[i][0]), errors[i][1], 0.01,
                AN346 ", figure 3, error computed from its values");
    }
    for (size_t i = 0; i < RIAA_ROWS; i++) {
        near_db(db_at(&b, riaa_rows[i].frequency_hz) - reference_db, riaa_rows[i].exact_db, 0.1,
                AN346 ", stated for figure 3: within 0.1 dB");
    }
    board_free(&b);
}

/* The first stage by the report's formulas from R0 = 500 ohm and A1 = 20 at 1 kHz: R1 = 8.058 R0 A1
 * = 80.58 k, C1 = 3.18 ms/R1, R2 = R1/9 - R0, with C0 as good as a short. */
static void test_riaa_first_stage_formulas(void **state)
{
    (void)state;
    sag_design *design = read_design(PUBLISHED "/riaa-two-opamps.json");
    change_part(design, "R7=500R");
    change_part(design, "R1=80.58k");
    change_part(design, "C1=39.4638868n");
    change_part(design, "R2=8453.3333R");
    change_part(design, "C7=1");
    board b = board_of(design);
    int first = node_named(b.design, "first");
    gain_at(&b, 1000);
    double at_1k = cabs(sag_response_node(b.response, first));
    gain_at(&b, 0.1);
    double at_rest = cabs(sag_response_node(b.response, first));
    near_rel(at_1k, 20, 2e-4, AN346 ", design formulas: A1 = 20 at 1 kHz");
    near_rel(at_rest / at_1k, 8.9535, 1e-4, AN346 ", DC gain 8.9535 times that at 1 kHz");
    board_free(&b);
}

/* The two networks with RIAA impedance, as the feedback of an inverting stage. */
#define RIAA_PAPER "S. Lipshitz, On RIAA Equalization Networks, JAES 1979"

static void check_riaa(const char *text, const char *origin)
{
    board b = board_of(read_quoted(text));
    int rumble = node_named(b.design, "rumble");
    double reference_db = db_at(&b, 1000);
    double rumble_reference_db = sag_gain_db(sag_response_node(b.response, rumble));
    for (size_t i = 0; i < RIAA_ROWS; i++) {
        double db = db_at(&b, riaa_rows[i].frequency_hz) - reference_db;
        double rumble_db = sag_gain_db(sag_response_node(b.response, rumble)) - rumble_reference_db;
        near_db(db, riaa_rows[i].printed_db, 0.1, AN346 ", Table 1 as printed");
        near_db(db, riaa_rows[i].exact_db, 0.01, origin);
        near_db(rumble_db, riaa_rows[i].rumble_db, 0.01,
                "IEC 98 amendment 4, 7950 us (from memory)");
    }
    board_free(&b);
}

#define RUMBLE_FILTER                                                                              \
    CAPACITOR("C9", "1u", "out", "rumble") RESISTOR("R9", "7k95", "rumble", "ground")

static void test_riaa_networks(void **state)
{
    (void)state;
    /* R1 C1 = 3180 us, R2 C2 = 75 us, C1/C2 = 3.600, so R1/R2 = 11.78 */
    check_riaa(CIRCUIT("30V") OPAMP("near-ideal", "ground", "sum")
                   RESISTOR("R3", "10k", "in", "sum") RESISTOR("R1", "318k", "sum", "between")
                       CAPACITOR("C1", "10n", "sum", "between")
                           RESISTOR("R2", "27k", "between", "out")
                               CAPACITOR("C2", "2.7777778n", "between", "out") RUMBLE_FILTER "}}",
               RIAA_PAPER ", two RC pairs in series: 3180 us, 75 us, 3.600");
    /* R1 C1 = 2937 us, R2 C2 = 81.21 us, C1/C2 = 2.916, so R1/R2 = 12.40 */
    check_riaa(CIRCUIT("30V") OPAMP("near-ideal", "ground", "sum")
                   RESISTOR("R3", "10k", "in", "sum") RESISTOR("R1", "293.7k", "sum", "out")
                       CAPACITOR("C1", "10n", "sum", "between")
                           RESISTOR("R2", "23.68084k", "between", "out")
                               CAPACITOR("C2", "3.42935528n", "between", "out") RUMBLE_FILTER "}}",
               RIAA_PAPER ", R across C in series with R parallel C: 2937 us, 81.21 us, 2.916");
}

/* ---- closed-loop bandwidth ---- */

/* one-pole.json: GBW 1 MHz. f_cl = GBW / noise gain, and one pole: gain falls by 1/sqrt(1 +
 * (f/f_cl)^2). */
static void check_bandwidth(const char *text, double gain, double bandwidth_hz, const char *origin)
{
    board b = board_of(read_quoted(text));
    near_rel(cabs(gain_at(&b, 0.1)), gain, 1e-4, origin);
    near_rel(frequency_of(&b, gain / sqrt(2), 1, 1e7), bandwidth_hz, 1e-4, origin);
    for (double share = 0.01; share < 20; share *= 2) {
        double expected = gain / hypot(1, share);
        near_rel(cabs(gain_at(&b, share * bandwidth_hz)), expected, 1e-4,
                 "one-pole error, closed form");
    }
    board_free(&b);
}

static void test_closed_loop_bandwidth(void **state)
{
    (void)state;
    check_bandwidth(
        CIRCUIT("30V") OPAMP("one-pole", "in", "feedback") RESISTOR("R1", "90k", "out", "feedback")
            RESISTOR("R2", "10k", "feedback", "ground") "}}",
        10, 100e3, "worked example: 1 MHz, gain 10, 100 kHz (electronics text, example 14.7)");
    /* The book divides by the signal gain of 50 and says 20 kHz. */
    check_bandwidth(CIRCUIT("30V") OPAMP("one-pole", "ground", "sum")
                        RESISTOR("R1", "1k5", "in", "sum") RESISTOR("R2", "75k", "sum", "out") "}}",
                    50, 19607.8,
                    "worked example: 1.5 k, 75 k, 1 MHz, with the noise gain of 51 (MT-033)");
}

/* ---- shelving filters ---- */

/* H = (s + sqrt(g) w0)/(s + w0/sqrt(g)), g = 10, f0 = 101.115 Hz: the tone control's bass branch
 * with R2 = 9 R1 and R2 C1 = sqrt(g)/w0. */
static void test_first_order_shelf(void **state)
{
    (void)state;
    sag_design *design = read_design(PUBLISHED "/bass-shelf.json");
    char change[64];
    double g = 10, f0 = 101.115;
    change_part(design, "VR1=99k");
    snprintf(change, sizeof change, "C1,C2=%.12gn", 1e9 * sqrt(g) / (2 * M_PI * f0 * 99e3));
    change_part(design, change);
    board b = board_of(design);
    near_db(db_at(&b, 1e-3), 20, 0.001, "first-order shelf: g at DC");
    near_db(db_at(&b, f0), 10, 0.001, "first-order shelf: sqrt(g) at w0");
    near_db(db_at(&b, 1e6), 0, 0.001, "first-order shelf: 1 at infinity");
    /* The three conventions of where a shelf has its corner: 3 dB from the shelf, half the dB, 3 dB
     * from flat. */
    near_rel(frequency_of(&b, sqrt((g * g + 1) / 2), 1, 1e4), 31.8, 6e-3,
             "corner 3 dB from the shelf: 31.8 Hz");
    near_rel(frequency_of(&b, sqrt(g), 1, 1e4), 101, 6e-3, "corner at half the dB: 101 Hz");
    near_rel(frequency_of(&b, sqrt(2 / (1 + 1 / (g * g))), 1, 1e4), 321, 6e-3,
             "corner 3 dB from flat: 321 Hz");
    for (double f = 0.1; f < 1e5; f *= 3) {
        double complex h = complex_of(sqrt(g) * f0, f) / complex_of(f0 / sqrt(g), f);
        near_db(db_at(&b, f), sag_gain_db(h), 1e-3, "first-order shelf, closed form");
    }
    board_free(&b);
}

#define COOKBOOK "Audio EQ Cookbook, W3C note of 8 June 2021"
#define INDUCTOR(name, value, a, b)                                                                \
    ", '" name "': {'inductor': '" value "', 'between': ['" a "', '" b "']}"

/* The second-order shelves with A = 10^(G/40) as -Zf/Zi of an inverting stage, both impedances R, L
 * and C in series, with C = 100 nF in Zi and w0 = 1/s at 1 kHz. 1 Gohm across each C leads DC past
 * it, and counts below 2 mHz only. low:   H = A (s^2 + (sqrt A/Q) s + A)/(A s^2 + (sqrt A/Q) s + 1)
 *     high:  H = A (A s^2 + (sqrt A/Q) s + 1)/(s^2 + (sqrt A/Q) s + A) */
static board cookbook_shelf(int high, double gain_db, double q)
{
    static const char form[] = CIRCUIT("30V") OPAMP("near-ideal", "ground", "sum")
        RESISTOR("R1", "%.15g", "in", "a") INDUCTOR("L1", "%.15g", "a", "b")
            CAPACITOR("C1", "%.15g", "b", "sum") RESISTOR("R3", "1G", "b", "sum")
                RESISTOR("R2", "%.15g", "sum", "c") INDUCTOR("L2", "%.15g", "c", "d")
                    CAPACITOR("C2", "%.15g", "d", "out") RESISTOR("R4", "1G", "d", "out") "}}";
    char text[2048];
    double a = pow(10, gain_db / 40), s = 1 / (2 * M_PI * 1000), ci = 100e-9,
           cf = high ? ci : ci / (a * a);
    /* numerator (L, R of Zf) and denominator (of Zi) as 1 + s R C + s^2 L C */
    double top = high ? a : 1 / a, bottom = 1 / top;
    double top_r = high ? sqrt(a) / q : 1 / (sqrt(a) * q),
           bottom_r = high ? 1 / (sqrt(a) * q) : sqrt(a) / q;
    snprintf(text, sizeof text, form, bottom_r * s / ci, bottom * s * s / ci, ci, top_r * s / cf,
             top * s * s / cf, cf);
    return board_of(read_quoted(text));
}

static void test_second_order_shelf(void **state)
{
    (void)state;
    static const double gains_db[] = {12, -12, 6}, qs[] = {0.70710678, 0.5, 2};
    for (int i = 0; i < 6; i++) {
        int high = i % 2;
        double gain_db = gains_db[i / 2], q = qs[i / 2], a = pow(10, gain_db / 40);
        board b = cookbook_shelf(high, gain_db, q);
        near_db(db_at(&b, 1), high ? 0 : gain_db, 0.001, COOKBOOK ", low end");
        near_db(db_at(&b, 1000), gain_db / 2, 0.001, COOKBOOK ", |H(j)| = A");
        near_db(db_at(&b, 1e6), high ? gain_db : 0, 0.001, COOKBOOK ", high end");
        for (double f = 10; f < 1e5; f *= 1.7) {
            double complex s = complex_of(0, f / 1000), band = sqrt(a) / q * s;
            double complex falling = s * s + band + a, rising = a * s * s + band + 1;
            double complex h = high ? a * rising / falling : a * falling / rising;
            near_db(db_at(&b, f), sag_gain_db(h), 0.001,
                    high ? COOKBOOK ", high shelf" : COOKBOOK ", low shelf");
        }
        board_free(&b);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tone_control),      cmocka_unit_test(test_bass_shelf),
        cmocka_unit_test(test_treble_corners),    cmocka_unit_test(test_riaa_one_opamp),
        cmocka_unit_test(test_riaa_two_opamps),   cmocka_unit_test(test_riaa_first_stage_formulas),
        cmocka_unit_test(test_riaa_networks),     cmocka_unit_test(test_closed_loop_bandwidth),
        cmocka_unit_test(test_first_order_shelf), cmocka_unit_test(test_second_order_shelf),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
