/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "design_private.h"
#include "memory.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define KIND_COUNT (SAG_SWITCH + 1)
#define NO_PACKAGE (-2) /* the designator is bad: the part joins none */

/* letters, digits, and perhaps one letter for the unit, as R1, VR2, U1A */
static int is_designator(const char *text)
{
    size_t letters = 0, digits = 0;
    while ((*text >= 'A' && *text <= 'Z') || (*text >= 'a' && *text <= 'z')) {
        text++;
        letters++;
    }
    while (*text >= '0' && *text <= '9') {
        text++;
        digits++;
    }
    if ((*text >= 'A' && *text <= 'Z') || (*text >= 'a' && *text <= 'z')) {
        text++;
    }
    return *text == '\0' && letters >= 1 && letters <= 8 && digits >= 1 && digits <= 6;
}

static int read_pin(sag_design_text *in, sag_json_reader *reader, sag_part *part, const char *key,
                    sag_openness openness)
{
    int node = sag_design_node_key(in, reader, key, openness);
    part->node[part->pin_count++] = node;
    return node;
}

/* "between" or "ends": two nodes. */
static void read_two_pins(sag_design_text *in, sag_json_reader *reader, sag_part *part,
                          const char *key, sag_openness openness)
{
    const sag_json *list = sag_json_get(reader, key);
    if (!list || list->type != SAG_JSON_ARRAY || list->count != 2) {
        char hint[96];
        snprintf(hint, sizeof hint, "name two nodes, as \"%s\": [\"in\", \"out\"]", key);
        sag_json_error(reader, list, hint,
                       list ? "\"%s\" is no list of two nodes" : "\"%s\" is missing", key);
        in->broken = 1;
        return;
    }
    for (const sag_json *pin = list->first; pin; pin = pin->next) {
        part->node[part->pin_count++] = sag_design_node(in, reader, pin, openness);
    }
}

static void read_tolerance(sag_json_reader *reader, sag_part *part)
{
    sag_json_quantity(reader, "tolerance", SAG_OPTIONAL, SAG_RATIO, 0, 1, &part->tolerance);
}

/* The value that stands at the key of the kind. A bad one is replaced by a harmless one, so that
 * the checks of the whole find no loop on its account. */
static void read_value(sag_json_reader *reader, sag_part *part)
{
    sag_part_range range = {.unit = SAG_OHM};
    char text[SAG_HINT_SIZE], hint[SAG_HINT_SIZE];
    const char *key = sag_part_kind_name(part->kind);
    sag_part_value_range(part->kind, &range);
    if (!sag_json_quantity(reader, key, SAG_REQUIRED, range.unit, range.low, range.high,
                           &part->value)) {
        part->value = 1;
    } else if (sag_part_value_unusual(part->kind, part->value, text, hint)) {
        sag_json_warn(reader, sag_json_get(reader, key), hint, "%s", text);
    }
}

static void read_series_resistance(sag_json_reader *reader, sag_part *part, const char *key)
{
    if (!sag_json_quantity(reader, key, SAG_OPTIONAL, SAG_OHM, 0, 1e9, &part->series_ohm) &&
        sag_json_get(reader, key)) {
        part->series_ohm = 1; /* as in read_value */
    }
}

static void read_resistor(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    read_value(reader, part);
    read_two_pins(in, reader, part, "between", SAG_MUST_LEAD_SOMEWHERE);
    read_tolerance(reader, part);
}

static void read_positive(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    const sag_json *value = sag_json_get(reader, "positive");
    if (!value) {
        return;
    }
    part->polarised = 1;
    const char *name = sag_read_name_value(reader, value, "a node name");
    if (!name || part->pin_count != 2 || part->node[0] < 0 || part->node[1] < 0) {
        return;
    }
    char *const *nodes = in->design->nodes;
    if (!strcmp(nodes[part->node[1]], name)) {
        int other = part->node[0];
        part->node[0] = part->node[1];
        part->node[1] = other;
    } else if (strcmp(nodes[part->node[0]], name) != 0) {
        char hint[2 * SAG_NAME_MAX + 32];
        snprintf(hint, sizeof hint, "write \"%s\" or \"%s\"", nodes[part->node[0]],
                 nodes[part->node[1]]);
        sag_json_error(reader, value, hint, "the capacitor is not connected to \"%s\"", name);
    }
}

static void read_capacitor(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    read_value(reader, part);
    read_two_pins(in, reader, part, "between", SAG_MUST_LEAD_SOMEWHERE);
    read_positive(in, reader, part);
    read_tolerance(reader, part);
    read_series_resistance(reader, part, "series_resistance");
    sag_json_quantity(reader, "rated", SAG_OPTIONAL, SAG_VOLT, 0.1, 1e5, &part->rated_v);
    sag_json_quantity(reader, "leakage", SAG_OPTIONAL, SAG_AMPERE, 0, 1, &part->leakage_a);
    const sag_json *leakage = sag_json_get(reader, "leakage");
    if (leakage && !sag_json_get(reader, "rated")) {
        sag_json_error(reader, leakage, "add the rated voltage, as \"rated\": \"16V\"",
                       "a leakage holds at the rated voltage, which is missing");
    }
}

