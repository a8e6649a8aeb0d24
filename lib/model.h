/* SPDX-License-Identifier: GPL-3.0-or-later */
/* model.h - figures of op-amps, batteries, diodes and pickups, as read from model files.
 *
 * All values SI. A figure that a file leaves out is ideal: NAN or INFINITY as said at each field.
 * Objects are read once, then never changed; strings and arrays belong to the model. */
#ifndef RAILSAG_MODEL_H
#define RAILSAG_MODEL_H

#include "report.h"

#include <stddef.h>

/* Where a figure comes from. `figure` is its path in the file, as "output.high" or "slew_rate"; a
 * path also covers what lies below it. Texts as "S1 table 6.7, typical", "from memory", "estimate:
 * ...". */
typedef struct {
    const char *figure;
    const char *text;
} sag_figure_source;

typedef struct {
    const char *name, *title, *source;
    const char *file; /* the path it was read from */
    sag_figure_source *sources;
    size_t source_count;
} sag_model_head;

/* The output stops `drop_v` short of a rail at a load current of `current_a` (positive, out of the
 * pin for the high side, into it for the low side) and a total supply of supply_v (NAN: holds at
 * all). */
typedef struct {
    double supply_v, current_a, drop_v;
    const char *estimate; /* why this point is an estimate; NULL when published */
} sag_drop_point;

/* Whether the drop at a supply rests on an estimate: on a point that says so at the supplies next
 * to it in the table, or on none, below the lowest. points as in a model: in rising supply. */
int sag_drop_is_estimate(const sag_drop_point *points, size_t count, double supply_v);

typedef struct {
    double specified_v; /* distance inside the rail, V; negative: beyond the rail. NAN: not given */
    double works_to_v;  /* gain is lost beyond. NAN: unlimited */
    double reverses_at_v; /* the output flips beyond. NAN: never */
} sag_input_side;

typedef struct {
    double supply_v;
    double gain_bandwidth, slew_rate,
        supply_current;   /* ratios to the headline figures; NAN: not given */
    const char *estimate; /* why this row is an estimate; NULL when published */
} sag_against_supply;

/* What the sheet guarantees at 25 degC; NAN where it gives no limit. */
typedef struct {
    double min, max;
} sag_figure_limit;

typedef struct {
    sag_figure_limit gain_bandwidth_hz, slew_rate, open_loop_gain, supply_current_a,
        short_circuit_a;
    sag_figure_limit offset_v, bias_a; /* of the magnitude; either sign may come */
    sag_figure_limit drop;             /* over the typical drop at the same load; ratio */
} sag_opamp_limits;

typedef struct {
    sag_model_head head;
    int amplifiers; /* in the package */
    double supply_min_v, supply_max_v, absolute_max_v;
    double stops_below_v; /* 0 when not given */
    double gain_bandwidth_hz;
    double phase_margin_deg;     /* at unity gain; NAN: no second pole */
    double slew_rise, slew_fall; /* V/s, both positive */
    double open_loop_gain;       /* ratio at DC; INFINITY when not given */
    double supply_current_a;     /* per amplifier */
    double thd_floor;            /* ratio; NAN when not given */
    sag_drop_point *high, *low;  /* at least one a side */
    size_t high_count, low_count;
    double output_ohm;                   /* NAN when not given; computing takes at least 1 */
    double short_source_a, short_sink_a; /* INFINITY when not given */
    double class_a_source_a, class_a_sink_a, dead_band_v; /* class-B output; dead_band_v 0: none */
    sag_input_side input_low, input_high;
    double offset_v;  /* added to v(plus) - v(minus) */
    double bias_a;    /* into each input pin */
    double input_ohm; /* INFINITY when not given */
    double input_farad;
    int differential_diodes;
    double noise_voltage, noise_voltage_corner_hz; /* V/rtHz; 0 when not given */
    double noise_current, noise_current_corner_hz; /* A/rtHz */
    sag_against_supply *against;
    size_t against_count; /* rows in rising supply */
    sag_opamp_limits limits;
} sag_opamp_model;

/* Whether figures at a supply rest on an estimate: of the drop, or of a row of `against` (an
 * interval between two rows is as sure as the less sure of them). */
int sag_opamp_is_estimate(const sag_opamp_model *model, double supply_v);

typedef struct {
    double depth;          /* of discharge, 0 to 1 */
    double open_circuit_v; /* falls strictly with depth */
    double audio_ohm, dc_ohm;
} sag_battery_row;

/* The charge from fresh to the flat voltage at a constant drain. Nearly all batteries hold
 * charge_c (1 - spread_down) to charge_c (1 + spread_up); both 0 when not given. */
typedef struct {
    double drain_a, charge_c, spread_down, spread_up;
} sag_battery_capacity;

typedef struct {
    sag_model_head head;
    double nominal_v, flat_v;
    double self_discharge_per_year; /* share of what is left, compounding; 0 when not given */
    double shelf_life_s;            /* NAN when not given */
    int rechargeable;               /* 0: a primary battery */
    sag_battery_row *rows;          /* at least two, depth from 0 to 1 */
    size_t row_count;
    sag_battery_capacity *capacity; /* at least one row, rising drain, charge never rising */
    size_t capacity_count;
} sag_battery_model;

