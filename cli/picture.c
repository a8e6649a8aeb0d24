/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "picture.h"

#include "memory.h"
#include "message.h"
#include "text.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static const double points_per_inch = 72, dots_per_inch = 300;

/* The sans-serif face that Debian installs with cairo. Where it is not there fontconfig takes the
 * machine's own sans-serif, and where there is no font at all cairo its built-in one. */
static const char font_family[] = "DejaVu Sans";

/* Up to this width dashes have the lengths of scale.h. */
static const double usual_pt = 1.5;

/* Any date, as long as it is always the same. */
static const char fixed_date[] = "2000-01-01T00:00:00Z";

struct picture {
    picture_kind kind;
    cairo_surface_t *surface; /* a small one for measuring until there is a page */
    cairo_t *context;
    int has_minus;
    unsigned char *bytes;
    size_t used, room;
};

int picture_kind_of(const char *file, picture_kind *kind)
{
    static const struct {
        const char *ending;
        picture_kind kind;
    } endings[] = {{".svg", PICTURE_SVG}, {".png", PICTURE_PNG}, {".pdf", PICTURE_PDF}};
    size_t length = strlen(file);
    if (!strcmp(file, "-")) {
        *kind = PICTURE_SVG;
        return 1;
    }
    for (size_t i = 0; i < sizeof endings / sizeof endings[0]; i++) {
        if (length >= 4 && !strcasecmp(file + length - 4, endings[i].ending)) {
            *kind = endings[i].kind;
            return 1;
        }
    }
    return 0;
}

static cairo_status_t keep_bytes(void *closure, const unsigned char *data, unsigned length)
{
    picture *p = closure;
    void *bytes = p->bytes;
    if (!sag_grow(&bytes, &p->room, p->used + length, 1)) {
        return CAIRO_STATUS_NO_MEMORY;
    }
    p->bytes = bytes;
    memcpy(p->bytes + p->used, data, length);
    p->used += length;
    return CAIRO_STATUS_SUCCESS;
}

/* Letters take their width from the outline alone, so that all three kinds are laid out alike. */
static void set_options(cairo_t *context)
{
    cairo_font_options_t *options = cairo_font_options_create();
    cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
    cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
    cairo_font_options_set_antialias(options, CAIRO_ANTIALIAS_GRAY);
    cairo_set_font_options(context, options);
    cairo_font_options_destroy(options);
    cairo_set_line_join(context, CAIRO_LINE_JOIN_ROUND);
}

/* Whether the font has the minus sign; the built-in one (a user font) has ASCII only. */
static int find_minus(cairo_t *context)
{
    cairo_glyph_t *glyphs = NULL;
    int count = 0;
    cairo_select_font_face(context, font_family, CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
    cairo_scaled_font_t *font = cairo_get_scaled_font(context);
    if (cairo_scaled_font_get_type(font) == CAIRO_FONT_TYPE_USER ||
        cairo_scaled_font_text_to_glyphs(font, 0, 0, "\xe2\x88\x92", -1, &glyphs, &count, NULL,
                                         NULL, NULL) != CAIRO_STATUS_SUCCESS) {
        return 0;
    }
    int found = count == 1 && glyphs[0].index != 0;
    cairo_glyph_free(glyphs);
    return found;
}

picture *picture_new(picture_kind kind)
{
    picture *p = sag_new(1, sizeof *p);
    if (!p) {
        return NULL;
    }
    p->kind = kind;
    p->surface = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1);
    p->context = cairo_create(p->surface);
    set_options(p->context);
    p->has_minus = find_minus(p->context);
    if (cairo_status(p->context) != CAIRO_STATUS_SUCCESS) {
        picture_free(p);
        return NULL;
    }
    return p;
}

void picture_free(picture *p)
{
    if (!p) {
        return;
    }
    cairo_destroy(p->context);
    cairo_surface_destroy(p->surface);
    sag_free(p->bytes);
    sag_free(p);
}

static cairo_surface_t *new_surface(picture *p, double width_pt, double height_pt,
                                    const char *title)
{
    cairo_surface_t *surface = NULL;
    double scale = dots_per_inch / points_per_inch;
    char shown[PICTURE_TEXT];
    switch (p->kind) {
    case PICTURE_SVG:
        surface = cairo_svg_surface_create_for_stream(keep_bytes, p, width_pt, height_pt);
        cairo_svg_surface_restrict_to_version(surface, CAIRO_SVG_VERSION_1_1);
        break;
    case PICTURE_PDF:
        surface = cairo_pdf_surface_create_for_stream(keep_bytes, p, width_pt, height_pt);
        cairo_pdf_surface_restrict_to_version(surface, CAIRO_PDF_VERSION_1_5);
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, fixed_date);
        cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR, "railsag");
        if (title) {
            cairo_pdf_surface_set_metadata(
                surface, CAIRO_PDF_METADATA_TITLE,
                sag_text_show(shown, sizeof shown, title, strlen(title)));
        }
        break;
    case PICTURE_PNG:
        surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, (int)(width_pt * scale + 0.5),
                                             (int)(height_pt * scale + 0.5));
        cairo_surface_set_device_scale(surface, scale, scale);
        break;
    }
    return surface;
}

