/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json: reading an object key by key, and places for findings. */
#include "near.h"

#include "fail_alloc.h"
#include "json.h"
#include "memory.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A document open at its root. */
typedef struct {
    sag_json_document *document;
    sag_report *report;
    sag_json_reader reader;
    size_t errors;
} fixture;

static fixture *open_text(const char *text)
{
    fixture *f = test_calloc(1, sizeof *f);
    assert_int_equal(sag_report_new(&f->report), SAG_OK);
    assert_int_equal(sag_json_read(text, strlen(text), "heron.json", &f->document, f->report),
                     SAG_OK);
    f->reader = sag_json_open(sag_json_root(f->document), "heron.json", f->report, &f->errors);
    return f;
}

static void close_text(fixture *f)
{
    sag_json_free(f->document);
    sag_report_free(f->report);
    test_free(f);
}

/* The finding at `index` is an error in `line` at `path`, and says so. hint NULL: none is wanted.
 */
static void check_error(const fixture *f, size_t index, int line, const char *path,
                        const char *says, const char *hint)
{
    if (index >= sag_report_count(f->report)) {
        fail_msg("finding %zu is missing: %s", index, says);
    }
    const sag_finding *found = sag_report_get(f->report, index);
    int sound = found->severity == SAG_ERROR && found->place.line == line &&
                !strcmp(found->place.path ? found->place.path : "", path) &&
                strstr(found->text, says) &&
                (hint ? found->hint && strstr(found->hint, hint) : !found->hint);
    if (!sound) {
        fail_msg("line %d, %s: %s (%s); wants line %d, %s: %s (%s)", found->place.line,
                 found->place.path ? found->place.path : "", found->text,
                 found->hint ? found->hint : "", line, path, says, hint ? hint : "");
    }
    assert_string_equal(found->place.file, "heron.json");
}

static void quantities_are_read(void **state)
{
    (void)state;
    fixture *f = open_text("{\"resistor\": \"4k7\", \"bare\": 100, \"gain\": \"40dB\",\n"
                           "\"ratio\": 0.25, \"count\": 2, \"zero\": -0}");
    double value = 0;
    sag_json_reader *r = &f->reader;
    assert_int_equal(sag_json_quantity(r, "resistor", SAG_REQUIRED, SAG_OHM, 0, 1e9, &value), 1);
    near_abs(value, 4700, 0, "4k7");
    assert_int_equal(sag_json_quantity(r, "bare", SAG_OPTIONAL, SAG_OHM, 100, 100, &value), 1);
    near_abs(value, 100, 0, "both ends of the range are included");
    assert_int_equal(
        sag_json_quantity(r, "gain", SAG_REQUIRED, SAG_GAIN, 0, (double)INFINITY, &value), 1);
    near_rel(value, 100, 1e-15, "40 dB");
    assert_int_equal(sag_json_quantity(r, "ratio", SAG_REQUIRED, SAG_RATIO, 0, 1, &value), 1);
    near_abs(value, 0.25, 0, "a bare number is a ratio");
    assert_int_equal(sag_json_quantity(r, "count", SAG_REQUIRED, SAG_COUNT, 1, 4, &value), 1);
    near_abs(value, 2, 0, "as written");
    assert_int_equal(sag_json_quantity(r, "zero", SAG_REQUIRED, SAG_COUNT, 0, 4, &value), 1);
    near_abs(value, 0, 0, "as written");
    value = 77;
    assert_int_equal(sag_json_quantity(r, "absent", SAG_OPTIONAL, SAG_OHM, 0, 1, &value), 0);
    near_abs(value, 77, 0, "unchanged when there is none");
    sag_json_close(r);
    assert_int_equal(f->errors, 0);
    assert_int_equal(sag_report_count(f->report), 0);
    close_text(f);
}

