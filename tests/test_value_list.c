/* SPDX-License-Identifier: GPL-3.0-or-later */
/* value: signal levels, lists with ranges, the nearest word. */
#include "near.h"

#include "fail_alloc.h"
#include "memory.h"
#include "value.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOT2 1.4142135623730951

static const struct {
    const char *text;
    double volts_peak;
    sag_level_unit unit;
    const char *origin;
} good_levels[] = {
    {"0dBV", ROOT2, SAG_DBV, "1 Vrms"},
    {"-10dBV", 0.4472135954999579, SAG_DBV, "sqrt(2) / sqrt(10)"},
    {"-20 dBV", ROOT2 / 10, SAG_DBV, "a tenth of 0 dBV"},
    {"+20dBV", ROOT2 * 10, SAG_DBV, "ten times 0 dBV"},
    {"0dBu", 1.0954451150103321, SAG_DBU, "sqrt(2 * 0.6): 1 mW in 600 ohm"},
    {"-7.8dBu", 0.44626273527206736, SAG_DBU, "sqrt(1.2) * 10^(-7.8/20), worked out in 30 digits"},
    {"4 dBu", 1.7361635054946571, SAG_DBU, "sqrt(1.2) * 10^(4/20), worked out in 30 digits"},
    {"0.7Vpk", 0.7, SAG_VPK, "definition"},
    {"200 mVrms", 0.2 * ROOT2, SAG_VRMS, "definition, sine"},
    {"1Vrms", ROOT2, SAG_VRMS, "definition, sine"},
    {"1Vpp", 0.5, SAG_VPP, "definition"},
    {"500 uVpp", 0.25e-3, SAG_VPP, "definition"},
    {"10\xC2\xB5Vpk", 10e-6, SAG_VPK, "micro sign U+00B5"},
    {"1e-3Vpk", 1e-3, SAG_VPK, "definition"},
};

static void good_levels_are_read(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof good_levels / sizeof *good_levels; i++) {
        double peak = 0;
        char problem[SAG_PROBLEM_SIZE] = "";
        sag_level_unit unit = SAG_VPP;
        const char *text = good_levels[i].text;
        if (sag_level_read(text, strlen(text), &peak, &unit, problem) != SAG_OK) {
            fail_msg("\"%s\" is refused: %s", text, problem);
        }
        near_rel(peak, good_levels[i].volts_peak, 1e-15, good_levels[i].origin);
        assert_int_equal(unit, good_levels[i].unit);
        assert_int_equal(sag_level_read(text, strlen(text), &peak, NULL, NULL), SAG_OK);
    }
    near_db(sag_level_dbv(ROOT2), 0, 1e-12, "1 Vrms is 0 dBV");
    near_db(sag_level_dbv(1), -3.0102999566398120, 1e-12, "20 log10(1/sqrt 2)");
    near_rel(sag_level_peak(0), ROOT2, 1e-15, "0 dBV is 1 Vrms");
    near_rel(sag_level_peak(sag_level_dbv(0.123)), 0.123, 1e-14, "inverse");
}

static const struct {
    const char *text, *says;
} bad_levels[] = {
    {"", "a signal level is expected here"},
    {"1V", "say how the level is measured: Vrms, Vpk, Vpp, dBV or dBu"},
    {"1", "say how the level is measured"},
    {"200mV", "say how the level is measured"},
    {"1v", "say how the level is measured"},
    {"1m", "say how the level is measured"},
    {"1k5", "say how the level is measured"},
    {"-10dB", "dBV (1 Vrms) or dBu"},
    {"-10dBm", "dBV (1 Vrms) or dBu"},
    {"-10dBFS", "dBV (1 Vrms) or dBu"},
    {"-10dBv", "write dBV (against 1 Vrms) or dBu (against 0.775 Vrms)"},
    {"-10DBV", "write -10dBV"},
    {"-10dbu", "write -10dBu"},
    {"0.7vpk", "write 0.7Vpk"},
    {"200mVRMS", "write 200mVrms"},
    {"-10mdBV", "is no unit of a level"},
    {"0.7Vpeak", "\"Vpeak\" is no unit of a level, write Vrms"},
    {"0,7Vpk", "as a point, as in 0.7Vpk"},
    {"0Vpk", "a level is more than 0 V"},
    {"-1Vpk", "a level is more than 0 V"},
    {"99999dBV", "a level is more than 0 V, and finite"},
    {"-99999dBV", "a level is more than 0 V"},
    {"1e999Vpk", "too large or too small"},
    {"loud", "does not begin with a number"},
    {"infdBV", "does not begin with a number"},
    {"\xE2\x88\x92"
     "10dBV",
     "write the minus sign as -"},
    {"-40dBV:10dBV:10dB", "a single value"},
    {"10dBV x", "is no unit of a level"},
    {"47n", "say how the level is measured"},
    {"5ohm", "is no unit of a level"},
    {"\xFF", "UTF-8"},
};

