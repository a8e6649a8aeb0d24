/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "model_private.h"

#include "memory.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define MAX_SOURCES 500

static const char *const head_keys[] = {"format", "name", "title", "source", "sources", "notes"};
#define HEAD_KEY_COUNT (sizeof head_keys / sizeof *head_keys)

static int is_head_key(const char *key, size_t length)
{
    for (size_t i = 0; i < HEAD_KEY_COUNT; i++) {
        if (strlen(head_keys[i]) == length && !strncmp(head_keys[i], key, length)) {
            return 1;
        }
    }
    return 0;
}

/* The child of an object with this key. In an array: that child of the first element that has it,
 * so that cell.open_circuit is a column of a table. */
static const sag_json *child_of(const sag_json *value, const char *key, size_t length)
{
    for (const sag_json *child = value->first; child; child = child->next) {
        if (value->type == SAG_JSON_OBJECT && strlen(child->key) == length &&
            !strncmp(child->key, key, length)) {
            return child;
        }
        if (value->type == SAG_JSON_ARRAY && child->type == SAG_JSON_OBJECT) {
            const sag_json *found = child_of(child, key, length);
            if (found) {
                return found;
            }
        }
    }
    return NULL;
}

/* Reports that a key of "sources" names no figure, with the nearest figure at the place where it
 * goes wrong. */
static void report_unknown_figure(sag_json_reader *reader, const sag_json *entry,
                                  const sag_json *parent, const char *segment, int at_top)
{
    const char *words[64];
    size_t count = 0;
    char hint[SAG_HINT_SIZE], excerpt[SAG_EXCERPT_SIZE], piece[SAG_NAME_MAX + 1];
    const sag_json *object = parent->type == SAG_JSON_ARRAY ? parent->first : parent;
    for (const sag_json *child = object && object->type == SAG_JSON_OBJECT ? object->first : NULL;
         child && count < sizeof words / sizeof *words; child = child->next) {
        if (strlen(child->key) <= SAG_NAME_MAX &&
            !(at_top && is_head_key(child->key, strlen(child->key)))) {
            words[count++] = child->key;
        }
    }
    snprintf(piece, sizeof piece, "%.*s", (int)strcspn(segment, "."), segment);
    sag_json_error(reader, entry,
                   sag_read_hint(hint, piece, words, count,
                                 "write the path of a figure in this file, as \"output.high\""),
                   "\"%s\" names no figure in this file", sag_read_excerpt(excerpt, entry->key));
}

static int names_a_figure(sag_json_reader *reader, const sag_json *root, const sag_json *entry)
{
    const sag_json *value = root;
    const char *segment = entry->key;
    for (;;) {
        size_t length = strcspn(segment, ".");
        int at_top = value == root;
        const sag_json *child =
            at_top && is_head_key(segment, length) ? NULL : child_of(value, segment, length);
        if (!child) {
            report_unknown_figure(reader, entry, value, segment, at_top);
            return 0;
        }
        if (segment[length] == '\0') {
            return 1;
        }
        value = child;
        segment += length + 1;
    }
}

static char *copy(sag_model_file *in, const char *text)
{
    char *kept = sag_copy_text(text, strlen(text));
    in->no_memory |= !kept;
    return kept;
}

static void read_sources(sag_model_file *in, sag_model_head *head)
{
    sag_json_reader reader;
    if (!sag_read_object(&in->root, "sources", SAG_OPTIONAL, &reader)) {
        return;
    }
    if (reader.object->count > MAX_SOURCES) {
        sag_json_error(&reader, reader.object, NULL, "there are more than %d sources", MAX_SOURCES);
        return;
    }
    head->sources = sag_new(reader.object->count, sizeof *head->sources);
    if (!head->sources) {
        in->no_memory = 1;
        return;
    }
    for (const sag_json *entry = reader.object->first; entry; entry = entry->next) {
        if (entry->type != SAG_JSON_STRING || entry->string[0] == '\0') {
            sag_json_error(&reader, entry, "write where the figure comes from, in double quotes",
                           "a source must be a text");
        } else if (names_a_figure(&reader, in->root.object, entry)) {
            sag_figure_source *source = &head->sources[head->source_count++];
            source->figure = copy(in, entry->key);
            source->text = copy(in, entry->string);
        }
    }
}

