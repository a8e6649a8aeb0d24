/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pages as SVG, PNG and PDF: kinds by ending, the same bytes each time, nothing written on failure.
 */
#include "sheet.h"

#include "chance.h"
#include "fail_alloc.h"
#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static void kinds_go_by_the_ending(void **state)
{
    (void)state;
    static const struct {
        const char *file;
        int known;
        picture_kind kind;
    } cases[] = {
        {"a.svg", 1, PICTURE_SVG},       {"a.png", 1, PICTURE_PNG},  {"a.pdf", 1, PICTURE_PDF},
        {"b/c.x.PDF", 1, PICTURE_PDF},   {"A.Svg", 1, PICTURE_SVG},  {"-", 1, PICTURE_SVG},
        {"a.jpg", 0, PICTURE_SVG},       {"svg", 0, PICTURE_SVG},    {".svg", 1, PICTURE_SVG},
        {"folder/.pdf", 1, PICTURE_PDF}, {"a.svgz", 0, PICTURE_SVG}, {"", 0, PICTURE_SVG},
        {"a.pdf/", 0, PICTURE_SVG},      {"asvg", 0, PICTURE_SVG},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        picture_kind kind = PICTURE_SVG;
        assert_int_equal(picture_kind_of(cases[i].file, &kind), cases[i].known);
        assert_int_equal(kind, cases[i].kind);
    }
}

/* A page with everything on it: gaps, marks, a band, references, a panel without a value. */
static void fill(sheet *page, int panels)
{
    static const sheet_key key[] = {{SHEET_LINE, {{0, 0, 0}, 1, SCALE_DASH}, "dashed"},
                                    {SHEET_OPEN_MARK, {{0, 0, 0}, 0, SCALE_SOLID}, "open"}};
    memset(page, 0, sizeof *page);
    page->title = "Curlew: a title with a broken byte \xff and a line\nbreak";
    page->shown = "what is shown";
    page->axes[0].x_title = "frequency, Hz";
    page->axes[0].y_title = "gain, dB";
    page->axes[0].x_spacing = PLOT_LOG;
    page->axes[0].least_y = 10;
    page->axes[0].deepest_y = (double)INFINITY;
    page->axes[1] = (sheet_axes){"hours", "gain, dB", PLOT_LINEAR, 1, 40};
    page->key = key;
    page->key_count = 2;
    for (int i = 0; i < panels; i++) {
        page->group = i >= 3; /* the later ones on axes of their own */
        plot *p = sheet_panel(page, "9 V", "8.9 V at the terminals");
        for (size_t rank = 0; rank < 3 && p; rank++) {
            scale_line line = scale_supply(rank, 3);
            plot_curve(p, &line, "9", "V");
            for (int k = 0; k <= 60; k++) {
                double part = k / 60.0;
                plot_point(p, 20 * pow(1000, part),
                           k == 30 || i == 1 ? (double)NAN
                                             : 15 * cos(6.28 * part) - 3 * (double)rank);
                if (k == 40) {
                    plot_dash(p, SCALE_DOT);
                }
            }
            plot_mark(p, rank ? PLOT_FILLED : PLOT_OPEN, line.colour, 1000, 3);
            plot_band(p, line.colour, NULL);
            plot_band_point(p, 100, -1, 1);
            plot_band_point(p, 1000, -2, 2);
            plot_band_point(p, 2000, (double)NAN, 2);
            plot_band_point(p, 3000, -2, 2);
        }
        if (p) {
            plot_reference(p, "hard 1 Vpk");
            plot_point(p, 20, -3);
            plot_point(p, 400, -3);
            plot_point(p, 20e3, -37);
            plot_horizontal(p, 5, "horizontal");
            plot_vertical(p, 500, "vertical");
        }
    }
    sheet_note(page,
               "A note of %d words that is long enough to be broken into two lines on a page "
               "as wide as this one, whatever the letters of the font look like",
               28);
}

