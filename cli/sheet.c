/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "sheet.h"

#include "message.h"
#include "railsag.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* 170 mm, the text width of an A4 page with 20 mm of margin; pt. */
static const double page_width = 170 / 25.4 * 72;
static const double margin = 5, between_columns = 12;

/* Height of the area between the axes, by rows of panels. */
static const double one_row_pt = 190, two_rows_pt = 112, many_rows_pt = 86;

/* Sizes of letters: title, what is shown, the rest with one panel and with several. */
static const double title_pt = 10, shown_pt = 8, one_text_pt = 7.5, many_text_pt = 6.8;
static const double note_pt = 6.8;
static const double leading = 1.3;

/* Part of a column that labels may take; longer ones are cut. */
static const double longest_label = 0.45;

/* Smallest distance of the lines of a grid. */
static const double least_step_pt = 15;

plot *sheet_panel(sheet *s, const char *heading, const char *detail)
{
    if (s->panel_count == SHEET_PANELS) {
        return NULL;
    }
    plot *p = plot_new(heading, detail);
    if (p) {
        s->group_of[s->panel_count] = s->group;
        s->panels[s->panel_count++] = p;
    }
    return p;
}

void sheet_note(sheet *s, const char *format, ...)
{
    if (s->note_count < SHEET_NOTES) {
        va_list arguments;
        va_start(arguments, format);
        vsnprintf(s->notes[s->note_count++], SHEET_NOTE, format, arguments);
        va_end(arguments);
    }
}

void sheet_free(sheet *s)
{
    for (size_t i = 0; i < s->panel_count; i++) {
        plot_free(s->panels[i]);
    }
    s->panel_count = 0;
}

/* What the layout decides before anything is drawn. */
typedef struct {
    size_t columns, rows;
    plot_axis x[SHEET_GROUPS], y[SHEET_GROUPS];
    int labels_left[SHEET_GROUPS];
    double number_room[SHEET_GROUPS];
    plot_frame frame; /* of a panel, without its place and side */
    double head_room, foot_room;
    size_t feet;        /* rows with numbers under them */
    double header, key; /* heights */
    double notes_left, notes_width, notes, row_gap;
    int notes_in_cell; /* where a panel is missing from the last row, instead of under all */
    double height;
} layout;

static size_t row_of(const layout *l, size_t panel)
{
    return panel / l->columns;
}

/* Whether no panel with the same axes stands under this one. */
static int is_lowest(const sheet *s, const layout *l, size_t panel)
{
    size_t under = panel + l->columns;
    return under >= s->panel_count || s->group_of[under] != s->group_of[panel];
}

/* The number of rows, of those above `row`, that have numbers under them. */
static size_t feet_above(const sheet *s, const layout *l, size_t row)
{
    size_t feet = 0;
    for (size_t r = 0; r < row; r++) {
        int some = 0;
        for (size_t i = r * l->columns; i < (r + 1) * l->columns && i < s->panel_count; i++) {
            some |= is_lowest(s, l, i);
        }
        feet += (size_t)some;
    }
    return feet;
}

static void choose_axes(const sheet *s, layout *l, size_t group)
{
    const sheet_axes *axes = &s->axes[group];
    plot_extent extent = plot_no_extent();
    for (size_t i = 0; i < s->panel_count; i++) {
        if (s->group_of[i] == group) {
            plot_extend(s->panels[i], &extent);
        }
    }
    l->x[group] = axes->x_spacing == PLOT_LOG
                      ? plot_log_axis(axes->x_title, extent.x_low, extent.x_high)
                      : plot_linear_axis(axes->x_title, extent.x_low, extent.x_high, 0,
                                         l->columns > 1 ? 6 : 10);
    double low = extent.y_low;
    if (low < extent.y_high - axes->deepest_y) {
        low = extent.y_high - axes->deepest_y;
    }
    l->y[group] = plot_linear_axis(axes->y_title, low, extent.y_high, axes->least_y,
                                   (int)(l->frame.height / least_step_pt));
}

/* Labels stand at the left ends where those lie much further apart than the right ones: a bass
 * control fans out on the left. Returns 0 when memory was short. */