static void read_inductor(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    read_value(reader, part);
    read_two_pins(in, reader, part, "between", SAG_MUST_LEAD_SOMEWHERE);
    read_tolerance(reader, part);
    read_series_resistance(reader, part, "series_resistance");
}

static void read_control(sag_design_text *in, sag_json_reader *reader, sag_part *part,
                         sag_json_need need)
{
    const char *name = sag_read_name(reader, "control", need, "a control name");
    if (!name) {
        return;
    }
    const sag_json *value = sag_json_get(reader, "control");
    part->control = sag_design_control(in, reader, value, name);
    if (part->control == SAG_CONTROL_NONE) {
        return;
    }
    sag_control *control = &in->design->controls[part->control];
    int is_switch = part->kind == SAG_SWITCH, moves = 0;
    for (size_t i = 0; i < in->design->part_count; i++) {
        moves |= in->design->parts[i].control == part->control;
    }
    if (!moves) {
        control->is_switch = is_switch;
        control->throw_count = part->throw_count;
    } else if (control->is_switch != is_switch) {
        sag_json_error(reader, value, "give the switch a control of its own",
                       "the control \"%s\" moves a pot and a switch", control->name);
    } else if (is_switch && control->throw_count != part->throw_count) {
        sag_json_error(reader, value, "poles that move together have the same number of throws",
                       "the control \"%s\" moves switches of %d and of %d throws", control->name,
                       control->throw_count, part->throw_count);
    }
}

static void read_pot(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    static const char *const tapers[] = {"linear", "audio", "reverse audio", "blend"};
    size_t taper = SAG_TAPER_LINEAR;
    read_value(reader, part);
    read_two_pins(in, reader, part, "ends", SAG_MAY_BE_OPEN);
    read_pin(in, reader, part, "wiper", SAG_MAY_BE_OPEN);
    int connected = 0;
    for (int i = 0; i < part->pin_count; i++) {
        connected += part->node[i] != SAG_OPEN;
    }
    if (part->pin_count == 3 && connected < 2) {
        sag_json_error(reader, reader->object, NULL,
                       "fewer than two lugs of the pot are connected");
        in->broken = 1;
    }
    sag_json_word(reader, "taper", SAG_OPTIONAL, tapers, 4, &taper);
    part->taper = (sag_taper)taper;
    sag_json_quantity(reader, "middle", SAG_OPTIONAL, SAG_RATIO, 0.01, 0.99, &part->middle);
    const sag_json *middle = sag_json_get(reader, "middle");
    if (middle && taper != SAG_TAPER_AUDIO && taper != SAG_TAPER_REVERSE_AUDIO) {
        sag_json_error(reader, middle, "leave it out, or say \"taper\": \"audio\"",
                       "only audio tapers have a middle");
    }
    sag_json_quantity(reader, "end_resistance", SAG_OPTIONAL, SAG_OHM, 0, 1e6, &part->end_ohm);
    if (2 * part->end_ohm >= part->value) {
        sag_json_error(reader, sag_json_get(reader, "pot"), "it lies at each end of the track",
                       "an end resistance of %g ohm is half the track or more", part->end_ohm);
    }
    read_control(in, reader, part, SAG_OPTIONAL);
    read_tolerance(reader, part);
}