void picture_page(picture *p, double width_pt, double height_pt, const char *title)
{
    cairo_destroy(p->context);
    cairo_surface_destroy(p->surface);
    p->surface = new_surface(p, width_pt, height_pt, title);
    p->context = cairo_create(p->surface);
    set_options(p->context);
    cairo_set_source_rgb(p->context, 1, 1, 1);
    cairo_paint(p->context);
}

cairo_t *picture_cairo(const picture *p)
{
    return p->context;
}

void picture_colour(picture *p, scale_colour colour)
{
    cairo_set_source_rgb(p->context, colour.red, colour.green, colour.blue);
}

void picture_line(picture *p, const scale_line *line)
{
    double pattern[SCALE_DASH_LENGTHS];
    size_t count = scale_dash_lengths(line->dash, pattern);
    double stretch = line->width_pt > usual_pt ? line->width_pt / usual_pt : 1;
    for (size_t i = 0; i < count; i++) {
        pattern[i] *= stretch; /* a wide line cut short would be a row of bars */
    }
    picture_colour(p, line->colour);
    cairo_set_line_width(p->context, line->width_pt);
    cairo_set_dash(p->context, pattern, (int)count, 0);
    cairo_set_line_cap(p->context, count > 0 ? CAIRO_LINE_CAP_BUTT : CAIRO_LINE_CAP_ROUND);
}

/* Text as it is drawn: valid, and with minus signs. */
static const char *dress(const picture *p, const char *text, char *buffer, size_t size)
{
    static const char minus[] = "\xe2\x88\x92";
    char plain[PICTURE_TEXT];
    size_t used = 0;
    sag_text_show(plain, sizeof plain, text, strlen(text));
    for (size_t i = 0; plain[i]; i++) {
        int starts = i == 0 || plain[i - 1] == ' ' || plain[i - 1] == '(';
        if (p->has_minus && plain[i] == '-' && starts && plain[i + 1] >= '0' &&
            plain[i + 1] <= '9') {
            memcpy(buffer + used, minus, sizeof minus - 1);
            used += sizeof minus - 1;
        } else {
            buffer[used++] = plain[i];
        }
        if (used + sizeof minus > size) {
            break;
        }
    }
    buffer[used] = '\0';
    return buffer;
}

