/* SPDX-License-Identifier: GPL-3.0-or-later */
/* completion.h - what a shell offers while a command line is typed, from the tables of options.h.
 */
#ifndef RAILSAG_COMPLETION_H
#define RAILSAG_COMPLETION_H

#include "output.h"

/* A script for bash: commands, options of the command, and the words of an option that takes one of
 * a few; file names everywhere else. */
void completion_bash(output *out);

#endif
