/* SPDX-License-Identifier: GPL-3.0-or-later */
/* json: reading texts and files. Reading objects key by key: test_json_reader.c. */
#include "near.h"

#include "fail_alloc.h"
#include "json.h"
#include "memory.h"

#include <dirent.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define CORPUS RAILSAG_TEST_CORPUS "/json"

static int setup(void **state)
{
    return sag_report_new((sag_report **)state) == SAG_OK ? 0 : -1;
}

static int teardown(void **state)
{
    sag_report_free(*state);
    return 0;
}

static void print_findings(const sag_report *report)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        const sag_finding *f = sag_report_get(report, i);
        print_error("  line %d, %s: %s (%s)\n", f->place.line, f->place.path ? f->place.path : "-",
                    f->text, f->hint ? f->hint : "-");
    }
}

static sag_json_document *read_good(const char *text, sag_report *report)
{
    sag_json_document *document = NULL;
    if (sag_json_read(text, strlen(text), "test", &document, report) != SAG_OK) {
        print_findings(report);
        fail_msg("refused: %s", text);
    }
    assert_non_null(document);
    return document;
}

static void the_tree_has_lines_and_order(void **state)
{
    sag_json_document *document = read_good("{\n"
                                            "  \"title\": \"Heron \\u00b5\",\r\n"
                                            "  \"parts\": {\"R1\": {\"resistor\":\n"
                                            "      \"4k7\"}, \"C1\": null},\r"
                                            "  \"list\": [1.5, true,\n"
                                            "    false, [ ], -0]\n"
                                            "}\n",
                                            *state);
    const sag_json *root = sag_json_root(document);
    assert_int_equal(root->type, SAG_JSON_OBJECT);
    assert_int_equal(root->line, 1);
    assert_int_equal(root->count, 3);
    assert_null(root->key);
    assert_null(root->parent);
    assert_null(root->next);
    const sag_json *title = root->first;
    assert_string_equal(title->key, "title");
    assert_string_equal(title->string, "Heron \xC2\xB5");
    assert_int_equal(title->line, 2);
    assert_int_equal(title->index, 0);
    assert_ptr_equal(title->parent, root);
    const sag_json *parts = title->next;
    assert_int_equal(parts->line, 3);
    assert_int_equal(parts->index, 1);
    const sag_json *resistor = parts->first->first;
    assert_string_equal(resistor->key, "resistor");
    assert_int_equal(resistor->line, 4); /* where the value starts, not the key */
    assert_int_equal(parts->first->next->type, SAG_JSON_NULL);
    assert_int_equal(parts->first->next->line, 4);
    assert_null(parts->first->next->next);
    const sag_json *list = parts->next;
    assert_int_equal(list->line, 5); /* a carriage return alone ends a line as well */
    assert_int_equal(list->count, 5);
    const sag_json *one = list->first;
    assert_int_equal(one->type, SAG_JSON_NUMBER);
    near_abs(one->number, 1.5, 0, "as written");
    assert_null(one->key);
    assert_int_equal(one->next->type, SAG_JSON_BOOL);
    near_abs(one->next->number, 1, 0, "true");
    near_abs(one->next->next->number, 0, 0, "false");
    assert_int_equal(one->next->next->line, 6);
    const sag_json *zero = one->next->next->next->next;
    assert_int_equal(zero->index, 4);
    assert_false(signbit(zero->number));
    assert_null(zero->next);
    assert_int_equal(sag_report_count(*state), 0);
    sag_json_free(document);
    sag_json_free(NULL);
    assert_null(sag_json_root(NULL));
}