static int choose_side(const sheet *s, layout *l, size_t group)
{
    double crowding[2] = {0, 0};
    for (int left = 0; left < 2; left++) {
        l->frame.labels_left = left;
        for (size_t i = 0; i < s->panel_count; i++) {
            if (s->group_of[i] == group) {
                crowding[left] +=
                    plot_crowding(s->panels[i], &l->x[group], &l->y[group], &l->frame);
            }
        }
    }
    l->labels_left[group] = crowding[0] > 3 * crowding[1] + l->frame.text_pt;
    return !isnan(crowding[0]) && !isnan(crowding[1]);
}

static const picture_font note_font = {note_pt, PICTURE_PLAIN, {0.11, 0.11, 0.13}};

/* Writes a paragraph from y on, or measures it (draw 0); returns the height. */
static double set_paragraph(picture *to, const char *text, double left, double width, double y,
                            int draw)
{
    double used = 0;
    while (*text) {
        char line[SHEET_NOTE];
        size_t length = picture_fit(to, &note_font, text, width);
        snprintf(line, sizeof line, "%.*s", (int)length, text);
        used += leading * note_pt;
        if (draw) {
            picture_text(to, &note_font, left, y + used - 0.3 * note_pt, 0, line);
        }
        text += length;
        text += strspn(text, " ");
    }
    return used;
}

enum { SAMPLE = 22 }; /* width of a sample in the key */

/* Writes the key from y on, or measures it; returns the height. */
static double set_key(const sheet *s, picture *to, double y, int draw)
{
    double x = margin, used = s->key_count > 0 ? leading * note_pt : 0;
    for (size_t i = 0; i < s->key_count; i++) {
        const sheet_key *key = &s->key[i];
        double width = picture_text_width(to, &note_font, key->text);
        double sample = key->sample == SHEET_LINE ? SAMPLE : 7;
        if (x > margin && x + sample + 4 + width > page_width - margin) {
            x = margin;
            used += leading * note_pt;
        }
        double middle = y + used - 0.65 * note_pt;
        if (draw && key->sample == SHEET_LINE) {
            picture_line(to, &key->line);
            cairo_move_to(picture_cairo(to), x + 1, middle);
            cairo_line_to(picture_cairo(to), x + sample, middle);
            cairo_stroke(picture_cairo(to));
        } else if (draw) {
            plot_draw_mark(to, key->sample == SHEET_OPEN_MARK ? PLOT_OPEN : PLOT_FILLED,
                           key->line.colour, x + sample / 2, middle);
        }
        if (draw) {
            picture_text(to, &note_font, x + sample + 4, y + used - 0.3 * note_pt, 0, key->text);
        }
        x += sample + 4 + width + 12;
    }
    return used > 0 ? used + 2 : 0;
}

static double set_notes(const sheet *s, const layout *l, picture *to, double y, int draw)
{
    double used = 0;
    for (size_t i = 0; i < s->note_count; i++) {
        used += set_paragraph(to, s->notes[i], l->notes_left, l->notes_width, y + used, draw);
    }
    return used;
}

static double column_pitch(const layout *l)
{
    return (page_width - 2 * margin + between_columns) / (double)l->columns;
}

/* Where the notes go: the last row may have room for them. */
static void place_notes(const sheet *s, layout *l, picture *to)
{
    l->notes_left = margin;
    l->notes_width = page_width - 2 * margin;
    if (l->rows > 1 && s->panel_count < l->rows * l->columns) {
        layout cell = *l;
        cell.notes_left = margin + column_pitch(l) + between_columns;
        cell.notes_width = column_pitch(l) - 2 * between_columns;
        cell.notes = set_notes(s, &cell, to, 0, 0);
        cell.notes_in_cell = cell.notes <= l->head_room + l->frame.height;
        *l = cell.notes_in_cell ? cell : *l;
    }
    if (!l->notes_in_cell) {
        l->notes = set_notes(s, l, to, 0, 0);
    }
}

