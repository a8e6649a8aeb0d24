/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design_private.h - shared by the files that read, check and change a design. */
#ifndef RAILSAG_DESIGN_PRIVATE_H
#define RAILSAG_DESIGN_PRIVATE_H

#include "design.h"
#include "read.h"

#define SAG_NO_NODE (-2) /* a node that could not be read; never in a finished design */

#define SAG_CONTROL_NONE (-1)

/* A design being read. Readers point at `errors`: never copied or moved. */
typedef struct {
    sag_design *design;
    const char *file;
    sag_report *report;
    size_t errors;
    int no_memory; /* set by whoever fails to allocate */
    int broken; /* a pin could not be read: checks of the whole would only find follow-up errors */
    size_t node_capacity, part_capacity, package_capacity, control_capacity;
    size_t opamp_count;
    int too_many_nodes;                         /* reported */
    const sag_json *settings[SAG_MAX_CONTROLS]; /* what "controls" says of each control, or NULL */
} sag_design_text;

/* The index of the node that value names; SAG_NO_NODE when it is none (reported). */
typedef enum { SAG_MUST_LEAD_SOMEWHERE, SAG_MAY_BE_OPEN } sag_openness;
int sag_design_node(sag_design_text *in, sag_json_reader *reader, const sag_json *value,
                    sag_openness openness);
/* The same for the required key of an object. */
int sag_design_node_key(sag_design_text *in, sag_json_reader *reader, const char *key,
                        sag_openness openness);

/* The index of the control called name, added when new; SAG_CONTROL_NONE when it cannot be
 * (reported). */
int sag_design_control(sag_design_text *in, sag_json_reader *reader, const sag_json *value,
                       const char *name);

/* Copies text; NULL sets no_memory. */
char *sag_design_copy(sag_design_text *in, const char *text);

/* design_parts.c: the object "parts". */
void sag_design_read_parts(sag_design_text *in, const sag_json *parts);

/* The quantity that a kind's own key carries: resistor, capacitor, inductor, pot, voltage. Returns
 * 0 for the other kinds, which carry a model or throws. */
typedef struct {
    sag_unit unit;
    double low, high;
    double usual_low, usual_high; /* what these circuits mostly have: common practice */
} sag_part_range;
int sag_part_value_range(sag_part_kind kind, sag_part_range *range);

/* Whether a value within its range lies far outside of what is usual, as after a slip between m and
 * M or a prefix left out. text and hint (SAG_HINT_SIZE bytes each) then say so. */
int sag_part_value_unusual(sag_part_kind kind, double value, char *text, char *hint);

/* The length of the package's name in an op-amp's designator: that of "U1" in "U1A" and in "U1". */
size_t sag_package_name_length(const char *designator);

/* sag_design_check, where option, when not NULL, is named in the findings instead of the file. */
sag_status sag_design_check_option(const sag_design *design, const char *option,
                                   sag_report *report);

/* The wiring for one setting of everything that moves. */
typedef struct {
    const sag_design *design;
    const double *settings; /* one a control: 0 to 1, or the throw */
} sag_wiring;

/* A path of no resistance between two nodes. */
typedef enum { SAG_LINK_WIRE, SAG_LINK_COIL, SAG_LINK_SOURCE } sag_link_kind;
typedef struct {
    int a, b;
    sag_link_kind kind;
    int part; /* index; SAG_LINK_SUPPLY, SAG_LINK_INPUT: no part */
} sag_link;
#define SAG_LINK_SUPPLY (-1)
#define SAG_LINK_INPUT  (-2)

/* Sets of nodes that are connected with each other: parent[i] leads to the set's first member. */
void sag_sets_clear(int *parent, size_t count);
int sag_sets_find(int *parent, int node);
/* Returns 0 when the two were connected before. */
int sag_sets_join(int *parent, int a, int b);

/* The links without resistance; `links` has room for sag_wiring_link_room() of them. */
size_t sag_wiring_link_room(const sag_design *design);
size_t sag_wiring_links(const sag_wiring *wiring, sag_link *links);
/* Joins what is connected at DC. with_piezo: 1 on the bench drive, 0 with the pickups in place, of
 * which a piezo carries no DC. */
void sag_wiring_join_dc(const sag_wiring *wiring, int with_piezo, int *parent);

#endif
