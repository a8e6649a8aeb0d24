/* SPDX-License-Identifier: GPL-3.0-or-later */
/* value: reading and printing quantities. Levels and lists: test_value_list.c. */
#include "near.h"

#include "value.h"

#include <stdio.h>
#include <string.h>

static const char iec[] = "IEC 60062, published example";
static const char memory[] = "IEC 60062, from memory";
static const char exact[] = "SI prefix, closed form";
static const char common[] = "common practice in part lists";
static const char bare[] = "design: no unit letter means SI units";
static const char unit[] = "definition of the unit";

static const struct {
    const char *text;
    sag_unit unit;
    double value;
    const char *origin;
} good[] = {
    {"R47", SAG_OHM, 0.47, iec},
    {"4R7", SAG_OHM, 4.7, iec},
    {"470R", SAG_OHM, 470, iec},
    {"4K7", SAG_OHM, 4700, iec},
    {"47K", SAG_OHM, 47e3, iec},
    {"47K3", SAG_OHM, 47.3e3, iec},
    {"470K", SAG_OHM, 470e3, iec},
    {"4M7", SAG_OHM, 4.7e6, iec},
    {"4n7", SAG_FARAD, 4.7e-9, memory},
    {"p33", SAG_FARAD, 0.33e-12, memory},
    {"2u2", SAG_FARAD, 2.2e-6, memory},
    {"2F2", SAG_FARAD, 2.2, memory},
    {"4k7", SAG_OHM, 4700, common},
    {"2M2", SAG_OHM, 2.2e6, common},
    {"100R", SAG_OHM, 100, common},
    {"0R", SAG_OHM, 0, common},
    {"0R22", SAG_OHM, 0.22, common},
    {"R002", SAG_OHM, 0.002, common},
    {"120R", SAG_OHM, 120, common},
    {"1M", SAG_OHM, 1e6, exact},
    {"1m", SAG_OHM, 1e-3, exact},
    {"1T", SAG_OHM, 1e12, exact},
    {"10G", SAG_OHM, 10e9, exact},
    {"4k99", SAG_OHM, 4990, common},
    {"4.7k", SAG_OHM, 4700, exact},
    {"4.7 k", SAG_OHM, 4700, exact},
    {"4.7kohm", SAG_OHM, 4700, exact},
    {"4.7 kohm", SAG_OHM, 4700, exact},
    {"4.7Kohm", SAG_OHM, 4700, exact},
    {"4k7ohm", SAG_OHM, 4700, exact},
    {"50 ohm", SAG_OHM, 50, exact},
    {"50   ohm", SAG_OHM, 50, exact},
    {"\t 50 ohm \t", SAG_OHM, 50, exact},
    {"50\xC2\xA0ohm", SAG_OHM, 50, "no-break space, as text processors write"},
    {"1 Mohm", SAG_OHM, 1e6, exact},
    {"5 mohm", SAG_OHM, 5e-3, exact},
    {"47\xCE\xA9", SAG_OHM, 47, "ohm sign U+03A9"},
    {"47\xE2\x84\xA6", SAG_OHM, 47, "ohm sign U+2126"},
    {"4.7k\xCE\xA9", SAG_OHM, 4700, "ohm sign U+03A9"},
    {"4k7 \xE2\x84\xA6", SAG_OHM, 4700, "ohm sign U+2126"},
    {"470", SAG_OHM, 470, bare},
    {"470.5", SAG_OHM, 470.5, bare},
    {"4.7e3", SAG_OHM, 4700, bare},
    {"4.7E+3", SAG_OHM, 4700, bare},
    {"1e3 kohm", SAG_OHM, 1e6, exact},
    {"+5", SAG_OHM, 5, bare},
    {"-5", SAG_OHM, -5, bare},
    {"-4k7", SAG_OHM, -4700, exact},
    {"-0", SAG_OHM, 0, bare},
    {".5", SAG_OHM, 0.5, common},
    {"0.1u", SAG_FARAD, 0.1e-6, exact},
    {".1u", SAG_FARAD, 0.1e-6, common},
    {"100p", SAG_FARAD, 100e-12, exact},
    {"100n", SAG_FARAD, 100e-9, exact},
    {"47u", SAG_FARAD, 47e-6, exact},
    {"4u7", SAG_FARAD, 4.7e-6, common},
    {"2u2F", SAG_FARAD, 2.2e-6, exact},
    {"1m", SAG_FARAD, 1e-3, exact},
    {"100 pF", SAG_FARAD, 100e-12, exact},
    {"47nF", SAG_FARAD, 47e-9, exact},
    {"4.7\xC2\xB5"
     "F",
     SAG_FARAD, 4.7e-6, "micro sign U+00B5"},
    {"4\xCE\xBC"
     "7",
     SAG_FARAD, 4.7e-6, "micro sign U+03BC"},
    {"4\xC2\xB5"
     "7",
     SAG_FARAD, 4.7e-6, "micro sign U+00B5"},
    {"22 \xCE\xBC", SAG_FARAD, 22e-6, "micro sign U+03BC"},
    {"1F", SAG_FARAD, 1, exact},
    {"1fF", SAG_FARAD, 1e-15, exact},
    {"120p", SAG_FARAD, 120e-12, exact},
    {"5H", SAG_HENRY, 5, exact},
    {"100mH", SAG_HENRY, 0.1, exact},
    {"4m7", SAG_HENRY, 4.7e-3, common},
    {"10uH", SAG_HENRY, 10e-6, exact},
    {"9V", SAG_VOLT, 9, exact},
    {"9", SAG_VOLT, 9, bare},
    {"3V3", SAG_VOLT, 3.3, common},
    {"9.55V", SAG_VOLT, 9.55, exact},
    {"-12.3mV", SAG_VOLT, -12.3e-3, exact},
    {"1.5 kV", SAG_VOLT, 1500, exact},
    {"1uA", SAG_AMPERE, 1e-6, exact},
    {"65pA", SAG_AMPERE, 65e-12, exact},
    {"1.4mA", SAG_AMPERE, 1.4e-3, exact},
    {"10 fA", SAG_AMPERE, 10e-15, exact},
    {"3MHz", SAG_HERTZ, 3e6, exact},
    {"20kHz", SAG_HERTZ, 20e3, exact},
    {"20 KHz", SAG_HERTZ, 20e3, exact},
    {"1k", SAG_HERTZ, 1e3, exact},
    {"2k2", SAG_HERTZ, 2200, common},
    {"20Hz", SAG_HERTZ, 20, exact},
    {"5y", SAG_SECOND, 5 * 31557600.0, "Julian year of 365.25 d"},
    {"2h", SAG_SECOND, 7200, unit},
    {"3 d", SAG_SECOND, 259200, unit},
    {"10 min", SAG_SECOND, 600, unit},
    {"1.5ms", SAG_SECOND, 1.5e-3, exact},
    {"10us", SAG_SECOND, 10e-6, exact},
    {"5m", SAG_SECOND, 5e-3, "m is milli, always"},
    {"7", SAG_SECOND, 7, bare},
    {"30%", SAG_RATIO, 0.3, unit},
    {"0.3", SAG_RATIO, 0.3, bare},
    {"0.003 %", SAG_RATIO, 3e-5, unit},
    {"100%", SAG_RATIO, 1, unit},
    {"106dB", SAG_GAIN, 199526.23149688795, "10^(106/20)"},
    {"0dB", SAG_GAIN, 1, "10^0"},
    {"-20 dB", SAG_GAIN, 0.1, "10^-1"},
    {"200000", SAG_GAIN, 200000, "a plain ratio"},
    {"200V/mV", SAG_GAIN, 200000, "as data sheets give it"},
    {"0.5 V/\xC2\xB5V", SAG_GAIN, 500000, "as data sheets give it"},
    {"10V/V", SAG_GAIN, 10, "as data sheets give it"},
    {"45deg", SAG_DEGREE, 45, unit},
    {"45 deg", SAG_DEGREE, 45, unit},
    {"45", SAG_DEGREE, 45, bare},
    {"13V/us", SAG_VOLT_PER_SECOND, 13e6, exact},
    {"13 V/\xC2\xB5s", SAG_VOLT_PER_SECOND, 13e6, "micro sign U+00B5"},
    {"300V/ms", SAG_VOLT_PER_SECOND, 300e3, exact},
    {"0.3V/us", SAG_VOLT_PER_SECOND, 0.3e6, exact},
    {"500mV/us", SAG_VOLT_PER_SECOND, 0.5e6, exact},
    {"2 V/s", SAG_VOLT_PER_SECOND, 2, exact},
    {"18nV/rtHz", SAG_VOLT_PER_ROOT_HZ, 18e-9, exact},
    {"10fA/rtHz", SAG_AMPERE_PER_ROOT_HZ, 10e-15, exact},
    {"540mAh", SAG_COULOMB, 1944, "0.54 A for 3600 s"},
    {"0.5Ah", SAG_COULOMB, 1800, "0.5 A for 3600 s"},
    {"310 mAh", SAG_COULOMB, 1116, "0.31 A for 3600 s"},
    {"12C", SAG_COULOMB, 12, exact},
    {"2", SAG_COUNT, 2, bare},
    {"0", SAG_COUNT, 0, bare},
    {"9007199254740991", SAG_COUNT, 9007199254740991.0, "2^53 - 1"},
};

