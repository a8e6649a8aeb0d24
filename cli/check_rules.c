/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check_rules.h"

#include "class_b.h"
#include "label.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Voltages that count; common practice unless said otherwise. */
static const double margin_v = 1e-3; /* rounding: less than this is not over a figure */
static const double reversed_v =
    0.05; /* above what offsets and leakage leave across an electrolytic */
static const double pot_dc_v = 0.01; /* DC that makes a turning wiper crackle */

enum { MOST_LISTED = 5 }; /* supplies named one by one */

/* In the order in which they are reported. */
typedef enum {
    RULE_FRESH_DAMAGE,
    RULE_FRESH_RATED,
    RULE_FRESH_CAPACITOR,
    RULE_CAPACITOR,
    RULE_REVERSED,
    RULE_RATED_LOW,
    RULE_RATED_HIGH,
    RULE_INPUT_REVERSES,
    RULE_INPUT_LOST,
    RULE_INPUT_SPECIFIED,
    RULE_CLASS_B,
    RULE_POT_DC
} rule;

/* One rule broken by one part at one supply. */
typedef struct {
    rule rule;
    size_t part;  /* index into parts */
    size_t place; /* index of the supply; for the fresh rules the number of batteries */
    double value_v, wanted_v;
    int at_high;  /* input rules: at the positive rail */
    int near_mid; /* and yet within a tenth of the supply of its middle */
    class_b_finding class_b;
} hit;

struct check_rules {
    const session *s;
    hit *hits;
    size_t count, capacity;
    int lost;
    double *share; /* of each part: DC across it over the terminal voltage, from the last case that
                      had a bias point */
    int most_batteries;
};

check_rules *check_rules_new(const session *s)
{
    check_rules *rules = sag_new(1, sizeof *rules);
    if (rules) {
        rules->s = s;
        rules->share = sag_new(s->designs[0]->part_count, sizeof *rules->share);
    }
    if (rules && !rules->share) {
        check_rules_free(rules);
        return NULL;
    }
    return rules;
}

void check_rules_free(check_rules *rules)
{
    if (rules) {
        sag_free(rules->hits);
        sag_free(rules->share);
        sag_free(rules);
    }
}

int check_rules_batteries(const check_rules *rules)
{
    return rules->most_batteries;
}

static void add(check_rules *rules, hit found)
{
    if (sag_grow((void **)&rules->hits, &rules->capacity, rules->count + 1, sizeof found)) {
        rules->hits[rules->count++] = found;
    } else {
        rules->lost = 1;
    }
}

static double across(const sag_bias *bias, const sag_part *part, int a, int b)
{
    int from = part->node[a], to = part->node[b];
    return from < 0 || to < 0 ? 0 : sag_bias_node_v(bias, from) - sag_bias_node_v(bias, to);
}

/* One side of an input's range: the worst of three figures that is not kept. left_v: from the rail
 * to the input. */
static void check_input_side(check_rules *rules, hit found, const sag_input_side *side,
                             double left_v, double rails_v)
{
    found.near_mid = left_v > 0.4 * rails_v;
    const struct {
        rule rule;
        double wanted_v;
    } figures[] = {{RULE_INPUT_REVERSES, side->reverses_at_v},
                   {RULE_INPUT_LOST, side->works_to_v},
                   {RULE_INPUT_SPECIFIED, side->specified_v}};
    for (size_t i = 0; i < sizeof figures / sizeof figures[0]; i++) {
        if (left_v < figures[i].wanted_v - margin_v) { /* never with NAN, a figure not given */
            found.rule = figures[i].rule;
            found.value_v = left_v;
            found.wanted_v = figures[i].wanted_v;
            add(rules, found);
            return;
        }
    }
}

static void check_opamp(check_rules *rules, const sag_bias_opamp *at, const sag_part *part,
                        hit found, int is_first)
{
    const sag_opamp_model *model = part->opamp;
    double rails_v = at->rail_positive_v - at->rail_negative_v;
    if (is_first && rails_v < model->supply_min_v - margin_v) {
        found.rule = RULE_RATED_LOW;
        found.value_v = rails_v;
        add(rules, found);
    }
    if (is_first && rails_v > model->supply_max_v + margin_v) {
        found.rule = RULE_RATED_HIGH;
        found.value_v = rails_v;
        add(rules, found);
    }
    check_input_side(rules, found, &model->input_low,
                     fmin(at->plus_v, at->minus_v) - at->rail_negative_v, rails_v);
    found.at_high = 1;
    check_input_side(rules, found, &model->input_high,
                     at->rail_positive_v - fmax(at->plus_v, at->minus_v), rails_v);
}

