/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The sentences at the end of levels and headroom: each case is read as a whole, for that is how a
 * person reads them. */
#include "words.h"

#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define NONE ((double)NAN)

static words_supply rail(double supply_v, double margin_db)
{
    return (words_supply){.supply_v = supply_v,
                          .margin_db = margin_db,
                          .margin_hz = 41.2,
                          .stage = "U1B",
                          .limit = SAG_LIMIT_RAIL_POSITIVE,
                          .lost_dbv = NONE};
}

static words_supply missing(double supply_v, sag_status status)
{
    return (words_supply){
        .supply_v = supply_v, .status = status, .margin_db = NONE, .lost_dbv = NONE};
}

/* Writes the sentences through a file; a static text with line breaks as blanks. */
static const char *write_words(words_supply *supplies, size_t count, double top_dbv,
                               int extrapolated)
{
    static char text[4096];
    char name[] = "test_words.XXXXXX";
    words_facts facts = {.supplies = supplies,
                         .count = count,
                         .nominal_v = 9,
                         .hard_vpk = 1,
                         .low_hz = 31.7,
                         .high_hz = 399,
                         .extrapolated = extrapolated,
                         .bottom_dbv = -40,
                         .top_dbv = top_dbv};
    int fd = mkstemp(name);
    assert_true(fd >= 0);
    close(fd);
    output *out = output_open(name);
    assert_non_null(out);
    words_write(out, &facts);
    assert_true(output_commit(out));
    FILE *file = fopen(name, "r");
    assert_non_null(file);
    size_t length = fread(text, 1, sizeof text - 1, file);
    text[length] = '\0';
    fclose(file);
    unlink(name);
    for (char *c = text; *c; c++) {
        *c = *c == '\n' ? ' ' : *c;
    }
    return text;
}

static void one_supply_reads(void **state)
{
    (void)state;
    words_supply over = rail(9, 3.2), under = rail(9, -2.14);
    assert_string_equal(
        write_words(&over, 1, NONE, 0),
        "At 9 V clip onset lies 3.2 dB above hard playing (1 V peak) at 41.2 Hz, where U1B reaches "
        "its positive rail. ");
    assert_string_equal(
        write_words(&under, 1, NONE, 1),
        "At 9 V clip onset lies about 2.1 dB below hard playing (1 V peak) at 41.2 Hz, where U1B "
        "reaches its positive rail: hard playing does not come through clean. ");
}

static void a_margin_of_nothing_reads(void **state)
{
    (void)state;
    words_supply supply = rail(9, -0.03);
    assert_string_equal(write_words(&supply, 1, NONE, 1),
                        "At 9 V clip onset lies right at hard playing (1 V peak) at 41.2 Hz, where "
                        "U1B reaches its positive rail. ");
}

static void no_limit_reads(void **state)
{
    (void)state;
    words_supply none[] = {rail(18, NONE), rail(9, NONE)};
    assert_string_equal(write_words(none, 1, NONE, 0),
                        "At 18 V no stage meets a limit from 31.7 Hz to 399 Hz. ");
    assert_string_equal(
        write_words(none, 2, NONE, 0),
        "At 9 V no stage meets a limit from 31.7 Hz to 399 Hz. Hard playing stays clean at "
        "every supply computed. ");
}

static void several_supplies_read(void **state)
{
    (void)state;
    words_supply supplies[] = {rail(18, 9.4), rail(9, 3), rail(5, -2.5), missing(3, SAG_STOPPED)};
    supplies[2].marks = SAG_MARK_OUTSIDE_SHEET;
    assert_string_equal(write_words(supplies, 4, NONE, 0),
                        "At 9 V clip onset lies 3.0 dB above hard playing (1 V peak) at 41.2 Hz, "
                        "where U1B reaches its positive rail. "
                        "18 V instead of 9 V buys 6.4 dB; hard playing stays clean at 18 V and 9 V "
                        "and meets a limit at 5 V. "
                        "The figures at 5 V are outside a part's data sheet. There are no figures "
                        "at 3 V: a part gets less "
                        "than the supply it works at. ");
}

