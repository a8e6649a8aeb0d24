/* SPDX-License-Identifier: GPL-3.0-or-later */
/* value.h - reads and prints quantities: 4k7, 47n, 9V, -10dBV, 13V/us, 3V:9V:1V.
 *
 * The one reader of numbers, for files and for the command line, so that they mean the same in
 * both. Accepted: IEC 60062 codes (4k7, 4K7, 2M2, 47n, 4n7, 100R, R47), or a number with an SI
 * prefix and unit (4.7k, "100 pF", 4u7, 3V3, both micro signs U+00B5 and U+03BC, both ohm signs
 * U+03A9 and U+2126, "ohm"). m is milli and M is mega, always; k and K are kilo; u stands for
 * micro. A value with no unit letter is in SI units. A decimal comma, a wrong unit, inf, nan and
 * trailing text are refused with a problem text that says what was found and what would be right.
 * Everything read is SI. */
#ifndef RAILSAG_VALUE_H
#define RAILSAG_VALUE_H

#include "status.h"

#include <stddef.h>

typedef enum {
    SAG_OHM,
    SAG_FARAD,
    SAG_HENRY,
    SAG_VOLT, /* DC volts; signal levels are read by sag_level_read */
    SAG_AMPERE,
    SAG_HERTZ,
    SAG_SECOND,             /* s, ms, us, min, h, d, y (365.25 d) */
    SAG_RATIO,              /* 30%, 0.3 */
    SAG_GAIN,               /* 106dB, 200V/mV or a plain ratio; read as a ratio */
    SAG_DEGREE,             /* 45deg, 45 */
    SAG_VOLT_PER_SECOND,    /* 13V/us, 300V/ms, 0.3V/us */
    SAG_VOLT_PER_ROOT_HZ,   /* 18nV/rtHz */
    SAG_AMPERE_PER_ROOT_HZ, /* 10fA/rtHz */
    SAG_COULOMB,            /* charge: 540mAh, 0.5Ah, C; read as coulombs */
    SAG_COUNT               /* a whole number, 0 or more */
} sag_unit;

/* Size of every buffer for a problem text. */
#define SAG_PROBLEM_SIZE 256

/* Reads the whole of text (length bytes, need not end in zero). On SAG_BAD_INPUT *out is unchanged
 * and problem (SAG_PROBLEM_SIZE bytes, or NULL) holds a sentence, with the text found in quotes and
 * an example of what would be right. */
sag_status sag_value_read(const char *text, size_t length, sag_unit unit, double *out,
                          char *problem);

/* "ohm", "F", "V", "V/s", "C", ... and "%", "dB", "deg", "" for what has no SI unit: a static
 * string. */
const char *sag_unit_symbol(sag_unit unit);

/* What to write instead of a capacitance or an inductance without a unit letter that came out far too
 * large, as "a number alone is in farad: write 22p, 22n or 22u"; NULL for any other text or unit. buffer:
 * SAG_PROBLEM_SIZE. */
const char *sag_value_bare_hint(char *buffer, const char *text, sag_unit unit);

/* Prints value in engineering form with `digits` significant digits, prefix and unit, as "4.7
 * kohm", "47 nF", "-12.3 mV", "9 V", "30 %", "106 dB", and as people say them "2 h", "540 mAh", "13
 * V/us"; returns buffer. size >= 32. Trailing zeros are left out. NaN prints as "-", infinity as
 * "none"; a gain of 0, minus infinity in dB, as "none" too, a negative one as "-". */
const char *sag_value_print(char *buffer, size_t size, double value, sag_unit unit, int digits);

/* A signal level always says how it is measured. */
typedef enum { SAG_VRMS, SAG_VPK, SAG_VPP, SAG_DBV, SAG_DBU } sag_level_unit;

/* Reads "-10dBV", "0.7Vpk", "200 mVrms", "1Vpp", "-7.8dBu" as volts peak of a sine, more than
 * 0. A bare V is refused with a hint. unit may be NULL. */
sag_status sag_level_read(const char *text, size_t length, double *volts_peak, sag_level_unit *unit,
                          char *problem);

double sag_level_dbv(double volts_peak); /* 20 log10(rms of a sine of that peak / 1 V) */
double sag_level_peak(double dbv);       /* the inverse */

/* A list of values: comma-separated items, each a value or LOW:HIGH:STEP (HIGH included when it is
 * a whole number of steps away within 1e-9; a falling range as 9V:3V:1V or 9V:3V:-1V; no ranges of
 * gains). With more than one item each carries its unit, for 9,6V may be meant as 9.6V. Values are
 * appended in the order written. *values is made by the call and freed with
 * sag_free. At most 10,000 values. */
sag_status sag_value_read_list(const char *text, sag_unit unit, double **values, size_t *count,
                               char *problem);

/* A list of levels, as above; a range needs the same unit throughout and steps in it (a dB step may
 * be written 10dB or 10dBV). names/name_peaks (name_count of them) are words allowed as items, for
 * playing levels. *volts_peak and *is_name (1 for an item given by name) are made by the call,
 * freed with sag_free. */
sag_status sag_level_read_list(const char *text, const char *const *names, const double *name_peaks,
                               size_t name_count, double **volts_peak, unsigned char **is_name,
                               size_t *count, char *problem);

/* The word of `words` (count of them) nearest to text, ignoring case, by edit distance; NULL when
 * none is near (over a third of its length away). */
const char *sag_nearest_word(const char *text, const char *const *words, size_t count);

#endif
