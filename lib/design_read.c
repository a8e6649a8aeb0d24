/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "design_private.h"
#include "memory.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const sag_playing_level default_playing[SAG_PLAYING_LEVELS] = {
    {"soft", 0.1}, {"normal", 0.7}, {"hard", 1}, {"extreme", 2}};

char *sag_design_copy(sag_design_text *in, const char *text)
{
    char *kept = sag_copy_text(text, strlen(text));
    in->no_memory |= !kept;
    return kept;
}

/* Nodes. */

static int add_node(sag_design_text *in, const char *name)
{
    sag_design *design = in->design;
    if (!sag_grow((void **)&design->nodes, &in->node_capacity, design->node_count + 1,
                  sizeof *design->nodes)) {
        in->no_memory = 1;
        return SAG_NO_NODE;
    }
    char *kept = sag_design_copy(in, name);
    if (!kept) {
        return SAG_NO_NODE;
    }
    design->nodes[design->node_count] = kept;
    return (int)design->node_count++;
}

static int find_node(sag_design_text *in, sag_json_reader *reader, const sag_json *value,
                     sag_openness openness)
{
    const sag_design *design = in->design;
    const char *name = sag_read_name_value(reader, value, "a node name");
    if (!name) {
        return SAG_NO_NODE;
    }
    if (!strcmp(name, "open")) {
        if (openness == SAG_MAY_BE_OPEN) {
            return SAG_OPEN;
        }
        sag_json_error(reader, value,
                       "only the lugs of a pot and the throws of a switch may be open",
                       "this pin may not be open");
        return SAG_NO_NODE;
    }
    for (size_t i = 0; i < design->node_count; i++) {
        if (!strcmp(design->nodes[i], name)) {
            return (int)i;
        }
    }
    if (sag_same_word(name, "ground") || sag_same_word(name, "gnd")) {
        sag_json_error(reader, value, "write \"ground\"",
                       "the reference node is called ground, not \"%s\"", name);
        return SAG_NO_NODE;
    }
    if (design->node_count >= SAG_MAX_NODES) {
        if (!in->too_many_nodes) {
            sag_json_error(reader, value, NULL, "the design has more than %d nodes", SAG_MAX_NODES);
        }
        in->too_many_nodes = 1;
        return SAG_NO_NODE;
    }
    return add_node(in, name);
}

int sag_design_node(sag_design_text *in, sag_json_reader *reader, const sag_json *value,
                    sag_openness openness)
{
    int node = find_node(in, reader, value, openness);
    in->broken |= node == SAG_NO_NODE;
    return node;
}

int sag_design_node_key(sag_design_text *in, sag_json_reader *reader, const char *key,
                        sag_openness openness)
{
    const sag_json *value = sag_json_get(reader, key);
    if (value) {
        return sag_design_node(in, reader, value, openness);
    }
    if (reader->object) {
        sag_json_error(reader, reader->object, "name the node that it leads to",
                       "\"%s\" is missing", key);
    }
    in->broken = 1;
    return SAG_NO_NODE;
}

/* Controls. */

int sag_design_control(sag_design_text *in, sag_json_reader *reader, const sag_json *value,
                       const char *name)
{
    sag_design *design = in->design;
    for (size_t i = 0; i < design->control_count; i++) {
        if (sag_same_word(design->controls[i].name, name)) {
            return (int)i;
        }
    }
    if (strpbrk(name, "=,")) {
        sag_json_error(reader, value, "leave out = and ,", "a control cannot be called \"%s\"",
                       name);
        return SAG_CONTROL_NONE;
    }
    if (design->control_count >= SAG_MAX_CONTROLS) {
        sag_json_error(reader, value, NULL, "the design has more than %d controls",
                       SAG_MAX_CONTROLS);
        return SAG_CONTROL_NONE;
    }
    if (!sag_grow((void **)&design->controls, &in->control_capacity, design->control_count + 1,
                  sizeof *design->controls)) {
        in->no_memory = 1;
        return SAG_CONTROL_NONE;
    }
    char *kept = sag_design_copy(in, name);
    if (!kept) {
        return SAG_CONTROL_NONE;
    }
    design->controls[design->control_count] = (sag_control){.name = kept, .setting = 0.5};
    return (int)design->control_count++;
}

