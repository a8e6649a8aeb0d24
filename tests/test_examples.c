/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The small-signal curves of Plover and Curlew against transfer functions derived by hand, with the
 * values written in examples/. Op-amps are ideal but where it says so; tolerances are what the rest
 * of their bandwidth makes of it. */
#include "published.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>

#define EXAMPLES RAILSAG_SOURCE_DIR "/examples"

#define END_OHM    2.0 /* residual resistance of a pot's ends, unless given */
#define SOURCE_OHM 50.0

static double complex parallel(double complex a, double complex b)
{
    return a * b / (a + b);
}

/* Impedance of a capacitor. */
static double complex capacitor(double frequency_hz, double farad)
{
    return complex_of(0, -1 / (2 * M_PI * frequency_hz * farad));
}

/* From the second end of a pot to its wiper at a setting, 1 being the second end. */
static double from_second(double ohm, double setting)
{
    return END_OHM + (ohm - 2 * END_OHM) * (1 - setting);
}

static double from_first(double ohm, double setting)
{
    return from_second(ohm, 1 - setting);
}

/* An op-amp's output to the jack: c, then `across` to ground on its far side, then `series`, then
 * `last` to ground, across which the cable lies. */
static double complex to_jack(double complex c, double across, double series, double complex last)
{
    double complex load = parallel(across, series + last);
    return load / (c + load) * last / (series + last);
}

static double complex cable(double frequency_hz) /* "1M + 500p" */
{
    return parallel(1e6, capacitor(frequency_hz, 500e-12));
}

/* Plover.
 *
 *   in     VR1 at its upper end, C1, then R1, with R2 and C2 behind it
 * Against the lower end l of both dividers, with 1 at the output:
 *   w      wiper of VR2, fed from the output through its upper part with C4 across
 *              (1 - w) Y1 = w Y2 + (w - m)/Zf       Y1 = 1/upper + j w C4, Y2 = 1/(lower + R4)
 *   m      inverting input; VR3 is a source of a behind a resistance
 *              (w - m)/Zf = (m - a)/Zt              Zf = R3 parallel C3, Zt = that + R5 + C5
 *   =>     1/m = (Q + Zt (Y1 + Y2))/(Zt Y1 + a Q),   Q = 1 + Zf (Y1 + Y2)
 * The network draws Y in all, which C6 carries to ground, so that l = Y Z6 and
 *          e/in = 1/(B + 1/A),   B = (m + Y Z6)/(1 + Y Z6),   1/A = 1/A0 + j f/GBW
 * A being no better than 100 at 10 kHz, 0.12 dB of treble are its doing.
 *
 * Limits: VR2 and VR3 at 0 % (Y1 infinite, a = 1): 1. DC (Z6 infinite): 1. Without C6: low
 * frequencies (Zt infinite) (Y1 + Y2)/Y1 = 1 + upper/(lower + R4); high ones with a = 0 (Y1
 * infinite) (Zf + Zt)/Zt = 1 + R3/R5. */
static double complex plover(double f, double bass, double treble, const sag_opamp_model *opamp)
{
    double upper = from_first(100e3, bass), lower = from_second(100e3, bass);
    double complex y1 = 1 / upper + 1 / capacitor(f, 33e-9), y2 = 1 / (lower + 33e3);
    double high = from_first(50e3, treble), low = from_second(50e3, treble);
    double a = low / (high + low), slide = high * low / (high + low);
    double complex zf = parallel(33e3, capacitor(f, 47e-12));
    double complex zt = slide + 10e3 + capacitor(f, 2.2e-9);
    double complex q = 1 + zf * (y1 + y2);
    double complex m = (zt * y1 + a * q) / (q + zt * (y1 + y2));
    double complex current = (a - m) / zt; /* from the wiper of VR3 to m */
    double complex y = y1 * (1 - (m - current * zf)) + (1 - (a - current * slide)) / high;
    double complex rise = y * capacitor(f, 2.2e-6);
    double complex stage = 1 / ((m + rise) / (1 + rise) + complex_of(1 / opamp->open_loop_gain,
                                                                     f / opamp->gain_bandwidth_hz));

    double complex grid = parallel(10e6, capacitor(f, 22e-12));
    double complex input = END_OHM + capacitor(f, 10e-9) + 10e3 + grid;
    double complex jack = parallel(1e6 - END_OHM, input);
    return jack / (SOURCE_OHM + jack) * grid / input * stage *
           to_jack(capacitor(f, 2.2e-6), 220e3, 470, cable(f));
}

