/* SPDX-License-Identifier: GPL-3.0-or-later */
/* label.h - short texts for quantities and conditions, as tables and sentences use them. */
#ifndef RAILSAG_LABEL_H
#define RAILSAG_LABEL_H

#include "session.h"

enum { LABEL_SIZE = 256 };

/* A quantity with three digits: "39.9 Hz", "17.9 V"; "-" when it does not exist. All return buffer,
 * LABEL_SIZE bytes. */
const char *label_value(char *buffer, double value, sag_unit unit);
/* The same with four digits, for voltages that are told apart from a round one. */
const char *label_precise(char *buffer, double value, sag_unit unit);
/* "18 V (2 x 9 V)", "9 V", "9 V bench supply". */
const char *label_supply(char *buffer, const session *s, const session_case *c);
/* "bass 100 %, mid 2"; "" for a design without controls. */
const char *label_controls(char *buffer, const session *s, size_t setting);
/* "bass 100 %" for one axis of a family at a setting. */
const char *label_axis(char *buffer, const session *s, const session_axis *axis, size_t setting);
/* The same for all axes that have several settings; "" for none. */
const char *label_family(char *buffer, const session *s, size_t setting);
/* "U1B rail+"; NULL for no limit. */
const char *label_limit(char *buffer, const session *s, sag_limit limit);
/* "outside data sheet, estimate", with that separator; "" for none. */
const char *label_marks(char *buffer, unsigned marks, const char *separator);
/* "1 Mohm + 500 pF", "no load". */
const char *label_load(char *buffer, double ohm, double farad);
/* A plain number with so many decimals, without a sign on what rounds to nothing; "-" when it does
 * not exist. */
const char *label_number(char *buffer, double value, int decimals);
/* A number of dB with sign and one decimal: "+3.2"; "-" when it does not exist. */
const char *label_db(char *buffer, double db);
/* A percentage with two digits, "0.12", "< 0.003" below the floor (ratios); "-" when it does not
 * exist. */
const char *label_thd(char *buffer, double ratio, double floor);

/* Appends item to a growing list, with what a sentence needs in between: "18 V, 9 V and 5 V". */
void label_list(char *buffer, const char *item, size_t index, size_t count);

#endif