/* Draws a page into a file and reads it back; the caller frees the bytes. */
static char *draw(picture_kind kind, int panels, size_t *length)
{
    char name[] = "test_sheet.XXXXXX";
    int fd = mkstemp(name);
    assert_true(fd >= 0);
    close(fd);
    output *out = output_open(name);
    assert_non_null(out);
    sheet page;
    fill(&page, panels);
    assert_true(sheet_write(&page, kind, out));
    sheet_free(&page);
    assert_true(output_commit(out));
    FILE *file = fopen(name, "rb");
    assert_non_null(file);
    fseek(file, 0, SEEK_END);
    *length = (size_t)ftell(file);
    rewind(file);
    char *bytes = malloc(*length + 1);
    assert_non_null(bytes);
    assert_int_equal(fread(bytes, 1, *length, file), *length);
    bytes[*length] = '\0';
    fclose(file);
    unlink(name);
    return bytes;
}

static void the_same_picture_gives_the_same_bytes(void **state)
{
    (void)state;
    static const char *const starts[] = {"<?xml version=\"1.0\"", "\x89PNG\r\n\x1a\n", "%PDF-1.5"};
    for (picture_kind kind = PICTURE_SVG; kind <= PICTURE_PDF; kind++) {
        for (int panels = 1; panels <= 7; panels += 2) {
            size_t length, again_length, other_length;
            char *bytes = draw(kind, panels, &length);
            char *other = draw(kind, panels + 1, &other_length);
            char *again = draw(kind, panels, &again_length);
            assert_memory_equal(bytes, starts[kind], strlen(starts[kind]));
            assert_int_equal(length, again_length);
            assert_memory_equal(bytes, again, length);
            assert_int_not_equal(length, other_length);
            free(bytes);
            free(other);
            free(again);
        }
    }
}

static unsigned long number_at(const char *bytes)
{
    unsigned long value = 0;
    for (int i = 0; i < 4; i++) {
        value = value << 8 | (unsigned char)bytes[i];
    }
    return value;
}

/* CRC-32 of ISO 3309, bit by bit, as the PNG specification (annex D) gives it. */
static unsigned long crc(const char *bytes, size_t length)
{
    unsigned long rest = 0xffffffff;
    for (size_t i = 0; i < length; i++) {
        rest ^= (unsigned char)bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            rest = rest & 1 ? 0xedb88320 ^ rest >> 1 : rest >> 1;
        }
    }
    return rest ^ 0xffffffff;
}

static void a_png_prints_half_a_page_at_300_dots_an_inch(void **state)
{
    (void)state;
    size_t length;
    char *bytes = draw(PICTURE_PNG, 5, &length);
    size_t at = 8;
    int resolution = 0, chunks = 0;
    near_abs((double)number_at(bytes + 16), 170 / 25.4 * 300, 0.51, "170 mm at 300 dots an inch");
    while (at + 12 <= length) {
        unsigned long size = number_at(bytes + at);
        assert_true(at + 12 + size <= length);
        assert_int_equal(crc(bytes + at + 4, size + 4), number_at(bytes + at + 8 + size));
        if (!memcmp(bytes + at + 4, "pHYs", 4)) {
            near_abs((double)number_at(bytes + at + 8), 300 / 0.0254, 0.51, "300 an inch, a metre");
            resolution++;
        }
        assert_memory_not_equal(bytes + at + 4, "tIME", 4);
        at += 12 + size;
        chunks++;
    }
    assert_int_equal(at, length);
    assert_int_equal(resolution, 1);
    assert_true(chunks >= 4);
    free(bytes);
}

static void pages_hold_no_date_of_writing(void **state)
{
    (void)state;
    size_t length;
    char *bytes = draw(PICTURE_PDF, 1, &length);
    char *text = bytes, *found = NULL;
    for (size_t i = 0; i + 13 < length && !found; i++) {
        found = memcmp(bytes + i, "/CreationDate", 13) ? NULL : bytes + i;
    }
    assert_non_null(found);
    assert_memory_equal(found, "/CreationDate (20000101", 23);
    free(text);
    bytes = draw(PICTURE_SVG, 1, &length);
    assert_null(strstr(bytes, "id=\"surface"));
    assert_non_null(strstr(bytes, "id=\"page\""));
    free(bytes);
}

static void a_full_disk_shows(void **state)
{
    (void)state;
    sheet page;
    fill(&page, 2);
    output *out = output_open("/dev/full");
    assert_non_null(out);
    assert_true(sheet_write(&page, PICTURE_PNG, out));
    assert_false(output_commit(out));
    sheet_free(&page);
}

