/* SPDX-License-Identifier: GPL-3.0-or-later */
/* help.h - help texts, made from the tables of options.h. */
#ifndef RAILSAG_HELP_H
#define RAILSAG_HELP_H

#include "options.h"
#include "output.h"

/* What the program does and its commands. */
void help_program(output *out);
/* The synopsis alone, for a command line without a command: goes to standard error. */
void help_short(void);
/* One command, an example first. */
void help_command(output *out, const command_info *command);
/* The section OPTIONS of the man page, in mdoc. */
void help_man(output *out);

#endif