/* Only the names: what a setting means depends on the parts that the control moves. */
static void read_control_names(sag_design_text *in, sag_json_reader *root)
{
    sag_json_reader controls;
    if (!sag_read_object(root, "controls", SAG_OPTIONAL, &controls)) {
        return;
    }
    if (controls.object->count > SAG_MAX_CONTROLS) {
        sag_json_error(root, controls.object, NULL, "the design has more than %d controls",
                       SAG_MAX_CONTROLS);
        return;
    }
    for (const sag_json *value = controls.object->first; value; value = value->next) {
        char shown[SAG_EXCERPT_SIZE];
        size_t length = strlen(value->key), before = in->design->control_count;
        sag_read_excerpt(shown, value->key);
        if (length == 0 || length >= SAG_EXCERPT_SIZE || strcmp(shown, value->key) != 0 ||
            value->key[0] == ' ' || value->key[length - 1] == ' ') {
            sag_json_error(&controls, value, "use up to 60 characters, no space at either end",
                           "a control cannot be called \"%s\"", shown);
            continue;
        }
        int control = sag_design_control(in, &controls, value, value->key);
        if (control == SAG_CONTROL_NONE) {
            continue;
        }
        if ((size_t)control < before) {
            sag_json_error(&controls, value, "case is ignored in the names of controls",
                           "the control \"%s\" is there twice", shown);
            continue;
        }
        in->settings[control] = value;
        in->design->controls[control].line = value->line;
    }
}

static void read_control_settings(sag_design_text *in, sag_json_reader *root)
{
    for (size_t i = 0; i < in->design->control_count; i++) {
        sag_control *control = &in->design->controls[i];
        control->setting = control->is_switch ? 1 : 0.5;
        if (!in->settings[i]) {
            continue;
        }
        if (control->is_switch) {
            sag_json_value_quantity(in->settings[i], root, SAG_COUNT, 1, control->throw_count,
                                    &control->setting);
        } else {
            sag_json_value_quantity(in->settings[i], root, SAG_RATIO, 0, 1, &control->setting);
        }
    }
}

/* Input, output, supply. */

static void read_pickup(sag_design_text *in, sag_json_reader *reader, sag_input *input)
{
    char path[256];
    const char *name = sag_read_name(reader, "pickup", SAG_OPTIONAL, "a pickup model");
    if (!name) {
        return;
    }
    sag_place place = sag_json_place(sag_json_get(reader, "pickup"), in->file, path, sizeof path);
    sag_status status = sag_model_pickup(in->design->library, name, in->design->folder, place,
                                         &input->pickup, in->report);
    in->no_memory |= status == SAG_NO_MEMORY;
    in->errors += status != SAG_OK;
}

static void read_input_node(sag_design_text *in, sag_json_reader *reader, sag_input *input)
{
    input->line = reader->object->line;
    input->relative_level = 1;
    input->node = sag_design_node_key(in, reader, "node", SAG_MUST_LEAD_SOMEWHERE);
    if (input->node == SAG_GROUND) {
        sag_json_error(reader, sag_json_get(reader, "node"), "name the node that the signal enters",
                       "the input node cannot be ground");
        in->broken = 1;
    }
    read_pickup(in, reader, input);
}

static void read_source(sag_design_text *in, sag_json_reader *reader)
{
    sag_json_quantity(reader, "source", SAG_OPTIONAL, SAG_OHM, 0, 1e9, &in->design->source_ohm);
}

/* A ratio or a gain in dB of this input against the others. */
static void read_relative_level(sag_json_reader *reader, sag_input *input)
{
    const sag_json *value = sag_json_get(reader, "relative_level");
    int in_db = value && value->type == SAG_JSON_STRING && strpbrk(value->string, "dD");
    sag_json_quantity(reader, "relative_level", SAG_OPTIONAL, in_db ? SAG_GAIN : SAG_RATIO, 1e-3,
                      1000, &input->relative_level);
}

