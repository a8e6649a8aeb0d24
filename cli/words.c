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

/* A difference that a table with one decimal may not even show, dB. */
static const double flat_db = 0.1;

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

int words_start(words_facts *facts, const session *s)
{
    facts->count = s->case_count / s->setting_count;
    facts->supplies = sag_new(facts->count, sizeof *facts->supplies);
    facts->nominal_v = s->designs[0]->supply.nominal_v;
    facts->hard_vpk = s->designs[0]->playing[2].vpk; /* soft, normal, hard, extreme */
    facts->bottom_dbv = facts->top_dbv = (double)NAN;
    for (size_t i = 0; facts->supplies && i < facts->count; i++) {
        const session_case *c = &s->cases[i * s->setting_count];
        facts->supplies[i] = (words_supply){.supply_v = c->supply_v,
                                            .status = c->status,
                                            .margin_db = (double)NAN,
                                            .margin_hz = (double)NAN,
                                            .lost_dbv = (double)NAN};
    }
    return facts->supplies != NULL;
}

words_supply *words_case(words_facts *facts, const session *s, size_t index, sag_status status)
{
    words_supply *supply = &facts->supplies[index / s->setting_count];
    supply->marks |= s->cases[index].marks;
    if (status == SAG_OK || s->cases[index].setting == 0) {
        supply->status = status;
    }
    return status == SAG_OK ? supply : NULL;
}

words_margins words_margins_start(void)
{
    return (words_margins){.least_db = (double)NAN, .most_db = -(double)INFINITY, .stage = ""};
}

void words_margins_add(words_margins *margins, double margin_db, double hz, const char *stage,
                       sag_limit_kind limit)
{
    if (!isfinite(margin_db)) {
        margins->most_db = (double)INFINITY;
        return;
    }
    margins->most_db = fmax(margins->most_db, margin_db);
    if (!(margins->least_db <= margin_db)) {
        margins->least_db = margin_db;
        margins->hz = hz;
        margins->stage = stage;
        margins->limit = limit;
    }
}

int words_margins_flat(const words_margins *margins)
{
    return margins->most_db - margins->least_db < flat_db;
}

void words_margin(words_supply *supply, const words_margins *margins, const char *setting)
{
    if (isfinite(margins->least_db) && !(supply->margin_db <= margins->least_db)) {
        supply->margin_db = margins->least_db;
        supply->margin_hz = words_margins_flat(margins) ? (double)NAN : margins->hz;
        supply->stage = margins->stage;
        supply->limit = margins->limit;
        snprintf(supply->setting, sizeof supply->setting, "%s", setting);
    }
}

