/* SPDX-License-Identifier: GPL-3.0-or-later */
/* memory, report and status: the ground that every other module stands on. */
#include "near.h"

#include "fail_alloc.h"
#include "memory.h"
#include "report.h"

#include <stdio.h>
#include <string.h>

static void new_blocks_are_zero(void **state)
{
    (void)state;
    unsigned char *block = sag_new(1000, 7);
    assert_non_null(block);
    for (size_t i = 0; i < 7000; i++) {
        assert_int_equal(block[i], 0);
    }
    sag_free(block);
    double *none =
        sag_new(0, sizeof *none); /* as promised: one element, so that NULL means failure */
    assert_non_null(none);
    near_abs(*none, 0, 0, "promise of memory.h");
    sag_free(none);
    sag_free(NULL);
}

static void sizes_that_overflow_are_refused(void **state)
{
    (void)state;
    assert_null(sag_new(SIZE_MAX / 2, 3));
    assert_null(sag_new(SIZE_MAX, SIZE_MAX));
    assert_null(sag_copy_text("", SIZE_MAX));
    int value = 7;
    void *array = &value;
    size_t capacity = 1;
    assert_int_equal(sag_grow(&array, &capacity, SIZE_MAX, sizeof value), 0);
    assert_ptr_equal(array, &value);
    assert_int_equal(capacity, 1);
}

static void growing_keeps_and_zeroes(void **state)
{
    (void)state;
    int *array = NULL;
    size_t capacity = 0;
    for (int i = 0; i < 1000; i++) {
        size_t before = capacity;
        assert_int_equal(sag_grow((void **)&array, &capacity, (size_t)i + 1, sizeof *array), 1);
        assert_true(capacity > (size_t)i);
        for (size_t j = before; j < capacity; j++) {
            assert_int_equal(array[j], 0);
        }
        array[i] = i;
    }
    for (int i = 0; i < 1000; i++) {
        assert_int_equal(array[i], i);
    }
    int *same = array;
    assert_int_equal(sag_grow((void **)&array, &capacity, 5, sizeof *array), 1);
    assert_ptr_equal(array, same);
    fail_allocation_at(1);
    size_t before = capacity;
    assert_int_equal(sag_grow((void **)&array, &capacity, capacity + 1, sizeof *array), 0);
    fail_allocation_at(0);
    assert_ptr_equal(array, same);
    assert_int_equal(capacity, before);
    assert_int_equal(array[999], 999);
    sag_free(array);
}

static void copies_of_text_end_in_zero(void **state)
{
    (void)state;
    char *copy = sag_copy_text("4k7 ohm", 3);
    assert_string_equal(copy, "4k7");
    sag_free(copy);
    copy = sag_copy_text(NULL, 0);
    assert_string_equal(copy, "");
    sag_free(copy);
}

static void every_status_has_a_name_and_a_text(void **state)
{
    (void)state;
    static const sag_status all[] = {
#define VALUE(id, value, name, text) id,
        SAG_STATUS_LIST(VALUE)
#undef VALUE
    };
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        assert_true(strlen(sag_status_name(all[i])) > 0);
        assert_true(strlen(sag_status_text(all[i])) > 0);
        assert_string_not_equal(sag_status_name(all[i]), "unknown");
        for (size_t j = 0; j < i; j++) {
            assert_int_not_equal(all[i], all[j]);
            assert_string_not_equal(sag_status_name(all[i]), sag_status_name(all[j]));
        }
    }
    assert_string_equal(sag_status_name((sag_status)999), "unknown");
    assert_string_equal(sag_status_text((sag_status)-999), "unknown status");
    assert_int_equal(SAG_OK, 0);
    assert_true(SAG_NOT_CONVERGED > 0 && SAG_BAD_INPUT < 0 && SAG_NO_MEMORY < 0);
}

static void findings_are_kept_in_order_and_copied(void **state)
{
    (void)state;
    sag_report *report;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    assert_int_equal(sag_report_count(report), 0);
    char file[] = "heron.json", path[] = "parts.C3.capacitor", hint[] = "as 47n";
    sag_place place = {file, 12, path};
    sag_report_at(report, SAG_ERROR, place, hint, "found \"%s\"", "4,7n");
    sag_report_at(report, SAG_WARNING, (sag_place){0}, NULL, "%d %% of %s", 50, "it");
    sag_report_on(report, SAG_NOTE, "U1B at 9 V", NULL, "no swing");
    file[0] = path[0] = hint[0] = 'X';
    assert_int_equal(sag_report_count(report), 3);
    const sag_finding *first = sag_report_get(report, 0);
    assert_int_equal(first->severity, SAG_ERROR);
    assert_string_equal(first->place.file, "heron.json");
    assert_int_equal(first->place.line, 12);
    assert_string_equal(first->place.path, "parts.C3.capacitor");
    assert_null(first->where);
    assert_string_equal(first->text, "found \"4,7n\"");
    assert_string_equal(first->hint, "as 47n");
    const sag_finding *second = sag_report_get(report, 1);
    assert_null(second->place.file);
    assert_null(second->place.path);
    assert_null(second->hint);
    assert_string_equal(second->text, "50 % of it");
    assert_string_equal(sag_report_get(report, 2)->where, "U1B at 9 V");
    assert_int_equal(sag_report_count_of(report, SAG_ERROR), 1);
    assert_int_equal(sag_report_count_of(report, SAG_WARNING), 1);
    assert_int_equal(sag_report_count_of(report, SAG_NOTE), 1);
    assert_int_equal(sag_report_lost(report), 0);
    sag_report_free(report);
}