static void read_inputs(sag_design_text *in, sag_json_reader *root)
{
    static const char *const polarities[] = {"normal", "inverted"};
    sag_design *design = in->design;
    const sag_json *list = sag_read_array(root, "inputs", SAG_REQUIRED, 1, SAG_MAX_INPUTS);
    read_source(in, root);
    if (!list) {
        in->broken = 1;
        return;
    }
    for (const sag_json *value = list->first; value; value = value->next) {
        sag_json_reader reader = sag_json_open(value, in->file, in->report, &in->errors);
        sag_input *input = &design->inputs[design->input_count];
        size_t polarity = 0;
        if (!reader.object) {
            in->broken = 1;
            continue;
        }
        read_input_node(in, &reader, input);
        read_relative_level(&reader, input);
        sag_json_word(&reader, "polarity", SAG_OPTIONAL, polarities, 2, &polarity);
        input->inverted = polarity == 1;
        for (size_t i = 0; i < design->input_count; i++) {
            if (input->node >= 0 && design->inputs[i].node == input->node) {
                sag_json_error(&reader, value, "give each pickup a node of its own",
                               "two inputs share the node \"%s\"", design->nodes[input->node]);
            }
        }
        design->input_count++;
        sag_json_close(&reader);
    }
}

static void read_input(sag_design_text *in, sag_json_reader *root)
{
    sag_design *design = in->design;
    sag_json_reader reader;
    const sag_json *one = sag_json_get(root, "input"), *several = sag_json_get(root, "inputs");
    design->source_ohm = 50;
    design->inputs = sag_new(SAG_MAX_INPUTS, sizeof *design->inputs);
    if (!design->inputs) {
        in->no_memory = 1;
        return;
    }
    if (several) {
        if (one) {
            sag_json_error(root, several, "list all pickups under \"inputs\"",
                           "there are both \"input\" and \"inputs\"");
        }
        read_inputs(in, root);
    } else if (sag_read_object(root, "input", SAG_REQUIRED, &reader)) {
        read_input_node(in, &reader, &design->inputs[0]);
        read_source(in, &reader);
        design->input_count = 1;
        sag_json_close(&reader);
        const sag_json *stray = sag_json_get(root, "source");
        if (stray) {
            sag_json_error(root, stray, "write it inside \"input\"",
                           "\"source\" stands here only beside \"inputs\"");
        }
    } else {
        in->broken = 1;
    }
}

static void read_output(sag_design_text *in, sag_json_reader *root)
{
    sag_design *design = in->design;
    char problem[SAG_PROBLEM_SIZE];
    sag_json_reader output;
    design->load_ohm = (double)INFINITY;
    if (!sag_read_object(root, "output", SAG_REQUIRED, &output)) {
        in->broken = 1;
        return;
    }
    design->output_line = output.object->line;
    design->output = sag_design_node_key(in, &output, "node", SAG_MUST_LEAD_SOMEWHERE);
    if (design->output == SAG_GROUND) {
        sag_json_error(&output, sag_json_get(&output, "node"),
                       "name the node that the signal leaves", "the output node cannot be ground");
        in->broken = 1;
    }
    const sag_json *load = sag_json_get(&output, "load");
    if (load && load->type == SAG_JSON_STRING) {
        if (sag_load_read(load->string, strlen(load->string), &design->load_ohm,
                          &design->load_farad, problem) != SAG_OK) {
            sag_json_error(&output, load, NULL, "%s", problem);
            design->load_ohm = 1e6; /* so that the checks find no node without a DC path for it */
        }
    } else if (load) {
        sag_json_quantity(&output, "load", SAG_OPTIONAL, SAG_OHM, 1, 1e12, &design->load_ohm);
    }
    sag_json_close(&output);
}

static void read_battery(sag_design_text *in, sag_json_reader *reader)
{
    char path[256];
    sag_supply *supply = &in->design->supply;
    const char *name = sag_read_name(reader, "battery", SAG_OPTIONAL, "a battery model");
    if (!name) {
        return;
    }
    sag_place place = sag_json_place(sag_json_get(reader, "battery"), in->file, path, sizeof path);
    sag_status status = sag_model_battery(in->design->library, name, in->design->folder, place,
                                          &supply->battery, in->report);
    in->no_memory |= status == SAG_NO_MEMORY;
    in->errors += status != SAG_OK;
}