static void bad_levels_are_refused_with_a_hint(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof bad_levels / sizeof *bad_levels; i++) {
        double peak = -999;
        char problem[SAG_PROBLEM_SIZE] = "";
        sag_level_unit unit = SAG_VPP;
        const char *text = bad_levels[i].text;
        sag_status status = sag_level_read(text, strlen(text), &peak, &unit, problem);
        if (status != SAG_BAD_INPUT || !strstr(problem, bad_levels[i].says)) {
            fail_msg("\"%s\": status %d, \"%s\" lacks \"%s\"", text, (int)status, problem,
                     bad_levels[i].says);
        }
        near_abs(peak, -999, 0, "unchanged on failure");
        assert_int_equal(unit, SAG_VPP);
    }
    assert_int_equal(sag_level_read(NULL, 0, &(double){0}, NULL, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_level_read("1Vpk", 4, NULL, NULL, NULL), SAG_BAD_ARGUMENT);
}

#define MOST 9

static const struct {
    const char *text;
    sag_unit unit;
    size_t count;
    double values[MOST];
} good_lists[] = {
    {"9V", SAG_VOLT, 1, {9}},
    {"18V,9V,7V,5V,3V", SAG_VOLT, 5, {18, 9, 7, 5, 3}},
    {" 18V , 9 V ", SAG_VOLT, 2, {18, 9}},
    {"3V:9V:1V", SAG_VOLT, 7, {3, 4, 5, 6, 7, 8, 9}},
    {"9V:3V:-1V", SAG_VOLT, 7, {9, 8, 7, 6, 5, 4, 3}},
    {"9V:3V:1V", SAG_VOLT, 7, {9, 8, 7, 6, 5, 4, 3}},
    {"3:9:2", SAG_VOLT, 4, {3, 5, 7, 9}},
    {"3V:9V:4V", SAG_VOLT, 2, {3, 7}},
    {"3V:9V:10V", SAG_VOLT, 1, {3}},
    {"9V:3V:10V", SAG_VOLT, 1, {9}},
    {"9V:9V:1V", SAG_VOLT, 1, {9}},
    {"9V:9V:-1V", SAG_VOLT, 1, {9}},
    {"500mV:2V:500mV", SAG_VOLT, 4, {0.5, 1, 1.5, 2}},
    {"18V, 3V:5V:1V ,1V", SAG_VOLT, 5, {18, 3, 4, 5, 1}},
    {"-1V:1V:1V", SAG_VOLT, 3, {-1, 0, 1}},
    {"30%,50%", SAG_RATIO, 2, {0.3, 0.5}},
    {"1,3", SAG_COUNT, 2, {1, 3}},
    {"0%:100%:25%", SAG_RATIO, 5, {0, 0.25, 0.5, 0.75, 1}},
    {"1:3:1", SAG_COUNT, 3, {1, 2, 3}},
    {"6dB,20dB", SAG_GAIN, 2, {1.9952623149688797, 10}},
    {"0.1:0.7:0.1", SAG_VOLT, 7, {0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7}},
    {"1k,4k7", SAG_OHM, 2, {1000, 4700}},
};

static void lists_are_read(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof good_lists / sizeof *good_lists; i++) {
        double *values = NULL;
        size_t count = 0;
        char problem[SAG_PROBLEM_SIZE] = "";
        sag_status status =
            sag_value_read_list(good_lists[i].text, good_lists[i].unit, &values, &count, problem);
        if (status != SAG_OK || count != good_lists[i].count) {
            fail_msg("\"%s\": status %d, %zu values, %s", good_lists[i].text, (int)status, count,
                     problem);
        }
        for (size_t j = 0; j < count; j++) {
            near_abs(values[j], good_lists[i].values[j], 2.3e-16, "the list written out");
        }
        sag_free(values);
    }
}

