/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "unrest.h"

#include "label.h"
#include "session.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST_LISTED = 8 }; /* supplies named one by one */

static const char cure[] =
    "a resistor of 47 to 220 ohm between the output and a capacitive load, or a small capacitor "
    "across the feedback resistor, usually cures it";

/* One op-amp in one case. */
typedef struct {
    unrest_kind kind;
    int opamp;
    size_t index; /* of the case */
    sag_mode mode;
    double share;   /* of the gain */
    double dbv, hz; /* of the lowest level */
    size_t points;
} item;

struct unrest {
    item *items;
    size_t count, capacity;
    int lost; /* memory was short */
};

unrest *unrest_new(void)
{
    return sag_new(1, sizeof(unrest));
}

void unrest_free(unrest *u)
{
    if (u) {
        sag_free(u->items);
        sag_free(u);
    }
}

static item *find(unrest *u, unrest_kind kind, size_t index, int opamp)
{
    for (size_t i = u->count; i-- > 0;) { /* the last ones are of the same case */
        item *at = &u->items[i];
        if (at->kind == kind && at->index == index && at->opamp == opamp) {
            return at;
        }
    }
    if (!sag_grow((void **)&u->items, &u->capacity, u->count + 1, sizeof *u->items)) {
        u->lost = 1;
        return NULL;
    }
    u->items[u->count] =
        (item){.kind = kind, .opamp = opamp, .index = index, .share = 1, .dbv = (double)INFINITY};
    return &u->items[u->count++];
}

void unrest_add(unrest *u, unrest_kind kind, size_t index, const sag_mode *mode, double share)
{
    item *at = find(u, kind, index, mode->opamp);
    if (at) {
        at->mode = *mode;
        at->share = share;
    }
}

void unrest_add_point(unrest *u, unrest_kind kind, size_t index, const sag_burst *burst, double dbv,
                      double hz)
{
    item *at = find(u, kind, index, burst->opamp);
    if (at) {
        at->points++;
        if (dbv < at->dbv) {
            at->dbv = dbv;
            at->hz = hz;
            at->mode = (sag_mode){.frequency_hz = burst->frequency_hz, .opamp = burst->opamp};
        }
    }
}

static int in_order(const void *a, const void *b)
{
    const item *left = a, *right = b;
    if (left->kind != right->kind) {
        return left->kind < right->kind ? -1 : 1;
    }
    if (left->opamp != right->opamp) {
        return left->opamp < right->opamp ? -1 : 1;
    }
    return (left->index > right->index) - (left->index < right->index);
}

/* Which of two of the same kind is the one to tell of. */
static int is_worse(const item *a, const item *b)
{
    switch (a->kind) {
    case UNREST_RINGS:
        return a->mode.q > b->mode.q;
    case UNREST_CONDITIONAL:
        return a->share > b->share;
    case UNREST_DRIVEN:
    case UNREST_BURSTS:
        return a->dbv < b->dbv;
    default:
        return a->mode.growth_per_s > b->mode.growth_per_s;
    }
}

/* Items of one kind and op-amp, by supply. */
typedef struct {
    const session *s;
    const item *items;
    size_t count, supplies; /* supplies among them */
    const item *worst;
    size_t points;
} group;

static size_t supply_of(const group *g, size_t i)
{
    return g->items[i].index / g->s->setting_count;
}

/* "at 9 V and 7 V" */
static const char *write_supplies(const group *g, char *buffer)
{
    char list[LABEL_SIZE] = "", volts[LABEL_SIZE];
    size_t asked = g->s->options->supply_count, index = 0;
    if (asked > 1 && g->supplies == asked) {
        snprintf(buffer, LABEL_SIZE, "at every supply asked for");
        return buffer;
    }
    if (g->supplies > MOST_LISTED) {
        snprintf(buffer, LABEL_SIZE, "at %zu of %zu supplies", g->supplies, asked);
        return buffer;
    }
    for (size_t i = 0; i < g->count; i++) {
        if (i == 0 || supply_of(g, i) != supply_of(g, i - 1)) {
            double supply_v = g->s->options->supply_v[supply_of(g, i)];
            label_list(list, label_value(volts, supply_v, SAG_VOLT), index++, g->supplies);
        }
    }
    snprintf(buffer, LABEL_SIZE, "at %.240s", list);
    return buffer;
}