static void read_head(sag_model_file *in, sag_model_head *head, const char *file)
{
    sag_json_reader *root = &in->root;
    const char *text;
    head->file = copy(in, file);
    text = sag_read_name(root, "name", SAG_REQUIRED, "a model name");
    if (text && strpbrk(text, "/,=")) {
        sag_json_error(root, sag_json_get(root, "name"),
                       "leave out / , and =", "a model name cannot be \"%s\"", text);
    } else if (text) {
        head->name = copy(in, text);
        head->title = copy(in, text); /* unless it has one */
    }
    if (sag_json_text(root, "title", SAG_OPTIONAL, &text)) {
        sag_free((void *)head->title);
        head->title = copy(in, text);
    }
    if (sag_json_text(root, "source", SAG_REQUIRED, &text)) {
        head->source = copy(in, text);
        if (text[0] == '\0') {
            sag_json_error(root, sag_json_get(root, "source"),
                           "name the document that the figures come from", "the source is empty");
        }
    }
    read_sources(in, head);
    sag_read_notes(root);
}

sag_status sag_model_file_open(sag_model_file *in, const char *text, size_t length,
                               const char *file, const char *kind, sag_model_head *head,
                               sag_report *report)
{
    memset(in, 0, sizeof *in);
    TRY(sag_json_read(text, length, file, &in->document, report));
    in->root = sag_json_open(sag_json_root(in->document), file, report, &in->errors);
    if (!in->root.object || !sag_read_format(&in->root, kind)) {
        sag_json_free(in->document);
        return SAG_BAD_INPUT;
    }
    read_head(in, head, file);
    return SAG_OK;
}

sag_status sag_model_file_close(sag_model_file *in)
{
    sag_json_close(&in->root);
    sag_json_free(in->document);
    if (in->no_memory) {
        return SAG_NO_MEMORY;
    }
    return in->errors ? SAG_BAD_INPUT : SAG_OK;
}

void sag_model_head_clear(sag_model_head *head)
{
    sag_free((void *)head->name);
    sag_free((void *)head->title);
    sag_free((void *)head->source);
    sag_free((void *)head->file);
    for (size_t i = 0; i < head->source_count; i++) {
        sag_free((void *)head->sources[i].figure);
        sag_free((void *)head->sources[i].text);
    }
    sag_free(head->sources);
}

void *sag_model_rows(sag_model_file *in, const char *key, size_t least, size_t most, size_t size,
                     const sag_json **table)
{
    *table = sag_read_array(&in->root, key, SAG_REQUIRED, least, most);
    if (!*table) {
        return NULL;
    }
    void *rows = sag_new((*table)->count, size);
    in->no_memory |= !rows;
    return rows;
}

sag_json_reader sag_model_row(sag_model_file *in, const sag_json *row)
{
    return sag_json_open(row, in->root.file, in->root.report, &in->errors);
}

/* Diodes. */

static void read_diode(sag_model_file *in, sag_diode_model *diode)
{
    const sag_json *table;
    diode->breakdown_v = (double)INFINITY;
    sag_json_quantity(&in->root, "breakdown", SAG_OPTIONAL, SAG_VOLT, 0.1, 10000,
                      &diode->breakdown_v);
    diode->forward = sag_model_rows(in, "forward", 1, 3, sizeof *diode->forward, &table);
    if (!diode->forward) {
        return;
    }
    sag_forward_point before = {0, 0};
    for (const sag_json *row = table->first; row; row = row->next) {
        sag_json_reader reader = sag_model_row(in, row);
        sag_forward_point *to = &diode->forward[diode->forward_count++];
        int current = sag_json_quantity(&reader, "current", SAG_REQUIRED, SAG_AMPERE, 1e-12, 1000,
                                        &to->current_a);
        int voltage = sag_json_quantity(&reader, "voltage", SAG_REQUIRED, SAG_VOLT, 1e-3, 100,
                                        &to->voltage_v);
        if (current && voltage) {
            if (to->current_a <= before.current_a || to->voltage_v <= before.voltage_v) {
                sag_json_error(&reader, row, "write the points in rising current and voltage",
                               "%g mA at %g V does not follow %g mA at %g V", 1e3 * to->current_a,
                               to->voltage_v, 1e3 * before.current_a, before.voltage_v);
            }
            before = *to;
        }
        sag_json_close(&reader);
    }
}