static void ranges_hit_round_values(void **state)
{
    (void)state;
    double *values;
    size_t count;
    assert_int_equal(sag_value_read_list("3V:4V:0.1V", SAG_VOLT, &values, &count, NULL), SAG_OK);
    assert_int_equal(count, 11);
    near_abs(values[3], 3.3, 0, "the literal in C, not 3 + 3 * 0.1");
    near_abs(values[10], 4, 0, "the end is included");
    sag_free(values);
    /* 1/3 is not a decimal fraction, but 3 of them reach the end within 1e-9. */
    assert_int_equal(sag_value_read_list("0:1:0.3333333333333", SAG_VOLT, &values, &count, NULL),
                     SAG_OK);
    assert_int_equal(count, 4);
    near_abs(values[3], 1, 0, "the end is included");
    sag_free(values);
    assert_int_equal(sag_value_read_list("0:1:0.33333333", SAG_VOLT, &values, &count, NULL),
                     SAG_OK);
    assert_int_equal(count, 4);
    near_abs(values[3], 0.99999999, 1e-15, "3 steps of 0.33333333; 1 is 3e-8 steps away");
    sag_free(values);
}

static const struct {
    const char *text, *says;
} bad_lists[] = {
    {"", "a value is missing"},
    {" ", "a value is missing"},
    {",", "a value is missing"},
    {"9V,", "a value is missing"},
    {",9V", "a value is missing"},
    {"9V,,7V", "a value is missing"},
    {"9,6V", "found \"9,6V\": a value in a list needs its unit, write 9.6V, or 9V,6V"},
    {"9,6", "found \"9,6\": a value in a list needs its unit, write 9.6, or 9V,6V"},
    {"18,9,7V", "found \"18,9\": a value in a list needs its unit, write 18.9, or 18V,9V"},
    {"18V,9,6 V", "found \"9,6 V\": a value in a list needs its unit, write 9.6 V, or 9V,6 V"},
    {"9, 6V", "found \"9\": a value in a list needs its unit, write 9V"},
    {"9V,6", "found \"6\": a value in a list needs its unit, write 6V"},
    {"9,x", "found \"9\": a value in a list needs its unit, write 9V"},
    {"3V:9V:1,5V", "found \"1,5V\": a value in a list needs its unit, write 1.5V, or 1V,5V"},
    {"3V:9V:1,5V:9V:1V", "found \"1,5V\": a value in a list needs its unit, write 1.5V"},
    {"9V,x", "found \"x\": it does not begin with a number"},
    {"9V,7ohm", "found \"7ohm\": it is a resistance"},
    {"3V:9V", "a range is written LOW:HIGH:STEP, as in 3V:9V:1V"},
    {"3V:9V:1V:1V", "a range is written LOW:HIGH:STEP"},
    {":::::::", "a range is written LOW:HIGH:STEP"},
    {"::", "a DC voltage is expected here"},
    {"3V:9V:", "a DC voltage is expected here"},
    {"3V:9V:0V", "the step of a range must not be 0"},
    {"3V:3V:0V", "the step of a range must not be 0"},
    {"3V:9V:-0", "the step of a range must not be 0"},
    {"3V:9V:-1V", "the step leads away from the end"},
    {"0V:10000V:1V", "more than 10,000 values"},
    {"0:1:1e-300", "more than 10,000 values"},
    {"0:1e299:1e-299", "more than 10,000 values"},
    {"-1e308:1e308:1", "too large"},
    {"0:1:1e301", "too large"},
    {"0V:4999V:1V,0V:4999V:1V,1V", "the list has more than 10,000 values"},
};

static void bad_lists_are_refused(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof bad_lists / sizeof *bad_lists; i++) {
        double *values = (double *)1;
        size_t count = 7;
        char problem[SAG_PROBLEM_SIZE] = "";
        sag_status status =
            sag_value_read_list(bad_lists[i].text, SAG_VOLT, &values, &count, problem);
        if (status != SAG_BAD_INPUT || !strstr(problem, bad_lists[i].says)) {
            fail_msg("\"%s\": status %d, \"%s\" lacks \"%s\"", bad_lists[i].text, (int)status,
                     problem, bad_lists[i].says);
        }
        assert_null(values);
        assert_int_equal(count, 0);
    }
    double *values;
    size_t count;
    char problem[SAG_PROBLEM_SIZE];
    assert_int_equal(sag_value_read_list("0dB:6dB:1dB", SAG_GAIN, &values, &count, problem),
                     SAG_BAD_INPUT);
    assert_non_null(strstr(problem, "gains have no ranges"));
    assert_int_equal(sag_value_read_list(NULL, SAG_VOLT, &values, &count, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_value_read_list("1", (sag_unit)99, &values, &count, NULL),
                     SAG_BAD_ARGUMENT);
    /* The largest list there is. */
    assert_int_equal(sag_value_read_list("0:9999:1", SAG_VOLT, &values, &count, NULL), SAG_OK);
    assert_int_equal(count, 10000);
    near_abs(values[9999], 9999, 0, "the end");
    sag_free(values);
}

