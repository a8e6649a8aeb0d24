/* SPDX-License-Identifier: GPL-3.0-or-later */
/* check_rules.h - what a sound design keeps at its bias points. Collects where a rule is broken,
 * over all supplies and settings, and makes one finding a part and rule of it. */
#ifndef RAILSAG_CHECK_RULES_H
#define RAILSAG_CHECK_RULES_H

#include "session.h"

typedef struct check_rules check_rules;

/* NULL when memory is short. */
check_rules *check_rules_new(const session *s);
void check_rules_free(check_rules *rules); /* NULL is fine */

/* Looks at a prepared case. */
void check_rules_case(check_rules *rules, size_t index);

/* Holds ratings against fresh batteries: the first row of the battery's model, times the number
 * that each supply takes. To be called once all cases were looked at. */
void check_rules_fresh(check_rules *rules);

/* Drops everything but the ratings that fresh batteries are over without damage: what a supply
 * makes of the rest is said elsewhere. */
void check_rules_keep_ratings(check_rules *rules);

/* Adds the findings to report; 0 when memory was short. */
int check_rules_report(check_rules *rules, sag_report *report);

/* The largest number of batteries in series among the supplies; 0 on a bench supply. */
int check_rules_batteries(const check_rules *rules);

#endif