/* Current into a summing point from either end of a T with arms a, b and c (c at that point), per
 * volt at the end of a: star to triangle. */
static double complex through_t(double complex a, double complex b, double complex c)
{
    return 1 / (a + c + a * c / b);
}

/* Curlew.
 *
 * Bass and treble: two such T networks from buffer and output to the sum, and C6.
 *
 * Mid: VR3 with a share x of its resistance R from the first end to the wiper, Z from there to
 * ground; both inputs at v, so that v - wiper = v x(1 - x)R/(Z + x(1 - x)R) drives
 *      v (1 - x)/(Z + x(1 - x)R) into the first end, v x/(Z + x(1 - x)R) into the second
 *   => gain = (1 + Z10 x/N)/(1 + R9 (1 - x)/N),   N = Z + x(1 - x)R
 * Limits: x = 1/2 and no C7: 1. x = 1: 1 + R10/Z; x = 0: its inverse.
 *
 * Coil: p = v j w R14 C11/(1 + j w R14 (C11 + Cin)) at U2B's input, G p at its output
 *   => 1/Zcoil = (1 - G p/v)/R13 + (1 - p/v) j w C11
 * Limit: G = 1, Cin = 0, low frequencies: R13 + j w (R14 - R13) R13 C11. Here the op-amp cannot be
 * ideal: p comes close to v, so 1 - G p/v magnifies its input capacitance and G = 1/(1 + j f/GBW),
 * 0.1 dB at 800 Hz. */
static double complex coil(double f, const sag_opamp_model *opamp)
{
    double complex s = complex_of(0, 2 * M_PI * f);
    double complex p = s * 220e3 * 3.3e-9 / (1 + s * 220e3 * (3.3e-9 + opamp->input_farad));
    double complex g = 1 / complex_of(1, f / opamp->gain_bandwidth_hz);
    return 1 / ((1 - g * p) / 2.2e3 + (1 - p) * s * 3.3e-9);
}

static double complex curlew(double f, double bass, double mid, int position, double treble,
                             const sag_opamp_model *opamp)
{
    double complex grid = parallel(2.2e6, capacitor(f, 22e-12));
    double complex input = capacitor(f, 22e-9) + 10e3 + grid;
    double complex jack = parallel(10e6, input);
    double complex buffer = jack / (SOURCE_OHM + jack) * grid / input;

    double complex c68n = capacitor(f, 68e-9);
    double complex bass_in = 15e3 + parallel(from_second(50e3, bass), c68n);
    double complex bass_out = 15e3 + parallel(from_first(50e3, bass), c68n);
    double complex treble_in = 4.7e3 + from_second(50e3, treble);
    double complex treble_out = 4.7e3 + from_first(50e3, treble);
    double complex c5 = capacitor(f, 4.7e-9), c22p = capacitor(f, 22e-12);
    double complex forward =
        through_t(bass_in, bass_out, 4.7e3) + through_t(treble_in, treble_out, c5);
    double complex back =
        through_t(bass_out, bass_in, 4.7e3) + through_t(treble_out, treble_in, c5) + 1 / c22p;
    double complex tone = -forward / back;

    double complex tuning = 1 / capacitor(f, 22e-9);
    tuning += 1 / (capacitor(f, 220e-9) + (position == 1 ? 0 : 10e6));
    tuning += 1 / (capacitor(f, 47e-9) + (position == 2 ? 0 : 10e6));
    double x = from_first(10e3, mid) / 10e3;
    double complex n = 1 / tuning + coil(f, opamp) + x * (1 - x) * 10e3;
    double complex bell = (1 + parallel(6.8e3, c22p) * x / n) / (1 + 6.8e3 * (1 - x) / n);

    double complex last = parallel(220e3, cable(f));
    return buffer * tone * bell * to_jack(capacitor(f, 10e-6), 10e3 - END_OHM, END_OHM + 470, last);
}

static void set(sag_design *design, const char *control, double value)
{
    char text[64];
    snprintf(text, sizeof text, "%s=%g", control, value);
    set_control(design, text);
}

