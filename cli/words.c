/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "words.h"

#include "label.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* Collected first, for they are broken into lines as a whole. */
typedef struct {
    char text[4096];
    size_t used;
} sentences;

static void say(sentences *to, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void say(sentences *to, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(to->text + to->used, sizeof to->text - to->used, format, arguments);
    va_end(arguments);
    if (length > 0) {
        to->used += (size_t)length;
        to->used = to->used < sizeof to->text ? to->used : sizeof to->text - 1;
    }
}

/* Fundamentals of a bass and a guitar, Hz: B0 (30.9) to G4 (392), equal temperament. */
static const double lowest_hz = 31, highest_hz = 400;

enum { MOST_LISTED = 8 }; /* supplies named one by one */

void words_span(words_facts *facts, const double *frequency_hz, size_t count)
{
    facts->low_hz = (double)NAN;
    for (size_t i = 0; i < count; i++) {
        if (frequency_hz[i] >= lowest_hz && frequency_hz[i] <= highest_hz) {
            facts->low_hz = isnan(facts->low_hz) ? frequency_hz[i] : facts->low_hz;
            facts->high_hz = frequency_hz[i];
        }
    }
    if (isnan(facts->low_hz) && count > 0) {
        facts->low_hz = frequency_hz[0];
        facts->high_hz = frequency_hz[count - 1];
    }
}

void words_margin(words_supply *supply, double margin_db, double hz, const char *stage,
                  sag_limit_kind limit, const char *setting)
{
    if (isfinite(margin_db) && !(supply->margin_db <= margin_db)) {
        supply->margin_db = margin_db;
        supply->margin_hz = hz;
        supply->stage = stage;
        supply->limit = limit;
        snprintf(supply->setting, sizeof supply->setting, "%s", setting);
    }
}

static const char *meets(sag_limit_kind limit)
{
    switch (limit) {
    case SAG_LIMIT_RAIL_POSITIVE:
        return "reaches its positive rail";
    case SAG_LIMIT_RAIL_NEGATIVE:
        return "reaches its negative rail";
    case SAG_LIMIT_SLEW:
        return "reaches its slew rate";
    case SAG_LIMIT_CURRENT:
        return "reaches its output current limit";
    case SAG_LIMIT_INPUT_RANGE:
        return "leaves its input range";
    case SAG_LIMIT_NO_SWING:
        return "runs out of swing";
    case SAG_LIMIT_NONE:
        break;
    }
    return "meets a limit";
}

static int has_margin(const words_supply *supply)
{
    return supply->status == SAG_OK && isfinite(supply->margin_db);
}

/* The supply to speak of: the design's own when it has results, else the first that has. */
static const words_supply *find_main(const words_facts *facts)
{
    const words_supply *first = NULL;
    for (size_t i = 0; i < facts->count; i++) {
        const words_supply *supply = &facts->supplies[i];
        if (supply->status != SAG_OK) {
            continue;
        }
        if (fabs(supply->supply_v - facts->nominal_v) < 1e-6) {
            return supply;
        }
        first = first ? first : supply;
    }
    return first;
}

/* The highest supply with a margin, when it is above the main one; else the next lower one below
 * it. */
static const words_supply *find_other(const words_facts *facts, const words_supply *main_supply)
{
    const words_supply *highest = NULL, *below = NULL;
    for (size_t i = 0; i < facts->count; i++) {
        const words_supply *supply = &facts->supplies[i];
        if (!has_margin(supply)) {
            continue;
        }
        if (!highest || supply->supply_v > highest->supply_v) {
            highest = supply;
        }
        if (supply->supply_v < main_supply->supply_v - 1e-6 &&
            (!below || supply->supply_v > below->supply_v)) {
            below = supply;
        }
    }
    return highest && highest->supply_v > main_supply->supply_v + 1e-6 ? highest : below;
}

static void write_limit(sentences *out, const words_facts *facts, const words_supply *supply)
{
    char volts[LABEL_SIZE], hz[LABEL_SIZE], other_hz[LABEL_SIZE], hard[LABEL_SIZE];
    label_value(volts, supply->supply_v, SAG_VOLT);
    label_value(hard, facts->hard_vpk, SAG_VOLT);
    if (!has_margin(supply)) {
        say(out, "At %s no stage meets a limit from %s to %s.", volts,
            label_value(hz, facts->low_hz, SAG_HERTZ),
            label_value(other_hz, facts->high_hz, SAG_HERTZ));
        return;
    }
    int under = supply->margin_db < 0;
    say(out, "At %s%s%s %s %s first, at %s, ", volts, *supply->setting ? " with " : "",
        supply->setting, supply->stage, meets(supply->limit),
        label_value(hz, supply->margin_hz, SAG_HERTZ));
    if (fabs(supply->margin_db) < 0.05) { /* would read as 0.0 dB */
        say(out, "right at hard playing (%s peak).", hard);
    } else {
        say(out, "%s%.1f dB %s hard playing (%s peak)%s.", facts->extrapolated ? "about " : "",
            fabs(supply->margin_db), under ? "below" : "above", hard,
            under ? ": hard playing does not come through clean" : "");
    }
}

/* The supplies at which hard playing does or does not meet a limit, as a list; returns their
 * number. */
static size_t list_hard(const words_facts *facts, int clean, char *list)
{
    size_t count = 0, index = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < facts->count; i++) {
            const words_supply *supply = &facts->supplies[i];
            int fits = supply->status == SAG_OK && (!(supply->margin_db < 0)) == clean;
            char volts[LABEL_SIZE];
            if (fits && pass == 0) {
                count++;
            } else if (fits) {
                label_list(list, label_value(volts, supply->supply_v, SAG_VOLT), index++, count);
            }
        }
    }
    if (count > MOST_LISTED) {
        snprintf(list, LABEL_SIZE, "%zu of %zu supplies", count, facts->count);
    }
    return count;
}

