/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two states of one circuit: which of them is shown, and at which levels there is another. */
#include "orbits.h"
#include "stepping.h"

#include "value.h"

/* A follower whose input is biased by a servo that holds its mean at half the supply. Where the
 * input reverses, the output goes up, the servo down, and both stay there. */
static const char servo[] =
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
            "'V1': {'voltage': '4.5V', 'positive': 'mid', 'negative': 'ground'}, "
            "'C1': {'capacitor': '100n', 'between': ['in', 'p']}, "
            "'R1': {'resistor': '1M', 'between': ['p', 's']}, "
            "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'out', 'out': 'out', "
            "'rails': ['bat', 'ground']}, "
            "'U2A': {'opamp': 'tlv2372', 'plus': 'mid', 'minus': 'm', 'out': 's', "
            "'rails': ['bat', 'ground']}, "
            "'R2': {'resistor': '1M', 'between': ['out', 'm']}, "
            "'C2': {'capacitor': '100n', 'between': ['m', 's']}");

/* The same without the servo: it reverses, and comes back. */
static const char plain[] =
    CIRCUIT("'input': {'node': 'in'}, 'output': {'node': 'out', 'load': '100k'}, "
            "'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",
            "'V1': {'voltage': '4.5V', 'positive': 'mid', 'negative': 'ground'}, "
            "'C1': {'capacitor': '100n', 'between': ['in', 'p']}, "
            "'R1': {'resistor': '1M', 'between': ['p', 'mid']}, "
            "'U1A': {'opamp': 'tl072', 'plus': 'p', 'minus': 'out', 'out': 'out', "
            "'rails': ['bat', 'ground']}");

enum { LEVELS = 6 };
static const double levels_dbv[LEVELS] = {-40, 0, 6, 9.2, 9.7, 12};
#define FREQUENCY_HZ 100.0

static void solve(const char *text, sag_steady_point points[LEVELS])
{
    sag_conditions conditions = circuit_at(9);
    circuit c = circuit_open_design(circuit_read(text), &conditions);
    sag_steady *steady = steady_of(&c, 0, 0);
    double level_vpk[LEVELS];
    for (int i = 0; i < LEVELS; i++) {
        level_vpk[i] = sag_level_peak(levels_dbv[i]);
    }
    assert_int_equal(sag_steady_frequency(steady, FREQUENCY_HZ), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, level_vpk, LEVELS, points, NULL), SAG_OK);
    for (int i = 0; i < LEVELS; i++) {
        assert_int_equal(points[i].status, SAG_OK);
    }
    sag_steady_free(steady);
    circuit_close(&c);
}

/* The input rests at 4.5 V and reverses 0.3 V above the negative rail (the model's figure, with an
 * edge 50 mV to either side): at 4.2 V peak, 9.45 dBV, give or take 0.1 dB. */
static void the_state_reached_from_silence_is_shown(void **state)
{
    (void)state;
    sag_steady_point points[LEVELS];
    solve(servo, points);
    double edge_dbv = sag_level_dbv(4.5 - 0.3), half_edge_db = 20 * log10(4.25 / 4.2);
    for (int i = 0; i < LEVELS; i++) {
        int before = levels_dbv[i] < edge_dbv;
        assert_int_equal(points[i].reverses, !before);
        if (levels_dbv[i] < 7) { /* clear of every limit */
            near_abs(points[i].gain_db, 0, 1e-3, "follower");
        }
        assert_int_equal(points[i].two_to_vpk > 0, before);
        if (before) { /* from the softest asked for to where rising levels leave it, within 1 dB */
            near_rel(points[i].two_from_vpk, sag_level_peak(levels_dbv[0]), 1e-12, "softest");
            double to_dbv = sag_level_dbv(points[i].two_to_vpk);
            assert_true(to_dbv < edge_dbv + half_edge_db && to_dbv > edge_dbv - 1);
        }
    }
}

static void an_input_that_comes_back_has_one_state(void **state)
{
    (void)state;
    sag_steady_point points[LEVELS];
    solve(plain, points);
    assert_true(points[LEVELS - 1].reverses);
    for (int i = 0; i < LEVELS; i++) {
        assert_false(points[i].two_to_vpk > 0);
    }
}

/* Mean of the last period's output against rest, played in time. */
static double play(stepping *s, double dbv, int periods)
{
    double sum = 0;
    stepping_run(s, 256, periods, sag_level_peak(dbv));
    for (int n = 0; n < 256; n++) {
        sum += s->period.output[n];
    }
    return sum / 256;
}

/* The same by plain time stepping, without shooting: soft, loud, soft again. */
static void what_was_played_before_decides(void **state)
{
    (void)state;
    sag_conditions conditions = circuit_at(9);
    circuit c = circuit_open_design(circuit_read(servo), &conditions);
    stepping s;
    stepping_open(&s, &c, 1 / (FREQUENCY_HZ * 256));
    near_abs(play(&s, 0, 100), 0, 1e-3, "the servo holds the mean");
    assert_true(play(&s, 12, 100) > 0.5);
    assert_true(play(&s, 0, 200) > 0.4); /* stays up, although nothing drives it there */
    stepping_close(&s);
    circuit_close(&c);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_state_reached_from_silence_is_shown),
        cmocka_unit_test(an_input_that_comes_back_has_one_state),
        cmocka_unit_test(what_was_played_before_decides),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