static void bad_quantities_are_reported(void **state)
{
    (void)state;
    fixture *f =
        open_text("{\"a\": \"4,7k\",\n\"b\": \"47nF\",\n\"c\": [],\n\"d\": null,\n\"e\": 2.5,\n"
                  "\"f\": \"1M\",\n\"g\": -1,\n\"h\": \"30V\",\n\"i\": true, \"j\": {}}");
    double value = 77;
    sag_json_reader *r = &f->reader;
    assert_int_equal(sag_json_quantity(r, "a", SAG_REQUIRED, SAG_OHM, 0, 1e9, &value), 0);
    check_error(f, 0, 1, "a", "found \"4,7k\": write the decimal comma as a point, as in 4.7k",
                NULL);
    assert_int_equal(sag_json_quantity(r, "b", SAG_REQUIRED, SAG_OHM, 0, 1e9, &value), 0);
    check_error(f, 1, 2, "b", "it is a capacitance", NULL);
    assert_int_equal(sag_json_quantity(r, "c", SAG_REQUIRED, SAG_OHM, 0, 1e9, &value), 0);
    check_error(f, 2, 3, "c", "found a list", "a resistance is expected here, as in 4k7");
    assert_int_equal(sag_json_quantity(r, "d", SAG_REQUIRED, SAG_VOLT, 0, 1e9, &value), 0);
    check_error(f, 3, 4, "d", "found null", "a DC voltage is expected here, as in 9V");
    assert_int_equal(sag_json_quantity(r, "e", SAG_REQUIRED, SAG_COUNT, 0, 9, &value), 0);
    check_error(f, 4, 5, "e", "found 2.5", "a whole number is expected here, as in 2");
    assert_int_equal(sag_json_quantity(r, "f", SAG_REQUIRED, SAG_OHM, 1, 1e5, &value), 0);
    check_error(f, 5, 6, "f", "found \"1M\", and 1 Mohm is out of range",
                "1 ohm to 100 kohm is accepted");
    assert_int_equal(sag_json_quantity(r, "g", SAG_REQUIRED, SAG_OHM, 0, (double)INFINITY, &value),
                     0);
    check_error(f, 6, 7, "g", "found -1, and -1 ohm is out of range", "0 ohm or more");
    assert_int_equal(
        sag_json_quantity(r, "h", SAG_REQUIRED, SAG_VOLT, -(double)INFINITY, 18, &value), 0);
    check_error(f, 7, 8, "h", "found \"30V\", and 30 V is out of range", "18 V or less");
    assert_int_equal(sag_json_quantity(r, "i", SAG_REQUIRED, SAG_OHM, 0, 1, &value), 0);
    check_error(f, 8, 9, "i", "found true", "a resistance");
    assert_int_equal(sag_json_quantity(r, "j", SAG_REQUIRED, SAG_OHM, 0, 1, &value), 0);
    check_error(f, 9, 9, "j", "found an object", "a resistance");
    assert_int_equal(sag_json_quantity(r, "k", SAG_REQUIRED, SAG_FARAD, 0, 1, &value), 0);
    check_error(f, 10, 1, "", "\"k\" is missing", "a capacitance is expected here, as in 47n");
    near_abs(value, 77, 0, "unchanged when refused");
    assert_int_equal(f->errors, 11);
    sag_json_close(r);
    assert_int_equal(f->errors, 11);
    close_text(f);
}

