/* SPDX-License-Identifier: GPL-3.0-or-later */
/* message.h - what goes to standard error: errors, misuse, findings of the library. */
#ifndef RAILSAG_MESSAGE_H
#define RAILSAG_MESSAGE_H

#include "report.h"

#include <stddef.h>

/* 1 when the stream (a file descriptor) is a terminal that takes colour and NO_COLOR is unset or
 * empty. */
int message_colour(int fd);

/* "error: ..." and a line end. */
void message_error(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* One sentence about a wrong command line, and where to look: "See railsag COMMAND --help." command
 * may be NULL. */
void message_misuse(const char *command, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* The findings as lines of their own, "warning: heron.json:12: parts.C3: ...". quiet: errors only.
 */
void message_report(const sag_report *report, int quiet);

/* The text of a finding with its hint as one piece, and its place ("heron.json:12: parts.C3", "U1
 * at 3 V"; "" when it has none). With `relative`, a file below the root folder is shown by its last
 * part, so that results name no folder of the machine; `design` is exempt: it is shown as given.
 * Both return buffer. */
const char *message_finding_text(const sag_finding *finding, char *buffer, size_t size);
const char *message_finding_place(const sag_finding *finding, int relative, const char *design,
                                  char *buffer, size_t size);

#endif