/* The charge that a battery of depth 0 gives at a constant drain until it is flat, C: straight over
 * the logarithm of the drain between rows, held below the first (nothing is published there) and
 * beyond the last (where it is too much). least_c and most_c, either may be NULL: the same with the
 * spread. */
double sag_battery_charge_c(const sag_battery_model *battery, double drain_a, double *least_c,
                            double *most_c);
/* The least number of batteries in series that reaches a supply when fresh; one a little over its
 * first row is one fresh from the shop, not two that are flat. */
int sag_battery_in_series(const sag_battery_model *battery, double supply_v);
/* The share of its charge that a battery keeps through a time of storage: (1 - s)^years. */
double sag_battery_kept(const sag_battery_model *battery, double seconds);

typedef struct {
    double current_a, voltage_v;
} sag_forward_point;

typedef struct {
    sag_model_head head;
    sag_forward_point *forward; /* one to three, rising in both */
    size_t forward_count;
    double breakdown_v; /* positive; INFINITY when not given */
} sag_diode_model;

typedef struct {
    sag_model_head head;
    double ohm, henry,
        farad;           /* source resistance and inductance in series, shunted by farad; 0: none */
    double series_farad; /* piezo: source capacitance in series; 0: none */
    int active;          /* the output of an amplifier: neither henry nor series_farad */
    const char **level_names; /* playing levels of this pickup */
    double *level_vpk;
    size_t level_count;
} sag_pickup_model;

typedef enum {
    SAG_MODEL_OPAMP,
    SAG_MODEL_BATTERY,
    SAG_MODEL_DIODE,
    SAG_MODEL_PICKUP
} sag_model_kind;

/* "opamp", "battery", "diode", "pickup". */
const char *sag_model_kind_name(sag_model_kind kind);

/* Where models are looked up, in this order: beside the design, then each folder. A name with a
 * slash or ending in .json is a path (relative to the design's folder). A model called NAME lies in
 * NAME.json in a folder or in its subfolders opamps/, batteries/, diodes/, pickups/ (the one of the
 * kind asked for). Case is ignored: names are looked up in lower case. */
typedef struct {
    const char *const *folders; /* without trailing slash */
    size_t folder_count;
} sag_model_path;

/* The models that one design has loaded, each once. */
typedef struct sag_model_library sag_model_library;

/* path must outlive the library; NULL: no folders. */
sag_status sag_model_library_new(const sag_model_path *path, sag_model_library **out);
void sag_model_library_free(sag_model_library *library); /* NULL is fine; frees every model found */

/* From now on every op-amp that is asked for, by whatever name, is this one; it must outlive the
 * library, which does not free it. */
void sag_model_library_lend(sag_model_library *library, const sag_opamp_model *opamp);

/* Finds and reads a model. beside: the folder of the design, or NULL. from: the place in the design
 * that asks, for findings (an unknown name is an error there, with the nearest known name). Only
 * the out-parameter of the kind is set. Errors inside the model file are reported with that file's
 * lines. */
sag_status sag_model_opamp(sag_model_library *library, const char *name, const char *beside,
                           sag_place from, const sag_opamp_model **out, sag_report *report);
sag_status sag_model_battery(sag_model_library *library, const char *name, const char *beside,
                             sag_place from, const sag_battery_model **out, sag_report *report);
sag_status sag_model_diode(sag_model_library *library, const char *name, const char *beside,
                           sag_place from, const sag_diode_model **out, sag_report *report);
sag_status sag_model_pickup(sag_model_library *library, const char *name, const char *beside,
                            sag_place from, const sag_pickup_model **out, sag_report *report);

/* Lists every model file that the path (and beside) leads to, sorted by kind then name; each name
 * once, the first found. *names, *files are arrays of *count strings; free each with sag_free, then
 * the arrays. */
sag_status sag_model_list(const sag_model_path *path, const char *beside, sag_model_kind kind,
                          char ***names, char ***files, size_t *count);

/* Readers for a text in hand; *out is freed by the matching free. Used by the library and by tests.
 */
sag_status sag_opamp_model_read(const char *text, size_t length, const char *file,
                                sag_opamp_model **out, sag_report *report);
void sag_opamp_model_free(sag_opamp_model *model);
sag_status sag_battery_model_read(const char *text, size_t length, const char *file,
                                  sag_battery_model **out, sag_report *report);
void sag_battery_model_free(sag_battery_model *model);
sag_status sag_diode_model_read(const char *text, size_t length, const char *file,
                                sag_diode_model **out, sag_report *report);
void sag_diode_model_free(sag_diode_model *model);
sag_status sag_pickup_model_read(const char *text, size_t length, const char *file,
                                 sag_pickup_model **out, sag_report *report);
void sag_pickup_model_free(sag_pickup_model *model);

/* Warns of a model that calls itself by another name than its file: most likely a copy that was not
 * finished. */
void sag_model_compare_names(const sag_model_head *head, sag_report *report);

/* The source text of a figure: of the longest path in sources that covers it, else head->source.
 * Never NULL. */
const char *sag_model_figure_source(const sag_model_head *head, const char *figure);

#endif