static void texts_levels_words_and_truths_are_read(void **state)
{
    (void)state;
    static const char *const tapers[] = {"linear", "audio", "reverse audio"};
    fixture *f =
        open_text("{\"title\": \"Heron\", \"level\": \"0.7Vpk\", \"yes\": true, \"no\": false,\n"
                  "\"taper\": \"Reverse Audio\",\n"
                  "\"l1\": \"1V\", \"l2\": 1,\n\"t\": 5, \"y\": \"true\",\n"
                  "\"w1\": \"liner\", \"w2\": \"wood\", \"w3\": []}");
    sag_json_reader *r = &f->reader;
    const char *text = NULL;
    double peak = 0;
    int truth = -1;
    size_t word = 99;
    assert_int_equal(sag_json_text(r, "title", SAG_REQUIRED, &text), 1);
    assert_string_equal(text, "Heron");
    assert_int_equal(sag_json_level(r, "level", SAG_REQUIRED, &peak), 1);
    near_abs(peak, 0.7, 0, "as written");
    assert_int_equal(sag_json_bool(r, "yes", SAG_REQUIRED, &truth), 1);
    assert_int_equal(truth, 1);
    assert_int_equal(sag_json_bool(r, "no", SAG_REQUIRED, &truth), 1);
    assert_int_equal(truth, 0);
    assert_int_equal(sag_json_word(r, "taper", SAG_REQUIRED, tapers, 3, &word), 1);
    assert_int_equal(word, 2);
    assert_int_equal(f->errors, 0);

    assert_int_equal(sag_json_level(r, "l1", SAG_REQUIRED, &peak), 0);
    check_error(f, 0, 3, "l1", "found \"1V\": say how the level is measured", NULL);
    assert_int_equal(sag_json_level(r, "l2", SAG_REQUIRED, &peak), 0);
    check_error(f, 1, 3, "l2", "found 1 where a signal level is expected", "0.7Vpk");
    assert_int_equal(sag_json_text(r, "t", SAG_REQUIRED, &text), 0);
    check_error(f, 2, 4, "t", "found 5 where a text is expected", "double quotes");
    assert_int_equal(sag_json_bool(r, "y", SAG_REQUIRED, &truth), 0);
    check_error(f, 3, 4, "y", "found \"true\" where true or false is expected", "without quotes");
    assert_int_equal(sag_json_word(r, "w1", SAG_REQUIRED, tapers, 3, &word), 0);
    check_error(f, 4, 5, "w1", "found \"liner\"",
                "did you mean \"linear\"? accepted: linear, audio, reverse audio");
    assert_int_equal(sag_json_word(r, "w2", SAG_REQUIRED, tapers, 3, &word), 0);
    check_error(f, 5, 5, "w2", "found \"wood\"", "accepted: linear, audio, reverse audio");
    assert_int_equal(sag_json_word(r, "w3", SAG_REQUIRED, tapers, 3, &word), 0);
    check_error(f, 6, 5, "w3", "found a list where a text", "double quotes");
    assert_int_equal(sag_json_text(r, "x", SAG_REQUIRED, &text), 0);
    check_error(f, 7, 1, "", "\"x\" is missing", "double quotes");
    assert_int_equal(sag_json_text(r, "x2", SAG_OPTIONAL, &text), 0);
    assert_int_equal(f->errors, 8);
    assert_string_equal(text, "Heron");
    assert_int_equal(word, 2);
    sag_json_close(r);
    assert_int_equal(f->errors, 8);
    close_text(f);
}

static void unknown_keys_are_reported_with_the_nearest(void **state)
{
    (void)state;
    static const char *const extra[] = {"notes", "capacitors"};
    fixture *f = open_text("{\"resistor\": 1,\n\"capactor\": 2,\n\"Rated\": 3,\n\"zzz\": 4,\n"
                           "\"notes\": 5,\n\"note\": 6, \"evil\\u001b[31m\": 7}");
    sag_json_reader *r = &f->reader;
    sag_json_get(r, "resistor");
    sag_json_get(r, "resistor");
    sag_json_get(r, "capacitor");
    sag_json_get(r, "rated");
    assert_int_equal(r->asked_count, 3);
    r->extra_known = extra;
    r->extra_known_count = 2;
    sag_json_close(r);
    assert_int_equal(f->errors, 5);
    check_error(f, 0, 2, "capactor", "the key \"capactor\" is not known here",
                "did you mean \"capacitor\"?"); /* and not capacitors, which is farther */
    check_error(f, 1, 3, "Rated", "\"Rated\" is not known", "did you mean \"rated\"?");
    check_error(f, 2, 4, "zzz", "\"zzz\" is not known",
                "known here: resistor, capacitor, rated, notes, capacitors");
    check_error(f, 3, 6, "note", "\"note\" is not known", "did you mean \"notes\"?");
    check_error(f, 4, 6, "evil?[31m", "\"evil?[31m\" is not known", "known here");
    close_text(f);
}