static void read_supply(sag_design_text *in, sag_json_reader *root)
{
    sag_supply *supply = &in->design->supply;
    sag_json_reader reader;
    double in_series;
    supply->middle = -1;
    supply->in_series = 1;
    if (!sag_read_object(root, "supply", SAG_REQUIRED, &reader)) {
        in->broken = 1;
        return;
    }
    supply->line = reader.object->line;
    supply->positive = sag_design_node_key(in, &reader, "positive", SAG_MUST_LEAD_SOMEWHERE);
    supply->negative = sag_design_node_key(in, &reader, "negative", SAG_MUST_LEAD_SOMEWHERE);
    const sag_json *middle = sag_json_get(&reader, "middle");
    if (middle) {
        supply->middle = sag_design_node(in, &reader, middle, SAG_MUST_LEAD_SOMEWHERE);
    }
    if (supply->positive >= 0 &&
        (supply->positive == supply->negative || supply->positive == supply->middle)) {
        sag_json_error(&reader, sag_json_get(&reader, "positive"), "this shorts the battery",
                       "two ends of the supply share the node \"%s\"",
                       in->design->nodes[supply->positive]);
    } else if (supply->negative >= 0 && supply->negative == supply->middle) {
        sag_json_error(&reader, middle, "this shorts the battery",
                       "two ends of the supply share the node \"%s\"",
                       in->design->nodes[supply->negative]);
    }
    sag_json_quantity(&reader, "nominal", SAG_REQUIRED, SAG_VOLT, 0.1, 100, &supply->nominal_v);
    size_t before = in->errors;
    read_battery(in, &reader);
    if (sag_json_quantity(&reader, "in_series", SAG_OPTIONAL, SAG_COUNT, 1, 20, &in_series)) {
        supply->in_series = (int)in_series;
    }
    sag_json_quantity(&reader, "resistance", SAG_OPTIONAL, SAG_OHM, 0, 1e6,
                      &supply->resistance_ohm);
    if (in->errors != before) {
        supply->resistance_ohm = 1; /* so that the checks do not take it for a stiff supply */
    }
    sag_json_close(&reader);
}

/* The defaults, over them the pickup's levels, over those the design's. */
static void read_playing_levels(sag_design_text *in, sag_json_reader *root)
{
    sag_design *design = in->design;
    sag_json_reader levels;
    memcpy(design->playing, default_playing, sizeof default_playing);
    int given = sag_read_object(root, "playing_levels", SAG_OPTIONAL, &levels);
    for (size_t i = 0; i < SAG_PLAYING_LEVELS; i++) {
        sag_playing_level *level = &design->playing[i];
        const sag_pickup_model *pickup = NULL; /* the first one that says what its levels are */
        for (size_t k = 0; k < design->input_count && !pickup; k++) {
            const sag_pickup_model *other = design->inputs[k].pickup;
            pickup = other && other->level_count ? other : NULL;
        }
        for (size_t k = 0; pickup && k < pickup->level_count; k++) {
            if (!strcmp(pickup->level_names[k], level->name)) {
                level->vpk = pickup->level_vpk[k];
            }
        }
        if (given && sag_json_level(&levels, level->name, SAG_OPTIONAL, &level->vpk) &&
            !(level->vpk > 0 && level->vpk <= 1000)) {
            sag_json_error(&levels, sag_json_get(&levels, level->name),
                           "write a level above 0 and up to 1000Vpk",
                           "a playing level of %g Vpk is out of range", level->vpk);
        }
    }
    for (size_t i = 1; i < SAG_PLAYING_LEVELS; i++) {
        const sag_playing_level *a = &design->playing[i - 1], *b = &design->playing[i];
        if (!(b->vpk > a->vpk)) {
            sag_json_warn(root, given ? levels.object : root->object,
                          "check the levels of the design and of its pickup",
                          "the playing level %s (%g Vpk) is not above %s (%g Vpk)", b->name, b->vpk,
                          a->name, a->vpk);
        }
    }
    if (given) {
        sag_json_close(&levels);
    }
}

