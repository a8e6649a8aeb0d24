/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom: clip onset and the distortion-limited level against fine scans of the level; reasons;
 * threads; playing levels. */
#include "orbits.h"

#include "headroom.h"
#include "same_point.h"
#include "value.h"

#include <gsl/gsl_errno.h>

static const double audio_hz[] = {25, 100, 400, 1600, 3000, 6400, 9000, 12000, 20000};
enum { AUDIO = sizeof audio_hz / sizeof *audio_hz };

static sag_headroom_request request_of(int threads)
{
    return (sag_headroom_request){.frequency_hz = audio_hz,
                                  .frequency_count = AUDIO,
                                  .thd_limit = 0.01,
                                  .soft_vpk = 0.03,
                                  .steady = sag_steady_defaults(),
                                  .threads = threads};
}

static sag_headroom *compute(const circuit *c, const sag_headroom_request *request)
{
    const sag_bias *bias = c->bias;
    sag_headroom *headroom = NULL;
    assert_int_equal(sag_headroom_compute(&bias, 1, request, &headroom, NULL), SAG_OK);
    assert_int_equal(headroom->frequency_count, request->frequency_count);
    return headroom;
}

/* In steps of 0.2 dB through what headroom found (32 steps a period see a crest to 0.07 dB): limits
 * are met above it, and nowhere below. */
static void check_onset(const circuit *c, double frequency_hz, const sag_headroom_point *found)
{
    enum { STEPS = 40 };
    size_t opamps = sag_network_opamp_count(c->network);
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady;
    sag_steady_point point[STEPS];
    sag_opamp_swing swing[2 * STEPS];
    double level[STEPS];
    assert_int_equal(found->clip_onset_reason, SAG_HEADROOM_FOUND);
    assert_true(opamps <= 2);
    for (int l = 0; l < STEPS; l++) {
        level[l] = found->clip_onset_vpk * pow(10, (2 * l + 1 - STEPS) * 0.1 / 20);
    }
    assert_int_equal(sag_steady_new(c->bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, frequency_hz), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, level, STEPS, point, swing), SAG_OK);
    for (int l = 0; l < STEPS; l++) {
        double least = (double)INFINITY;
        for (size_t k = 0; k < opamps; k++) {
            least = fmin(least, swing[(size_t)l * opamps + k].left_db);
        }
        int met = l >= STEPS / 2;
        if (point[l].status != SAG_OK || (least < 0) != met ||
            (point[l].limited_by.opamp >= 0) != met) {
            print_error("%g Hz, onset %g V peak: at %g V peak %s, %g dB are left, limited by %s\n",
                        frequency_hz, found->clip_onset_vpk, level[l],
                        sag_status_name(point[l].status), least,
                        sag_limit_name(point[l].limited_by.kind));
            fail();
        }
    }
    sag_limit limit = point[STEPS / 2].limited_by;
    /* Which of two rails as far away comes first, a hundredth of a dB decides. */
    int rails = (limit.kind == SAG_LIMIT_RAIL_POSITIVE || limit.kind == SAG_LIMIT_RAIL_NEGATIVE) &&
                (found->limited_by.kind == SAG_LIMIT_RAIL_POSITIVE ||
                 found->limited_by.kind == SAG_LIMIT_RAIL_NEGATIVE);
    if (limit.opamp != found->limited_by.opamp ||
        !(limit.kind == found->limited_by.kind || rails)) {
        print_error("%g Hz: %s of op-amp %d was found, %s of op-amp %d is met\n", frequency_hz,
                    sag_limit_name(found->limited_by.kind), found->limited_by.opamp,
                    sag_limit_name(limit.kind), limit.opamp);
        fail();
    }
    sag_steady_free(steady);
}

static void clip_onset_is_where_a_limit_is_first_met(void **state)
{
    (void)state;
    static const double supplies[] = {18, 9, 5};
    for (size_t i = 0; i < 3; i++) {
        circuit c = circuit_heron(supplies[i]);
        sag_headroom_request request = request_of(1);
        sag_headroom *headroom = compute(&c, &request);
        for (size_t f = 0; f < AUDIO; f += 2) {
            check_onset(&c, audio_hz[f], &headroom->points[f]);
        }
        sag_headroom_free(headroom);
        circuit_close(&c);
    }
}