/* What another supply buys, and where hard playing stays clean. */
static void write_supplies(sentences *out, const words_facts *facts,
                           const words_supply *main_supply)
{
    char one[LABEL_SIZE], two[LABEL_SIZE], clean[LABEL_SIZE], limited[LABEL_SIZE];
    const words_supply *other = has_margin(main_supply) ? find_other(facts, main_supply) : NULL;
    size_t clean_count = list_hard(facts, 1, clean);
    size_t limited_count = list_hard(facts, 0, limited);
    if (clean_count + limited_count < 2) {
        return;
    }
    say(out, " ");
    if (other) {
        double gained_db = other->margin_db - main_supply->margin_db;
        say(out, "%s instead of %s %s %.1f dB; h", label_value(one, other->supply_v, SAG_VOLT),
            label_value(two, main_supply->supply_v, SAG_VOLT), gained_db < 0 ? "costs" : "buys",
            fabs(gained_db));
    } else {
        say(out, "H");
    }
    if (limited_count == 0) {
        say(out, "ard playing stays clean at every supply computed.");
    } else if (clean_count == 0) {
        say(out, "ard playing meets a limit at every supply computed.");
    } else {
        say(out, "ard playing stays clean at %s and meets a limit at %s.", clean, limited);
    }
}

static void write_curve(sentences *out, const words_facts *facts, const words_supply *supply)
{
    char volts[LABEL_SIZE], hz[LABEL_SIZE], dbv[LABEL_SIZE];
    label_value(volts, supply->supply_v, SAG_VOLT);
    if (isnan(facts->top_dbv)) {
        return;
    }
    if (isfinite(supply->lost_dbv)) {
        label_db(dbv, supply->lost_dbv);
        say(out,
            " At %s the EQ curve has lost 1 dB or more from %s%s%s dBV%s on: there %.1f dB at %s.",
            volts, supply->lost_name ? supply->lost_name : "",
            supply->lost_name ? " playing (" : "", dbv, supply->lost_name ? ")" : "",
            supply->lost_db, label_value(hz, supply->lost_hz, SAG_HERTZ));
    } else {
        say(out, " At %s the EQ curve stays within 1 dB up to the loudest level, %s dBV.", volts,
            label_db(dbv, facts->top_dbv));
    }
}

/* Supplies whose results are outside a data sheet, as a list; returns their number. */
static size_t list_outside(const words_facts *facts, char *list)
{
    size_t count = 0, index = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < facts->count; i++) {
            const words_supply *supply = &facts->supplies[i];
            int fits = supply->status == SAG_OK && supply->marks & SAG_MARK_OUTSIDE_SHEET;
            char volts[LABEL_SIZE];
            if (fits && pass == 0) {
                count++;
            } else if (fits) {
                label_list(list, label_value(volts, supply->supply_v, SAG_VOLT), index++, count);
            }
        }
    }
    if (count > MOST_LISTED) {
        snprintf(list, LABEL_SIZE, "%zu of %zu supplies", count, facts->count);
    }
    return count;
}

static void write_reservations(sentences *out, const words_facts *facts, int started)
{
    char list[LABEL_SIZE], volts[LABEL_SIZE];
    if (list_outside(facts, list) > 0) {
        say(out, "%sThe figures at %s are outside a part's data sheet.", started ? " " : "", list);
        started = 1;
    }
    for (size_t i = 0; i < facts->count; i++) {
        const words_supply *supply = &facts->supplies[i];
        if (supply->status != SAG_OK) {
            say(out, "%sThere are no figures at %s: %s.", started ? " " : "",
                label_value(volts, supply->supply_v, SAG_VOLT), sag_status_text(supply->status));
            started = 1;
        }
    }
}

void words_write(output *out, const words_facts *facts)
{
    sentences text = {.used = 0};
    const words_supply *main_supply = find_main(facts);
    if (main_supply) {
        write_limit(&text, facts, main_supply);
        write_supplies(&text, facts, main_supply);
        write_curve(&text, facts, main_supply);
    }
    write_reservations(&text, facts, main_supply != NULL);
    output_wrapped(out, text.text, 0, 0);
}
