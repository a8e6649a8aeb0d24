/* SPDX-License-Identifier: GPL-3.0-or-later */
/* railsag.h - everything the library offers.
 *
 * From a file to a map: sag_design_read -> sag_network_new (one set of conditions) -> sag_bias_new
 * -> sag_response_new, sag_levels_compute, sag_headroom_compute.
 *
 * Conventions. All values SI; signal levels are volts peak of a sine at the source's EMF. A current
 * is positive leaving a node into a part. Every function that can fail returns sag_status and gives
 * its result by pointer. What is made by _new is freed by _free, which takes NULL. Designs,
 * networks and bias points are constant once made and may be shared by threads; response and steady
 * objects belong to one thread.
 *
 * The library sets no global state. GSL's error handler, which is global, aborts the process unless
 * told otherwise: a program calls gsl_set_error_handler_off() before it uses this library. */
#ifndef RAILSAG_H
#define RAILSAG_H

#include "bias.h"
#include "design.h"
#include "discharge.h"
#include "headroom.h"
#include "json.h"
#include "levels.h"
#include "memory.h"
#include "model.h"
#include "network.h"
#include "replace.h"
#include "report.h"
#include "response.h"
#include "settle.h"
#include "stability.h"
#include "status.h"
#include "steady.h"
#include "value.h"
#include "wear.h"

#define SAG_VERSION "0.1.0"

#endif