/* Rails and slewing, with corners and crests between the steps. */
static void roots_are_those_of_2048_steps(void **state)
{
    (void)state;
    static const double supplies[] = {18, 9, 3};
    for (size_t i = 0; i < 3; i++) {
        circuit c = circuit_heron(supplies[i]);
        sag_headroom_request request = request_of(1);
        sag_headroom *found = compute(&c, &request);
        request.steady.least_steps = 2048;
        sag_headroom *exact = compute(&c, &request);
        for (size_t f = 0; f < AUDIO; f++) {
            const sag_headroom_point *got = &found->points[f], *expected = &exact->points[f];
            assert_int_equal(got->clip_onset_reason, expected->clip_onset_reason);
            assert_int_equal(got->max_input_reason, expected->max_input_reason);
            near_db(got->clip_onset_vpk, expected->clip_onset_vpk, 0.003, "onset at 2048 steps");
            if (got->max_input_reason == SAG_HEADROOM_FOUND) {
                near_db(got->max_input_vpk, expected->max_input_vpk, 0.0015,
                        "1 % THD at 2048 steps; each root is found to 0.0005 dB");
            }
        }
        sag_headroom_free(found);
        sag_headroom_free(exact);
        circuit_close(&c);
    }
}

static void each_kind_of_limit_has_its_onset(void **state)
{
    (void)state;
    static const double one_hz[] = {1000, 20000};
    static const struct {
        const char *text;
        sag_limit_kind kind[2];
        double onset_vpk[2]; /* from the model's figures */
    } cases[] = {
        {ORBITS_FOLLOWER("plain", "7V", "100k"),
         {SAG_LIMIT_RAIL_POSITIVE, SAG_LIMIT_RAIL_POSITIVE},
         {2.88, 2.88}},
        {ORBITS_FOLLOWER("plain", "3V", "100k"),
         {SAG_LIMIT_RAIL_NEGATIVE, SAG_LIMIT_RAIL_NEGATIVE},
         {2.88, 2.88}},
        /* 0.1 V/us times 0.9 over 2 pi f; at 1 kHz the rails come first */
        {ORBITS_FOLLOWER("lazy", "5V", "100k"),
         {SAG_LIMIT_RAIL_POSITIVE, SAG_LIMIT_SLEW},
         {4.88, 0.9 * 0.1e6 / (2 * M_PI * 20e3)}},
        {ORBITS_FOLLOWER("weak", "5V", "470R"),
         {SAG_LIMIT_CURRENT, SAG_LIMIT_CURRENT},
         {0.46, 0.46}},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        circuit c = circuit_open(cases[i].text, NULL);
        sag_headroom_request request = request_of(1);
        request.frequency_hz = one_hz;
        request.frequency_count = 2;
        sag_headroom *headroom = compute(&c, &request);
        for (int f = 0; f < 2; f++) {
            check_onset(&c, one_hz[f], &headroom->points[f]);
            near_rel(headroom->points[f].clip_onset_vpk, cases[i].onset_vpk[f], 0.02,
                     "figures of the model");
            assert_int_equal(headroom->points[f].limited_by.opamp, 0);
            /* Both rails of "lazy" are as far away; either may be named. */
            sag_limit_kind kind = headroom->points[f].limited_by.kind;
            int other = i == 2 && f == 0 && kind == SAG_LIMIT_RAIL_NEGATIVE;
            assert_true(kind == cases[i].kind[f] || other);
        }
        sag_headroom_free(headroom);
        circuit_close(&c);
    }
}

/* THD is at its limit there, under it at every step of half a dB from the soft level up, and over
 * it a little above. */