static void good_quantities_are_read(void **state)
{
    (void)state;
    assert_true(sizeof good / sizeof *good >= 100);
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        double value = -999;
        char problem[SAG_PROBLEM_SIZE] = "";
        sag_status status =
            sag_value_read(good[i].text, strlen(good[i].text), good[i].unit, &value, problem);
        if (status != SAG_OK) {
            fail_msg("\"%s\" is refused: %s", good[i].text, problem);
        }
        /* Two roundings at most: of the number, and of the factor or power. */
        near_rel(value, good[i].value, 4.5e-16, good[i].origin);
        assert_false(signbit(value) && !(value < 0)); /* no -0 */
        assert_string_equal(problem, "");
    }
}

/* A number with a prefix is the double nearest to what is written, as if written out. */
static void prefixes_add_no_rounding(void **state)
{
    (void)state;
    double value;
    assert_int_equal(sag_value_read("4n7", 3, SAG_FARAD, &value, NULL), SAG_OK);
    near_abs(value, 4.7e-9, 0, "the literal in C");
    assert_int_equal(sag_value_read("47K3", 4, SAG_OHM, &value, NULL), SAG_OK);
    near_abs(value, 47300.0, 0, "the literal in C");
    assert_int_equal(sag_value_read("0.003%", 6, SAG_RATIO, &value, NULL), SAG_OK);
    near_abs(value, 0.00003, 0, "the literal in C");
}

