/* SPDX-License-Identifier: GPL-3.0-or-later */
/* command.h - the commands: command_<name>.c has one each. All return the exit status. */
#ifndef RAILSAG_COMMAND_H
#define RAILSAG_COMMAND_H

#include "options.h"

int command_check(const options *o);
int command_bias(const options *o);
int command_response(const options *o);
int command_levels(const options *o);
int command_headroom(const options *o);
int command_battery(const options *o);
int command_models(const options *o);

#endif
