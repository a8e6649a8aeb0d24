/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Periodic solutions and headroom against published figures: limiter, slew rate, headroom. */
#include "published.h"

#include <gsl/gsl_errno.h>

#define FOLLOWER(model) CIRCUIT("30V") OPAMP(model, "in", "out") "}}"

/* The +-15 V supply less the volt of near-ideal.json. */
#define LIMIT_V 14.0

static void solve_levels(const board *b, double frequency_hz, const double *level_vpk, size_t count,
                         sag_steady_point *points)
{
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady = NULL;
    assert_int_equal(sag_steady_new(b->bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, frequency_hz), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, level_vpk, count, points, NULL), SAG_OK);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(points[i].status, SAG_OK);
    }
    sag_steady_free(steady);
}

/* ---- the hard limiter ---- */

/* Saturation function of A. Gelb and W. E. Vander Velde, Multiple-Input Describing Functions
 * (1968), section 2.3: unit slope, limits +-1, input a sin t. N is the gain of the fundamental.
 * Harmonics to 30 digits from the closed form. */
typedef struct {
    double a, n, b3, b5, b7, thd_f_percent, fundamental_db;
} limiter_row;

#define LIMITER "saturation describing function, Gelb and Vander Velde 1968"

static const limiter_row limiter_rows[] = {
    {1.05, 0.98761551, 0.0116019, -0.00987609, 0.00763119, 1.81873, -0.10824},
    {1.1, 0.96754869, 0.028832, -0.0208257, 0.0117939, 3.79433, -0.28654},
    {1.2, 0.92039502, 0.0649036, -0.0331729, 0.006353, 7.38471, -0.72051},
    {1.25, 0.89591196, 0.0818592, -0.0347083, 0.000355503, 8.97858, -0.95469},
    {1.5, 0.78089796, 0.150036, -0.0166706, -0.024609, 15.3488, -2.1481},
    {2, 0.60899778, 0.226326, 0.0452653, -0.0161662, 23.2938, -4.3077},
    {3, 0.41641719, 0.284715, 0.120213, 0.0436864, 31.3279, -7.6094},
    {5, 0.25293992, 0.315652, 0.169189, 0.100936, 37.9274, -11.94},
    {10, 0.12711143, 0.328895, 0.192075, 0.131671, 43.0397, -17.916},
};
#define LIMITER_ROWS (sizeof limiter_rows / sizeof *limiter_rows)

/* THD over the fundamental with harmonics 3 to `highest` (the even ones are zero), th = asin(1/a):
 *     b1 = (2/pi) a (th + cos th / a)
 *     bn = (4/pi) {a [sin((n-1) th)/(2 (n-1)) - sin((n+1) th)/(2 (n+1))] + cos(n th)/n} */
static double limiter_thd(double a, int highest)
{
    double th = asin(1 / a), b1 = 2 / M_PI * a * (th + cos(th) / a), sum = 0;
    for (int n = 3; n <= highest; n += 2) {
        double bn = 4 / M_PI *
                    (a * (sin((n - 1) * th) / (2 * (n - 1)) - sin((n + 1) * th) / (2 * (n + 1))) +
                     cos(n * th) / n);
        sum += bn * bn;
    }
    return sqrt(sum) / b1;
}

static void test_limiter(void **state)
{
    (void)state;
    board b = board_of(read_quoted(FOLLOWER("near-ideal")));
    double level_vpk[LIMITER_ROWS];
    sag_steady_point points[LIMITER_ROWS];
    for (size_t i = 0; i < LIMITER_ROWS; i++) {
        level_vpk[i] = LIMIT_V * limiter_rows[i].a;
    }
    solve_levels(&b, 1000, level_vpk, LIMITER_ROWS, points);
    for (size_t i = 0; i < LIMITER_ROWS; i++) {
        const limiter_row *row = &limiter_rows[i];
        const double *harmonic = points[i].harmonic_vpk;
        near_db(points[i].gain_db, 20 * log10(row->n), 0.05, LIMITER ", N");
        near_db(points[i].gain_db, row->fundamental_db, 0.05, LIMITER ", fundamental re linear");
        /* The printed THD holds all harmonics, the program's those to the 15th. */
        near_rel(limiter_thd(row->a, 40001), row->thd_f_percent / 100, 1e-4,
                 LIMITER ", the closed form itself");
        near_rel(points[i].thd, limiter_thd(row->a, SAG_HARMONICS), 0.02,
                 LIMITER ", THD to the 15th harmonic");
        /* One harmonic may be off by as much of the fundamental as their sum. */
        double allowed = 0.02 * row->thd_f_percent / 100;
        near_abs(harmonic[3] / harmonic[1], fabs(row->b3), allowed, LIMITER ", b3/b1");
        near_abs(harmonic[5] / harmonic[1], fabs(row->b5), allowed, LIMITER ", b5/b1");
        near_abs(harmonic[7] / harmonic[1], fabs(row->b7), allowed, LIMITER ", b7/b1");
        near_abs(harmonic[2] / harmonic[1], 0, allowed,
                 "a symmetrical limiter has no even harmonics");
        near_db(20 * log10(points[i].output_peak_v / LIMIT_V), 0, 0.05,
                "the output stops at the model file's drop");
        near_db(20 * log10(-points[i].output_trough_v / LIMIT_V), 0, 0.05,
                "the output stops at the model file's drop");
        assert_true(points[i].limited_by.kind == SAG_LIMIT_RAIL_POSITIVE ||
                    points[i].limited_by.kind == SAG_LIMIT_RAIL_NEGATIVE);
    }
    board_free(&b);
}

