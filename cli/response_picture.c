/* SPDX-License-Identifier: GPL-3.0-or-later */
/* response_picture.c - small-signal EQ curves as a picture.
 *
 * With several supplies a panel holds one control setting and a curve for each supply. With one
 * supply it holds the family over the control that changes fastest. */
#include "label.h"
#include "response_run.h"
#include "result_sheet.h"
#include "text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* The control that a panel shows the family of, or NULL. */
static const session_axis *find_family(const session *s)
{
    const session_axis *family = NULL;
    for (size_t i = 0; i < s->axis_count && s->options->supply_count == 1; i++) {
        family = s->axes[i].count > 1 ? &s->axes[i] : family;
    }
    return family;
}

int response_picture_check(const session *s)
{
    const session_axis *family = find_family(s);
    size_t curves = family ? family->count : s->options->supply_count;
    return result_sheet_check(s, s->case_count / curves, curves);
}

/* The settings that all curves of a panel share. */
static const char *name_panel(char *buffer, const session *s, const session_axis *family,
                              size_t setting)
{
    size_t used = 0;
    buffer[0] = '\0';
    for (size_t i = 0; i < s->axis_count && used < LABEL_SIZE; i++) {
        const session_axis *axis = &s->axes[i];
        char text[LABEL_SIZE];
        if (axis->count > 1 && axis != family) {
            used += (size_t)snprintf(buffer + used, LABEL_SIZE - used, "%s%s", used > 0 ? ", " : "",
                                     label_axis(text, s, axis, setting));
        }
    }
    return buffer;
}

/* "bass 30 %", with room for the figure when the control has a long name. */
static const char *name_curve(char *buffer, const session *s, const session_axis *family,
                              size_t setting)
{
    const sag_control *control = &s->designs[setting]->controls[family->control];
    char name[24];
    sag_text_show(name, sizeof name, control->name, strlen(control->name));
    if (control->is_switch) {
        snprintf(buffer, LABEL_SIZE, "%s %.0f", name, control->setting);
    } else {
        snprintf(buffer, LABEL_SIZE, "%s %.3g %%", name, 100 * control->setting);
    }
    return buffer;
}

static void draw_case(plot *panel, const session *s, const session_case *c,
                      const response_point *row, const session_axis *family, size_t place)
{
    const options *o = s->options;
    scale_line line = result_supply_line(s, c);
    char name[LABEL_SIZE];
    if (family) {
        line.dash = scale_family_dash(place);
        plot_curve(panel, &line, name_curve(name, s, family, c->setting), NULL);
    } else {
        snprintf(name, sizeof name, "%.3g", c->supply_v);
        plot_curve(panel, &line, name, "V");
    }
    for (size_t k = 0; k < o->frequency_count; k++) {
        plot_point(panel, o->frequency_hz[k], row[k].gain_db);
    }
}

int response_picture_write(const session *s, const response_point *points)
{
    const options *o = s->options;
    const session_axis *family = find_family(s);
    size_t curves = family ? family->count : o->supply_count;
    size_t panels = s->case_count / curves;
    char shown[2 * LABEL_SIZE], name[LABEL_SIZE];
    sheet page;
    result_sheet_start(&page, s);
    snprintf(shown, sizeof shown, "EQ curve: gain from the source to the output, small signals%s%s",
             o->supply_count == 1 ? ", " : "",
             o->supply_count == 1 ? label_supply(name, s, &s->cases[0]) : "");
    page.shown = shown;
    page.axes[0].x_title = "frequency, Hz";
    page.axes[0].y_title = "gain, dB";
    page.axes[0].x_spacing = PLOT_LOG;
    page.axes[0].least_y = 10;
    page.axes[0].deepest_y = 80;
    for (size_t i = 0; i < panels; i++) {
        /* Cases come by supply, then setting; a family is a run of them. */
        size_t first = family ? i * curves : i, step = family ? 1 : s->setting_count;
        plot *panel =
            sheet_panel(&page, name_panel(name, s, family, s->cases[first].setting), NULL);
        for (size_t k = 0; k < curves && panel; k++) {
            size_t index = first + k * step;
            draw_case(panel, s, &s->cases[index], points + index * o->frequency_count, family, k);
        }
        if (!panel) {
            sheet_free(&page);
            return session_no_memory();
        }
    }
    result_sheet_conditions(&page, s);
    return result_sheet_end(&page, s);
}
