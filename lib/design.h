/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design.h - a parsed and checked design: parts, nodes, controls, supply, input, output.
 *
 * Nodes are numbered from 0; node 0 is ground. All values SI. Strings belong to the design; models
 * belong to its library. Small enough to copy by reading again; sag_design_change edits it in
 * place. */
#ifndef RAILSAG_DESIGN_H
#define RAILSAG_DESIGN_H

#include "model.h"

#define SAG_GROUND 0
#define SAG_OPEN   (-1) /* a pot lug or a throw that goes nowhere */

#define SAG_MAX_NODES    500
#define SAG_MAX_OPAMPS   64
#define SAG_MAX_THROWS   3
#define SAG_MAX_PARTS    2000
#define SAG_MAX_CONTROLS 100
#define SAG_MAX_INPUTS   16

typedef enum {
    SAG_RESISTOR,
    SAG_CAPACITOR,
    SAG_INDUCTOR,
    SAG_POT,
    SAG_OPAMP,
    SAG_DIODE,
    SAG_VOLTAGE,
    SAG_SWITCH
} sag_part_kind;

typedef enum {
    SAG_TAPER_LINEAR,
    SAG_TAPER_AUDIO,
    SAG_TAPER_REVERSE_AUDIO,
    SAG_TAPER_BLEND
} sag_taper;

/* Which nodes a part uses: the order of `node`. */
enum {
    SAG_PIN_A = 0, /* resistor, capacitor, inductor: between[0], between[1] */
    SAG_PIN_B = 1,
    SAG_PIN_END0 = 0, /* pot: ends[0], ends[1], wiper; 100 % is the wiper at ends[1] */
    SAG_PIN_END1 = 1,
    SAG_PIN_WIPER = 2,
    SAG_PIN_PLUS = 0, /* op-amp */
    SAG_PIN_MINUS = 1,
    SAG_PIN_OUT = 2,
    SAG_PIN_RAIL_POSITIVE = 3,
    SAG_PIN_RAIL_NEGATIVE = 4,
    SAG_PIN_ANODE = 0, /* diode */
    SAG_PIN_CATHODE = 1,
    SAG_PIN_POSITIVE = 0, /* voltage */
    SAG_PIN_NEGATIVE = 1,
    SAG_PIN_COMMON = 0, /* switch: common, then throws 1 to 3 */
    SAG_PIN_THROW = 1,
    SAG_MAX_PINS = 5
};

typedef struct {
    const char *designator; /* as written, as R1 or U1A */
    sag_part_kind kind;
    int line;
    int node[SAG_MAX_PINS];
    int pin_count;
    double value;      /* ohm, farad, henry, volt; pot: end to end ohm */
    double tolerance;  /* +- ratio; NAN when not given */
    double rated_v;    /* capacitor: NAN when not given */
    int polarised;     /* capacitor: positive side is node[0] (the reader puts it first) */
    double leakage_a;  /* capacitor: at rated voltage, needs it; 0: none */
    double series_ohm; /* capacitor, inductor, voltage; 0: none */
    sag_taper taper;   /* pot */
    double middle;     /* audio tapers: resistance share at half rotation, 0.1 unless given */
    double end_ohm;    /* pot: residual resistance at each end, 2 unless given */
    int control;       /* pot, switch: index into controls; -1 for a pot that nobody moves (50 %) */
    int throw_count;   /* switch */
    const sag_opamp_model *opamp;
    int package; /* op-amp: index into packages */
    const sag_diode_model *diode;
} sag_part;

/* U1A and U1B: one package, one model, one pair of rails. */
typedef struct {
    const char *name; /* "U1" */
    const sag_opamp_model *model;
    int rail_positive, rail_negative;
    int used; /* amplifiers that the design uses; model->amplifiers - used are idle and still draw
               */
} sag_package;

typedef struct {
    const char *name;
    double setting; /* pots: 0 to 1; switches: throw 1 to throw_count */
    int is_switch;
    int throw_count; /* switches */
    int line;        /* in "controls"; 0: only parts name it */
} sag_control;

