/* SPDX-License-Identifier: GPL-3.0-or-later */
/* design: broken files. */
#include "reading.h"

/* Replay of broken files: fixed pseudo-random edits of a good one. Never a crash, and never a
 * failure without an error that says why. */

static unsigned next_random(unsigned *seed)
{
    *seed = *seed * 1664525u + 1013904223u; /* Knuth's linear congruential generator: full period */
    return *seed >> 8;
}

/* Where the next token after `at` begins and ends: a text in quotes, a word, or one character. */
static void find_token(const char *text, size_t length, size_t at, size_t *begin, size_t *end)
{
    while (at < length && (text[at] == ' ' || text[at] == '\n')) {
        at++;
    }
    *begin = at;
    if (at < length && text[at] == '"') {
        at++;
        while (at < length && text[at] != '"') {
            at++;
        }
    }
    *end = at < length ? at + 1 : length;
}

static size_t splice(char *text, size_t length, size_t at, size_t remove, const char *put,
                     size_t size)
{
    memmove(text + at + size, text + at + remove, length - at - remove);
    memcpy(text + at, put, size);
    return length - remove + size;
}

static size_t break_once(char *text, size_t length, unsigned *seed)
{
    static const char *const tokens[] = {"\"open\"",    "\"ground\"",  "\"0R\"",
                                         "0",           "-1",          "1e999",
                                         "\"vref\"",    "\"\"",        "null",
                                         "true",        "[]",          "{}",
                                         "[[[[",        "\"1,5\"",     "\"R1\"",
                                         "\"control\"", ",",           "\"U1A\"",
                                         "\"mid\"",     "\"../../x\"", "\"sample-single\"",
                                         "\"buf\""};
    size_t begin, end, begin2, end2;
    size_t at = next_random(seed) % (length ? length : 1);
    char kept[256];
    find_token(text, length, at, &begin, &end);
    switch (next_random(seed) % 6) {
    case 0: /* a byte is lost */
        return length ? splice(text, length, at, 1, "", 0) : 0;
    case 1: /* a byte is another */
        kept[0] = (char)(next_random(seed) & 0xFF);
        return length ? splice(text, length, at, 1, kept, 1) : 0;
    case 2: /* a token is lost */
        return splice(text, length, begin, end - begin, "", 0);
    case 3: /* a token is another one of the file */
        find_token(text, length, next_random(seed) % (length ? length : 1), &begin2, &end2);
        end2 = end2 - begin2 < sizeof kept ? end2 : begin2 + sizeof kept;
        memcpy(kept, text + begin2, end2 - begin2);
        return splice(text, length, begin, end - begin, kept, end2 - begin2);
    case 4: { /* a token is a troublesome one */
        const char *token = tokens[next_random(seed) % (sizeof tokens / sizeof *tokens)];
        return splice(text, length, begin, end - begin, token, strlen(token));
    }
    default: /* a stretch is doubled */
        end2 = begin + next_random(seed) % sizeof kept;
        end2 = end2 < length ? end2 : length;
        memcpy(kept, text + begin, end2 - begin);
        return splice(text, length, begin, 0, kept, end2 - begin);
    }
}

/* A value in quotes becomes another of the file or a troublesome one: the text stays well-formed,
 * and what is tried is the reading of the design. */
static size_t exchange_value(char *text, size_t length, unsigned *seed)
{
    static const char *const values[] = {
        "\"open\"", "\"0R\"",   "\"ground\"",  "\"none\"",          "1",  "[]",
        "{}",       "\"vref\"", "\"jack_in\"", "\"sample-single\"", "-1", "\"buf\""};
    size_t begin[2] = {0, 0}, end[2] = {0, 0};
    char kept[256];
    for (int i = 0; i < 2; i++) {
        do {
            find_token(text, length, next_random(seed) % length, &begin[i], &end[i]);
            while (begin[i] < length && text[begin[i]] != '"') { /* on to the end of a token */
                begin[i]++;
            }
            find_token(text, length, begin[i], &begin[i], &end[i]);
        } while (end[i] >= length || text[end[i]] == ':' || end[i] - begin[i] < 2 ||
                 end[i] - begin[i] > sizeof kept || !strchr("[ ", text[begin[i] - 1]) ||
                 !strchr(",]}", text[end[i]]));
    }
    size_t size = end[1] - begin[1];
    memcpy(kept, text + begin[1], size);
    if (next_random(seed) % 2) {
        const char *value = values[next_random(seed) % (sizeof values / sizeof *values)];
        size = strlen(value);
        memcpy(kept, value, size);
    }
    return splice(text, length, begin[0], end[0] - begin[0], kept, size);
}

static void broken_files(void **state)
{
    (void)state;
    char *text = load(SMALL);
    size_t good_length = strlen(text), accepted = 0, checked = 0;
    char *broken = sag_new(good_length + 8 * 256, 1);
    assert_non_null(broken);
    unsigned seed = 1;
    for (int i = 0; i < 3000; i++) {
        sag_design *d = NULL;
        sag_report *report = NULL;
        size_t length = good_length;
        memcpy(broken, text, length);
        for (unsigned k = next_random(&seed) % 4 + 1; k > 0; k--) {
            length =
                i % 2 ? break_once(broken, length, &seed) : exchange_value(broken, length, &seed);
        }
        /* exactly as long as it says, so that a read beyond it is caught */
        char *exact = sag_copy_text(broken, length);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        sag_status status = sag_design_read(exact, length, SMALL, &path, &d, report);
        if (status == SAG_OK ? d == NULL || sag_report_count_of(report, SAG_ERROR) > 0
                             : d != NULL || status != SAG_BAD_INPUT ||
                                   sag_report_count_of(report, SAG_ERROR) == 0) {
            print_error("round %d: %s, %zu errors, of\n%s\n", i, sag_status_name(status),
                        sag_report_count_of(report, SAG_ERROR), exact);
            fail();
        }
        for (size_t k = 0; k < sag_report_count(report); k++) {
            const char *says = sag_report_get(report, k)->text;
            if (strstr(says, "has no DC path") || strstr(says, "used only once")) {
                checked++; /* it got as far as the checks of the whole */
                break;
            }
        }
        if (d) {
            accepted++;
            sag_design_set(d, "bass=20%", report);
            sag_design_change(d, "R7=0", report);
        }
        sag_design_free(d);
        sag_report_free(report);
        sag_free(exact);
    }
    /* Else the edits try no more than the front door. */
    assert_true(accepted > 100 && checked > 100);
    sag_free(broken);
    sag_free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(broken_files),
    };
    return cmocka_run_group_tests_name("design broken", tests, NULL, NULL);
}