/* The package that a unit belongs to: the first unit makes it, the others must agree with it. */
static void join_package(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    sag_design *design = in->design;
    size_t length = sag_package_name_length(part->designator);
    char name[SAG_NAME_MAX] = "";
    memcpy(name, part->designator, length); /* a designator has up to 15 letters and digits */
    for (size_t i = 0; i < design->part_count; i++) {
        const sag_part *other = &design->parts[i];
        sag_package *package = other->kind == SAG_OPAMP && other->package >= 0
                                   ? &design->packages[other->package]
                                   : NULL;
        if (!package || !sag_same_word(package->name, name)) {
            continue;
        }
        part->package = other->package;
        package->used++;
        if (!part->designator[length] ||
            !other->designator[sag_package_name_length(other->designator)]) {
            sag_json_error(reader, reader->object, "give each unit its letter, as U1A and U1B",
                           "%s and %s cannot be in one design", other->designator,
                           part->designator);
        }
        if (part->opamp && package->model && part->opamp != package->model) {
            sag_json_error(reader, sag_json_get(reader, "opamp"), "one package has one model",
                           "%s is a %s, but %s in the same package a %s", part->designator,
                           part->opamp->head.name, other->designator, package->model->head.name);
        }
        if (!in->broken && (part->node[SAG_PIN_RAIL_POSITIVE] != package->rail_positive ||
                            part->node[SAG_PIN_RAIL_NEGATIVE] != package->rail_negative)) {
            const sag_json *rails = sag_json_get(reader, "rails");
            sag_json_error(reader, rails ? rails : reader->object,
                           "one package has one pair of rails",
                           "%s has other rails than %s in the same package", part->designator,
                           other->designator);
        }
        package->model = package->model ? package->model : part->opamp;
        return;
    }
    if (!sag_grow((void **)&design->packages, &in->package_capacity, design->package_count + 1,
                  sizeof *design->packages)) {
        in->no_memory = 1;
        return;
    }
    char *kept = sag_design_copy(in, name);
    if (kept) {
        part->package = (int)design->package_count;
        design->packages[design->package_count++] =
            (sag_package){kept, part->opamp, part->node[SAG_PIN_RAIL_POSITIVE],
                          part->node[SAG_PIN_RAIL_NEGATIVE], 1};
    }
}

static void read_opamp(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    char path[256];
    sag_design *design = in->design;
    const char *name = sag_read_name(reader, "opamp", SAG_REQUIRED, "an op-amp model");
    if (name) {
        sag_place place =
            sag_json_place(sag_json_get(reader, "opamp"), in->file, path, sizeof path);
        sag_status status =
            sag_model_opamp(design->library, name, design->folder, place, &part->opamp, in->report);
        in->no_memory |= status == SAG_NO_MEMORY;
        in->errors += status != SAG_OK;
    }
    read_pin(in, reader, part, "plus", SAG_MUST_LEAD_SOMEWHERE);
    read_pin(in, reader, part, "minus", SAG_MUST_LEAD_SOMEWHERE);
    read_pin(in, reader, part, "out", SAG_MUST_LEAD_SOMEWHERE);
    part->node[SAG_PIN_RAIL_POSITIVE] = part->node[SAG_PIN_RAIL_NEGATIVE] = SAG_NO_NODE;
    read_two_pins(in, reader, part, "rails", SAG_MUST_LEAD_SOMEWHERE);
    part->pin_count = SAG_MAX_PINS;
    if (++in->opamp_count == SAG_MAX_OPAMPS + 1) {
        sag_json_error(reader, reader->object, NULL, "the design has more than %d op-amps",
                       SAG_MAX_OPAMPS);
        in->broken = 1;
    }
    if (in->opamp_count <= SAG_MAX_OPAMPS && part->package != NO_PACKAGE) {
        join_package(in, reader, part);
    }
}

static void read_diode(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    char path[256];
    const char *name = sag_read_name(reader, "diode", SAG_REQUIRED, "a diode model");
    if (name) {
        sag_place place =
            sag_json_place(sag_json_get(reader, "diode"), in->file, path, sizeof path);
        sag_status status = sag_model_diode(in->design->library, name, in->design->folder, place,
                                            &part->diode, in->report);
        in->no_memory |= status == SAG_NO_MEMORY;
        in->errors += status != SAG_OK;
    }
    read_pin(in, reader, part, "anode", SAG_MUST_LEAD_SOMEWHERE);
    read_pin(in, reader, part, "cathode", SAG_MUST_LEAD_SOMEWHERE);
}

static void read_voltage(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    read_value(reader, part);
    read_pin(in, reader, part, "positive", SAG_MUST_LEAD_SOMEWHERE);
    read_pin(in, reader, part, "negative", SAG_MUST_LEAD_SOMEWHERE);
    read_series_resistance(reader, part, "resistance");
    read_tolerance(reader, part);
}

static void read_switch(sag_design_text *in, sag_json_reader *reader, sag_part *part)
{
    const sag_json *throws = sag_read_array(reader, "switch", SAG_REQUIRED, 1, SAG_MAX_THROWS);
    read_pin(in, reader, part, "common", SAG_MUST_LEAD_SOMEWHERE);
    if (!throws) {
        sag_json_get(reader, "control"); /* known; without throws there is nothing to set */
        in->broken = 1;
        return;
    }
    for (const sag_json *pin = throws->first; pin; pin = pin->next) {
        int node = sag_design_node(in, reader, pin, SAG_MAY_BE_OPEN);
        part->node[part->pin_count++] = node;
        part->throw_count++;
        if (node >= 0 && node == part->node[SAG_PIN_COMMON]) {
            sag_json_error(reader, pin, "name the node it leads to, or \"open\"",
                           "this throw leads back to the common node of the switch");
        }
    }
    read_control(in, reader, part, SAG_REQUIRED);
}