static const struct {
    const char *text;
    sag_unit unit;
    const char *says; /* must stand in the problem */
} bad[] = {
    {"", SAG_OHM, "a resistance is expected here, as in 4k7"},
    {"  ", SAG_FARAD, "a capacitance is expected here, as in 47n"},
    {"4,7k", SAG_OHM, "found \"4,7k\": write the decimal comma as a point, as in 4.7k"},
    {"0,3", SAG_RATIO, "as a point, as in 0.3"},
    {"9,5 V", SAG_VOLT, "as a point, as in 9.5 V"},
    {"1,000", SAG_OHM, "write 1000 or 1.000, whichever is meant"},
    {"1,000,000", SAG_OHM, "write 1000000, whichever is meant"},
    {"1,2,3", SAG_OHM, "a comma does not belong"},
    {",", SAG_OHM, "a comma does not belong"},
    {"1.000,5", SAG_OHM, "a comma does not belong"},
    {"47nF", SAG_OHM, "it is a capacitance, but a resistance is expected here, as in 4k7"},
    {"4k7", SAG_RATIO, "no way to write a ratio"},
    {"4.7kohm", SAG_FARAD, "it is a resistance, but a capacitance is expected"},
    {"9V", SAG_OHM, "it is a DC voltage"},
    {"4R7", SAG_FARAD, "it is a resistance"},
    {"2F2", SAG_OHM, "it is a capacitance"},
    {"9V", SAG_AMPERE, "it is a DC voltage, but a current is expected here, as in 1.4mA"},
    {"20kHz", SAG_SECOND, "it is a frequency"},
    {"30%", SAG_VOLT, "it is a ratio"},
    {"6dB", SAG_RATIO, "it is a gain"},
    {"540mAh", SAG_AMPERE, "it is a charge"},
    {"13V/us", SAG_VOLT, "it is a slew rate"},
    {"18nV/rtHz", SAG_AMPERE_PER_ROOT_HZ, "it is a voltage noise density"},
    {"45deg", SAG_RATIO, "it is an angle"},
    {"5 min", SAG_HERTZ, "it is a time"},
    {"100mH", SAG_FARAD, "it is an inductance"},
    {"0.7Vpk", SAG_VOLT, "it is a signal level, but a DC voltage is expected"},
    {"200mVrms", SAG_VOLT, "it is a signal level"},
    {"-10dBV", SAG_VOLT, "it is a signal level"},
    {"9v", SAG_VOLT, "write 9V"},
    {"20khz", SAG_HERTZ, "write 20kHz"},
    {"3Mhz", SAG_HERTZ, "write 3MHz"},
    {"100PF", SAG_FARAD, "write 100pF"},
    {"4U7", SAG_FARAD, "write 4u7"},
    {"10Uf", SAG_FARAD, "write 10uF"},
    {"100N", SAG_FARAD, "write 100n"},
    {"10 OHM", SAG_OHM, "write 10ohm"},
    {"4r7", SAG_OHM, "write 4R7"},
    {"47r", SAG_OHM, "write 47R"},
    {"1.4ma", SAG_AMPERE, "write 1.4mA"},
    {"540mah", SAG_COULOMB, "write 540mAh"},
    {"6db", SAG_GAIN, "write 6dB"},
    {"3v3", SAG_VOLT, "write 3V3"},
    {"1t", SAG_OHM, "write 1T"},
    {"1Meg", SAG_OHM, "write mega as M, as in 1M"},
    {"1meg", SAG_OHM, "write mega as M, as in 1M"},
    {"2.2MEG", SAG_OHM, "write mega as M, as in 2.2M"},
    {"1Megohm", SAG_OHM, "write mega as M, as in 1Mohm"},
    {"3 MegHz", SAG_HERTZ, "write mega as M, as in 3MHz"},
    {"inf", SAG_OHM, "does not begin with a number"},
    {"-inf", SAG_OHM, "does not begin with a number"},
    {"infinity", SAG_VOLT, "does not begin with a number"},
    {"nan", SAG_OHM, "does not begin with a number"},
    {"nan(7)", SAG_OHM, "does not begin with a number"},
    {"NaN", SAG_COUNT, "does not begin with a number"},
    {"0x10", SAG_OHM, "no way to write a resistance"},
    {"0x1p3", SAG_OHM, "no way to write a resistance"},
    {"0b1", SAG_OHM, "no way to write a resistance"},
    {"1e999", SAG_OHM, "too large or too small"},
    {"-1e999", SAG_OHM, "too large or too small"},
    {"1e-999", SAG_OHM, "too large or too small"},
    {"1e308k", SAG_OHM, "too large or too small"},
    {"1e99999999999999999999", SAG_OHM, "too large or too small"},
    {"1e-99999999999999999999", SAG_FARAD, "too large or too small"},
    {"1e308y", SAG_SECOND, "too large or too small"},
    {"99999dB", SAG_GAIN, "too large or too small"},
    {"-99999dB", SAG_GAIN, "too large or too small"},
    {"9007199254740992", SAG_COUNT, "too large or too small"},
    {"9007199254740993", SAG_COUNT, "too large or too small"}, /* would round to the one before */
    {"2.5", SAG_COUNT, "a whole number is expected here"},
    {"2.0", SAG_COUNT, "a whole number is expected here"},
    {"2e3", SAG_COUNT, "a whole number is expected here"},
    {"-2", SAG_COUNT, "a whole number is expected here"},
    {"+2", SAG_COUNT, "a whole number is expected here"},
    {"2k", SAG_COUNT, "\"k\" is no unit of a whole number"},
    {"4.", SAG_OHM, "a digit must follow the point"},
    {"4.k", SAG_OHM, "a digit must follow the point"},
    {".", SAG_OHM, "it has no digits"},
    {"-", SAG_OHM, "does not begin with a number"},
    {"+-5", SAG_OHM, "does not begin with a number"},
    {"--5", SAG_OHM, "does not begin with a number"},
    {"- 5", SAG_OHM, "does not begin with a number"},
    {"\xE2\x88\x92"
     "12V",
     SAG_VOLT, "write the minus sign as -"},
    {"k", SAG_OHM, "does not begin with a number"},
    {"ohm", SAG_OHM, "does not begin with a number"},
    {"V5", SAG_VOLT, "no way to write a DC voltage"},
    {"4.7k5", SAG_OHM, "\"k5\" is no prefix or unit of a resistance"},
    {"4k7.5", SAG_OHM, "no way to write a resistance"},
    {"4k7k", SAG_OHM, "no way to write a resistance"},
    {"4 k 7", SAG_OHM, "is no prefix or unit"},
    {"1 000", SAG_OHM, "without a space"},
    {"4.7.1", SAG_OHM, "is no prefix or unit"},
    {"4k7 R", SAG_OHM, "no way to write a resistance"},
    {"10kR", SAG_OHM, "is no prefix or unit"},
    {"470E", SAG_OHM, "\"E\" is no prefix or unit"},
    {"5e", SAG_OHM, "\"e\" is no prefix or unit"},
    {"5e+", SAG_OHM, "is no prefix or unit"},
    {"10kHz extra", SAG_HERTZ, "\"kHz extra\" is no prefix or unit"},
    {"5 apples", SAG_OHM, "\"apples\" is no prefix or unit of a resistance"},
    {"5mm", SAG_HENRY, "\"mm\" is no prefix or unit"},
    {"5kmin", SAG_SECOND, "\"kmin\" is no prefix or unit of a time"},
    {"5 V / us", SAG_VOLT_PER_SECOND, "is no prefix or unit of a slew rate, write it as in 13V/us"},
    {"18nV/\xE2\x88\x9AHz", SAG_VOLT_PER_ROOT_HZ, "write the root as rt"},
    {"18nV/Hz", SAG_VOLT_PER_ROOT_HZ, "write it as in 18nV/rtHz"},
    {"200k", SAG_GAIN, "\"k\" is no unit of a gain, write it as in 106dB"},
    {"30m", SAG_RATIO, "\"m\" is no unit of a ratio, write it as in 30%"},
    {"30%%", SAG_RATIO, "is no unit of a ratio"},
    {"45\xC2\xB0", SAG_DEGREE, "write it as in 45deg"},
    {"47\xB5"
     "F",
     SAG_FARAD, "UTF-8 is expected"},
    {"4\x01k", SAG_OHM, "found \"4?k\": it has characters that cannot be read"},
    {"4\nk", SAG_OHM, "cannot be read"},
    {"4\x7Fk", SAG_OHM, "cannot be read"},
    {"47 \xED\xA0\x80", SAG_OHM, "UTF-8 is expected"},
    {"00000000000000000000000000000000000000000000000000000000000000001", SAG_OHM,
     "this is too long for a resistance"},
    {"1                                                              k9", SAG_OHM, "too long"},
    {"\xEF\xBC\x91\xEF\xBC\x92", SAG_OHM, "does not begin with a number"}, /* full-width digits */
    {"5\xF0\x9F\x94\x8B", SAG_VOLT, "is no prefix or unit"},
    {"3V:9V:1V", SAG_VOLT, "a single value is expected here, not a range"},
    {"5;", SAG_OHM, "\";\" is no prefix or unit"},
    {"$5", SAG_OHM, "does not begin with a number"},
    {"5 \"", SAG_OHM, "is no prefix or unit"},
    {"%n%s", SAG_OHM, "found \"%n%s\": it does not begin with a number"},
    {"5%n%s", SAG_OHM, "\"%n%s\" is no prefix or unit"},
};