static void the_distortion_limited_level_is_the_highest_clean_one(void **state)
{
    (void)state;
    static const double limits[] = {0.01, 0.001, 0.05};
    circuit c = circuit_heron(9);
    sag_steady_settings settings = sag_steady_defaults();
    sag_steady *steady;
    assert_int_equal(sag_steady_new(c.bias, &settings, &steady), SAG_OK);
    for (size_t i = 0; i < 3; i++) {
        sag_headroom_request request = request_of(1);
        request.thd_limit = limits[i];
        sag_headroom *headroom = compute(&c, &request);
        for (size_t f = 0; f < AUDIO; f += 3) {
            const sag_headroom_point *found = &headroom->points[f];
            assert_int_equal(found->max_input_reason, SAG_HEADROOM_FOUND);
            assert_true(found->max_input_vpk >= found->clip_onset_vpk * 0.9);
            sag_steady_point point;
            assert_int_equal(sag_steady_frequency(steady, audio_hz[f]), SAG_OK);
            for (double dbv = sag_level_dbv(request.soft_vpk);
                 dbv < sag_level_dbv(found->max_input_vpk) - 0.01; dbv += 0.5) {
                double level = sag_level_peak(dbv);
                assert_int_equal(sag_steady_solve(steady, &level, 1, &point, NULL), SAG_OK);
                assert_int_equal(point.status, SAG_OK);
                assert_true(point.thd <= limits[i] * 1.001);
            }
            double level = found->max_input_vpk;
            assert_int_equal(sag_steady_solve(steady, &level, 1, &point, NULL), SAG_OK);
            near_rel(point.thd, limits[i], 0.02, "THD at the level found");
            near_rel(point.harmonic_vpk[1], found->max_output_vpk, 1e-4,
                     "output at the level found");
            level *= 1.02;
            assert_int_equal(sag_steady_solve(steady, &level, 1, &point, NULL), SAG_OK);
            assert_true(point.thd > limits[i]);
        }
        sag_headroom_free(headroom);
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

/* ---- reasons ---- */

static void levels_that_do_not_exist_have_a_reason(void **state)
{
    (void)state;
    /* Over at the soft level: far into clipping. */
    circuit c = circuit_heron(9);
    sag_headroom_request request = request_of(1);
    request.soft_vpk = 3;
    request.frequency_count = 2;
    sag_headroom *headroom = compute(&c, &request);
    for (int f = 0; f < 2; f++) {
        assert_int_equal(headroom->points[f].max_input_reason, SAG_HEADROOM_OVER_AT_SOFT);
        assert_true(isnan(headroom->points[f].max_input_vpk) &&
                    isnan(headroom->points[f].max_output_vpk));
        assert_int_equal(headroom->points[f].clip_onset_reason, SAG_HEADROOM_FOUND);
        assert_true(headroom->points[f].clip_onset_vpk < 1);
    }
    sag_headroom_free(headroom);
    circuit_close(&c);
    /* Beyond +40 dBV: nothing that bends; and an op-amp behind a divider of 1000. */
    static const char *const texts[] = {
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
                "'R90': {'resistor': '1k', 'between': ['bat', 'ground']}, "
                "'C1': {'capacitor': '1u', 'between': ['in', 'out']}"),
        CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '10k'}, "
                "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '10V'}",
                "'V1': {'voltage': '5V', 'positive': 'mid', 'negative': 'ground'}, "
                "'C1': {'capacitor': '1u', 'between': ['in', 'a']}, "
                "'R1': {'resistor': '1M', 'between': ['a', 'p']}, 'R2': {'resistor': '1k', "
                "'between': ['p', 'mid']}, "
                "'U1A': {'opamp': 'plain', 'plus': 'p', 'minus': 'out', 'out': 'out', 'rails': "
                "['bat', 'ground']}"),
    };
    for (int i = 0; i < 2; i++) {
        c = circuit_open(texts[i], NULL);
        request = request_of(1);
        request.frequency_count = 2;
        headroom = compute(&c, &request);
        for (int f = 0; f < 2; f++) {
            assert_int_equal(headroom->points[f].clip_onset_reason, SAG_HEADROOM_BEYOND_RANGE);
            assert_true(isnan(headroom->points[f].clip_onset_vpk));
            assert_int_equal(headroom->points[f].limited_by.kind, SAG_LIMIT_NONE);
            assert_int_equal(headroom->points[f].max_input_reason, SAG_HEADROOM_BEYOND_RANGE);
            assert_true(isnan(headroom->points[f].max_input_vpk));
        }
        sag_headroom_free(headroom);
        circuit_close(&c);
    }
    assert_string_equal(sag_headroom_reason_text(SAG_HEADROOM_FOUND), "");
    assert_string_equal(sag_headroom_reason_text(SAG_HEADROOM_OVER_AT_SOFT),
                        "over already at soft");
    assert_string_equal(sag_headroom_reason_text(SAG_HEADROOM_BEYOND_RANGE), "beyond +40 dBV");
    assert_string_equal(sag_headroom_reason_text(SAG_HEADROOM_UNKNOWN), "no solution");
}