/* One side clipped only, at +1, same source: mean, sin t, cos 2t, sin 3t coefficients. */
static const struct {
    double a, mean, b1, a2, b3;
} one_sided_rows[] = {
    {1.05, -0.0032822754, 1.0434981, 0.0063163483, 0.0060155698},
    {1.1, -0.009090263, 1.0821518, 0.016877279, 0.015342981},
    {1.2, -0.024713393, 1.152237, 0.043010589, 0.035842158},
    {1.5, -0.088160799, 1.3356735, 0.13180788, 0.087871919},
    {2, -0.21799556, 1.6089978, 0.27566445, 0.13783222},
};
#define ONE_SIDED_ROWS (sizeof one_sided_rows / sizeof *one_sided_rows)

/* +-45 V supply less the 25 V of one-sided.json; the lower side is clear beyond twice the limit. */
#define ONE_SIDED_V 20.0

static void test_one_sided_limiter(void **state)
{
    (void)state;
    board b = board_of(read_quoted(CIRCUIT("90V") OPAMP("one-sided", "in", "out") "}}"));
    double level_vpk[ONE_SIDED_ROWS];
    sag_steady_point points[ONE_SIDED_ROWS];
    for (size_t i = 0; i < ONE_SIDED_ROWS; i++) {
        level_vpk[i] = ONE_SIDED_V * one_sided_rows[i].a;
    }
    solve_levels(&b, 1000, level_vpk, ONE_SIDED_ROWS, points);
    for (size_t i = 0; i < ONE_SIDED_ROWS; i++) {
        const double *harmonic = points[i].harmonic_vpk;
        double limit_v = ONE_SIDED_V;
        near_rel(harmonic[0] / limit_v, one_sided_rows[i].mean, 0.02, LIMITER ", one side, mean");
        near_db(20 * log10(harmonic[1] / limit_v / one_sided_rows[i].b1), 0, 0.05,
                LIMITER ", one side, b1");
        near_rel(harmonic[2] / limit_v, one_sided_rows[i].a2, 0.02, LIMITER ", one side, a2");
        near_rel(harmonic[3] / limit_v, one_sided_rows[i].b3, 0.02, LIMITER ", one side, b3");
    }
    board_free(&b);
}

/* ---- slew rate ---- */

/* A gain of 20: 127 V wanted of an output that slews. */
#define TIMES_20(model)                                                                            \
    CIRCUIT("30V")                                                                                 \
    OPAMP(model, "in", "feedback")                                                                 \
    RESISTOR("R1", "19k", "out", "feedback") RESISTOR("R2", "1k", "feedback", "ground") "}}"

#define OVER_ONSET 20.0

/* Driven far over the onset, amplitude SR/(2 pi f), the output is a triangle of peak SR/(4 f)
 * (elementary, from memory), with harmonics 1/9, 1/25, ... of its fundamental. */