typedef struct {
    int node;
    const sag_pickup_model *pickup; /* NULL: none given */
    double relative_level;          /* 1 unless given; with several inputs */
    int inverted;
    int line;
} sag_input;

typedef struct {
    const char *name; /* soft, normal, hard, extreme */
    double vpk;
} sag_playing_level;
#define SAG_PLAYING_LEVELS 4

typedef struct {
    int positive, negative, middle; /* nodes; middle -1: none */
    double nominal_v;
    const sag_battery_model *battery; /* NULL: stiff */
    int in_series;                    /* batteries as written, 1 unless given */
    double resistance_ohm;            /* wiring */
    int line;
} sag_supply;

typedef struct {
    const char *file, *title; /* title: "" when not given */
    char **notes;
    size_t note_count;
    char **nodes; /* names, nodes[0] is "ground" */
    size_t node_count;
    sag_part *parts; /* in file order */
    size_t part_count;
    sag_package *packages;
    size_t package_count;
    sag_control *controls;
    size_t control_count;
    sag_input *inputs; /* at least one */
    size_t input_count;
    double source_ohm; /* bench generator, 50 unless given */
    int output;        /* node */
    double load_ohm;   /* INFINITY: no load */
    double load_farad;
    int output_line;
    sag_supply supply;
    sag_playing_level playing[SAG_PLAYING_LEVELS]; /* soft, normal, hard, extreme */
    sag_model_library *library;                    /* owned */
    char *folder;                                  /* of the file, for models beside it */
} sag_design;

/* Reads and checks a design. file names it in findings and says where "beside" is. Warnings also go
 * to the report; with any error the result is SAG_BAD_INPUT and *out is NULL. path may be NULL,
 * must outlive the design. */
sag_status sag_design_read(const char *text, size_t length, const char *file,
                           const sag_model_path *path, sag_design **out, sag_report *report);
/* The same for a circuit around an op-amp model in hand, which must outlive the design: every
 * op-amp in the text, whatever model it names, is this one. */
sag_status sag_design_read_around(const char *text, size_t length, const sag_opamp_model *opamp,
                                  sag_design **out, sag_report *report);
void sag_design_free(sag_design *design); /* NULL is fine */

/* design_check.c: called by sag_design_read once the text itself is sound; reports to the same
 * reader. Refuses, for every switch throw and pot position, what network.h cannot compute. */
sag_status sag_design_check(const sag_design *design, sag_report *report);

/* From the command line; findings name the option's text instead of a file.
 * "bass=30%", "mid=2": moves a control. */
sag_status sag_design_set(sag_design *design, const char *assignment, sag_report *report);
/* "R7=22k", "U1A,U1B=tl062", "D1=1n4148", "BT1=6f22" is not one: the battery is changed with
 * supply.battery=6f22. Values and models of parts; changing one half of a package changes it all,
 * with a note. */
sag_status sag_design_change(sag_design *design, const char *assignment, sag_report *report);
/* "1M + 500p", "10k", "none", or amp (1 Mohm), pedal (100 kohm), line (10 kohm). */
sag_status sag_load_read(const char *text, size_t length, double *ohm, double *farad,
                         char *problem);

/* The node that rests between the supply's sides on a divider, with a capacitor to hold it still: the
 * half-supply reference. The one with the most capacitance; -1 when there is none. Structure alone
 * decides, no voltage. */
int sag_design_reference(const sag_design *design);

/* The part with this designator (case ignored) or NULL. */
const sag_part *sag_design_part(const sag_design *design, const char *designator);
/* "resistor", "capacitor", ...: the key of the kind in a file. */
const char *sag_part_kind_name(sag_part_kind kind);

/* Share of a pot's end to end resistance between ends[0] and the wiper at a setting of 0 to 1
 * (before the residual end resistances), by taper law: linear s; audio two straight segments 0 ->
 * middle at half -> 1; reverse audio its mirror, 1 - audio(1 - s); blend 0 up to half, then rising
 * straight to 1. */
double sag_taper_share(sag_taper taper, double middle, double setting);

#endif
