/* SPDX-License-Identifier: GPL-3.0-or-later */
/* value_private.h - taking a written quantity apart; shared by the value*.c files and json_*.c. */
#ifndef RAILSAG_VALUE_PRIVATE_H
#define RAILSAG_VALUE_PRIVATE_H

#include "value.h"

#define SAG_VALUE_TEXT_SIZE 64 /* longest quantity, with the closing zero */

/* 4.7k is the digits "47", exponent -1, suffix "k"; 4k7 the digits "47", exponent -1, letter 'k'.
 */
typedef struct {
    int negative;
    int whole;   /* written with digits alone: no sign, point, exponent or letter */
    int leading; /* the letter comes first, as in R47 */
    char digits[SAG_VALUE_TEXT_SIZE];
    int exponent;       /* of ten */
    char letter;        /* stands where the point would, or 0 */
    size_t end;         /* where the number ends in the text */
    const char *suffix; /* what follows the number and its spaces; inside the text */
} sag_value_parts;

typedef enum {
    SAG_VALUE_CLEAN,
    SAG_VALUE_EMPTY,
    SAG_VALUE_TOO_LONG,
    SAG_VALUE_UNREADABLE /* control characters or broken UTF-8 */
} sag_value_cleaning;

/* Copies text without the spaces around it, micro signs as u and ohm signs as ohm. */
sag_value_cleaning sag_value_clean(const char *text, size_t length, char out[SAG_VALUE_TEXT_SIZE]);

/* Takes a cleaned text apart; NULL when it begins with a number, else what is wrong with it. */
const char *sag_value_split(const char *clean, sag_value_parts *parts);

/* digits * 10^(exponent + power), with the sign, correctly rounded and never -0. Returns 0 when a
 * double cannot hold it (over 1.8e308, or less than 5e-324 without being 0). */
int sag_value_number(const sag_value_parts *parts, int power, double *out);

/* 1 and the power of ten when letter is an SI prefix. */
int sag_value_prefix(char letter, int *power);

/* Writes: found "text": ..., into problem (or nothing, when it is NULL). */
void sag_value_problem(char *problem, const char *text, size_t length, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* The problems that quantities and levels share. noun as "a resistance". Returns 1 when it wrote
 * one. */
int sag_value_explain(char *problem, const char *text, size_t length, sag_value_cleaning cleaning,
                      const char *complaint, const char *noun, const char *example);

/* Whether suffix is the unit of a signal level, with or without prefix: Vrms, mVpk, Vpp, dBV, dBu.
 * Then *unit and the *power of ten of the prefix are set. */
int sag_level_match(const char *suffix, sag_level_unit *unit, int *power);

int sag_level_in_db(sag_level_unit unit);

/* Reads a level in its own unit, V or dB, as it stands. */
sag_status sag_level_number(const char *text, size_t length, double *number, sag_level_unit *unit,
                            char *problem);

/* A number in its unit as volts peak; returns 0 when it is no level: not finite, or not more than 0
 * V. */
int sag_level_to_peak(double number, sag_level_unit unit, double *volts_peak);

/* Says so in problem; SAG_BAD_INPUT. */
sag_status sag_level_refuse(const char *text, size_t length, char *problem);

/* ASCII only, whatever the locale. */
int sag_value_same(const char *a, const char *b, int ignore_case);

#endif
