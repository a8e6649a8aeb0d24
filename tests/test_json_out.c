/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Writing JSON and CSV: digits, escapes, layout. */
#include "csv.h"
#include "json_out.h"

#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void digits_are_shortest(void **state)
{
    (void)state;
    static const struct {
        double value;
        const char *text;
    } rows[] = {
        {0, "0"},
        {-0.0, "0"},
        {1, "1"},
        {0.1, "0.1"},
        {-12.5, "-12.5"},
        {1e300, "1e+300"},
        {20000, "20000"},
        {0.3, "0.3"},
        {0.1 + 0.2, "0.30000000000000004"},
        {5e-324, "4.94065645841247e-324"},
        {1.0 / 3, "0.3333333333333333"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char digits[JSON_NUMBER_SIZE];
        assert_string_equal(json_number_text(digits, rows[i].value), rows[i].text);
        near_abs(strtod(digits, NULL), i == 0 || i == 1 ? 0 : rows[i].value, 0,
                 "reads back the same");
    }
}

/* What is written between open and close, as text. */
static const char *read_back(const char *name)
{
    static char text[4096];
    FILE *file = fopen(name, "r");
    assert_non_null(file);
    size_t length = fread(text, 1, sizeof text - 1, file);
    text[length] = '\0';
    fclose(file);
    unlink(name);
    return text;
}

static void open_file(char *name, output **out)
{
    int fd = mkstemp(name);
    assert_true(fd >= 0);
    close(fd);
    *out = output_open(name);
    assert_non_null(*out);
}

static void layout_and_escapes(void **state)
{
    (void)state;
    char name[] = "test_json_out.XXXXXX";
    output *out = NULL;
    open_file(name, &out);
    static const double values[] = {1, (double)NAN, (double)INFINITY, -0.0};
    json_writer w = json_start(out);
    json_object(&w, NULL);
    json_text(&w, "title", "a \"b\" \\ \n\x01 \xc2\xb5 \xff");
    json_text(&w, "none", NULL);
    json_bool(&w, "yes", 1);
    json_column(&w, "values", values, 4, sizeof *values, 1);
    json_column(&w, "same", values, 2, 0, 100);
    json_array(&w, "empty");
    json_close(&w);
    json_flat_object(&w, "flat");
    json_number(&w, "a", 1);
    json_array(&w, "b");
    json_number(&w, NULL, 2);
    json_close(&w);
    json_close(&w);
    json_array(&w, "list");
    json_object(&w, NULL);
    json_close(&w);
    json_close(&w);
    json_close(&w);
    json_end(&w);
    assert_true(output_commit(out));
    assert_string_equal(read_back(name),
                        "{\n"
                        "  \"title\": \"a \\\"b\\\" \\\\ \\u000a\\u0001 \xc2\xb5 \xef\xbf\xbd\",\n"
                        "  \"none\": null,\n"
                        "  \"yes\": true,\n"
                        "  \"values\": [1, null, null, 0],\n"
                        "  \"same\": [100, 100],\n"
                        "  \"empty\": [],\n"
                        "  \"flat\": {\"a\": 1, \"b\": [2]},\n"
                        "  \"list\": [\n"
                        "    {}\n"
                        "  ]\n"
                        "}\n");
}

static void cells_are_quoted(void **state)
{
    (void)state;
    char name[] = "test_json_out.XXXXXX";
    output *out = NULL;
    open_file(name, &out);
    csv w = csv_open(out);
    csv_text(&w, "plain");
    csv_text(&w, "a,b");
    csv_text(&w, "say \"x\"");
    csv_text(&w, NULL);
    csv_number(&w, (double)NAN);
    csv_number(&w, 0.1);
    csv_row(&w);
    csv_number(&w, -0.0);
    csv_row(&w);
    assert_true(output_commit(out));
    assert_string_equal(read_back(name), "plain,\"a,b\",\"say \"\"x\"\"\",,,0.1\n0\n");
}

/* A text longer than every buffer on the way, and words that do not fit a line. */
static void long_texts_come_through(void **state)
{
    (void)state;
    char name[] = "test_json_out.XXXXXX";
    output *out = NULL;
    enum { LENGTH = 200000 };
    char *text = malloc(LENGTH + 1);
    assert_non_null(text);
    memset(text, 'x', LENGTH);
    text[LENGTH] = '\0';
    open_file(name, &out);
    output_format(out, "%s\n", text);
    output_wrapped(out, text, 0, 4);
    assert_true(output_commit(out));
    FILE *file = fopen(name, "r");
    assert_non_null(file);
    fseek(file, 0, SEEK_END);
    assert_int_equal(ftell(file), 2 * LENGTH + 2 + 4);
    fclose(file);
    unlink(name);
    free(text);
}

static void a_dropped_file_leaves_nothing(void **state)
{
    (void)state;
    output *out = output_open("test_json_out.dropped");
    assert_non_null(out);
    output_text(out, "half");
    output_drop(out);
    assert_int_not_equal(access("test_json_out.dropped", F_OK), 0);
}

static void units_stay_with_their_numbers(void **state)
{
    (void)state;
    char name[] = "test_json_out.XXXXXX";
    output *out = NULL;
    open_file(name, &out);
    output_wrapped(
        out,
        "an input that rests so and so much above the negative rail at 18 V, 9 V and 100 kHz, 5 V",
        0, 2);
    assert_true(output_commit(out));
    assert_string_equal(
        read_back(name),
        "  an input that rests so and so much above the negative rail at 18 V, 9 V and\n"
        "  100 kHz, 5 V\n");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(digits_are_shortest),
        cmocka_unit_test(layout_and_escapes),
        cmocka_unit_test(cells_are_quoted),
        cmocka_unit_test(long_texts_come_through),
        cmocka_unit_test(a_dropped_file_leaves_nothing),
        cmocka_unit_test(units_stay_with_their_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