static void only_length_bytes_are_read(void **state)
{
    sag_json_document *document = NULL;
    char text[] = {'[', '1', '2', ']'};
    assert_int_equal(sag_json_read(text, sizeof text, NULL, &document, *state), SAG_OK);
    near_abs(sag_json_root(document)->first->number, 12, 0, "as written");
    sag_json_free(document);
    assert_int_equal(sag_json_read(text, 3, NULL, &document, *state), SAG_BAD_INPUT);
    assert_null(document);
    assert_int_equal(sag_json_read("[1] garbage", 3, NULL, &document, NULL), SAG_OK);
    sag_json_free(document);
    assert_int_equal(sag_json_read(NULL, 0, NULL, &document, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_json_read("1", 1, NULL, NULL, NULL), SAG_BAD_ARGUMENT);
}

static const struct {
    const char *text;
    int line;
    const char *says, *hint; /* must stand in the finding */
} refused[] = {
    {"", 1, "the file is empty", "an object in curly brackets"},
    {"{\"a\": 4k7}", 1, "column 7: found 4k7 where a value is expected", "\"4k7\""},
    {"{\"a\": 1,\n \"b\": 2,\n}", 3, "column 1: found } where a key", "take out the comma"},
    {"[1,\n2,\n]", 3, "found ] where a value", "take out the comma"},
    {"{\"a\": 1\n \"b\": 2}", 2, "found \"b\" where a comma or } is expected", "write a comma"},
    {"{\"a\" 1}", 1, "found 1 where a colon", "colon between key and value"},
    {"{a: 1}", 1, "found a where a key", "double quotes"},
    {"{'a': 1}", 1, "found 'a' where a key", "straight double quotes"},
    {"[True]", 1, "found True", "write true in small letters"},
    {"[nan]", 1, "found nan", "leave the key out"},
    {"[-Infinity]", 1, "found -Infinity", "leave the key out"},
    {"[1] // end", 1, "found // after the end", "holds one value"},
    {"[1, // one\n2]", 1, "found // where a value", "no comments"},
    {"[01]", 1, "found 01", "without leading zeros"},
    {"[-00.5]", 1, "found -00.5", "without leading zeros"},
    {"[.5]", 1, "found .5", "a digit before the point"},
    {"[5.]", 1, "found 5.", "a digit after the point"},
    {"[+5]", 1, "found +5", "leave the + out"},
    {"[1e999]", 1, "the number 1e999 is too large or too small", "1.7e308"},
    {"[1e-999]", 1, "the number 1e-999 is too large or too small", "5e-324"},
    {"[\"a\tb\"]", 1, "column 4: a text holds the control character 0x09", "\\t"},
    {"[\"4\xB5\"]", 1, "column 4: the byte 0xB5 is not valid UTF-8", "save the file as UTF-8"},
    {"[\"\\u0000\"]", 1, "\\u0000 is not accepted", "take it out"},
    {"[\"\\uD800\"]", 1, "\\uD800 is half of a surrogate pair", "the character itself"},
    {"[\"a\\d\"]", 1, "column 4: a backslash must be followed", "\\\\"},
    {"[\"abc\n\"]", 1, "column 2: the text \"abc has no closing quote", "in the same line"},
    {"{\"a\": [\n1}", 2, "found }, but the list that opens in line 1 closes with ]", "bracket"},
    {"{\n\"a\": 1\n", 3, "the file ends inside the object that opens in line 1", "missing }"},
    {"\xFF\xFE{\0", 1, "the file is in UTF-16", "UTF-8"},
    {"[\"\xCE\xA9\", oops]", 1, "column 7: found oops",
     "double quotes"}, /* characters, not bytes */
    {"[\"\x1B[31m", 1, "control character 0x1B", "take it out"},
    {"[\x1B[31m]", 1, "found ? where a value", "double quotes"},
};

static void what_is_refused_is_explained(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof refused / sizeof *refused; i++) {
        sag_report *report;
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_json_document *document = (sag_json_document *)1;
        sag_status status = sag_json_read(refused[i].text, strlen(refused[i].text), "heron.json",
                                          &document, report);
        assert_null(document);
        assert_int_equal(sag_report_count(report), 1);
        const sag_finding *f = sag_report_get(report, 0);
        if (status != SAG_BAD_INPUT || f->place.line != refused[i].line ||
            !strstr(f->text, refused[i].says) || !f->hint || !strstr(f->hint, refused[i].hint)) {
            print_findings(report);
            fail_msg("%s: wants line %d, %s (%s)", refused[i].text, refused[i].line,
                     refused[i].says, refused[i].hint);
        }
        assert_int_equal(f->severity, SAG_ERROR);
        assert_string_equal(f->place.file, "heron.json");
        sag_report_free(report);
    }
}