static const double settings[] = {0, 0.3, 0.5, 1};
#define SETTINGS (sizeof settings / sizeof *settings)

/* From 20 Hz to 20 kHz in steps of half an octave, about. */
#define FIRST_HZ 20.0
#define LAST_HZ  20e3
#define STEP     1.42

static board plover_board(double bass, double treble)
{
    sag_design *design = read_design(EXAMPLES "/plover.json");
    set(design, "bass", bass);
    set(design, "treble", treble);
    return board_of(design);
}

static void test_plover(void **state)
{
    (void)state;
    for (size_t i = 0; i < SETTINGS * SETTINGS; i++) {
        double bass = settings[i / SETTINGS], treble = settings[i % SETTINGS];
        board b = plover_board(bass, treble);
        const sag_opamp_model *opamp = sag_design_part(b.design, "U1A")->opamp;
        for (double f = FIRST_HZ; f <= LAST_HZ; f *= STEP) {
            double complex ratio = gain_at(&b, f) / plover(f, bass, treble, opamp);
            near_db(sag_gain_db(ratio), 0, f < 5e3 ? 0.01 : 0.02, "closed form of Plover");
        }
        board_free(&b);
    }
}

static board curlew_board(double bass, double mid, int position, double treble)
{
    sag_design *design = read_design(EXAMPLES "/curlew.json");
    set(design, "bass", bass);
    set(design, "mid", mid);
    set(design, "mid_frequency", position);
    set(design, "treble", treble);
    return board_of(design);
}

static void test_curlew(void **state)
{
    (void)state;
    for (size_t i = 0; i < SETTINGS * SETTINGS * SETTINGS * 3; i++) {
        double bass = settings[i % SETTINGS], mid = settings[i / SETTINGS % SETTINGS];
        double treble = settings[i / SETTINGS / SETTINGS % SETTINGS];
        int position = 1 + (int)(i / SETTINGS / SETTINGS / SETTINGS);
        board b = curlew_board(bass, mid, position, treble);
        const sag_opamp_model *opamp = sag_design_part(b.design, "U2B")->opamp;
        for (double f = FIRST_HZ; f <= LAST_HZ; f *= STEP) {
            double complex ratio = gain_at(&b, f) / curlew(f, bass, mid, position, treble, opamp);
            near_db(sag_gain_db(ratio), 0, f < 5e3 ? 0.02 : 0.05, "closed form of Curlew");
            if (f < 5e3) {
                near_abs(sag_phase_deg(ratio), 0, 1, "closed form of Curlew, phase in degrees");
            }
        }
        board_free(&b);
    }
}

/* Figures that the notes in the files promise, by hand from the part values. */
static void test_promises(void **state)
{
    (void)state;
    board up = plover_board(1, 1), flat = plover_board(0, 0);
    near_db(db_at(&up, 20) - db_at(&flat, 20), 12.1, 0.8,
            "Plover, bass: below its corner of 48 Hz");
    near_db(db_at(&up, 20e3) - db_at(&flat, 20e3), 12.7, 0.7,
            "Plover, treble: 1 + 33/10, above its corner of 7 kHz");
    /* 500 mAh: a 6LR61 at the low end of its spread; 2 h a day are 730 h a year. */
    near_abs(sag_bias_drain_a(flat.bias), 0.37e-3, 0.02e-3, "Plover: 2 x 0.174 mA and 9 V/440 k");
    assert_true(0.5 / sag_bias_drain_a(flat.bias) > 1.5 * 730);
    board_free(&up);
    board_free(&flat);
    static const double tuned_hz[] = {260, 480, 850};
    for (int position = 1; position <= 3; position++) {
        board bell = curlew_board(0.5, 1, position, 0.5);
        double most_db = -100, most_hz = 0;
        for (double f = 100; f < 2000; f *= 1.01) {
            double db = db_at(&bell, f);
            if (db > most_db) {
                most_db = db;
                most_hz = f;
            }
        }
        near_rel(most_hz, tuned_hz[position - 1], 0.03,
                 "Curlew, mid: 1/(2 pi sqrt(L C)), L = 1.6 H");
        near_db(most_db, 12.2, 1.2, "Curlew, mid: 1 + R10/R13, less what C11 costs");
        board_free(&bell);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_plover),
        cmocka_unit_test(test_curlew),
        cmocka_unit_test(test_promises),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