static const char *const names[] = {"soft", "normal", "hard", "extreme"};
static const double name_peaks[] = {0.1, 0.7, 1, 2};
#define NAMES 4

static const struct {
    const char *text;
    size_t count;
    double values[MOST]; /* dBV, names: volts peak */
    const char *by_name; /* n: a name, -: a level */
} good_level_lists[] = {
    {"-40dBV:10dBV:10dB", 6, {-40, -30, -20, -10, 0, 10}, "------"},
    {"-40dBV:10dBV:10dBV", 6, {-40, -30, -20, -10, 0, 10}, "------"},
    {"10dBV:-10dBV:10 dB", 3, {10, 0, -10}, "---"},
    {"10dBV:-10dBV:-10dB", 3, {10, 0, -10}, "---"},
    {"soft,normal", 2, {0.1, 0.7}, "nn"},
    {" Hard , -10dBV,extreme", 3, {1, -10, 2}, "n-n"},
    {"1Vrms:3Vrms:1000mVrms", 3, {0, 6.0205999132796239, 9.5424250943932487}, "---"},
};

static void level_lists_are_read(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof good_level_lists / sizeof *good_level_lists; i++) {
        double *peaks = NULL;
        unsigned char *is_name = NULL;
        size_t count = 0;
        char problem[SAG_PROBLEM_SIZE] = "";
        const char *text = good_level_lists[i].text;
        sag_status status =
            sag_level_read_list(text, names, name_peaks, NAMES, &peaks, &is_name, &count, problem);
        if (status != SAG_OK || count != good_level_lists[i].count) {
            fail_msg("\"%s\": status %d, %zu values, %s", text, (int)status, count, problem);
        }
        for (size_t j = 0; j < count; j++) {
            int named = good_level_lists[i].by_name[j] == 'n';
            assert_int_equal(is_name[j], named);
            near_abs(named ? peaks[j] : sag_level_dbv(peaks[j]), good_level_lists[i].values[j],
                     1e-12, "the list written out");
        }
        sag_free(peaks);
        sag_free(is_name);
    }
}

static const struct {
    const char *text, *says;
} bad_level_lists[] = {
    {"", "a value is missing"},
    {"soft,,hard", "a value is missing"},
    {"sotf", "found \"sotf\": did you mean soft?"},
    {"extrem", "did you mean extreme?"},
    {"loud", "does not begin with a number"},
    {"1V", "say how the level is measured"},
    {"0,7Vpk", "found \"0,7Vpk\": a value in a list needs its unit, write 0.7Vpk, or 0Vpk,7Vpk"},
    {"soft,-10,5dBV", "a value in a list needs its unit, write -10.5dBV, or -10dBV,5dBV"},
    {"1,2", "found \"1\": say how the level is measured"},
    {"-40dBV:10dBV:2,5dB", "a value in a list needs its unit, write 2.5dB, or 2dB,5dB"},
    {"-40dBV:10dBu:10dB", "a range of levels needs one unit throughout"},
    {"-40dBV:10dBV:10dBu", "a range of levels needs one unit throughout"},
    {"-40dBV:10dBV:1Vpk", "a range of levels needs one unit throughout"},
    {"0.1Vpk:1Vpk:1dB", "say what the decibels are counted from"},
    {"-40dBV:10dBV:10", "say how the level is measured"},
    {"-40dBV:10dBV:10%", "is no unit of a level"},
    {"-40dBV:10dBV:0dB", "must not be 0"},
    {"-40dBV:10dBV:-1dB", "leads away"},
    {"-40dBV:10dBV:1e-9dB", "more than 10,000"},
    {"-40dBV:10dBV", "LOW:HIGH:STEP, as in -40dBV:10dBV:10dB"},
    {"soft:hard:normal", "does not begin with a number"},
    {"0Vpk:1Vpk:0.5Vpk", "more than 0 V"},
    {"1Vpk:-1Vpk:1Vpk", "more than 0 V"},
    {"0dBV:90000dBV:30000dB", "finite"},
};

