/* SPDX-License-Identifier: GPL-3.0-or-later */
/* result_sheet.h - what the pictures of all results have in common. */
#ifndef RAILSAG_RESULT_SHEET_H
#define RAILSAG_RESULT_SHEET_H

#include "session.h"
#include "sheet.h"

/* Refuses, before anything is computed, a picture that nobody could read: returns EXIT_DONE, or
 * EXIT_MISUSE with a sentence. Fine when no picture was asked for. */
int result_sheet_check(const session *s, size_t panels, size_t curves_a_panel);

/* Sets the title; the rest is zero. */
void result_sheet_start(sheet *page, const session *s);

/* The notes: drive, controls that stay put, load, changes; marks with the supplies that have them;
 * warnings. To be called once everything is computed. */
void result_sheet_conditions(sheet *page, const session *s);

/* Writes and frees the page; returns an exit status. */
int result_sheet_end(sheet *page, const session *s);

/* Rank of a supply among those asked for, 0 for the highest, and the number of different ones. */
size_t result_supply_rank(const session *s, double supply_v, size_t *count);
scale_line result_supply_line(const session *s, const session_case *c);

/* "9 V, bass 30 %": supply, and the setting where there are several. */
const char *result_panel_name(char *buffer, const session *s, const session_case *c);

#endif