static void select_font(picture *p, const picture_font *font)
{
    cairo_select_font_face(p->context, font_family, CAIRO_FONT_SLANT_NORMAL,
                           font->weight == PICTURE_BOLD ? CAIRO_FONT_WEIGHT_BOLD
                                                        : CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_font_size(p->context, font->size_pt);
}

enum { DRESSED = 3 * PICTURE_TEXT };

double picture_text_width(picture *p, const picture_font *font, const char *text)
{
    char dressed[DRESSED];
    cairo_text_extents_t extents;
    select_font(p, font);
    cairo_text_extents(p->context, dress(p, text, dressed, sizeof dressed), &extents);
    return extents.x_advance;
}

void picture_text(picture *p, const picture_font *font, double x, double y, double part,
                  const char *text)
{
    char dressed[DRESSED];
    double width = part > 0 ? picture_text_width(p, font, text) : 0;
    select_font(p, font);
    picture_colour(p, font->colour);
    cairo_move_to(p->context, x - part * width, y);
    cairo_show_text(p->context, dress(p, text, dressed, sizeof dressed));
    cairo_new_path(p->context);
}

void picture_text_upwards(picture *p, const picture_font *font, double x, double y, double part,
                          const char *text)
{
    cairo_save(p->context);
    cairo_translate(p->context, x, y);
    cairo_rotate(p->context, -1.57079632679489662); /* a quarter turn */
    picture_text(p, font, 0, 0, part, text);
    cairo_restore(p->context);
}

/* Width of the first `length` bytes. */
static double width_of(picture *p, const picture_font *font, const char *text, size_t length)
{
    char start[PICTURE_TEXT];
    if (length >= sizeof start) {
        length = sizeof start - 1;
    }
    memcpy(start, text, length);
    start[length] = '\0';
    return picture_text_width(p, font, start);
}

static size_t next_character(const char *text, size_t left)
{
    size_t length = sag_text_next(text, left, NULL);
    return length > 0 ? length : 1;
}

size_t picture_fit(picture *p, const picture_font *font, const char *text, double width_pt)
{
    size_t total = strlen(text), fits = 0;
    /* Word by word, and within a word only where the first is too long. */
    for (size_t at = output_word_length(text); at < PICTURE_TEXT;
         at += output_word_length(text + at)) {
        if (width_of(p, font, text, at) > width_pt) {
            break;
        }
        fits = at;
        if (at == total) {
            return total;
        }
        at += strspn(text + at, " ");
    }
    while (fits == 0 || (text[fits] && text[fits] != ' ')) {
        size_t next = next_character(text + fits, total - fits);
        if (fits > 0 &&
            (fits + next >= PICTURE_TEXT || width_of(p, font, text, fits + next) > width_pt)) {
            break;
        }
        fits += next;
    }
    return fits;
}

const char *picture_cut(picture *p, const picture_font *font, const char *text, double width_pt,
                        char *buffer)
{
    static const char dots[] = "...";
    size_t total = strlen(text), fits = 0;
    if (total < PICTURE_TEXT && picture_text_width(p, font, text) <= width_pt) {
        memcpy(buffer, text, total + 1);
        return buffer;
    }
    double room = width_pt - picture_text_width(p, font, dots);
    while (fits < total) {
        size_t next = next_character(text + fits, total - fits);
        if (fits + next + sizeof dots > PICTURE_TEXT ||
            width_of(p, font, text, fits + next) > room) {
            break;
        }
        fits += next;
    }
    memcpy(buffer, text, fits);
    memcpy(buffer + fits, dots, sizeof dots);
    return buffer;
}

/* cairo writes no resolution into a PNG, and a word processor would then take 96 dots an inch: the
 * picture would be three times as large as meant. The chunk goes behind the header, 8 bytes of
 * signature and 25 of IHDR. 11811 dots a metre are 300 an inch; the last four bytes are the CRC.
 * Source: PNG specification (ISO/IEC 15948), 11.3.5.3 pHYs. */
enum { PNG_HEAD = 33 };
static const unsigned char png_resolution[] = {
    0, 0, 0, 9, 'p', 'H', 'Y', 's', 0, 0, 0x2e, 0x23, 0, 0, 0x2e, 0x23, 1, 0x78, 0xa5, 0x3f, 0x76};

static void write_png(const picture *p, output *out)
{
    output_write(out, (const char *)p->bytes, PNG_HEAD);
    output_write(out, (const char *)png_resolution, sizeof png_resolution);
    output_write(out, (const char *)p->bytes + PNG_HEAD, p->used - PNG_HEAD);
}

/* cairo numbers its surfaces through the life of the program and writes the number as the id of the
 * drawing's group, to which nothing refers. */
static void write_svg(const picture *p, output *out)
{
    static const char name[] = "id=\"surface";
    const char *text = (const char *)p->bytes, *end = text + p->used;
    while (text < end) {
        const char *quote = memchr(text, 'i', (size_t)(end - text));
        size_t length = quote ? (size_t)(quote - text) : (size_t)(end - text);
        output_write(out, text, length);
        text += length;
        if (!quote) {
            break;
        }
        size_t left = (size_t)(end - text);
        if (left > sizeof name - 1 && !memcmp(text, name, sizeof name - 1)) {
            output_text(out, "id=\"page");
            text += sizeof name - 1;
            while (text < end && *text >= '0' && *text <= '9') {
                text++;
            }
        } else {
            output_write(out, text++, 1);
        }
    }
}

int picture_write(picture *p, output *out)
{
    cairo_status_t status = cairo_status(p->context);
    if (status == CAIRO_STATUS_SUCCESS && p->kind == PICTURE_PNG) {
        status = cairo_surface_write_to_png_stream(p->surface, keep_bytes, p);
    } else if (status == CAIRO_STATUS_SUCCESS) {
        cairo_surface_finish(p->surface);
        status = cairo_surface_status(p->surface);
    }
    if (status != CAIRO_STATUS_SUCCESS || p->used < PNG_HEAD) {
        message_error("the picture could not be drawn: %s", cairo_status_to_string(status));
        return 0;
    }
    switch (p->kind) {
    case PICTURE_SVG:
        write_svg(p, out);
        break;
    case PICTURE_PNG:
        write_png(p, out);
        break;
    case PICTURE_PDF:
        output_write(out, (const char *)p->bytes, p->used);
        break;
    }
    return 1;
}