/* ", together with C4," or nothing */
static const char *write_partner(const group *g, char *buffer)
{
    const sag_mode *mode = &g->worst->mode;
    const sag_design *design = g->s->designs[0];
    double ohm, farad;
    char value[LABEL_SIZE];
    buffer[0] = '\0';
    if (mode->partner == SAG_PARTNER_LOAD) {
        session_load(g->s, &ohm, &farad);
        snprintf(buffer, LABEL_SIZE, ", together with the %.64s at the output,",
                 label_value(value, farad, SAG_FARAD));
    } else if (mode->partner == SAG_PARTNER_PART && mode->partner_part < design->part_count) {
        const sag_part *part = &design->parts[mode->partner_part];
        snprintf(buffer, LABEL_SIZE, ", together with %s%.64s,",
                 part->kind == SAG_OPAMP ? "the input capacitance of " : "", part->designator);
    }
    return buffer;
}

static void report_group(const group *g, size_t points, const char *name)
{
    const session *s = g->s;
    const sag_mode *mode = &g->worst->mode;
    char partner[LABEL_SIZE], supplies[LABEL_SIZE], near[LABEL_SIZE], at[LABEL_SIZE],
        level[LABEL_SIZE], setting[LABEL_SIZE] = "", family[LABEL_SIZE], how[LABEL_SIZE];
    int opamp = g->worst->opamp;
    const char *where =
        opamp >= 0 && (size_t)opamp < s->opamp_count ? s->opamps[opamp]->designator : "the circuit";
    if (s->setting_count > 1) {
        label_family(family, s, s->cases[g->worst->index].setting);
        snprintf(setting, sizeof setting, " (with %.200s)", family);
    }
    size_t of = points * g->supplies * s->setting_count;
    write_partner(g, partner);
    write_supplies(g, supplies);
    label_value(near, mode->frequency_hz, SAG_HERTZ);
    label_value(at, g->worst->hz, SAG_HERTZ);
    label_number(level, g->worst->dbv, 1);
    switch (g->worst->kind) {
    case UNREST_OSCILLATES:
        sag_report_on(s->report, SAG_WARNING, where, cure,
                      "oscillates by itself near %s%s%s %s, so there is no response, THD or "
                      "headroom to give",
                      near, setting, partner, supplies);
        break;
    case UNREST_LATCHES:
        sag_report_on(s->report, SAG_WARNING, where,
                      "look for feedback that goes to the plus input instead of the minus input",
                      "latches%s %s: its output goes to one of its limits and stays there, so "
                      "there is no response, THD or headroom to give",
                      setting, supplies);
        break;
    case UNREST_DRIVEN:
        /* without a frequency: found by following the signal in time */
        if (isfinite(mode->frequency_hz)) {
            snprintf(how, sizeof how, "oscillates near %.64s", near);
        } else {
            snprintf(how, sizeof how,
                     "goes on by itself and never comes to repeat with the signal,");
        }
        sag_report_on(s->report, SAG_WARNING, where, cure,
                      "%s once it is driven, from %s dBV at %s on%s, so %zu of %zu %s %s have no "
                      "figures",
                      how, level, at, setting, g->points, of, name, supplies);
        break;
    case UNREST_BURSTS:
        sag_report_on(s->report, SAG_WARNING, where, cure,
                      "may burst into oscillation near %s in a part of each period, from %s dBV "
                      "at %s on%s: at %zu of %zu %s %s",
                      near, level, at, setting, g->points, of, name, supplies);
        break;
    case UNREST_RINGS:
        sag_report_on(s->report, SAG_WARNING, where, cure,
                      "rings near %s%s with a Q of %.2g%s %s: part spread or a longer cable may "
                      "make it oscillate",
                      near, setting, mode->q, partner, supplies);
        break;
    case UNREST_CONDITIONAL:
        sag_report_on(s->report, SAG_WARNING, where, "take one of the lags out of its feedback",
                      "stable only while it has all of its gain: with %.0f dB less, as when it "
                      "clips or slews, it oscillates near %s%s %s, and may not stop",
                      -20 * log10(g->worst->share), near, setting, supplies);
        break;
    case UNREST_KINDS:
        break;
    }
}

int unrest_report(unrest *u, const session *s, size_t points, const char *name)
{
    int lost = u->lost;
    if (u->count > 0) {
        qsort(u->items, u->count, sizeof *u->items, in_order);
    }
    for (size_t first = 0, end; first < u->count; first = end) {
        group g = {.s = s, .items = &u->items[first], .worst = &u->items[first]};
        for (end = first; end < u->count && u->items[end].kind == g.worst->kind &&
                          u->items[end].opamp == g.worst->opamp;
             end++) {
            const item *at = &u->items[end];
            g.worst = is_worse(at, g.worst) ? at : g.worst;
            g.supplies +=
                end == first || at->index / s->setting_count != (at - 1)->index / s->setting_count;
            g.points += at->points;
        }
        g.count = end - first;
        report_group(&g, points, name);
    }
    u->count = 0;
    u->lost = 0;
    return !lost;
}