static void every_failed_allocation_is_an_error(void **state)
{
    (void)state;
    int done = 0;
    for (long n = 1; !done; n++) {
        assert_true(n < 1000);
        sheet page;
        fail_allocation_at(0);
        output *out = output_open("/dev/null");
        assert_non_null(out);
        fail_allocation_at(n);
        fill(&page, 2);
        int whole = page.panel_count == 2;
        int written = sheet_write(&page, PICTURE_SVG, out) && whole;
        done = allocations_seen() < n;
        assert_int_equal(written, done);
        fail_allocation_at(0);
        sheet_free(&page);
        output_drop(out);
    }
}

/* Any number at all, not only sensible ones. */
static double any_number(uint64_t *seed)
{
    switch (chance_index(seed, 8)) {
    case 0:
        return (double)NAN;
    case 1:
        return (double)INFINITY;
    case 2:
        return -(double)INFINITY;
    case 3:
        return 0;
    case 4:
        return chance_decades(seed, -300, 300);
    default:
        return chance_decades(seed, -3, 3);
    }
}

static void any_numbers_can_be_drawn(void **state)
{
    (void)state;
    uint64_t seed = 4711;
    for (int run = 0; run < 300; run++) {
        sheet page;
        memset(&page, 0, sizeof page);
        page.title = "any";
        page.shown = "";
        page.axes[0].x_title = page.axes[0].y_title = "x";
        page.axes[0].x_spacing = run % 2 ? PLOT_LOG : PLOT_LINEAR;
        page.axes[0].deepest_y = run % 3 ? (double)INFINITY : 80;
        page.axes[0].least_y = run % 5;
        plot *p = sheet_panel(&page, NULL, NULL);
        assert_non_null(p);
        for (int curve = 0; curve < 4; curve++) {
            scale_line line = scale_supply((size_t)curve, 4);
            plot_curve(p, &line, "a", NULL);
            double x = any_number(&seed);
            for (int i = 0; i < 20; i++) {
                plot_point(p, x, any_number(&seed));
                x = run % 4 ? x + fabs(x) / 7 : any_number(&seed);
            }
            plot_band(p, line.colour, NULL);
            plot_band_point(p, any_number(&seed), any_number(&seed), any_number(&seed));
            plot_band_point(p, any_number(&seed), any_number(&seed), any_number(&seed));
        }
        plot_horizontal(p, any_number(&seed), "h");
        plot_vertical(p, any_number(&seed), "v");
        plot_mark(p, PLOT_OPEN, plot_ink, any_number(&seed), any_number(&seed));
        plot_include(p, any_number(&seed));
        output *out = output_open("/dev/null");
        assert_non_null(out);
        assert_true(sheet_write(&page, run % 2 ? PICTURE_SVG : PICTURE_PDF, out));
        assert_true(output_commit(out));
        sheet_free(&page);
    }
}

static void panels_and_notes_have_an_end(void **state)
{
    (void)state;
    sheet page;
    fill(&page, SHEET_PANELS);
    assert_int_equal(page.panel_count, SHEET_PANELS);
    assert_null(sheet_panel(&page, NULL, NULL));
    for (int i = 0; i < 100; i++) {
        sheet_note(&page, "%0*d", 2 * SHEET_NOTE, i);
    }
    assert_int_equal(page.note_count, SHEET_NOTES);
    output *out = output_open("/dev/null");
    assert_non_null(out);
    assert_true(sheet_write(&page, PICTURE_PNG, out));
    assert_true(output_commit(out));
    sheet_free(&page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(kinds_go_by_the_ending),
        cmocka_unit_test(the_same_picture_gives_the_same_bytes),
        cmocka_unit_test(a_png_prints_half_a_page_at_300_dots_an_inch),
        cmocka_unit_test(pages_hold_no_date_of_writing),
        cmocka_unit_test(a_full_disk_shows),
        cmocka_unit_test(every_failed_allocation_is_an_error),
        cmocka_unit_test(any_numbers_can_be_drawn),
        cmocka_unit_test(panels_and_notes_have_an_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
