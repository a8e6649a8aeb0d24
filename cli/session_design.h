/* SPDX-License-Identifier: GPL-3.0-or-later */
/* session_design.h - reading the design once for each control setting, with --change and --set
 * applied. */
#ifndef RAILSAG_SESSION_DESIGN_H
#define RAILSAG_SESSION_DESIGN_H

#include "session.h"

/* Fills text, designs and axes; findings go to the report. Returns an exit status. */
int session_read_designs(session *s);
void session_free_designs(session *s);

#endif