static void places_are_written_as_paths(void **state)
{
    (void)state;
    fixture *f = open_text("{\"parts\": {\"C3\":\n {\"capacitor\": 1}},\n"
                           "\"output\": {\"high\": [1, [2, 3], {\"current\": 4}]}, \"\": [0]}");
    const sag_json *root = sag_json_root(f->document);
    const sag_json *output = root->first->next;
    const sag_json *high = output->first;
    const struct {
        const sag_json *value;
        const char *path;
        int line;
    } rows[] = {
        {root->first->first->first, "parts.C3.capacitor", 2},
        {high, "output.high", 3},
        {high->first->next->first->next, "output.high[1][1]", 3},
        {high->first->next->next->first, "output.high[2].current", 3},
        {output->next->first, "\"\"[0]", 3},
    };
    char path[64];
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        sag_place place = sag_json_place(rows[i].value, "heron.json", path, sizeof path);
        assert_string_equal(place.path, rows[i].path);
        assert_int_equal(place.line, rows[i].line);
        assert_string_equal(place.file, "heron.json");
    }
    sag_place place = sag_json_place(root, NULL, path, sizeof path);
    assert_null(place.path);
    assert_null(place.file);
    assert_int_equal(place.line, 1);
    place = sag_json_place(NULL, "heron.json", path, sizeof path);
    assert_null(place.path);
    assert_int_equal(place.line, 0);
    place = sag_json_place(rows[0].value, NULL, path, 12);
    assert_string_equal(place.path, "parts.C3...");
    close_text(f);
}

/* A list in which to read element by element, and the deepest nesting there is. */
static void elements_are_read_and_depth_is_borne(void **state)
{
    (void)state;
    fixture *f = open_text("{\"list\": [\"1k\", \"x\"]}");
    double value = 0;
    const sag_json *list = sag_json_get(&f->reader, "list");
    assert_int_equal(sag_json_value_quantity(list->first, &f->reader, SAG_OHM, 0, 1e9, &value), 1);
    near_abs(value, 1000, 0, "1k");
    assert_int_equal(sag_json_value_quantity(list->first->next, &f->reader, SAG_OHM, 0, 1, &value),
                     0);
    check_error(f, 0, 1, "list[1]", "found \"x\": it does not begin with a number", NULL);
    close_text(f);

    char deep[64 * 2 + 1] = "";
    memset(deep, '[', 64);
    memset(deep + 64, ']', 64);
    f = open_text(deep);
    const sag_json *last = sag_json_root(f->document);
    while (last->first) {
        last = last->first;
    }
    char path[256];
    sag_place place = sag_json_place(last, NULL, path, sizeof path);
    assert_int_equal(strlen(place.path), 63 * 3); /* [0] sixty-three times */
    close_text(f);
}

static void what_is_no_object_gives_an_empty_reader(void **state)
{
    (void)state;
    fixture *f = open_text("[5, {\"a\": 1}]");
    double value = 0;
    check_error(f, 0, 1, "", "found a list where an object in curly brackets is expected",
                "{\"key\"");
    assert_null(f->reader.object);
    assert_null(sag_json_get(&f->reader, "a"));
    assert_int_equal(sag_json_quantity(&f->reader, "a", SAG_REQUIRED, SAG_OHM, 0, 1, &value), 0);
    sag_json_close(&f->reader);
    assert_int_equal(f->errors, 1); /* no follow-up errors */
    sag_json_reader none = sag_json_open(NULL, "heron.json", f->report, &f->errors);
    assert_null(none.object);
    assert_int_equal(sag_json_quantity(&none, "a", SAG_REQUIRED, SAG_OHM, 0, 1, &value), 0);
    sag_json_close(&none);
    assert_int_equal(f->errors, 1);
    close_text(f);
}