static void read_head(sag_design_text *in, sag_json_reader *root)
{
    sag_design *design = in->design;
    const char *title = "";
    sag_json_text(root, "title", SAG_OPTIONAL, &title);
    design->title = sag_design_copy(in, title);
    const sag_json *notes = sag_read_notes(root);
    if (!notes) {
        return;
    }
    design->notes = sag_new(notes->count, sizeof *design->notes);
    in->no_memory |= !design->notes;
    for (const sag_json *note = notes->first; note && design->notes; note = note->next) {
        design->notes[design->note_count++] = sag_design_copy(in, note->string);
    }
}

static void read_all(sag_design_text *in, sag_json_reader *root)
{
    sag_json_reader parts;
    if (add_node(in, "ground") == SAG_NO_NODE) {
        return;
    }
    read_head(in, root);
    read_input(in, root);
    read_output(in, root);
    read_supply(in, root);
    read_control_names(in, root);
    if (sag_read_object(root, "parts", SAG_REQUIRED, &parts)) {
        sag_design_read_parts(in, parts.object);
    } else {
        in->broken = 1;
    }
    if (!in->broken) { /* else a control's kind may be unknown */
        read_control_settings(in, root);
    }
    read_playing_levels(in, root);
}

/* The part of a path up to its last slash: "" when there is none, "/." for the root folder. */
static char *folder_of(const char *file)
{
    const char *slash = strrchr(file, '/');
    if (!slash) {
        return sag_copy_text("", 0);
    }
    return slash == file ? sag_copy_text("/.", 2) : sag_copy_text(file, (size_t)(slash - file));
}

/* lent: the model of all op-amps, or NULL. */
static sag_status read_design(sag_design_text *in, const sag_json *value,
                              const sag_model_path *path, const sag_opamp_model *lent)
{
    sag_design *design = in->design;
    sag_json_reader root = sag_json_open(value, in->file, in->report, &in->errors);
    if (!root.object || !sag_read_format(&root, "design")) {
        return SAG_BAD_INPUT;
    }
    design->file = sag_copy_text(in->file, strlen(in->file));
    design->folder = folder_of(in->file);
    if (!design->file || !design->folder) {
        return SAG_NO_MEMORY;
    }
    TRY(sag_model_library_new(path, &design->library));
    sag_model_library_lend(design->library, lent);
    read_all(in, &root);
    sag_json_close(&root);
    if (in->no_memory) {
        return SAG_NO_MEMORY;
    }
    sag_status status = in->broken ? SAG_OK : sag_design_check(design, in->report);
    if (status == SAG_OK && (in->errors || in->broken)) {
        status = SAG_BAD_INPUT;
    }
    return status;
}

static sag_status read_text(const char *text, size_t length, const char *file,
                            const sag_model_path *path, const sag_opamp_model *lent,
                            sag_design **out, sag_report *report)
{
    sag_json_document *document = NULL;
    sag_design_text in = {.file = file, .report = report};
    *out = NULL;
    sag_status status = sag_json_read(text, length, file, &document, report);
    if (status != SAG_OK) {
        return status;
    }
    in.design = sag_new(1, sizeof *in.design);
    status = in.design ? read_design(&in, sag_json_root(document), path, lent) : SAG_NO_MEMORY;
    if (status == SAG_OK) {
        *out = in.design;
    } else {
        sag_design_free(in.design);
    }
    sag_json_free(document);
    return status;
}

sag_status sag_design_read(const char *text, size_t length, const char *file,
                           const sag_model_path *path, sag_design **out, sag_report *report)
{
    return read_text(text, length, file, path, NULL, out, report);
}

sag_status sag_design_read_around(const char *text, size_t length, const sag_opamp_model *opamp,
                                  sag_design **out, sag_report *report)
{
    return read_text(text, length, "", NULL, opamp, out, report);
}