static void test_slewing_triangle(void **state)
{
    (void)state;
    static const struct {
        const char *circuit;
        double slew, gain, frequency_hz;
    } rows[] = {
        {FOLLOWER("slow"), 0.5e6, 1, OVER_ONSET * 0.5e6 / (2 * M_PI * 10)}, /* 10 V of input */
        {FOLLOWER("audio"), 7e6, 1, OVER_ONSET * 7e6 / (2 * M_PI * 10)},
        {TIMES_20("slow"), 0.5e6, 20, 12.5e3}, /* 10 V of triangle */
        {TIMES_20("audio"), 7e6, 20, 175e3},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        board b = board_of(read_quoted(rows[i].circuit));
        double level_vpk =
            OVER_ONSET * rows[i].slew / (2 * M_PI * rows[i].frequency_hz * rows[i].gain);
        double triangle_v = rows[i].slew / (4 * rows[i].frequency_hz);
        sag_steady_point point;
        solve_levels(&b, rows[i].frequency_hz, &level_vpk, 1, &point);
        near_rel(point.output_peak_v, triangle_v, 0.01,
                 "fully slewed sine: a triangle of peak SR/(4 f)");
        near_rel(point.output_trough_v, -triangle_v, 0.01,
                 "fully slewed sine: a triangle of peak SR/(4 f)");
        near_rel(point.harmonic_vpk[1], 8 / (M_PI * M_PI) * triangle_v, 0.01,
                 "Fourier series of a triangle");
        near_abs(point.harmonic_vpk[3] / point.harmonic_vpk[1], 1.0 / 9, 0.01,
                 "Fourier series of a triangle");
        near_abs(point.harmonic_vpk[5] / point.harmonic_vpk[1], 1.0 / 25, 0.01,
                 "Fourier series of a triangle");
        near_abs(point.harmonic_vpk[0] / triangle_v, 0, 0.01, "a symmetrical triangle has no mean");
        assert_int_equal(point.limited_by.kind, SAG_LIMIT_SLEW);
        board_free(&b);
    }
}

/* f = SR/(2 pi Vp): 0.5 V/us (741 class) at 10 V peak 7.9577 kHz, at 4.5 V 17.684 kHz; 7 V/us
 * (LM833, AN-346) at 10 V peak 111.41 kHz. THD of a follower passes 1 % between 0.9 and 1.05 times
 * that. */
static void test_full_power_bandwidth(void **state)
{
    (void)state;
    static const struct {
        const char *circuit;
        double vpk, full_power_hz;
        const char *origin;
    } rows[] = {
        {FOLLOWER("slow"), 10, 7957.7, "full-power bandwidth, 741 class, 10 V peak: 7.9577 kHz"},
        {FOLLOWER("slow"), 4.5, 17684, "full-power bandwidth, 741 class, 4.5 V peak: 17.684 kHz"},
        {FOLLOWER("audio"), 10, 111.41e3,
         "full-power bandwidth, LM833 class, 10 V peak: 111.41 kHz"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        board b = board_of(read_quoted(rows[i].circuit));
        double low = 0.5, high = 2; /* of the full-power bandwidth */
        while (high - low > 1e-3) {
            double middle = 0.5 * (low + high);
            sag_steady_point point;
            solve_levels(&b, middle * rows[i].full_power_hz, &rows[i].vpk, 1, &point);
            *(point.thd < 0.01 ? &low : &high) = middle;
        }
        near_abs(low, 0.975, 0.075, rows[i].origin);
        board_free(&b);
    }
}

/* ---- a whole preamp at small levels ---- */

static void test_small_level(void **state)
{
    (void)state;
    static const double supplies_v[] = {18, 9, 7, 5};
    static const double frequencies_hz[] = {20, 41.2, 98, 400, 1000, 5000, 20000};
    static const double level_vpk[] = {1e-3, 10e-3};
    for (size_t i = 0; i < 8; i++) {
        sag_drive drive = i % 2 ? SAG_DRIVE_PICKUP : SAG_DRIVE_BENCH;
        board b = board_at(read_design(RAILSAG_SOURCE_DIR "/examples/heron.json"),
                           supplies_v[i / 2], drive);
        for (size_t k = 0; k < sizeof frequencies_hz / sizeof *frequencies_hz; k++) {
            sag_steady_point points[2];
            solve_levels(&b, frequencies_hz[k], level_vpk, 2, points);
            double complex gain = gain_at(&b, frequencies_hz[k]);
            for (size_t l = 0; l < 2; l++) {
                near_db(points[l].gain_db, sag_gain_db(gain), 1e-4, "small-signal response");
                near_abs(remainder(points[l].phase_deg - sag_phase_deg(gain), 360), 0, 0.01,
                         "small-signal response, phase in degrees");
            }
        }
        board_free(&b);
    }
}

/* ---- headroom ---- */

static sag_headroom_point headroom_at(const board *b, double frequency_hz, double thd_limit)
{
    const sag_bias *bias = b->bias;
    sag_headroom_request request = {.frequency_hz = &frequency_hz,
                                    .frequency_count = 1,
                                    .thd_limit = thd_limit,
                                    .soft_vpk = 0.1,
                                    .steady = sag_steady_defaults(),
                                    .threads = 1};
    sag_headroom *headroom = NULL;
    assert_int_equal(sag_headroom_compute(&bias, 1, &request, &headroom, NULL), SAG_OK);
    sag_headroom_point point = headroom->points[0];
    sag_headroom_free(headroom);
    assert_int_equal(point.clip_onset_reason, SAG_HEADROOM_FOUND);
    assert_int_equal(point.max_input_reason, SAG_HEADROOM_FOUND);
    return point;
}

/* Overdrive of the hard limiter at which its THD reaches a figure. */
static void test_overdrive(void **state)
{
    (void)state;
    static const struct {
        double thd, a, overdrive_db;
    } rows[] = {
        {0.001, 1.0042316, 0.0367}, {0.005, 1.0161607, 0.139}, {0.01, 1.0293499, 0.251},
        {0.03, 1.0796521, 0.666},   {0.05, 1.1319279, 1.076},  {0.1, 1.2842721, 2.173},
    };
    board b = board_of(read_quoted(FOLLOWER("near-ideal")));
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        sag_headroom_point point = headroom_at(&b, 1000, rows[i].thd);
        double a = rows[i].a, th = asin(1 / a), fundamental = 2 / M_PI * a * (th + cos(th) / a);
        near_db(20 * log10(point.max_input_vpk / point.clip_onset_vpk), rows[i].overdrive_db, 0.05,
                LIMITER ", overdrive for a THD");
        near_db(20 * log10(point.clip_onset_vpk / LIMIT_V), 0, 0.05,
                "clip onset of a follower: where its output stops");
        near_db(20 * log10(point.max_output_vpk / (LIMIT_V * fundamental)), 0, 0.05,
                LIMITER ", fundamental there");
        assert_int_equal(point.falls_back, 0);
    }
    board_free(&b);
}