static void check_capacitor(check_rules *rules, const sag_part *part, double dc_v, hit found,
                            rule over)
{
    if (fabs(dc_v) > part->rated_v + margin_v) {
        found.rule = over;
        found.value_v = fabs(dc_v);
        found.wanted_v = part->rated_v;
        add(rules, found);
    }
    if (part->polarised && dc_v < -reversed_v) {
        found.rule = RULE_REVERSED;
        found.value_v = -dc_v;
        add(rules, found);
    }
}

static void check_pot(check_rules *rules, const sag_bias *bias, const sag_part *part, hit found)
{
    double most_v = fabs(across(bias, part, SAG_PIN_END0, SAG_PIN_END1));
    most_v = fmax(most_v, fabs(across(bias, part, SAG_PIN_END0, SAG_PIN_WIPER)));
    most_v = fmax(most_v, fabs(across(bias, part, SAG_PIN_WIPER, SAG_PIN_END1)));
    if (most_v > pot_dc_v) {
        found.rule = RULE_POT_DC;
        found.value_v = most_v;
        add(rules, found);
    }
}

/* Whether no op-amp ahead of this one belongs to the same package. */
static int first_of_package(const sag_design *design, size_t part)
{
    for (size_t i = 0; i < part; i++) {
        if (design->parts[i].kind == SAG_OPAMP &&
            design->parts[i].package == design->parts[part].package) {
            return 0;
        }
    }
    return 1;
}

void check_rules_case(check_rules *rules, size_t index)
{
    const session *s = rules->s;
    const session_case *c = &s->cases[index];
    const sag_design *design = s->designs[c->setting];
    size_t opamp = 0;
    if (!c->bias) {
        return;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        hit found = {.part = i, .place = index / s->setting_count};
        if (part->kind == SAG_OPAMP) {
            sag_bias_opamp at = sag_bias_opamp_get(c->bias, opamp++);
            check_opamp(rules, &at, part, found, first_of_package(design, i));
            if (c->status == SAG_OK && class_b_leaves(c, design, opamp - 1, &found.class_b)) {
                found.rule = RULE_CLASS_B;
                add(rules, found);
            }
            rules->share[i] = (at.rail_positive_v - at.rail_negative_v) / c->terminal_v;
        } else if (part->kind == SAG_CAPACITOR) {
            double dc_v = across(c->bias, part, 0, 1);
            check_capacitor(rules, part, dc_v, found, RULE_CAPACITOR);
            rules->share[i] = dc_v / c->terminal_v;
        } else if (part->kind == SAG_POT) {
            check_pot(rules, c->bias, part, found);
        }
    }
}

/* Batteries that a supply takes: the least number that reaches it when fresh, or what the design
 * puts in series. */
static int batteries_of(const session_case *c, const sag_supply *supply)
{
    int least = sag_battery_in_series(supply->battery, c->supply_v);
    if (c->batteries > 0) {
        return c->batteries;
    }
    if (c->supply.batteries > 0) {
        return c->supply.batteries;
    }
    return least > supply->in_series ? least : supply->in_series;
}

/* Each part in proportion to its share of the supply: a bias point at the fresh voltage may not
 * exist. */
static void check_fresh(check_rules *rules, int batteries, double fresh_v)
{
    const sag_design *design = rules->s->designs[0];
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *part = &design->parts[i];
        double part_v = fresh_v * rules->share[i];
        hit found = {.part = i, .place = (size_t)batteries, .value_v = part_v};
        if (part->kind == SAG_CAPACITOR) {
            found.value_v = fabs(part_v);
            found.wanted_v = part->rated_v;
            found.rule = RULE_FRESH_CAPACITOR;
            if (found.value_v > found.wanted_v + margin_v) {
                add(rules, found);
            }
        } else if (part->kind == SAG_OPAMP && first_of_package(design, i)) {
            /* Without any bias point the whole supply counts. */
            found.value_v = rules->share[i] > 0 ? part_v : fresh_v;
            int damages = found.value_v > part->opamp->absolute_max_v + margin_v;
            found.rule = damages ? RULE_FRESH_DAMAGE : RULE_FRESH_RATED;
            found.wanted_v = damages ? part->opamp->absolute_max_v : part->opamp->supply_max_v;
            if (found.value_v > found.wanted_v + margin_v) {
                add(rules, found);
            }
        }
    }
}

