/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Signal levels: how they are written, and volts peak. */
#include "text.h"
#include "value_private.h"

#include <math.h>
#include <string.h>

#define DBU_VRMS 0.7745966692414834 /* V rms at 0 dBu: sqrt(0.6), 1 mW in 600 ohm */

static const struct {
    const char *text;
    double peak_v; /* of one unit; dB units: at 0 dB */
    int in_db;
} level_units[] = {
    [SAG_VRMS] = {"Vrms", 1.4142135623730951, 0}, /* sqrt(2), a sine */
    [SAG_VPK] = {"Vpk", 1, 0},
    [SAG_VPP] = {"Vpp", 0.5, 0},
    [SAG_DBV] = {"dBV", 1.4142135623730951, 1},
    [SAG_DBU] = {"dBu", 1.4142135623730951 * DBU_VRMS, 1},
};
#define LEVEL_UNIT_COUNT (sizeof level_units / sizeof *level_units)

#define LEVEL_NOUN    "a signal level"
#define LEVEL_EXAMPLE "-10dBV or 0.7Vpk"
#define LEVEL_WAYS    "Vrms, Vpk, Vpp, dBV or dBu"

int sag_level_in_db(sag_level_unit unit)
{
    return level_units[unit].in_db;
}

double sag_level_dbv(double volts_peak)
{
    return 20 * log10(volts_peak / level_units[SAG_DBV].peak_v);
}

double sag_level_peak(double dbv)
{
    return level_units[SAG_DBV].peak_v * pow(10, dbv / 20);
}

static int match_level(const char *suffix, int ignore_case, sag_level_unit *unit, int *power)
{
    for (size_t i = 0; i < LEVEL_UNIT_COUNT; i++) {
        *unit = (sag_level_unit)i;
        *power = 0;
        const char *text = level_units[i].text;
        if (sag_value_same(suffix, text, ignore_case)) {
            return 1;
        }
        if (!level_units[i].in_db && *suffix && sag_value_prefix(*suffix, power) &&
            sag_value_same(suffix + 1, text, ignore_case)) {
            return 1;
        }
    }
    return 0;
}

int sag_level_match(const char *suffix, sag_level_unit *unit, int *power)
{
    return match_level(suffix, 0, unit, power);
}

/* The number is there, but it is not followed by the unit of a level. */
static void explain_level(char *problem, const char *text, size_t length, const char *clean,
                          const sag_value_parts *parts)
{
    const char *suffix = parts->suffix;
    int power = 0;
    sag_level_unit unit;
    int bare =
        parts->letter || !*suffix || sag_value_same(suffix, "V", 1) ||
        (sag_value_prefix(*suffix, &power) && (!suffix[1] || sag_value_same(suffix + 1, "V", 1)));
    if (bare) {
        sag_value_problem(problem, text, length,
                          "say how the level is measured: " LEVEL_WAYS ", as in " LEVEL_EXAMPLE);
    } else if (sag_value_same(suffix, "dBv", 0)) {
        sag_value_problem(problem, text, length,
                          "write dBV (against 1 Vrms) or dBu (against 0.775 Vrms)");
    } else if (match_level(suffix, 1, &unit, &power)) {
        char prefix[2] = {power ? *suffix : '\0', '\0'};
        sag_value_problem(problem, text, length,
                          "small and capital letters differ in prefixes and units, write %.*s%s%s",
                          (int)parts->end, clean, prefix, level_units[unit].text);
    } else if (!strncmp(suffix, "dB", 2) && !strchr(suffix, ' ')) {
        sag_value_problem(
            problem, text, length,
            "say what the decibels are counted from: dBV (1 Vrms) or dBu (0.775 Vrms)");
    } else {
        char shown[24];
        sag_text_show(shown, sizeof shown, suffix, strlen(suffix));
        sag_value_problem(
            problem, text, length,
            "\"%s\" is no unit of a level, write " LEVEL_WAYS ", as in " LEVEL_EXAMPLE, shown);
    }
}

sag_status sag_level_number(const char *text, size_t length, double *number, sag_level_unit *unit,
                            char *problem)
{
    char clean[SAG_VALUE_TEXT_SIZE];
    sag_value_parts parts = {.suffix = ""};
    int power = 0;
    sag_value_cleaning cleaning = sag_value_clean(text, length, clean);
    const char *complaint = cleaning == SAG_VALUE_CLEAN ? sag_value_split(clean, &parts) : NULL;
    int matched = cleaning == SAG_VALUE_CLEAN && !complaint && !parts.letter &&
                  match_level(parts.suffix, 0, unit, &power);
    if (!matched) {
        if (!sag_value_explain(problem, text, length, cleaning, complaint, LEVEL_NOUN,
                               LEVEL_EXAMPLE)) {
            explain_level(problem, text, length, clean, &parts);
        }
        return SAG_BAD_INPUT;
    }
    if (!sag_value_number(&parts, power, number)) {
        sag_value_problem(problem, text, length,
                          "this is too large or too small a number for " LEVEL_NOUN
                          ", write it as in " LEVEL_EXAMPLE);
        return SAG_BAD_INPUT;
    }
    return SAG_OK;
}

int sag_level_to_peak(double number, sag_level_unit unit, double *volts_peak)
{
    double factor = sag_level_in_db(unit) ? pow(10, number / 20) : number;
    *volts_peak = factor * level_units[unit].peak_v;
    return isfinite(*volts_peak) && *volts_peak > 0;
}

sag_status sag_level_refuse(const char *text, size_t length, char *problem)
{
    sag_value_problem(problem, text, length,
                      "a level is more than 0 V, and finite, as in " LEVEL_EXAMPLE);
    return SAG_BAD_INPUT;
}

sag_status sag_level_read(const char *text, size_t length, double *volts_peak, sag_level_unit *unit,
                          char *problem)
{
    if (!text || !volts_peak) {
        return SAG_BAD_ARGUMENT;
    }
    double number, peak;
    sag_level_unit found;
    TRY(sag_level_number(text, length, &number, &found, problem));
    if (!sag_level_to_peak(number, found, &peak)) {
        return sag_level_refuse(text, length, problem);
    }
    *volts_peak = peak;
    if (unit) {
        *unit = found;
    }
    return SAG_OK;
}