/* Largest clean input of a stage with gain G at half supply, output to both rails: Vs/(2 G). G = 12
 * dB. */
static void test_headroom_arithmetic(void **state)
{
    (void)state;
    static const double rows[][2] = {{9, 1.130}, {5, 0.628}, {3, 0.377}};
    static const char circuit[] =
        "{'format': 'railsag design 1', 'title': 'gain of 12 dB at half supply', 'input': {'node': "
        "'in', 'source': '0R'},"
        " 'output': {'node': 'out'}, 'supply': {'positive': 'vp', 'negative': 'ground', 'nominal': "
        "'9V'}, 'parts': {"
        "'U1': {'opamp': 'rail-to-rail', 'plus': 'plus', 'minus': 'minus', 'out': 'out', 'rails': "
        "['vp', 'ground']}" RESISTOR("R1", "10k", "vp", "vref")
            RESISTOR("R2", "10k", "vref", "ground") CAPACITOR("C1", "1m", "vref", "ground")
                CAPACITOR("C2", "1u", "in", "plus") RESISTOR("R3", "1M", "plus", "vref")
                    RESISTOR("R4", "29.81k", "out", "minus") RESISTOR("R5", "10k", "minus", "foot")
                        CAPACITOR("C3", "1m", "foot", "ground") "}}";
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        board b = board_at(read_quoted(circuit), rows[i][0], SAG_DRIVE_BENCH);
        sag_headroom_point point = headroom_at(&b, 1000, 0.01);
        near_db(db_at(&b, 1000), 12, 1e-3, "G = 3.981");
        /* Three printed digits, and 1 mV of drop. */
        near_rel(point.clip_onset_vpk, rows[i][1], 2e-3,
                 "Vs/(2 G), rail-to-rail part at half supply");
        near_db(20 * log10(point.max_input_vpk / point.clip_onset_vpk), 0.251, 0.05,
                LIMITER ", overdrive for 1 % THD");
        /* Normal playing, 0.7 V peak, clips at 5 V and below. */
        assert_int_equal(point.clip_onset_vpk < 0.7, rows[i][0] <= 5);
        board_free(&b);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_limiter),
        cmocka_unit_test(test_one_sided_limiter),
        cmocka_unit_test(test_slewing_triangle),
        cmocka_unit_test(test_full_power_bandwidth),
        cmocka_unit_test(test_small_level),
        cmocka_unit_test(test_overdrive),
        cmocka_unit_test(test_headroom_arithmetic),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