void check_rules_fresh(check_rules *rules)
{
    const session *s = rules->s;
    const sag_supply *supply = &s->designs[0]->supply;
    if (!supply->battery || s->options->stiff) {
        return;
    }
    for (size_t i = 0; i < s->case_count; i += s->setting_count) {
        int batteries = batteries_of(&s->cases[i], supply), seen = 0;
        for (size_t k = 0; k < i; k += s->setting_count) {
            seen |= batteries_of(&s->cases[k], supply) == batteries;
        }
        if (!seen) {
            check_fresh(rules, batteries, batteries * supply->battery->rows[0].open_circuit_v);
        }
        if (batteries > rules->most_batteries) {
            rules->most_batteries = batteries;
        }
    }
}

void check_rules_keep_ratings(check_rules *rules)
{
    size_t kept = 0;
    for (size_t i = 0; i < rules->count; i++) {
        rule of = rules->hits[i].rule;
        if (of == RULE_FRESH_RATED || of == RULE_FRESH_CAPACITOR) {
            rules->hits[kept++] = rules->hits[i];
        }
    }
    rules->count = kept;
}

static int in_order(const void *a, const void *b)
{
    const hit *left = a, *right = b;
    if (left->rule != right->rule) {
        return left->rule < right->rule ? -1 : 1;
    }
    if (left->part != right->part) {
        return left->part < right->part ? -1 : 1;
    }
    if (left->at_high != right->at_high) {
        return left->at_high - right->at_high;
    }
    return (left->place > right->place) - (left->place < right->place);
}

static int same_finding(const hit *a, const hit *b)
{
    return a->rule == b->rule && a->part == b->part && a->at_high == b->at_high &&
           (a->rule > RULE_FRESH_CAPACITOR || a->place == b->place);
}

static int is_of_input(rule of)
{
    return of == RULE_INPUT_REVERSES || of == RULE_INPUT_LOST || of == RULE_INPUT_SPECIFIED;
}

/* Inputs are worst where least is left, everything else where most is. */
static int is_worse(const hit *a, const hit *b)
{
    if (a->rule == RULE_CLASS_B) {
        return class_b_is_worse(&a->class_b, &b->class_b);
    }
    int least = is_of_input(a->rule) || a->rule == RULE_RATED_LOW;
    return least ? a->value_v < b->value_v : a->value_v > b->value_v;
}

/* The voltage of a hit. Of an input it is the distance inside the rail, outside when negative: "1.4 V
 * above the negative rail"; without the rail where the item before is on the same side. */
static const char *label_hit(char *buffer, const hit *at, const hit *before)
{
    int below = at->value_v < 0;
    if (at->rule == RULE_CLASS_B) {
        return label_value(buffer, at->class_b.peak_a, SAG_AMPERE);
    }
    if (!is_of_input(at->rule)) {
        return label_value(buffer, at->value_v, SAG_VOLT);
    }
    /* Two digits, so that both halves of a package read alike. */
    sag_value_print(buffer, LABEL_SIZE, fabs(at->value_v), SAG_VOLT, 2);
    if (!before || (before->value_v < 0) != below) {
        size_t used = strlen(buffer);
        snprintf(buffer + used, LABEL_SIZE - used, " %s the %s rail",
                 below == at->at_high ? "above" : "below", at->at_high ? "positive" : "negative");
    }
    return buffer;
}

/* "2.41 V at 5 V and 1.41 V at 3 V": hits first to end - 1, each supply with its worst setting; the
 * worst alone where there are many. */
static void list_places(const check_rules *rules, size_t first, size_t end, char *list)
{
    const double *supply_v = rules->s->options->supply_v;
    char item[LABEL_SIZE], volts[LABEL_SIZE], supply[LABEL_SIZE];
    const hit *worst = &rules->hits[first], *before = NULL;
    size_t count = 0, index = 0;
    for (size_t i = first; i < end; i++) {
        count += i == first || rules->hits[i].place != rules->hits[i - 1].place;
        worst = is_worse(&rules->hits[i], worst) ? &rules->hits[i] : worst;
    }
    for (size_t i = first, next; i < end; i = next) {
        const hit *at = &rules->hits[i];
        for (next = i + 1; next < end && rules->hits[next].place == rules->hits[i].place; next++) {
            at = is_worse(&rules->hits[next], at) ? &rules->hits[next] : at;
        }
        label_hit(volts, at, count <= MOST_LISTED ? before : NULL);
        snprintf(item, sizeof item, "%.80s at %.40s", volts,
                 label_value(supply, supply_v[at->place], SAG_VOLT));
        before = at;
        if (count <= MOST_LISTED) {
            label_list(list, item, index++, count);
        } else if (at == worst) {
            snprintf(list, LABEL_SIZE, "%.100s, the worst of %zu supplies", item, count);
        }
    }
}