/* Every file of the corpus, through the reader of files: good-NAME is accepted, bad-lineN-NAME
 * refused with an error in line N and a hint. */
static void the_corpus_is_replayed(void **state)
{
    (void)state;
    DIR *folder = opendir(CORPUS);
    if (!folder) {
        fail_msg("no folder %s", CORPUS);
        return;
    }
    int good = 0, bad = 0;
    for (struct dirent *entry = readdir(folder); entry; entry = readdir(folder)) {
        if (entry->d_name[0] == '.') {
            continue;
        }
        char name[512], *text;
        size_t length;
        int line = 0;
        sag_report *report;
        sag_json_document *document;
        snprintf(name, sizeof name, "%s/%s", CORPUS, entry->d_name);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        assert_int_equal(sag_json_load(name, &text, &length, report), SAG_OK);
        sag_status status = sag_json_read(text, length, name, &document, report);
        int is_bad = sscanf(entry->d_name, "bad-line%d-", &line) == 1;
        int sound = is_bad ? status == SAG_BAD_INPUT && !document && sag_report_count(report) > 0 &&
                                 sag_report_get(report, 0)->place.line == line &&
                                 sag_report_get(report, 0)->hint != NULL
                           : status == SAG_OK && document && sag_report_count(report) == 0;
        if (!sound) {
            print_findings(report);
            fail_msg("%s: status %d", entry->d_name, (int)status);
        }
        good += !is_bad;
        bad += is_bad;
        sag_json_free(document);
        sag_free(text);
        sag_report_free(report);
    }
    closedir(folder);
    assert_true(good >= 10 && bad >= 90);
}

static void every_doubled_key_is_reported(void **state)
{
    const char text[] = "{\"b\": 1,\n\"a\": 1,\n\"b\": 2,\n\"c\": {\"x\": 1,\n\"x\": 2},\n"
                        "\"a\": 3,\n\"b\": [{\"y\": 0, \"y\": 1}]}";
    static const struct {
        int line;
        const char *path, *says;
    } wanted[] = {{3, "b", "line 1"},
                  {6, "a", "line 2"},
                  {7, "b", "line 1"},
                  {5, "c.x", "line 4"},
                  {7, "b[0].y", "line 7"}};
    sag_json_document *document;
    assert_int_equal(sag_json_read(text, strlen(text), "f", &document, *state), SAG_BAD_INPUT);
    assert_null(document);
    assert_int_equal(sag_report_count(*state), 5);
    for (size_t i = 0; i < 5; i++) {
        const sag_finding *f = sag_report_get(*state, i);
        assert_int_equal(f->place.line, wanted[i].line);
        assert_string_equal(f->place.path, wanted[i].path);
        assert_non_null(strstr(f->text, wanted[i].says));
    }
}

/* `head`, then `unit` over and over up to `size` bytes, then `tail`. */
static char *repeat(const char *head, const char *unit, const char *tail, size_t size)
{
    char *text = calloc(1, size + strlen(head) + strlen(tail) + 1);
    assert_non_null(text);
    size_t used = strlen(head), step = strlen(unit);
    memcpy(text, head, used);
    for (; used + step <= size; used += step) {
        memcpy(text + used, unit, step);
    }
    memcpy(text + used, tail, strlen(tail)); /* zeros follow */
    return text;
}

/* Texts made to cost time or memory. The limit of 5 s is far above what is needed, even with
 * sanitizers on. */