static void a_lower_supply_costs(void **state)
{
    (void)state;
    words_supply supplies[] = {rail(5, -1), rail(7, 2)};
    assert_string_equal(write_words(supplies, 2, NONE, 0),
                        "At 5 V clip onset lies 1.0 dB below hard playing (1 V peak) at 41.2 Hz, "
                        "where U1B reaches its positive rail: hard "
                        "playing does not come through clean. 7 V instead of 5 V buys 3.0 dB; hard "
                        "playing stays clean at "
                        "7 V and meets a limit at 5 V. ");
    supplies[1].supply_v = 9;
    assert_string_equal(
        write_words(supplies, 2, NONE, 0),
        "At 9 V clip onset lies 2.0 dB above hard playing (1 V peak) at 41.2 Hz, where U1B "
        "reaches its positive rail. 5 V "
        "instead of 9 V costs 3.0 dB; hard playing stays clean at 9 V and meets a limit at 5 V. ");
}

static void nothing_computed_reads(void **state)
{
    (void)state;
    words_supply supplies[] = {missing(60, SAG_WOULD_DAMAGE), missing(2, SAG_STOPPED),
                               missing(1, SAG_STOPPED)};
    assert_string_equal(
        write_words(supplies, 3, 10, 1),
        "There are no figures at 60 V: a part gets more than its absolute maximum supply. "
        "There are no figures at 2 V and 1 V: a part gets less than the supply it works at. ");
}

static void the_curve_reads(void **state)
{
    (void)state;
    words_supply supply = rail(9, 3);
    assert_non_null(
        strstr(write_words(&supply, 1, 10, 1),
               " At 9 V the EQ curve stays within 1 dB up to the loudest level, +10.0 dBV. "));
    supply.lost_dbv = 0;
    supply.lost_db = 2.3;
    supply.lost_hz = 20;
    assert_non_null(strstr(
        write_words(&supply, 1, 10, 1),
        " At 9 V the EQ curve has lost 1 dB or more from 0.0 dBV on: there 2.3 dB at 20 Hz. "));
    supply.lost_name = "hard";
    supply.lost_dbv = -3.01;
    assert_non_null(strstr(write_words(&supply, 1, 10, 1),
                           " from hard playing (-3.0 dBV) on: there 2.3 dB at 20 Hz. "));
    supply.lost_name = "soft";
    supply.lost_dbv = -40;
    assert_non_null(strstr(write_words(&supply, 1, 10, 1),
                           " At 9 V the EQ curve has lost 1 dB or more at soft playing (-40.0 dBV) "
                           "already, the softest level computed: 2.3 dB at 20 Hz. "));
}

/* Every kind of limit makes a sentence of its own. */
static void limits_read(void **state)
{
    (void)state;
    static const struct {
        sag_limit_kind kind;
        const char *text;
    } rows[] = {
        {SAG_LIMIT_RAIL_NEGATIVE, ", where U1B reaches its negative rail. "},
        {SAG_LIMIT_SLEW, ", where U1B reaches its slew rate. "},
        {SAG_LIMIT_CURRENT, ", where U1B reaches its output current limit. "},
        {SAG_LIMIT_INPUT_RANGE, ", where U1B leaves its input range. "},
        {SAG_LIMIT_NO_SWING, ", where U1B runs out of swing. "},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        words_supply supply = rail(9, 1);
        supply.limit = rows[i].kind;
        assert_non_null(strstr(write_words(&supply, 1, NONE, 0), rows[i].text));
    }
}

