/* SPDX-License-Identifier: GPL-3.0-or-later */
/* headroom_private.h - the search for the roots of one frequency. */
#ifndef RAILSAG_HEADROOM_PRIVATE_H
#define RAILSAG_HEADROOM_PRIVATE_H

#include "headroom.h"

/* The workspace of one thread; holds on to bias and losses. Frequencies are best run in order: each
 * starts from where the last one had its roots. */
typedef struct sag_headroom_search sag_headroom_search;

sag_status sag_headroom_search_new(const sag_bias *bias, const sag_headroom_request *request,
                                   const sag_gain_loss *losses, sag_headroom_search **out);
void sag_headroom_search_free(sag_headroom_search *search); /* NULL is fine */

/* SAG_OK also where a root was not found: the point has its reason. */
sag_status sag_headroom_search_run(sag_headroom_search *search, double frequency_hz,
                                   sag_headroom_point *point);

/* A point without roots. */
sag_headroom_point sag_headroom_unknown(sag_headroom_reason reason);

#endif