static void a_condition_is_reported_once(void **state)
{
    (void)state;
    sag_report *report;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    sag_report_on(report, SAG_WARNING, "U1 at 3 V", NULL, "outside data sheet");
    sag_report_on(report, SAG_WARNING, "U1 at 3 V", NULL, "outside data sheet");
    sag_report_on(report, SAG_WARNING, "U1 at 5 V", NULL, "outside data sheet");
    sag_report_on(report, SAG_WARNING, "U1 at 3 V", NULL, "estimate");
    assert_int_equal(sag_report_count(report), 3);
    /* Findings about places stand for every occurrence. */
    sag_report_at(report, SAG_ERROR, (sag_place){0}, NULL, "again");
    sag_report_at(report, SAG_ERROR, (sag_place){0}, NULL, "again");
    assert_int_equal(sag_report_count(report), 5);
    sag_report_free(report);
}

static void long_texts_are_cut(void **state)
{
    (void)state;
    sag_report *report;
    assert_int_equal(sag_report_new(&report), SAG_OK);
    static char text[100000];
    memset(text, 'x', sizeof text - 1);
    sag_report_at(report, SAG_ERROR, (sag_place){0}, NULL, "%s", text);
    sag_report_on(report, SAG_ERROR, NULL, NULL, "%s", text);
    assert_int_equal(strlen(sag_report_get(report, 0)->text), 1023);
    assert_int_equal(strlen(sag_report_get(report, 1)->text), 1023);
    sag_report_free(report);
}

static void no_report_is_no_trouble(void **state)
{
    (void)state;
    sag_report_at(NULL, SAG_ERROR, (sag_place){0}, NULL, "nobody listens");
    sag_report_on(NULL, SAG_ERROR, "U1", NULL, "nobody listens");
    assert_int_equal(sag_report_count(NULL), 0);
    assert_int_equal(sag_report_count_of(NULL, SAG_ERROR), 0);
    assert_int_equal(sag_report_lost(NULL), 0);
    sag_report_free(NULL);
}

/* Fails each allocation in turn: what cannot be kept is counted as lost, and what was kept stays.
 */
static void findings_that_cannot_be_kept_are_counted(void **state)
{
    (void)state;
    sag_report *report;
    fail_allocation_at(1);
    assert_int_equal(sag_report_new(&report), SAG_NO_MEMORY);
    assert_null(report);
    long n = 1;
    for (int done = 0; !done; n++) {
        fail_allocation_at(0);
        assert_int_equal(sag_report_new(&report), SAG_OK);
        fail_allocation_at(n);
        sag_place place = {"heron.json", 3, "title"};
        sag_report_at(report, SAG_ERROR, place, "hint", "one");
        sag_report_on(report, SAG_NOTE, "U1", "hint", "two");
        done = allocations_seen() < n;
        fail_allocation_at(0);
        assert_int_equal(sag_report_lost(report), done ? 0 : 1);
        assert_int_equal(sag_report_count(report) + sag_report_lost(report), 2);
        for (size_t i = 0; i < sag_report_count(report); i++) {
            assert_non_null(sag_report_get(report, i)->text);
            assert_string_equal(sag_report_get(report, i)->hint, "hint");
        }
        sag_report_free(report);
    }
    assert_true(n > 7); /* at least the list, and four and three texts */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(new_blocks_are_zero),
        cmocka_unit_test(sizes_that_overflow_are_refused),
        cmocka_unit_test(growing_keeps_and_zeroes),
        cmocka_unit_test(copies_of_text_end_in_zero),
        cmocka_unit_test(every_status_has_a_name_and_a_text),
        cmocka_unit_test(findings_are_kept_in_order_and_copied),
        cmocka_unit_test(a_condition_is_reported_once),
        cmocka_unit_test(long_texts_are_cut),
        cmocka_unit_test(no_report_is_no_trouble),
        cmocka_unit_test(findings_that_cannot_be_kept_are_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
