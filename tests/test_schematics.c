/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Each examples/NAME.svg draws what examples/NAME.json says: the same designators, values, models,
 * controls, batteries and nodes. In the drawings a part is
 *     <g id="R1"><use .../><text class="name" ...>R1</text><text class="value" ...>22M</text></g>
 * and a node one path or more, id="node-NAME" or node-NAME-2. Positions are for the eye. */
#include "published.h"
#include "read.h"

#include <ctype.h>
#include <glob.h>
#include <gsl/gsl_errno.h>
#include <stdio.h>

#define EXAMPLES RAILSAG_SOURCE_DIR "/examples"
#define WORD     64

/* The drawing after its symbols; to be freed. */
static char *load_drawing(const char *design_file)
{
    char file[1024], *text = NULL;
    size_t length;
    sag_report *report = NULL;
    snprintf(file, sizeof file, "%.*s.svg", (int)(strlen(design_file) - strlen(".json")),
             design_file);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    published_demand(sag_json_load(file, &text, &length, report), report);
    sag_report_free(report);
    char *drawing = strstr(text, "</defs>");
    if (!drawing) {
        fail_msg("%s: no </defs>", file);
        return NULL;
    }
    memmove(text, drawing, strlen(drawing) + 1);
    return text;
}

/* What stands between the end of `before` and `end`, from `from` on and not beyond `limit`; 0 when
 * there is no such thing. */
static int between(const char *from, const char *limit, const char *before, char end, char *word)
{
    const char *at = strstr(from, before);
    if (!at || at >= limit) {
        return 0;
    }
    at += strlen(before);
    size_t length = strcspn(at, (const char[]){end, '\0'});
    if (length >= WORD) {
        return 0;
    }
    memcpy(word, at, length);
    word[length] = '\0';
    return 1;
}

/* The text of a class within a part's group, "" when there is none. */
static void text_of(const char *group, const char *limit, const char *class, char *word)
{
    char before[WORD];
    const char *text;
    snprintf(before, sizeof before, "<text class=\"%s\"", class);
    text = strstr(group, before);
    if (!text || text >= limit || !between(text, limit, ">", '<', word)) {
        word[0] = '\0';
    }
}

typedef struct {
    char id[WORD], name[WORD], value[WORD], control[WORD];
} drawn;

/* The next part from *at on, which moves behind it. */
static int next_part(const char **at, drawn *part)
{
    const char *group = strstr(*at, "<g id=\"");
    if (!group) {
        return 0;
    }
    const char *end = strstr(group, "</g>");
    assert_non_null(end);
    if (!between(group, end, "<g id=\"", '"', part->id)) {
        fail_msg("a group without an end of its id: %.40s", group);
    }
    text_of(group, end, "name", part->name);
    text_of(group, end, "value", part->value);
    text_of(group, end, "control", part->control);
    *at = end;
    return 1;
}

static void same_text(const char *file, const char *what, const char *got, const char *expected)
{
    if (!sag_same_word(got, expected)) {
        fail_msg("%s: %s is drawn with \"%s\", the design says \"%s\"", file, what, got, expected);
    }
}

static void same_value(const char *file, const drawn *part, size_t length, sag_unit unit,
                       double expected)
{
    double value = 0;
    char problem[SAG_PROBLEM_SIZE] = "";
    if (sag_value_read(part->value, length, unit, &value, problem) != SAG_OK) {
        fail_msg("%s: %s: %s", file, part->id, problem);
    }
    if (fabs(value / expected - 1) > 1e-9) {
        char wanted[WORD];
        fail_msg("%s: %s is drawn as %s, the design says %s", file, part->id, part->value,
                 sag_value_print(wanted, sizeof wanted, expected, unit, 6));
    }
}

static void check_pot(const char *file, const sag_design *design, const sag_part *part,
                      const drawn *at)
{
    static const char *const tapers[] = {"linear", "audio", "reverse audio", "blend"};
    size_t length = strcspn(at->value, " ");
    same_value(file, at, length, SAG_OHM, part->value);
    same_text(file, at->id, at->value[length] ? at->value + length + 1 : "", tapers[part->taper]);
    same_text(file, at->id, at->control,
              part->control < 0 ? "" : design->controls[part->control].name);
}