static void bad_quantities_are_refused_with_a_hint(void **state)
{
    (void)state;
    assert_true(sizeof bad / sizeof *bad >= 100);
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        double value = -999;
        char problem[SAG_PROBLEM_SIZE] = "";
        size_t length = strlen(bad[i].text);
        sag_status status = sag_value_read(bad[i].text, length, bad[i].unit, &value, problem);
        if (status != SAG_BAD_INPUT || !strstr(problem, bad[i].says)) {
            fail_msg("\"%s\": status %d, \"%s\" lacks \"%s\"", bad[i].text, (int)status, problem,
                     bad[i].says);
        }
        near_abs(value, -999, 0, "*out is unchanged on failure");
        assert_int_equal(strncmp(problem, "found \"", 7), 0);
        assert_int_equal(sag_value_read(bad[i].text, length, bad[i].unit, &value, NULL),
                         SAG_BAD_INPUT);
    }
}

static void arguments_are_checked(void **state)
{
    (void)state;
    double value = 5;
    assert_int_equal(sag_value_read(NULL, 0, SAG_OHM, &value, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_value_read("1", 1, SAG_OHM, NULL, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_value_read("1", 1, (sag_unit)99, &value, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_value_read("1", 1, (sag_unit)-1, &value, NULL), SAG_BAD_ARGUMENT);
    assert_string_equal(sag_unit_symbol(SAG_OHM), "ohm");
    assert_string_equal(sag_unit_symbol(SAG_VOLT_PER_SECOND), "V/s");
    assert_string_equal(sag_unit_symbol(SAG_COUNT), "");
    assert_string_equal(sag_unit_symbol((sag_unit)99), "");
}

/* The text need not end in zero: only `length` bytes count. A zero byte inside is refused. */
static void only_length_bytes_are_read(void **state)
{
    (void)state;
    double value;
    char problem[SAG_PROBLEM_SIZE];
    assert_int_equal(sag_value_read("4k7xyz", 3, SAG_OHM, &value, problem), SAG_OK);
    near_abs(value, 4700, 0, "4k7");
    assert_int_equal(sag_value_read("4k7", 2, SAG_OHM, &value, problem), SAG_OK);
    near_abs(value, 4000, 0, "4k");
    assert_int_equal(sag_value_read("4k7\0", 4, SAG_OHM, &value, problem), SAG_BAD_INPUT);
    char exact_size[3] = {'4', '.', '7'};
    assert_int_equal(sag_value_read(exact_size, 3, SAG_OHM, &value, problem), SAG_OK);
    near_abs(value, 4.7, 0, "4.7");
}

static const struct {
    double value;
    sag_unit unit;
    int digits;
    const char *text;
} printed[] = {
    {4700, SAG_OHM, 3, "4.7 kohm"},
    {9, SAG_VOLT, 3, "9 V"},
    {1e6, SAG_OHM, 3, "1 Mohm"},
    {47e-9, SAG_FARAD, 3, "47 nF"},
    {-12.3e-3, SAG_VOLT, 3, "-12.3 mV"},
    {0.3, SAG_RATIO, 3, "30 %"},
    {3e-5, SAG_RATIO, 3, "0.003 %"},
    {1, SAG_RATIO, 3, "100 %"},
    {199526.2315, SAG_GAIN, 3, "106 dB"},
    {1, SAG_GAIN, 3, "0 dB"},
    {0.5, SAG_GAIN, 3, "-6.02 dB"},
    {1.0000000000000002, SAG_GAIN, 3, "0 dB"},
    {0, SAG_GAIN, 3, "none"},
    {-1, SAG_GAIN, 3, "-"},
    {(double)NAN, SAG_OHM, 3, "-"},
    {(double)INFINITY, SAG_OHM, 3, "none"},
    {-(double)INFINITY, SAG_VOLT, 3, "none"},
    {(double)INFINITY, SAG_SECOND, 3, "none"},
    {(double)INFINITY, SAG_GAIN, 3, "none"},
    {(double)NAN, SAG_SECOND, 3, "-"},
    {1.7e308, SAG_RATIO, 3, "none"}, /* 1.7e310 % */
    {0, SAG_VOLT, 3, "0 V"},
    {-0.0, SAG_VOLT, 3, "0 V"},
    {0, SAG_SECOND, 3, "0 s"},
    {0.9996, SAG_VOLT, 3, "1 V"}, /* not 1000 mV */
    {0.99949, SAG_VOLT, 3, "999 mV"},
    {999.6, SAG_OHM, 3, "1 kohm"},
    {999999, SAG_OHM, 5, "1 Mohm"},
    {-0.9996, SAG_VOLT, 3, "-1 V"},
    {47300, SAG_OHM, 2, "47 kohm"},
    {473000, SAG_OHM, 2, "470 kohm"},
    {473000, SAG_OHM, 1, "500 kohm"},
    {473000, SAG_OHM, 6, "473 kohm"},
    {4.75, SAG_VOLT, 2, "4.8 V"}, /* a tie: 4.75 is a double, printf rounds to even */
    {10, SAG_VOLT, 1, "10 V"},
    {105, SAG_OHM, 3, "105 ohm"},
    {1e-15, SAG_AMPERE, 3, "1 fA"},
    {9.99e-16, SAG_AMPERE, 3, "9.99e-16 A"},
    {1e-300, SAG_AMPERE, 3, "1e-300 A"},
    {5e-324, SAG_AMPERE, 3, "4.94e-324 A"},
    {999e12, SAG_OHM, 3, "999 Tohm"},
    {1e15, SAG_OHM, 3, "1e15 ohm"},
    {-1.7976931348623157e308, SAG_AMPERE_PER_ROOT_HZ, 17, "-1.7976931348623157e308 A/rtHz"},
    {13e6, SAG_VOLT_PER_SECOND, 3, "13 V/us"},
    {0.3e6, SAG_VOLT_PER_SECOND, 3, "300 mV/us"},
    {18e-9, SAG_VOLT_PER_ROOT_HZ, 3, "18 nV/rtHz"},
    {10e-15, SAG_AMPERE_PER_ROOT_HZ, 3, "10 fA/rtHz"},
    {1944, SAG_COULOMB, 3, "540 mAh"},
    {3e6, SAG_HERTZ, 3, "3 MHz"},
    {2, SAG_COUNT, 3, "2"},
    {10000, SAG_COUNT, 6, "10000"},
    {45, SAG_DEGREE, 3, "45 deg"},
    {0.5, SAG_SECOND, 3, "500 ms"},
    {59, SAG_SECOND, 3, "59 s"},
    {59.96, SAG_SECOND, 3, "1 min"}, /* not 60 s */
    {59.94, SAG_SECOND, 3, "59.9 s"},
    {90, SAG_SECOND, 3, "1.5 min"},
    {7200, SAG_SECOND, 3, "2 h"},
    {3599.9, SAG_SECOND, 3, "1 h"},
    {86400, SAG_SECOND, 3, "1 d"},
    {5 * 31557600.0, SAG_SECOND, 3, "5 y"},
    {1.0 / 3, SAG_VOLT, 99, "333.33333333333331 mV"},
    {1.0 / 3, SAG_VOLT, -5, "300 mV"},
};

static void quantities_are_printed(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof printed / sizeof *printed; i++) {
        char buffer[32];
        const char *text = sag_value_print(buffer, sizeof buffer, printed[i].value, printed[i].unit,
                                           printed[i].digits);
        assert_ptr_equal(text, buffer);
        assert_string_equal(text, printed[i].text);
    }
    char small[4];
    assert_string_equal(sag_value_print(small, sizeof small, 4700, SAG_OHM, 3), "4.7");
}

/* A small generator with a fixed seed (64 bits, linear congruential), so that every run is the
 * same. */
static unsigned next_random(uint64_t *seed)
{
    *seed = *seed * 6364136223846793005u + 1442695040888963407u;
    return (unsigned)(*seed >> 33);
}

/* What is printed reads back as the same value, to the digits printed, whatever the unit. */
static void printed_quantities_read_back(void **state)
{
    (void)state;
    uint64_t seed = 1;
    for (int i = 0; i < 20000; i++) {
        sag_unit of = (sag_unit)(i % SAG_COUNT);
        double exponent = (double)next_random(&seed) / 2147483648.0 * 60 - 30;
        double value = pow(10, exponent);
        if (of != SAG_GAIN && next_random(&seed) % 2) {
            value = -value;
        }
        int digits = 1 + (int)(next_random(&seed) % 15);
        char buffer[40], problem[SAG_PROBLEM_SIZE];
        double back = 0;
        sag_value_print(buffer, sizeof buffer, value, of, digits);
        if (sag_value_read(buffer, strlen(buffer), of, &back, problem) != SAG_OK) {
            fail_msg("%.17g printed as \"%s\": %s", value, buffer, problem);
        }
        double got = of == SAG_GAIN ? 20 * log10(back) : back;
        double wanted = of == SAG_GAIN ? 20 * log10(value) : value;
        near_rel(got, wanted, 5.01 * pow(10, -digits) + 1e-13, "half a step of the last digit");
    }
}

/* Bytes thrown together from what quantities are made of, and from anything: no crash, and nothing
 * but the two outcomes. */
static void any_bytes_are_survived(void **state)
{
    (void)state;
    static const char parts[] = "0123456789.,+-eEkKmMuRVFH%/: \xC2\xB5\xCE\xA9prtzdBAh";
    uint64_t seed = 7;
    for (int i = 0; i < 100000; i++) {
        char text[80], problem[SAG_PROBLEM_SIZE];
        size_t length = next_random(&seed) % (i % 16 ? 9 : sizeof text);
        for (size_t j = 0; j < length; j++) {
            unsigned r = next_random(&seed);
            text[j] = i % 4 ? parts[r % (sizeof parts - 1)] : (char)(r & 0xFF);
        }
        double value = (double)NAN;
        memset(problem, 'x', sizeof problem);
        sag_status status =
            sag_value_read(text, length, (sag_unit)(i % (SAG_COUNT + 1)), &value, problem);
        if (status == SAG_OK) {
            assert_true(isfinite(value));
        } else {
            assert_int_equal(status, SAG_BAD_INPUT);
            assert_true(isnan(value));
            assert_non_null(memchr(problem, '\0', sizeof problem));
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_quantities_are_read),
        cmocka_unit_test(prefixes_add_no_rounding),
        cmocka_unit_test(bad_quantities_are_refused_with_a_hint),
        cmocka_unit_test(arguments_are_checked),
        cmocka_unit_test(only_length_bytes_are_read),
        cmocka_unit_test(quantities_are_printed),
        cmocka_unit_test(printed_quantities_read_back),
        cmocka_unit_test(any_bytes_are_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