sag_status sag_diode_model_read(const char *text, size_t length, const char *file,
                                sag_diode_model **out, sag_report *report)
{
    sag_model_file in;
    *out = NULL;
    sag_diode_model *diode = sag_new(1, sizeof *diode);
    if (!diode) {
        return SAG_NO_MEMORY;
    }
    sag_status status = sag_model_file_open(&in, text, length, file, "diode", &diode->head, report);
    if (status == SAG_OK) {
        read_diode(&in, diode);
        status = sag_model_file_close(&in);
    }
    if (status == SAG_OK) {
        *out = diode;
    } else {
        sag_diode_model_free(diode);
    }
    return status;
}

void sag_diode_model_free(sag_diode_model *model)
{
    if (model) {
        sag_model_head_clear(&model->head);
        sag_free(model->forward);
        sag_free(model);
    }
}

/* Pickups. */

static void read_levels(sag_model_file *in, sag_pickup_model *pickup)
{
    static const char *const names[] = {"soft", "normal", "hard", "extreme"};
    const size_t count = sizeof names / sizeof *names;
    sag_json_reader reader;
    if (!sag_read_object(&in->root, "levels", SAG_OPTIONAL, &reader)) {
        return;
    }
    pickup->level_names = sag_new(count, sizeof *pickup->level_names);
    pickup->level_vpk = sag_new(count, sizeof *pickup->level_vpk);
    if (!pickup->level_names || !pickup->level_vpk) {
        in->no_memory = 1;
        return;
    }
    for (size_t i = 0; i < count; i++) {
        double vpk;
        if (!sag_json_level(&reader, names[i], SAG_OPTIONAL, &vpk)) {
            continue;
        }
        if (!(vpk > 0 && vpk <= 1000)) {
            sag_json_error(&reader, sag_json_get(&reader, names[i]),
                           "write a level above 0 and up to 1000Vpk",
                           "a playing level of %g Vpk is out of range", vpk);
        }
        pickup->level_names[pickup->level_count] = names[i];
        pickup->level_vpk[pickup->level_count++] = vpk;
    }
    sag_json_close(&reader);
}

static void read_pickup(sag_model_file *in, sag_pickup_model *pickup)
{
    sag_json_reader *root = &in->root;
    const sag_json *inductance = sag_json_get(root, "inductance");
    const sag_json *series = sag_json_get(root, "series_capacitance");
    static const char hint[] = "a coil has \"inductance\", a piezo \"series_capacitance\", an "
                               "instrument with a preamp of its own \"active\": true";
    sag_json_bool(root, "active", SAG_OPTIONAL, &pickup->active);
    if (pickup->active && (inductance || series)) {
        sag_json_error(root, inductance ? inductance : series, hint,
                       "an active source has neither inductance nor series_capacitance");
    } else if (!pickup->active && !inductance == !series) {
        sag_json_error(root, inductance ? series : root->object, hint,
                       "the pickup has %s of inductance and series_capacitance",
                       inductance ? "both" : "neither");
    }
    sag_json_quantity(root, "inductance", SAG_OPTIONAL, SAG_HENRY, 1e-6, 1000, &pickup->henry);
    sag_json_quantity(root, "series_capacitance", SAG_OPTIONAL, SAG_FARAD, 1e-13, 1e-5,
                      &pickup->series_farad);
    int bare = !inductance && !pickup->active; /* a piezo may be without resistance */
    sag_json_quantity(root, "resistance", bare ? SAG_OPTIONAL : SAG_REQUIRED, SAG_OHM,
                      bare ? 0 : 0.1, 1e9, &pickup->ohm);
    sag_json_quantity(root, "capacitance", SAG_OPTIONAL, SAG_FARAD, 0, 1e-5, &pickup->farad);
    read_levels(in, pickup);
}

sag_status sag_pickup_model_read(const char *text, size_t length, const char *file,
                                 sag_pickup_model **out, sag_report *report)
{
    sag_model_file in;
    *out = NULL;
    sag_pickup_model *pickup = sag_new(1, sizeof *pickup);
    if (!pickup) {
        return SAG_NO_MEMORY;
    }
    sag_status status =
        sag_model_file_open(&in, text, length, file, "pickup", &pickup->head, report);
    if (status == SAG_OK) {
        read_pickup(&in, pickup);
        status = sag_model_file_close(&in);
    }
    if (status == SAG_OK) {
        *out = pickup;
    } else {
        sag_pickup_model_free(pickup);
    }
    return status;
}

void sag_pickup_model_free(sag_pickup_model *model)
{
    if (model) {
        sag_model_head_clear(&model->head);
        sag_free((void *)model->level_names);
        sag_free(model->level_vpk);
        sag_free(model);
    }
}