static void a_family_names_its_setting(void **state)
{
    (void)state;
    words_supply supply = missing(9, SAG_OK);
    static const struct {
        double margin_db, hz;
        const char *stage, *setting;
        sag_limit_kind limit;
    } rows[] = {{4, 100, "U1A", "bass 0 %", SAG_LIMIT_SLEW},
                {1, 50, "U1B", "bass 100 %", SAG_LIMIT_RAIL_POSITIVE},
                {2, 60, "U1A", "bass 50 %", SAG_LIMIT_SLEW},
                {NONE, 70, "U1A", "bass 60 %", SAG_LIMIT_SLEW}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        words_margins margins = words_margins_start();
        words_margins_add(&margins, 20, 41.2, "U1A", SAG_LIMIT_SLEW);
        words_margins_add(&margins, rows[i].margin_db, rows[i].hz, rows[i].stage, rows[i].limit);
        words_margins_add(&margins, 10, 200, "U1A", SAG_LIMIT_SLEW);
        words_margin(&supply, &margins, rows[i].setting);
    }
    assert_string_equal(
        write_words(&supply, 1, NONE, 0),
        "At 9 V with bass 100 % clip onset lies 1.0 dB above hard playing (1 V peak) at 50 Hz, "
        "where U1B reaches its positive rail. ");
}

/* On a flat curve the frequency of the least margin is chance. */
static void a_flat_curve_names_the_span(void **state)
{
    (void)state;
    for (int kind = 0; kind < 3; kind++) {
        words_supply supply = missing(9, SAG_OK);
        words_margins margins = words_margins_start();
        words_margins_add(&margins, 5.06, 50, "U1A", SAG_LIMIT_RAIL_NEGATIVE);
        words_margins_add(&margins, 5.0, 100, "U1A", SAG_LIMIT_RAIL_NEGATIVE);
        if (kind > 0) { /* more elsewhere, or no limit at all */
            words_margins_add(&margins, kind == 1 ? 5.2 : NONE, 200, "U1A",
                              SAG_LIMIT_RAIL_NEGATIVE);
        }
        words_margin(&supply, &margins, "");
        assert_string_equal(
            write_words(&supply, 1, NONE, 0),
            kind == 0 ? "At 9 V clip onset lies 5.0 dB above hard playing (1 V peak) from "
                        "31.7 Hz to 399 Hz, where U1A reaches its negative rail. "
                      : "At 9 V clip onset lies 5.0 dB above hard playing (1 V peak) at "
                        "100 Hz, where U1A reaches its negative rail. ");
    }
}

static void many_supplies_are_counted(void **state)
{
    (void)state;
    words_supply supplies[40];
    for (int i = 0; i < 40; i++) {
        supplies[i] = rail(3 + 0.25 * i, i - 20);
    }
    assert_non_null(strstr(
        write_words(supplies, 40, NONE, 0),
        "hard playing stays clean at 20 of 40 supplies and meets a limit at 20 of 40 supplies."));
}

static void span_is_that_of_fundamentals(void **state)
{
    (void)state;
    static const double grid[] = {20, 31, 100, 400, 401, 1000}, high[] = {1000, 2000};
    words_facts facts = {.count = 0};
    words_span(&facts, grid, 6);
    near_abs(facts.low_hz, 31, 0, "the grid point");
    near_abs(facts.high_hz, 400, 0, "the grid point");
    words_span(&facts, high, 2);
    near_abs(facts.low_hz, 1000, 0, "no fundamental on the grid: all of it");
    near_abs(facts.high_hz, 2000, 0, "no fundamental on the grid: all of it");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_supply_reads),
        cmocka_unit_test(a_margin_of_nothing_reads),
        cmocka_unit_test(no_limit_reads),
        cmocka_unit_test(several_supplies_read),
        cmocka_unit_test(a_lower_supply_costs),
        cmocka_unit_test(nothing_computed_reads),
        cmocka_unit_test(the_curve_reads),
        cmocka_unit_test(limits_read),
        cmocka_unit_test(a_family_names_its_setting),
        cmocka_unit_test(a_flat_curve_names_the_span),
        cmocka_unit_test(many_supplies_are_counted),
        cmocka_unit_test(span_is_that_of_fundamentals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
