/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "csv.h"

#include "json_out.h"

#include <math.h>
#include <string.h>

csv csv_open(output *out)
{
    return (csv){.out = out};
}

static void separate(csv *w)
{
    if (w->started) {
        output_text(w->out, ",");
    }
    w->started = 1;
}

void csv_text(csv *w, const char *text)
{
    separate(w);
    if (!text) {
        return;
    }
    if (!text[strcspn(text, ",\"\r\n")]) {
        output_text(w->out, text);
        return;
    }
    output_text(w->out, "\"");
    for (; *text; text++) {
        if (*text == '"') {
            output_text(w->out, "\"");
        }
        output_write(w->out, text, 1);
    }
    output_text(w->out, "\"");
}

void csv_number(csv *w, double value)
{
    separate(w);
    if (isfinite(value)) {
        char digits[JSON_NUMBER_SIZE];
        output_text(w->out, json_number_text(digits, value));
    }
}

void csv_row(csv *w)
{
    output_text(w->out, "\n");
    w->started = 0;
}
