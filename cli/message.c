/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "message.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int message_colour(int fd)
{
    const char *no_color = getenv("NO_COLOR");
    const char *term = getenv("TERM");
    return isatty(fd) && (!no_color || !*no_color) && term && *term && strcmp(term, "dumb") != 0;
}

static void print_label(sag_severity severity)
{
    static const char *const labels[] = {"note", "warning", "error"};
    static const char *const colours[] = {"36", "33", "31"};
    if (message_colour(STDERR_FILENO)) {
        fprintf(stderr, "\033[1;%sm%s:\033[0m ", colours[severity], labels[severity]);
    } else {
        fprintf(stderr, "%s: ", labels[severity]);
    }
}

void message_error(const char *format, ...)
{
    print_label(SAG_ERROR);
    va_list arguments;
    va_start(arguments, format);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fputc('\n', stderr);
}

void message_misuse(const char *command, const char *format, ...)
{
    char text[1024];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    size_t length = strlen(text);
    int asks = length > 0 && text[length - 1] == '?';
    fprintf(stderr, "railsag%s%s: %s%s See railsag%s%s --help.\n", command ? " " : "",
            command ? command : "", text, asks ? "" : ".", command ? " " : "",
            command ? command : "");
}

/* Appends text to buffer as far as there is room. */
static void append(char *buffer, size_t size, const char *text)
{
    size_t used = strlen(buffer);
    snprintf(buffer + used, size - used, "%s", text);
}

const char *message_finding_text(const sag_finding *finding, char *buffer, size_t size)
{
    snprintf(buffer, size, "%s", finding->text);
    size_t length = strlen(buffer);
    if (length > 0 && buffer[length - 1] == '.') {
        buffer[length - 1] =
            '\0'; /* sentence and hint are joined, and lines end without a full stop */
    }
    if (finding->hint) {
        append(buffer, size, "; ");
        append(buffer, size, finding->hint);
    }
    return buffer;
}

const char *message_finding_place(const sag_finding *finding, int relative, const char *design,
                                  char *buffer, size_t size)
{
    const sag_place *place = &finding->place;
    buffer[0] = '\0';
    if (place->file) {
        const char *shown = place->file;
        if (relative && *shown == '/' && (!design || strcmp(shown, design) != 0)) {
            shown = strrchr(shown, '/') + 1;
        }
        append(buffer, size, shown);
        if (place->line > 0) {
            char line[32];
            snprintf(line, sizeof line, ":%d", place->line);
            append(buffer, size, line);
        }
    }
    const char *further[] = {place->path, finding->where};
    for (size_t i = 0; i < sizeof further / sizeof further[0]; i++) {
        if (further[i] && *further[i]) {
            append(buffer, size, *buffer ? ": " : "");
            append(buffer, size, further[i]);
        }
    }
    return buffer;
}

void message_report(const sag_report *report, int quiet)
{
    for (size_t i = 0; i < sag_report_count(report); i++) {
        const sag_finding *finding = sag_report_get(report, i);
        if (quiet && finding->severity != SAG_ERROR) {
            continue;
        }
        char place[1024], text[2048];
        print_label(finding->severity);
        message_finding_place(finding, 0, NULL, place, sizeof place);
        fprintf(stderr, "%s%s%s\n", place, *place ? ": " : "",
                message_finding_text(finding, text, sizeof text));
    }
    if (sag_report_lost(report) > 0) {
        message_error("%zu further messages were lost: out of memory", sag_report_lost(report));
    }
}