static const struct {
    void (*read)(sag_design_text *in, sag_json_reader *reader, sag_part *part);
} readers[KIND_COUNT] = {
    [SAG_RESISTOR] = {read_resistor}, [SAG_CAPACITOR] = {read_capacitor},
    [SAG_INDUCTOR] = {read_inductor}, [SAG_POT] = {read_pot},
    [SAG_OPAMP] = {read_opamp},       [SAG_DIODE] = {read_diode},
    [SAG_VOLTAGE] = {read_voltage},   [SAG_SWITCH] = {read_switch},
};

/* The one key that names a kind; the others of a kind's keys are told from it. Returns 0 when there
 * is none or more than one (reported). */
static int find_kind(sag_json_reader *reader, sag_part_kind *kind)
{
    const char *names[KIND_COUNT];
    char hint[SAG_HINT_SIZE], all[SAG_HINT_SIZE] = "name its kind, as ";
    int found = 0;
    for (int k = 0; k < KIND_COUNT; k++) {
        names[k] = sag_part_kind_name((sag_part_kind)k);
        snprintf(all + strlen(all), sizeof all - strlen(all), "%s%s", k ? ", " : "", names[k]);
    }
    const char *nearest = all;
    for (const sag_json *child = reader->object->first; child; child = child->next) {
        for (int k = 0; k < KIND_COUNT; k++) {
            if (strcmp(child->key, names[k]) != 0) {
                continue;
            }
            if (found) {
                sag_json_error(reader, child, "a part has one kind",
                               "the part is a %s and a %s as well", sag_part_kind_name(*kind),
                               names[k]);
                return 0;
            }
            *kind = (sag_part_kind)k;
            found = 1;
        }
        if (nearest == all) {
            nearest = sag_read_hint(hint, child->key, names, KIND_COUNT, all);
        }
    }
    if (!found) {
        sag_json_error(reader, reader->object, nearest, "the part does not say of what kind it is");
    }
    return found;
}

static void read_designator(sag_design_text *in, sag_json_reader *parts, const sag_json *value)
{
    char shown[SAG_EXCERPT_SIZE];
    if (!is_designator(value->key)) {
        sag_json_error(parts, value,
                       "write letters, a number and perhaps a unit letter, as R1 or U1A",
                       "\"%s\" is no designator", sag_read_excerpt(shown, value->key));
        return;
    }
    const sag_part *other = sag_design_part(in->design, value->key);
    if (other) {
        sag_json_error(parts, value, "case is ignored in designators",
                       "%s is there already, as %s on line %d", value->key, other->designator,
                       other->line);
    }
}

static void read_part(sag_design_text *in, sag_json_reader *parts, const sag_json *value)
{
    sag_design *design = in->design;
    sag_part part = {.tolerance = (double)NAN,
                     .rated_v = (double)NAN,
                     .middle = 0.1,
                     .end_ohm = 2,
                     .control = SAG_CONTROL_NONE,
                     .line = value->line};
    const char *notes;
    for (int i = 0; i < SAG_MAX_PINS; i++) {
        part.node[i] = SAG_OPEN;
    }
    size_t before = in->errors;
    read_designator(in, parts, value);
    int named = in->errors == before;
    sag_json_reader reader = sag_json_open(value, in->file, in->report, &in->errors);
    if (!reader.object || !find_kind(&reader, &part.kind)) {
        in->broken = 1;
        return;
    }
    if (!sag_grow((void **)&design->parts, &in->part_capacity, design->part_count + 1,
                  sizeof part)) {
        in->no_memory = 1;
        return;
    }
    /* A bad name may be long or odd; the part is read all the same, for the errors in it. */
    part.designator = sag_design_copy(in, named ? value->key : "X0");
    if (!part.designator) {
        return;
    }
    in->broken |= !named;
    part.package = named ? -1 : NO_PACKAGE;
    readers[part.kind].read(in, &reader, &part);
    sag_json_text(&reader, "notes", SAG_OPTIONAL, &notes);
    sag_json_close(&reader);
    design->parts[design->part_count++] = part;
}

void sag_design_read_parts(sag_design_text *in, const sag_json *parts)
{
    sag_json_reader reader = sag_json_open(parts, in->file, in->report, &in->errors);
    if (!reader.object) {
        in->broken = 1;
        return;
    }
    if (parts->count > SAG_MAX_PARTS) {
        sag_json_error(&reader, parts, NULL, "the design has %zu parts; up to %d are computed",
                       parts->count, SAG_MAX_PARTS);
        in->broken = 1;
        return;
    }
    if (parts->count == 0) {
        sag_json_error(&reader, parts, NULL, "the design has no parts");
        in->broken = 1;
    }
    for (const sag_json *part = parts->first; part && !in->no_memory; part = part->next) {
        read_part(in, &reader, part);
    }
}