/* ---- threads, stopping ---- */

static void threads_do_not_change_a_bit(void **state)
{
    (void)state;
    static const int threads[] = {1, 2, 7};
    circuit c[2] = {circuit_heron(9), circuit_heron(6)};
    const sag_bias *bias[2] = {c[0].bias, c[1].bias};
    sag_headroom *results[3][2];
    for (int t = 0; t < 3; t++) {
        sag_headroom_request request = request_of(threads[t]);
        assert_int_equal(sag_headroom_compute(bias, 2, &request, results[t], NULL), SAG_OK);
    }
    for (int i = 0; i < 2; i++) {
        for (size_t f = 0; f < AUDIO; f++) {
            assert_true(same_headroom(&results[0][i]->points[f], &results[1][i]->points[f]));
            assert_true(same_headroom(&results[0][i]->points[f], &results[2][i]->points[f]));
        }
    }
    for (int t = 0; t < 3; t++) {
        sag_headroom_free(results[t][0]);
        sag_headroom_free(results[t][1]);
    }
    circuit_close(&c[0]);
    circuit_close(&c[1]);
}

static int stop_at_second(void *context, size_t done, size_t total)
{
    assert_true(done <= total);
    return ++*(int *)context == 2;
}

static void progress_can_stop(void **state)
{
    (void)state;
    circuit c = circuit_heron(9);
    const sag_bias *bias[2] = {c.bias, c.bias};
    sag_headroom *results[2] = {(sag_headroom *)&c, (sag_headroom *)&c};
    int calls = 0;
    sag_headroom_request request = request_of(1);
    request.frequency_count = 5;
    request.progress = stop_at_second;
    request.progress_context = &calls;
    assert_int_equal(sag_headroom_compute(bias, 2, &request, results, NULL), SAG_CANCELLED);
    assert_int_equal(calls, 2);
    assert_null(results[0]);
    assert_null(results[1]);
    sag_headroom_free(NULL);
    circuit_close(&c);
}

/* ---- playing levels ---- */

static void playing_levels_fall_above_400_hz(void **state)
{
    (void)state;
    static const struct {
        double vpk, frequency_hz, slope_db, expected;
    } cases[] = {
        {0.7, 31, 6, 0.7},           {0.7, 400, 6, 0.7},
        {1, 800, 6, 0.501187233627}, {1, 1600, 6, 0.25118864315},
        {2, 4000, 20, (double)NAN},  {1, 12800, 0, 1},
        {1, 800, 3, 0.70794578438},  {0, 800, 6, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double expected = cases[i].expected;
        if (cases[i].slope_db > 19) { /* 20 dB an octave over log2 10 octaves */
            expected = cases[i].vpk * pow(10, -log2(10));
        }
        near_rel(sag_playing_level_at(cases[i].vpk, cases[i].frequency_hz, cases[i].slope_db),
                 expected, 1e-9, "so many dB an octave above 400 Hz");
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(clip_onset_is_where_a_limit_is_first_met),
        cmocka_unit_test(roots_are_those_of_2048_steps),
        cmocka_unit_test(each_kind_of_limit_has_its_onset),
        cmocka_unit_test(the_distortion_limited_level_is_the_highest_clean_one),
        cmocka_unit_test(levels_that_do_not_exist_have_a_reason),
        cmocka_unit_test(threads_do_not_change_a_bit),
        cmocka_unit_test(progress_can_stop),
        cmocka_unit_test(playing_levels_fall_above_400_hz),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