static const char *does(sag_limit_kind limit)
{
    switch (limit) {
    case SAG_LIMIT_RAIL_POSITIVE:
        return " reaches its positive rail";
    case SAG_LIMIT_RAIL_NEGATIVE:
        return " reaches its negative rail";
    case SAG_LIMIT_SLEW:
        return " reaches its slew rate";
    case SAG_LIMIT_CURRENT:
        return " reaches its output current limit";
    case SAG_LIMIT_INPUT_RANGE:
        return " leaves its input range";
    case SAG_LIMIT_NO_SWING:
        return " runs out of swing";
    case SAG_LIMIT_CROSSOVER:
        return " crosses over";
    case SAG_LIMIT_NONE:
        break;
    }
    return " meets a limit";
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

/* "at 41.2 Hz", or "from 31.7 Hz to 399 Hz" with NAN. */
static const char *place_label(char *buffer, const words_facts *facts, double hz)
{
    char low[LABEL_SIZE], high[LABEL_SIZE];
    int one = facts->low_hz >= facts->high_hz;
    if (isnan(hz) && !one) {
        snprintf(buffer, LABEL_SIZE, "from %.64s to %.64s",
                 label_value(low, facts->low_hz, SAG_HERTZ),
                 label_value(high, facts->high_hz, SAG_HERTZ));
    } else {
        snprintf(buffer, LABEL_SIZE, "at %.64s",
                 label_value(low, isnan(hz) ? facts->low_hz : hz, SAG_HERTZ));
    }
    return buffer;
}

static void write_limit(sentences *out, const words_facts *facts, const words_supply *supply)
{
    char volts[LABEL_SIZE], hard[LABEL_SIZE], place[LABEL_SIZE], distance[LABEL_SIZE];
    const char *with = *supply->setting ? " with " : "";
    label_value(volts, supply->supply_v, SAG_VOLT);
    label_value(hard, facts->hard_vpk, SAG_VOLT);
    place_label(place, facts, supply->margin_hz);
    if (!has_margin(supply)) {
        if (supply->margin_db < 0) {
            say(out, "At %s%s%s soft playing already has over %.3g %% THD %s%s%s%s.", volts, with,
                supply->setting, facts->thd_percent, place, *supply->stage ? ", where " : "",
                supply->stage, *supply->stage ? does(supply->limit) : "");
        } else {
            say(out, "At %s no stage %s %s.", volts,
                facts->thd_percent > 0 ? "distorts" : "meets a limit",
                place_label(place, facts, (double)NAN));
        }
        return;
    }
    int under = supply->margin_db < 0, right_at = fabs(supply->margin_db) < 0.05;
    if (right_at) { /* would read as 0.0 dB */
        snprintf(distance, sizeof distance, "right at");
    } else {
        snprintf(distance, sizeof distance, "%s%.1f dB %s", facts->extrapolated ? "about " : "",
                 fabs(supply->margin_db), under ? "below" : "above");
    }
    say(out, "At %s%s%s %s lies %s hard playing (%s peak) %s, where %s%s%s.", volts, with,
        supply->setting, facts->thd_percent > 0 ? "the largest clean level" : "clip onset",
        distance, hard, place, supply->stage, does(supply->limit),
        under && !right_at ? ": hard playing does not come through clean" : "");
}

/* The supplies that fit, as a list; returns their number. */
static size_t list_supplies(const words_facts *facts, int (*fits)(const words_supply *, int),
                            int wanted, char *list)
{
    size_t count = 0, index = 0;
    for (size_t i = 0; i < facts->count; i++) {
        count += fits(&facts->supplies[i], wanted) != 0;
    }
    for (size_t i = 0; i < facts->count; i++) {
        char volts[LABEL_SIZE];
        if (fits(&facts->supplies[i], wanted)) {
            label_list(list, label_value(volts, facts->supplies[i].supply_v, SAG_VOLT), index++,
                       count);
        }
    }
    if (count > MOST_LISTED) {
        snprintf(list, LABEL_SIZE, "%zu of %zu supplies", count, facts->count);
    }
    return count;
}

/* Whether hard playing stays under every limit. */
static int is_clean(const words_supply *supply, int clean)
{
    return supply->status == SAG_OK && (!(supply->margin_db < 0)) == clean;
}

static int is_outside(const words_supply *supply, int outside)
{
    return supply->status == SAG_OK && !!(supply->marks & SAG_MARK_OUTSIDE_SHEET) == outside;
}

static int has_status(const words_supply *supply, int status)
{
    return supply->status == (sag_status)status;
}

/* What another supply buys, and where hard playing stays clean. */
static void write_supplies(sentences *out, const words_facts *facts,
                           const words_supply *main_supply)
{
    char one[LABEL_SIZE], two[LABEL_SIZE], clean[LABEL_SIZE], limited[LABEL_SIZE];
    const char *not_clean = facts->thd_percent > 0 ? "is distorted" : "meets a limit";
    const words_supply *other = has_margin(main_supply) ? find_other(facts, main_supply) : NULL;
    size_t clean_count = list_supplies(facts, is_clean, 1, clean);
    size_t limited_count = list_supplies(facts, is_clean, 0, limited);
    if (clean_count + limited_count < 2) {
        return;
    }
    say(out, " ");
    if (other) {
        double gained_db = other->margin_db - main_supply->margin_db;
        label_value(one, other->supply_v, SAG_VOLT);
        label_value(two, main_supply->supply_v, SAG_VOLT);
        if (fabs(gained_db) < 0.05) {
            say(out, "%s instead of %s changes nothing; h", one, two);
        } else {
            say(out, "%s instead of %s %s %.1f dB; h", one, two, gained_db < 0 ? "costs" : "buys",
                fabs(gained_db));
        }
    } else {
        say(out, "H");
    }
    if (limited_count == 0) {
        say(out, "ard playing stays clean at every supply computed.");
    } else if (clean_count == 0) {
        say(out, "ard playing %s at every supply computed.", not_clean);
    } else {
        say(out, "ard playing stays clean at %s and %s at %s.", clean, not_clean, limited);
    }
}

static void write_curve(sentences *out, const words_facts *facts, const words_supply *supply)
{
    char volts[LABEL_SIZE], hz[LABEL_SIZE], dbv[LABEL_SIZE];
    label_value(volts, supply->supply_v, SAG_VOLT);
    if (isnan(facts->top_dbv)) {
        return;
    }
    if (!isfinite(supply->lost_dbv)) {
        say(out, " At %s the EQ curve stays within 1 dB up to the loudest level, %s dBV%s.", volts,
            label_db(dbv, facts->top_dbv), supply->holes ? ", where there are figures" : "");
        return;
    }
    int softest = supply->lost_dbv <= facts->bottom_dbv;
    label_db(dbv, supply->lost_dbv);
    say(out, " At %s the EQ curve has lost 1 dB or more %s %s%s%s dBV%s", volts,
        softest ? "at" : "from", supply->lost_name ? supply->lost_name : "",
        supply->lost_name ? " playing (" : "", dbv, supply->lost_name ? ")" : "");
    say(out, "%s %.1f dB at %s.", softest ? " already, the softest level computed:" : " on: there",
        supply->lost_db, label_value(hz, supply->lost_hz, SAG_HERTZ));
}

static void write_reservations(sentences *out, const words_facts *facts, int started)
{
    char list[LABEL_SIZE];
    if (list_supplies(facts, is_outside, 1, list) > 0) {
        say(out, "%sThe figures at %s are outside a part's data sheet.", started ? " " : "", list);
        started = 1;
    }
    for (size_t i = 0; i < facts->count; i++) {
        sag_status status = facts->supplies[i].status;
        int seen = status == SAG_OK;
        for (size_t k = 0; k < i; k++) {
            seen |= facts->supplies[k].status == status;
        }
        if (!seen) {
            list_supplies(facts, has_status, (int)status, list);
            say(out, "%sThere are no figures at %s: %s.", started ? " " : "", list,
                sag_status_text(status));
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