/* Returns 0 when memory was short. */
static int lay_out(const sheet *s, picture *to, layout *l)
{
    memset(l, 0, sizeof *l);
    l->columns = s->panel_count > 1 ? 2 : 1;
    l->rows = (s->panel_count + l->columns - 1) / l->columns;
    l->row_gap = 6;
    l->frame.text_pt = l->columns > 1 ? many_text_pt : one_text_pt;
    l->frame.height = l->rows < 2 ? one_row_pt : l->rows < 3 ? two_rows_pt : many_rows_pt;
    l->frame.x_labels = 1;
    for (size_t group = 0; group < SHEET_GROUPS; group++) {
        choose_axes(s, l, group);
        if (!choose_side(s, l, group)) {
            return 0;
        }
    }
    for (size_t i = 0; i < s->panel_count; i++) {
        size_t group = s->group_of[i];
        l->frame.labels_left = l->labels_left[group];
        double numbers = plot_number_room(&l->y[group], &l->frame, to);
        l->number_room[group] = numbers;
        double room = plot_label_room(s->panels[i], &l->x[group], &l->y[group], &l->frame, to);
        if (isnan(room) || plot_failed(s->panels[i])) {
            return 0;
        }
        double head = plot_head_room(s->panels[i], &l->frame);
        l->frame.number_room = numbers > l->frame.number_room ? numbers : l->frame.number_room;
        l->frame.label_room = room > l->frame.label_room ? room : l->frame.label_room;
        l->head_room = head > l->head_room ? head : l->head_room;
    }
    double most = longest_label * column_pitch(l);
    l->frame.label_room = l->frame.label_room > most ? most : l->frame.label_room;
    l->frame.width = column_pitch(l) - between_columns - l->frame.number_room - l->frame.label_room;
    l->foot_room = plot_foot_room(&l->frame);
    l->header = margin + leading * title_pt + leading * shown_pt + 2;
    l->key = set_key(s, to, 0, 0);
    place_notes(s, l, to);
    l->feet = feet_above(s, l, l->rows);
    l->height = l->header + l->key + (double)l->rows * (l->head_room + l->frame.height) +
                (double)(l->rows - 1) * l->row_gap + (double)l->feet * l->foot_room + margin +
                (l->notes_in_cell ? 0 : 5 + l->notes);
    return 1;
}

static void draw_header(const sheet *s, picture *to)
{
    char cut[PICTURE_TEXT];
    picture_font title = {title_pt, PICTURE_BOLD, plot_ink};
    picture_font shown = {shown_pt, PICTURE_PLAIN, plot_ink};
    double width = page_width - 2 * margin, y = margin + title_pt;
    picture_text(to, &title, margin, y, 0, picture_cut(to, &title, s->title, width, cut));
    y += leading * shown_pt + 1.5;
    picture_text(to, &shown, margin, y, 0, picture_cut(to, &shown, s->shown, width, cut));
}

/* Returns 0 when memory was short. */
static int draw_panels(const sheet *s, const layout *l, picture *to)
{
    int done = 1;
    for (size_t i = 0; i < s->panel_count; i++) {
        plot_frame frame = l->frame;
        size_t group = s->group_of[i], feet = feet_above(s, l, row_of(l, i));
        double row = l->head_room + frame.height + l->row_gap;
        frame.labels_left = l->labels_left[group];
        frame.left = margin + (double)(i % l->columns) * column_pitch(l) +
                     (frame.labels_left ? l->frame.label_room : l->frame.number_room);
        frame.top = l->header + l->key + l->head_room + (double)row_of(l, i) * row +
                    (double)feet * l->foot_room;
        frame.number_room = l->number_room[group];
        frame.x_labels = is_lowest(s, l, i);
        done &= plot_draw(s->panels[i], &l->x[group], &l->y[group], &frame, to);
    }
    return done;
}

int sheet_write(const sheet *s, picture_kind kind, output *out)
{
    layout l;
    picture *to = picture_new(kind);
    int done = to && lay_out(s, to, &l);
    if (done) {
        picture_page(to, page_width, l.height, s->title);
        draw_header(s, to);
        set_key(s, to, l.header, 1);
        set_notes(s, &l, to, l.height - margin - l.notes, 1);
        done = draw_panels(s, &l, to);
    }
    if (!done) {
        message_error("out of memory");
    }
    done = done && picture_write(to, out);
    picture_free(to);
    return done;
}