static void heavy_texts_are_done_with_quickly(void **state)
{
    (void)state;
    static const struct {
        const char *head, *unit, *tail;
        size_t size;
        const char *says;
    } rows[] = {
        {"", "[", "", 100000, "nested deeper than 64"},
        {"", "{\"a\":", "", 100000, "nested deeper than 64"},
        {"[0", ",1", "]", SAG_JSON_MAX_BYTES - 8, "more than 200000 values"},
        {"[[]", ",[]", "]", SAG_JSON_MAX_BYTES - 8, "more than 200000 values"},
        {"{\"\":1", ",\"\":1", "}", 600000, "already stands in line 1"},
        {"{\"\":{\"a\":1,\"a\":2}", ",\"\":{\"a\":1,\"a\":2}", "}", 600000, "already stands"},
        {"", "\n", "x", SAG_JSON_MAX_BYTES - 8, "found x where a value"},
        {"[1", "1", "]", SAG_JSON_MAX_BYTES - 8, "more than 60 characters"},
        {"[", "x", "]", SAG_JSON_MAX_BYTES - 8, "found xxx"},
        {"[\"", "x", "", SAG_JSON_MAX_BYTES - 8, "no closing quote"},
        {"[\"", "\\u00e4", "\\u\"]", SAG_JSON_MAX_BYTES - 8, "four hexadecimal digits"},
        {"[", " ", "", SAG_JSON_MAX_BYTES + 1, "larger than 4 MiB"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char *text = repeat(rows[i].head, rows[i].unit, rows[i].tail, rows[i].size);
        sag_report *report;
        sag_json_document *document;
        assert_int_equal(sag_report_new(&report), SAG_OK);
        clock_t start = clock();
        assert_int_equal(sag_json_read(text, strlen(text), NULL, &document, report), SAG_BAD_INPUT);
        double seconds = (double)(clock() - start) / CLOCKS_PER_SEC;
        const char *found = sag_report_get(report, 0)->text;
        if (!strstr(found, rows[i].says) || seconds > 5) {
            fail_msg("%s%s...: %.1f s, \"%s\" lacks \"%s\"", rows[i].head, rows[i].unit, seconds,
                     found, rows[i].says);
        }
        assert_true(sag_report_count(report) <= SAG_JSON_MAX_ERRORS);
        assert_true(strlen(found) < 512);
        sag_report_free(report);
        free(text);
    }
}

static void long_texts_and_keys_are_read(void **state)
{
    char *text = repeat("{\"", "key", "\": 1}", 2000000);
    sag_json_document *document = read_good(text, *state);
    assert_int_equal(strlen(sag_json_root(document)->first->key), 1999998);
    char path[32];
    sag_place place = sag_json_place(sag_json_root(document)->first, "f", path, sizeof path);
    assert_string_equal(place.path, "keykeykeykeykeykeykeykeykeyk...");
    sag_json_free(document);
    free(text);
    text = repeat("[0", ",0", "]", 399999); /* 200,000 values with the list itself */
    document = read_good(text, *state);
    assert_int_equal(sag_json_root(document)->count, 199999);
    sag_json_free(document);
    free(text);
}

static char scratch[] = "/tmp/railsag-test-XXXXXX";

static int make_scratch(void **state)
{
    (void)state;
    memset(scratch + sizeof scratch - 7, 'X', 6);
    return mkdtemp(scratch) && setup(state) == 0 ? 0 : -1;
}

static int remove_scratch(void **state)
{
    static const char *const names[] = {"file", "sparse", "pipe", "secret", "loop"};
    char name[64];
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        snprintf(name, sizeof name, "%s/%s", scratch, names[i]);
        unlink(name);
    }
    rmdir(scratch);
    return teardown(state);
}

static const char *in_scratch(const char *name)
{
    static char path[64];
    snprintf(path, sizeof path, "%s/%s", scratch, name);
    return path;
}

static void make_file(const char *name, size_t size)
{
    FILE *file = fopen(in_scratch(name), "w");
    assert_non_null(file);
    for (size_t i = 0; i < size; i++) {
        fputc("0123456789"[i % 10], file);
    }
    assert_int_equal(fclose(file), 0);
}

static void refuses_to_load(const char *file, const char *says, sag_report *report)
{
    char *text = (char *)1;
    size_t length = 7;
    size_t before = sag_report_count(report);
    sag_status status = sag_json_load(file, &text, &length, report);
    assert_int_equal(status, SAG_BAD_INPUT);
    assert_null(text);
    assert_int_equal(length, 0);
    assert_int_equal(sag_report_count(report), before + 1);
    const sag_finding *f = sag_report_get(report, before);
    assert_string_equal(f->place.file, file);
    if (!strstr(f->text, says)) {
        fail_msg("%s: \"%s\" lacks \"%s\"", file, f->text, says);
    }
}

