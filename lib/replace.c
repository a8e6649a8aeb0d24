/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "replace.h"

#include <math.h>

enum { HARD = 2 }; /* of soft, normal, hard, extreme */

sag_replace_rule sag_replace_defaults(void)
{
    sag_replace_rule rule = {.at_v = (double)NAN, .lost_db = 3, .changed_db = 1, .used = 0.9};
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        rule.margin_db[k] = (double)NAN;
    }
    return rule;
}

/* A figure of a row that falls as the battery runs down. */
typedef double falling(const sag_wear_row *row, const sag_wear_row *fresh, size_t which);

static double margin_of(const sag_wear_row *row, const sag_wear_row *fresh, size_t which)
{
    (void)fresh;
    return row->margin_db[which];
}

static double closeness_of(const sag_wear_row *row, const sag_wear_row *fresh, size_t which)
{
    return -fabs(row->soft_db[which] - fresh->soft_db[which]);
}

/* The open-circuit voltage at which the figure has first fallen to `limit`; NAN when it does not.
 */
static double find_crossing(const sag_discharge *discharge, const sag_wear_row *rows, size_t count,
                            falling *figure, size_t which, double limit)
{
    double before = (double)NAN, before_v = 0;
    for (size_t i = 0; i < count; i++) {
        double at = figure(&rows[i], &rows[0], which);
        double at_v = sag_discharge_at(discharge, rows[i].open_circuit_v).terminal_v;
        if (isnan(at)) {
            continue;
        }
        if (at <= limit) {
            if (isnan(before) || !isfinite(at) || !isfinite(before)) {
                return rows[i].open_circuit_v;
            }
            double share = (before - limit) / (before - at);
            double found = sag_discharge_find(discharge, before_v + share * (at_v - before_v));
            return isnan(found) ? rows[i].open_circuit_v : found;
        }
        before = at;
        before_v = at_v;
    }
    return (double)NAN;
}

#define GAIN_V 1e-3 /* to which its end is found */

/* The lowest open-circuit voltage at which every op-amp still has gain, where a row has none; fresh
 * where that has none already; NAN: all rows have gain. */
static double find_end_of_gain(const sag_discharge *discharge, const sag_wear_row *rows,
                               size_t count)
{
    size_t dead = 0;
    while (dead < count && rows[dead].status != SAG_NO_GAIN) {
        dead++;
    }
    if (dead == count || dead == 0) {
        return dead == count ? (double)NAN : rows[0].open_circuit_v;
    }
    double with_v = rows[dead - 1].open_circuit_v, without_v = rows[dead].open_circuit_v;
    while (with_v - without_v > GAIN_V) {
        double middle_v = (with_v + without_v) / 2;
        *(sag_wear_has_gain(discharge, middle_v) ? &with_v : &without_v) = middle_v;
    }
    return with_v;
}

static void consider(sag_replace *replace, double open_circuit_v, sag_replace_reason reason,
                     size_t which)
{
    if (open_circuit_v > replace->open_circuit_v) {
        replace->open_circuit_v = open_circuit_v;
        replace->reason = reason;
        replace->which = which;
    }
}

sag_replace sag_replace_find(const sag_discharge *discharge, const sag_replace_rule *rule,
                             const sag_wear_row *rows, size_t count)
{
    sag_replace replace = {.open_circuit_v = sag_discharge_last(discharge).open_circuit_v,
                           .reason = SAG_REPLACE_END};
    if (!isnan(rule->at_v)) {
        consider(&replace, sag_discharge_find(discharge, rule->at_v), SAG_REPLACE_AT, 0);
    }
    for (size_t k = 0; k < SAG_PLAYING_LEVELS; k++) {
        if (!isnan(rule->margin_db[k])) {
            consider(&replace,
                     find_crossing(discharge, rows, count, margin_of, k, rule->margin_db[k]),
                     SAG_REPLACE_MARGIN, k);
        }
    }
    if (!isnan(rule->lost_db)) {
        double limit = fmin(rows[0].margin_db[HARD] - rule->lost_db, 0);
        consider(&replace, find_crossing(discharge, rows, count, margin_of, HARD, limit),
                 SAG_REPLACE_LOST, HARD);
    }
    for (size_t k = 0; k < SAG_WEAR_TONES && !isnan(rule->changed_db); k++) {
        consider(&replace,
                 find_crossing(discharge, rows, count, closeness_of, k, -rule->changed_db),
                 SAG_REPLACE_CHANGED, k);
    }
    if (!isnan(rule->used)) {
        consider(&replace, sag_discharge_find_depth(discharge, rule->used), SAG_REPLACE_USED, 0);
    }
    consider(&replace, find_end_of_gain(discharge, rows, count), SAG_REPLACE_NO_GAIN, 0);
    replace.from_fresh = replace.open_circuit_v >= sag_discharge_fresh(discharge).open_circuit_v;
    return replace;
}
