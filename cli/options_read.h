/* SPDX-License-Identifier: GPL-3.0-or-later */
/* options_read.h - the readers of the option table: each reads one argument into the options. */
#ifndef RAILSAG_OPTIONS_READ_H
#define RAILSAG_OPTIONS_READ_H

#include "options.h"

sag_status options_read_supply(options *o, const char *text, char *problem);
sag_status options_read_drive(options *o, const char *text, char *problem);
sag_status options_read_level(options *o, const char *text, char *problem);
sag_status options_read_points(options *o, const char *text, char *problem);
sag_status options_read_frequency(options *o, const char *text,
                                  char *problem); /* after the points */
sag_status options_read_load(options *o, const char *text, char *problem);
sag_status options_read_thd(options *o, const char *text, char *problem);
sag_status options_read_thd_bandwidth(options *o, const char *text, char *problem);
sag_status options_read_slope(options *o, const char *text, char *problem);
sag_status options_read_threads(options *o, const char *text, char *problem);
sag_status options_read_json(options *o, const char *text, char *problem);
sag_status options_read_csv(options *o, const char *text, char *problem);
sag_status options_read_plot(options *o, const char *text, char *problem);

/* options_battery.c */
sag_status options_read_battery(options *o, const char *text, char *problem);
sag_status options_read_in_series(options *o, const char *text, char *problem);
sag_status options_read_plugged_in(options *o, const char *text, char *problem);
sag_status options_read_until(options *o, const char *text, char *problem);
sag_status options_read_replace_at(options *o, const char *text, char *problem);
sag_status options_read_replace_margin(options *o, const char *text, char *problem);

#endif