static void check_part(const char *file, const sag_design *design, const sag_part *part,
                       const drawn *at)
{
    static const sag_unit units[] = {
        [SAG_RESISTOR] = SAG_OHM,
        [SAG_CAPACITOR] = SAG_FARAD,
        [SAG_INDUCTOR] = SAG_HENRY,
        [SAG_VOLTAGE] = SAG_VOLT,
    };
    switch (part->kind) {
    case SAG_POT:
        check_pot(file, design, part, at);
        break;
    case SAG_OPAMP:
        same_text(file, at->id, at->value, part->opamp->head.name);
        break;
    case SAG_DIODE:
        same_text(file, at->id, at->value, part->diode->head.name);
        break;
    case SAG_SWITCH:
        same_text(file, at->id, at->value, design->controls[part->control].name);
        break;
    case SAG_RESISTOR:
    case SAG_CAPACITOR:
    case SAG_INDUCTOR:
    case SAG_VOLTAGE:
        same_value(file, at, strlen(at->value), units[part->kind], part->value);
        break;
    }
}

static int is_package(const sag_design *design, const char *name)
{
    for (size_t i = 0; i < design->package_count; i++) {
        if (sag_same_word(design->packages[i].name, name)) {
            return 1;
        }
    }
    return 0;
}

/* Parts, packages (their supply pins) and batteries, each drawn once and nothing besides. */
static void check_parts(const char *file, const sag_design *design, const char *drawing)
{
    unsigned char *seen = sag_new(design->part_count, sizeof *seen);
    size_t packages = 0;
    int batteries = 0;
    drawn at;
    assert_non_null(seen);
    while (next_part(&drawing, &at)) {
        const sag_part *part = sag_design_part(design, at.id);
        same_text(file, at.id, at.name, at.id);
        if (part) {
            check_part(file, design, part, &at);
            if (seen[part - design->parts]++) {
                fail_msg("%s: %s is drawn twice", file, at.id);
            }
        } else if (is_package(design, at.id)) {
            packages++;
        } else if (!strncmp(at.id, "BT", 2)) {
            batteries++;
            same_value(file, &at, strlen(at.value), SAG_VOLT,
                       design->supply.nominal_v / design->supply.in_series);
            same_text(file, at.id, at.control, design->supply.battery->head.name);
        } else {
            fail_msg("%s: %s is drawn, the design has no such part", file, at.id);
        }
    }
    for (size_t i = 0; i < design->part_count; i++) {
        if (!seen[i]) {
            fail_msg("%s: %s is not drawn", file, design->parts[i].designator);
        }
    }
    if (packages != design->package_count || batteries != design->supply.in_series) {
        fail_msg("%s: drawn are the supply pins of %zu packages and %d batteries, the design has "
                 "%zu and %d",
                 file, packages, batteries, design->package_count, design->supply.in_series);
    }
    sag_free(seen);
}

static int is_node(const sag_design *design, const char *name)
{
    for (size_t i = 0; i < design->node_count; i++) {
        if (!strcmp(design->nodes[i], name)) {
            return 1;
        }
    }
    return 0;
}

/* Every node has its wire, and every wire is a node. */
static void check_nodes(const char *file, const sag_design *design, const char *drawing)
{
    char id[WORD], wanted[WORD + 16];
    for (const char *at = drawing; (at = strstr(at, "id=\"node-")); at++) {
        const char *limit = at + strlen(at);
        assert_true(between(at, limit, "id=\"node-", '"', id));
        char *suffix = strrchr(id, '-');
        if (suffix && isdigit((unsigned char)suffix[1])) {
            *suffix = '\0';
        }
        if (!is_node(design, id)) {
            fail_msg("%s: a node \"%s\" is drawn, the design has none", file, id);
        }
    }
    for (size_t i = 0; i < design->node_count; i++) {
        snprintf(wanted, sizeof wanted, "id=\"node-%s\"", design->nodes[i]);
        if (!strstr(drawing, wanted)) {
            fail_msg("%s: the node \"%s\" is not drawn", file, design->nodes[i]);
        }
    }
}

static void test_schematics(void **state)
{
    (void)state;
    glob_t found;
    assert_int_equal(glob(EXAMPLES "/*.json", 0, NULL, &found), 0);
    assert_true(found.gl_pathc >= 3);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        sag_design *design = read_design(found.gl_pathv[i]);
        char *drawing = load_drawing(found.gl_pathv[i]);
        const char *file = strrchr(found.gl_pathv[i], '/') + 1;
        check_parts(file, design, drawing);
        check_nodes(file, design, drawing);
        sag_free(drawing);
        sag_design_free(design);
    }
    globfree(&found);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_schematics)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