static void bad_level_lists_are_refused(void **state)
{
    (void)state;
    double *peaks;
    unsigned char *is_name;
    size_t count;
    for (size_t i = 0; i < sizeof bad_level_lists / sizeof *bad_level_lists; i++) {
        char problem[SAG_PROBLEM_SIZE] = "";
        const char *text = bad_level_lists[i].text;
        sag_status status =
            sag_level_read_list(text, names, name_peaks, NAMES, &peaks, &is_name, &count, problem);
        if (status != SAG_BAD_INPUT || !strstr(problem, bad_level_lists[i].says)) {
            fail_msg("\"%s\": status %d, \"%s\" lacks \"%s\"", text, (int)status, problem,
                     bad_level_lists[i].says);
        }
        assert_null(peaks);
        assert_null(is_name);
        assert_int_equal(count, 0);
    }
    assert_int_equal(sag_level_read_list("soft", NULL, NULL, 0, &peaks, &is_name, &count, NULL),
                     SAG_BAD_INPUT);
    assert_int_equal(sag_level_read_list("soft", NULL, NULL, 1, &peaks, &is_name, &count, NULL),
                     SAG_BAD_ARGUMENT);
}

static void the_nearest_word_is_found(void **state)
{
    (void)state;
    static const char *const words[] = {"resistor", "capacitor", "inductor", "pot", "opamp"};
    static const struct {
        const char *text, *nearest;
    } rows[] = {
        {"capactor", "capacitor"},
        {"Resistor", "resistor"},
        {"CAPACITOR", "capacitor"},
        {"risistro", "resistor"},
        {"op-amp", "opamp"},
        {"pto", "pot"},
        {"inductro", "inductor"},
        {"battery", NULL},
        {"p", NULL},
        {"", NULL},
        {"rsstr", NULL},
        {"opampopamp", NULL},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const char *found = sag_nearest_word(rows[i].text, words, 5);
        if (!rows[i].nearest) {
            assert_null(found);
        } else {
            assert_non_null(found);
            assert_string_equal(found, rows[i].nearest);
        }
    }
    char *endless = calloc(1, 1000001);
    assert_non_null(endless);
    memset(endless, 'x', 1000000);
    assert_null(sag_nearest_word(endless, words, 5));
    assert_null(sag_nearest_word("resistor", (const char *const[]){endless}, 1));
    free(endless);
    assert_null(sag_nearest_word(NULL, words, 5));
    assert_null(sag_nearest_word("pot", NULL, 0));
}

/* Every allocation fails once, until the call succeeds without. */
static void short_memory_is_an_error(void **state)
{
    (void)state;
    int done = 0;
    long n = 1;
    for (; !done; n++) {
        double *values;
        size_t count;
        fail_allocation_at(n);
        sag_status status = sag_value_read_list("3V:9V:0.1V,18V", SAG_VOLT, &values, &count, NULL);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
        assert_int_equal(count, done ? 62 : 0);
        sag_free(values);
    }
    assert_true(n > 4); /* 8, 16, 32, 64 values */
    for (n = 1, done = 0; !done; n++) {
        double *peaks;
        unsigned char *is_name;
        size_t count;
        fail_allocation_at(n);
        sag_status status = sag_level_read_list("-40dBV:10dBV:1dB,soft", names, name_peaks, NAMES,
                                                &peaks, &is_name, &count, NULL);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
        assert_int_equal(count, done ? 52 : 0);
        sag_free(peaks);
        sag_free(is_name);
    }
    assert_true(n > 8);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_levels_are_read),
        cmocka_unit_test(bad_levels_are_refused_with_a_hint),
        cmocka_unit_test(lists_are_read),
        cmocka_unit_test(ranges_hit_round_values),
        cmocka_unit_test(bad_lists_are_refused),
        cmocka_unit_test(level_lists_are_read),
        cmocka_unit_test(bad_level_lists_are_refused),
        cmocka_unit_test(the_nearest_word_is_found),
        cmocka_unit_test(short_memory_is_an_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