static void errors_and_warnings_are_told_apart(void **state)
{
    (void)state;
    fixture *f = open_text("{\"a\":\n1}");
    const sag_json *a = sag_json_get(&f->reader, "a");
    sag_json_error(&f->reader, a, "hint", "%s %d", "one", 1);
    sag_json_warn(&f->reader, a, NULL, "%s", "two");
    sag_json_error(&f->reader, NULL, NULL, "about the whole object");
    assert_int_equal(f->errors, 2);
    check_error(f, 0, 2, "a", "one 1", "hint");
    check_error(f, 2, 1, "", "about the whole object", NULL);
    const sag_finding *warning = sag_report_get(f->report, 1);
    assert_int_equal(warning->severity, SAG_WARNING);
    assert_int_equal(warning->place.line, 2);
    assert_string_equal(warning->place.path, "a");
    close_text(f);
}

/* Thousands of unknown keys: the list of findings ends, and soon. */
static void the_list_of_errors_ends(void **state)
{
    (void)state;
    size_t size = 60000 * 16 + 3;
    char *text = calloc(1, size);
    assert_non_null(text);
    size_t used = 0;
    for (int i = 0; i < 60000; i++) {
        used += (size_t)snprintf(text + used, size - used, "%c\"key%07d\":1", i ? ',' : '{', i);
    }
    snprintf(text + used, size - used, "}");
    fixture *f = open_text(text);
    sag_json_get(&f->reader, "keykeykey");
    sag_json_close(&f->reader);
    assert_int_equal(sag_report_count(f->report), SAG_JSON_MAX_ERRORS);
    check_error(f, SAG_JSON_MAX_ERRORS - 1, 1, "key0000999", "there are more errors", NULL);
    sag_json_error(&f->reader, NULL, NULL, "one more");
    assert_int_equal(f->errors, SAG_JSON_MAX_ERRORS + 1);
    assert_int_equal(sag_report_count(f->report), SAG_JSON_MAX_ERRORS);
    close_text(f);
    free(text);
}

/* A reader that asks for more keys than it can keep calls the rest unknown, and writes nowhere
 * else. */
static void too_many_questions_are_survived(void **state)
{
    (void)state;
    static char keys[60][8];
    fixture *f = open_text("{\"k3\": 1, \"k59\": 2}");
    for (int i = 0; i < 60; i++) {
        snprintf(keys[i], sizeof keys[i], "k%d", i);
        sag_json_get(&f->reader, keys[i]);
    }
    assert_int_equal(f->reader.asked_count, 48);
    assert_ptr_equal(f->reader.report, f->report);
    sag_json_close(&f->reader);
    assert_int_equal(f->errors, 1);
    close_text(f);
}

/* With no memory left for findings, errors are still counted. */
static void short_memory_loses_no_error(void **state)
{
    (void)state;
    fixture *f = open_text("{\"a\": \"x\"}");
    double value = 0;
    for (long n = 1; n <= 4; n++) {
        fail_allocation_at(n);
        assert_int_equal(sag_json_quantity(&f->reader, "a", SAG_REQUIRED, SAG_OHM, 0, 1, &value),
                         0);
        fail_allocation_at(0);
        assert_int_equal(f->errors, n);
        assert_int_equal(sag_report_count(f->report) + sag_report_lost(f->report), n);
    }
    assert_true(sag_report_lost(f->report) >= 3);
    close_text(f);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quantities_are_read),
        cmocka_unit_test(bad_quantities_are_reported),
        cmocka_unit_test(texts_levels_words_and_truths_are_read),
        cmocka_unit_test(unknown_keys_are_reported_with_the_nearest),
        cmocka_unit_test(places_are_written_as_paths),
        cmocka_unit_test(elements_are_read_and_depth_is_borne),
        cmocka_unit_test(what_is_no_object_gives_an_empty_reader),
        cmocka_unit_test(errors_and_warnings_are_told_apart),
        cmocka_unit_test(the_list_of_errors_ends),
        cmocka_unit_test(too_many_questions_are_survived),
        cmocka_unit_test(short_memory_loses_no_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