static void files_are_loaded_whole(void **state)
{
    static const size_t sizes[] = {0, 1, 65535, 65536, 65537, 200000, SAG_JSON_MAX_BYTES};
    for (size_t i = 0; i < sizeof sizes / sizeof *sizes; i++) {
        make_file("file", sizes[i]);
        char *text;
        size_t length;
        assert_int_equal(sag_json_load(in_scratch("file"), &text, &length, *state), SAG_OK);
        assert_int_equal(length, sizes[i]);
        assert_int_equal(strlen(text), sizes[i]); /* ends in zero */
        assert_true(sizes[i] == 0 || text[sizes[i] - 1] == "0123456789"[(sizes[i] - 1) % 10]);
        sag_free(text);
    }
    make_file("file", SAG_JSON_MAX_BYTES + 1);
    refuses_to_load(in_scratch("file"), "larger than 4 MiB", *state);
    char *text;
    size_t length;
    assert_int_equal(sag_json_load(NULL, &text, &length, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_json_load("x", NULL, &length, NULL), SAG_BAD_ARGUMENT);
    assert_int_equal(sag_json_load("x", &text, NULL, NULL), SAG_BAD_ARGUMENT);
}

static void what_is_no_plain_file_is_refused(void **state)
{
    alarm(20); /* none of this may wait */
    refuses_to_load(in_scratch("absent"), "there is no such file", *state);
    refuses_to_load("", "there is no such file", *state);
    refuses_to_load(scratch, "this is a folder", *state);
    refuses_to_load("/dev/zero", "a device or a pipe", *state);
    refuses_to_load("/dev/null", "a device or a pipe", *state);
    assert_int_equal(mkfifo(in_scratch("pipe"), 0600), 0);
    refuses_to_load(in_scratch("pipe"), "a device or a pipe", *state);
    make_file("file", 3);
    char below[80];
    snprintf(below, sizeof below, "%s/below", in_scratch("file"));
    refuses_to_load(below, "there is no such file", *state);
    assert_int_equal(symlink("loop", in_scratch("loop")), 0);
    refuses_to_load(in_scratch("loop"), "cannot be read", *state);
    make_file("sparse", 1);
    assert_int_equal(truncate(in_scratch("sparse"), (off_t)1 << 30), 0);
    refuses_to_load(in_scratch("sparse"), "larger than 4 MiB", *state);
    make_file("secret", 3);
    assert_int_equal(chmod(in_scratch("secret"), 0), 0);
    if (geteuid() != 0) { /* root may read everything */
        refuses_to_load(in_scratch("secret"), "may not be read", *state);
    }
    char *long_name = repeat("", "n", "", 5000);
    refuses_to_load(long_name, "cannot be read", *state);
    free(long_name);
    alarm(0);
}

/* Some files say that they have no bytes and give some all the same. */
static void the_announced_size_is_not_trusted(void **state)
{
    struct stat about;
    if (stat("/proc/self/status", &about) != 0 || about.st_size != 0) {
        skip();
    }
    char *text;
    size_t length;
    assert_int_equal(sag_json_load("/proc/self/status", &text, &length, *state), SAG_OK);
    assert_true(length > 100);
    assert_int_equal(strlen(text), length);
    sag_free(text);
}

static void short_memory_is_an_error(void **state)
{
    (void)state;
    static const char good[] =
        "{\"a\": [1, 2, {\"b\": \"x\", \"c\": true}, 4, 5, 6, 7, 8], \"d\": 4}";
    static const char bad[] = "{\"a\": 1, \"a\": 2}";
    long n = 1;
    for (int done = 0; !done; n++) {
        sag_json_document *document;
        sag_report *report;
        fail_allocation_at(0);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        fail_allocation_at(n);
        sag_status status = sag_json_read(good, strlen(good), "f", &document, report);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
        assert_int_equal(sag_report_count(report), 0);
        assert_true(!document == !done);
        sag_json_free(document);
        sag_report_free(report);
    }
    assert_true(
        n > 20); /* cJSON's are among them: it takes one for each of 13 values, and for each text */
    n = 1;
    for (int done = 0; !done; n++) {
        sag_json_document *document;
        sag_report *report;
        fail_allocation_at(0);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        fail_allocation_at(n);
        sag_status status = sag_json_read(bad, strlen(bad), "f", &document, report);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_null(document);
        assert_true(status == SAG_NO_MEMORY || status == SAG_BAD_INPUT);
        /* The finding is kept, or counted as lost. */
        assert_true(status == SAG_NO_MEMORY ||
                    sag_report_count(report) + sag_report_lost(report) == 1);
        assert_true(!done || (status == SAG_BAD_INPUT && sag_report_count(report) == 1));
        sag_report_free(report);
    }
    n = 1;
    for (int done = 0; !done; n++) {
        char *text;
        size_t length;
        fail_allocation_at(n);
        sag_status status = sag_json_load(CORPUS "/good-object.json", &text, &length, NULL);
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(status, done ? SAG_OK : SAG_NO_MEMORY);
        assert_true(!text == !done);
        sag_free(text);
    }
    assert_true(n > 2);
}

/* Sound texts with bytes changed, left out or put in: accepted or refused, but never both, and no
 * crash. What is accepted was understood by two readers in the same way, or json.c would not have
 * filled its tree. */
static void damaged_texts_are_survived(void **state)
{
    (void)state;
    static const char sound[] = "{\"a\": [1, -2.5e3, true, null, \"x\\u00b5\\uD834\\uDD1E\"],\n "
                                "\"b\": {\"c\": \"\xC2\xB5\"}}";
    static const char bytes[] = "{}[]\",:0123456789.-+eEtruefalsn\\u \n\t\xC2\xB5\xFF";
    uint64_t seed = 3;
    int accepted = 0;
    for (int i = 0; i < 50000; i++) {
        char text[sizeof sound + 8];
        size_t length = sizeof sound - 1;
        memcpy(text, sound, length);
        for (int j = 0; j <= i % 4; j++) {
            seed = seed * 6364136223846793005u + 1442695040888963407u;
            size_t at = (size_t)(seed >> 40) % length;
            char byte = bytes[(seed >> 20) % (sizeof bytes - 1)];
            if (seed >> 62 == 0) {
                memmove(text + at, text + at + 1, --length - at);
            } else if (seed >> 62 == 1) {
                memmove(text + at + 1, text + at, length++ - at);
                text[at] = byte;
            } else {
                text[at] = byte;
            }
        }
        sag_json_document *document;
        sag_report *report;
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_status status = sag_json_read(text, length, NULL, &document, report);
        assert_true(status == SAG_OK || status == SAG_BAD_INPUT);
        assert_true((status == SAG_OK) == (document != NULL));
        assert_true((status == SAG_OK) == (sag_report_count(report) == 0));
        accepted += status == SAG_OK;
        sag_json_free(document);
        sag_report_free(report);
    }
    assert_true(accepted > 1000 && accepted < 49000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(the_tree_has_lines_and_order, setup, teardown),
        cmocka_unit_test_setup_teardown(only_length_bytes_are_read, setup, teardown),
        cmocka_unit_test(what_is_refused_is_explained),
        cmocka_unit_test(the_corpus_is_replayed),
        cmocka_unit_test_setup_teardown(every_doubled_key_is_reported, setup, teardown),
        cmocka_unit_test(heavy_texts_are_done_with_quickly),
        cmocka_unit_test_setup_teardown(long_texts_and_keys_are_read, setup, teardown),
        cmocka_unit_test_setup_teardown(files_are_loaded_whole, make_scratch, remove_scratch),
        cmocka_unit_test_setup_teardown(what_is_no_plain_file_is_refused, make_scratch,
                                        remove_scratch),
        cmocka_unit_test_setup_teardown(the_announced_size_is_not_trusted, setup, teardown),
        cmocka_unit_test(short_memory_is_an_error),
        cmocka_unit_test(damaged_texts_are_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