/* A finding in the making: the parts that it is about, and its text. */
typedef struct {
    char where[LABEL_SIZE], text[2 * LABEL_SIZE];
    const char *hint;
} notice;

static void set_notice(notice *n, const char *where, const char *hint, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

static void set_notice(notice *n, const char *where, const char *hint, const char *format, ...)
{
    va_list arguments;
    snprintf(n->where, sizeof n->where, "%s", where);
    va_start(arguments, format);
    vsnprintf(n->text, sizeof n->text, format, arguments);
    va_end(arguments);
    n->hint = hint;
}

static const char rating_hint[] = "take a higher rating; the part's data sheet decides";
static const char burst_hint[] =
    "take the next higher rating: over its rating an electrolytic can vent or "
    "burst; the part's data sheet decides";

/* "nearer to it than 1 V", "beyond it", "further than 300 mV beyond it". */
static const char *limit_text(char *buffer, double limit_v)
{
    char volts[LABEL_SIZE];
    label_value(volts, fabs(limit_v), SAG_VOLT);
    if (limit_v > 0) {
        snprintf(buffer, LABEL_SIZE, "nearer to it than %.64s", volts);
    } else if (limit_v < 0) {
        snprintf(buffer, LABEL_SIZE, "further than %.64s beyond it", volts);
    } else {
        snprintf(buffer, LABEL_SIZE, "beyond it");
    }
    return buffer;
}

/* "2 fresh batteries", and which supplies take them where the design's own does not. */
static const char *label_fresh(char *buffer, const check_rules *rules, size_t batteries)
{
    const session *s = rules->s;
    const sag_supply *supply = &s->designs[0]->supply;
    char volts[LABEL_SIZE], nominal[LABEL_SIZE];
    size_t used = (size_t)snprintf(
        buffer, LABEL_SIZE, batteries == 1 ? "a fresh battery" : "%zu fresh batteries", batteries);
    double highest_v = 0;
    for (size_t i = 0; i < s->case_count; i++) {
        if (batteries_of(&s->cases[i], supply) == (int)batteries) {
            highest_v = fmax(highest_v, s->cases[i].supply_v);
        }
    }
    session_case own = {.supply_v = supply->nominal_v};
    if (batteries_of(&own, supply) != (int)batteries) {
        snprintf(buffer + used, LABEL_SIZE - used, " (a supply of %.40s; the design is for %.40s)",
                 label_value(volts, highest_v, SAG_VOLT),
                 label_value(nominal, supply->nominal_v, SAG_VOLT));
    }
    return buffer;
}

static const char *input_hint(const hit *worst)
{
    return worst->near_mid ? "half the supply is no place for its inputs there: take an op-amp "
                             "with a wider input "
                             "range, or replace the battery sooner"
                           : "bias the input nearer to half the supply";
}

/* worst: of the hits in list, which has their voltages and supplies. */
static void describe_hit(const check_rules *rules, const hit *worst, const char *list, notice *n)
{
    const sag_design *design = rules->s->designs[0];
    const sag_part *part = &design->parts[worst->part];
    const char *package = part->kind == SAG_OPAMP ? design->packages[part->package].name : "";
    char volts[LABEL_SIZE], wanted[LABEL_SIZE], low[LABEL_SIZE], high[LABEL_SIZE],
        fresh[LABEL_SIZE], limit[LABEL_SIZE], text[2 * LABEL_SIZE];
    label_value(volts, worst->value_v, SAG_VOLT);
    label_value(wanted, worst->wanted_v, SAG_VOLT);
    limit_text(limit, worst->wanted_v);
    if (worst->rule <= RULE_FRESH_CAPACITOR) {
        label_fresh(fresh, rules, worst->place);
    }
    if (part->kind == SAG_OPAMP) {
        label_value(low, part->opamp->supply_min_v, SAG_VOLT);
        label_value(high, part->opamp->supply_max_v, SAG_VOLT);
    }
    switch (worst->rule) {
    case RULE_FRESH_DAMAGE:
        set_notice(n, package,
                   "take fewer batteries or a part for a higher supply; the data sheet decides",
                   "%s gets %s from %s, above the absolute maximum of %s", part->opamp->head.name,
                   volts, fresh, wanted);
        break;
    case RULE_FRESH_RATED:
        set_notice(n, package, "the data sheet decides whether that is allowed",
                   "%s gets %s from %s, above its rated %s but below its absolute maximum",
                   part->opamp->head.name, volts, fresh, wanted);
        break;
    case RULE_FRESH_CAPACITOR:
        set_notice(n, part->designator, part->polarised ? burst_hint : rating_hint,
                   "%s across it with %s, rated for %s", volts, fresh, wanted);
        break;
    case RULE_CAPACITOR:
        set_notice(n, part->designator, part->polarised ? burst_hint : rating_hint,
                   "%s across it, rated for %s", list, wanted);
        break;
    case RULE_REVERSED:
        set_notice(n, part->designator,
                   "turn it round, or take one without polarity: reversed, it leaks, and can vent "
                   "or burst",
                   "reversed by %s", list);
        break;
    case RULE_RATED_LOW:
    case RULE_RATED_HIGH:
        set_notice(
            n, package,
            worst->rule == RULE_RATED_LOW
                ? "the part may work there, but no sheet promises how: results are marked "
                  "outside data sheet"
                : "it is not destroyed there, but the maker does not recommend it, and results "
                  "are marked outside data sheet",
            "%s is rated for %s to %s and gets %s", part->opamp->head.name, low, high, list);
        break;
    case RULE_INPUT_REVERSES:
        set_notice(n, part->designator, input_hint(worst),
                   "input rests %s; %s the output of the %s flips to the other side", list, limit,
                   part->opamp->head.name);
        break;
    case RULE_INPUT_LOST:
        set_notice(n, part->designator, input_hint(worst),
                   "input rests %s; %s the %s loses its gain", list, limit, part->opamp->head.name);
        break;
    case RULE_INPUT_SPECIFIED:
        set_notice(n, part->designator,
                   "it may well work there; distortion and offset may be worse than computed",
                   "input rests %s; the data sheet of the %s does not promise that it works %s",
                   list, part->opamp->head.name, limit);
        break;
    case RULE_CLASS_B:
        set_notice(n, part->designator, NULL, "%s",
                   class_b_text(text, sizeof text, &worst->class_b, list));
        break;
    case RULE_POT_DC:
        set_notice(n, part->designator,
                   "it may crackle when turned; keep DC away from it with a capacitor",
                   "DC of %s across it", list);
        break;
    }
}

/* Parts about which there is the same to say share a finding. */
static void pass_on(sag_report *report, notice *pending, const notice *next)
{
    if (next && pending->hint == next->hint && !strcmp(pending->text, next->text) &&
        strlen(pending->where) + strlen(next->where) + 3 < sizeof pending->where) {
        size_t used = strlen(pending->where);
        snprintf(pending->where + used, sizeof pending->where - used, ", %s", next->where);
        return;
    }
    if (*pending->text) {
        sag_report_on(report, SAG_WARNING, pending->where, pending->hint, "%s", pending->text);
    }
    if (next) {
        *pending = *next;
    }
}

/* Amplifiers of a package that the design leaves out. */
static void report_unused(const sag_design *design, sag_report *report)
{
    for (size_t i = 0; i < design->package_count; i++) {
        const sag_package *package = &design->packages[i];
        int unused = package->model->amplifiers - package->used;
        if (unused > 0) {
            sag_report_on(report, SAG_WARNING, package->name, NULL,
                          "%d amplifier%s unused: tie %s as a follower with its plus input at half "
                          "supply; unused ones draw their current all the same",
                          unused, unused == 1 ? "" : "s", unused == 1 ? "it" : "each");
        }
    }
}

int check_rules_report(check_rules *rules, sag_report *report)
{
    notice pending = {.hint = NULL}, next;
    report_unused(rules->s->designs[0], report);
    if (rules->count > 0) {
        qsort(rules->hits, rules->count, sizeof *rules->hits, in_order);
    }
    for (size_t first = 0, end; first < rules->count; first = end) {
        const hit *worst = &rules->hits[first];
        char list[LABEL_SIZE] = "";
        double rest_v = worst->class_b.rest_v; /* the largest of all supplies */
        for (end = first + 1; end < rules->count && same_finding(worst, &rules->hits[end]); end++) {
            worst = is_worse(&rules->hits[end], worst) ? &rules->hits[end] : worst;
            rest_v = fmax(rest_v, rules->hits[end].class_b.rest_v);
        }
        if (worst->rule > RULE_FRESH_CAPACITOR) {
            list_places(rules, first, end, list);
        }
        /* With fresh batteries the same capacitor is no news at the nominal supply. */
        int covered = 0;
        for (size_t i = 0; worst->rule == RULE_CAPACITOR && i < first; i++) {
            covered |=
                rules->hits[i].rule == RULE_FRESH_CAPACITOR && rules->hits[i].part == worst->part;
        }
        if (!covered) {
            hit described = *worst;
            described.class_b.rest_v = rest_v;
            describe_hit(rules, &described, list, &next);
            pass_on(report, &pending, &next);
        }
    }
    pass_on(report, &pending, NULL);
    return !rules->lost;
}
