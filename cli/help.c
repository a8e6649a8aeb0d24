/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "help.h"

#include <stdio.h>
#include <string.h>

enum { INDENT = 26 };

static unsigned bit_of(const command_info *command)
{
    return 1u << (command - commands);
}

void help_program(output *out)
{
    output_text(out, "Example: railsag levels heron.json --supply 18V,9V\n\n"
                     "usage: railsag COMMAND DESIGN [options]\n\n");
    output_wrapped(
        out,
        "Predicts what a battery-powered instrument preamp does as its battery sags: EQ curve, "
        "headroom, distortion and the stage that limits, from the circuit in a design file.",
        0, 0);
    output_text(out, "\nCommands:\n");
    for (size_t i = 0; i < command_count; i++) {
        output_format(out, "  %-10s %s\n", commands[i].name, commands[i].answers);
    }
    output_text(
        out, "  help       Shows the help of a command.\n\n"
             "railsag COMMAND --help shows the options and examples of a command;\n"
             "railsag --version the version. The format of a design file: man 5 railsag-design.\n");
}

void help_short(void)
{
    fputs("usage: railsag COMMAND DESIGN [options]\ncommands:", stderr);
    for (size_t i = 0; i < command_count; i++) {
        fprintf(stderr, " %s", commands[i].name);
    }
    fputs(" help\nSee railsag --help.\n", stderr);
}

/* Help line, unit and default of an option as one text. */
static void describe(const option_info *option, char *buffer, size_t size)
{
    snprintf(buffer, size, "%s%s%s%s%s%s%s", option->help, option->unit ? "; in " : "",
             option->unit ? option->unit : "", option->repeats ? "; may be repeated" : "",
             option->fallback ? " (default " : "", option->fallback ? option->fallback : "",
             option->fallback ? ")" : "");
}

void help_command(output *out, const command_info *command)
{
    output_format(out, "Example: railsag %s\n\n", command->examples[0]);
    output_format(out, "usage: railsag %s %s [options]\n\n", command->name, command->argument);
    output_format(out, "%s\n", command->answers);
    output_wrapped(out, command->about, 0, 0);
    output_text(out, "\nOptions:\n");
    for (size_t i = 0; i < option_count; i++) {
        const option_info *option = &option_table[i];
        if (!(option->commands & bit_of(command))) {
            continue;
        }
        char left[64], text[512];
        int at = snprintf(left, sizeof left, "  --%s%s%s", option->name,
                          option->argument ? " " : "", option->argument ? option->argument : "");
        output_text(out, left);
        if (at >= INDENT) {
            output_text(out, "\n");
            at = 0;
        }
        describe(option, text, sizeof text);
        output_wrapped(out, text, at, INDENT);
    }
    output_format(out, "  --help%*sshows this help\n", INDENT - 8, "");
    output_text(out, "\nExamples:\n");
    for (size_t i = 0; i < MAX_EXAMPLES && command->examples[i]; i++) {
        output_format(out, "  railsag %s\n", command->examples[i]);
    }
}

/* Appends text to a line of mdoc: dashes that stand for themselves, no backslash taken as an
 * escape. */
static void append_mdoc(char *line, size_t size, const char *text)
{
    for (; *text; text++) {
        size_t used = strlen(line);
        snprintf(line + used, size - used, "%s%.*s",
                 *text == '-'    ? "\\-"
                 : *text == '\\' ? "\\e"
                                 : "",
                 *text != '-' && *text != '\\', text);
    }
}

/* A sentence of mdoc on lines of its own. */
static void write_sentence(output *out, const char *before, const char *text, const char *after)
{
    char line[1024] = "";
    append_mdoc(line, sizeof line, before);
    append_mdoc(line, sizeof line, text);
    append_mdoc(line, sizeof line, after);
    output_wrapped(out, line, 0, 0);
}

static void write_option(output *out, const option_info *option)
{
    char line[1024] = "";
    if (option->argument) {
        append_mdoc(line, sizeof line, option->argument);
    }
    output_format(out, ".It Fl -%s%s%s\n", option->name, *line ? " Ar " : "", line);
    snprintf(line, sizeof line, "%s", option->help);
    if (line[0] >= 'a' && line[0] <= 'z') {
        line[0] = (char)(line[0] - 'a' + 'A');
    }
    write_sentence(out, "", line, ".");
    if (option->unit) {
        write_sentence(out, "In ", option->unit, ".");
    }
    if (option->repeats) {
        write_sentence(out, "May be repeated", "", ".");
    }
    if (option->fallback) {
        write_sentence(out, "Default: ", option->fallback, ".");
    }
    if (option->example) {
        snprintf(line, sizeof line, "Example: --%s \"", option->name);
        write_sentence(out, line, option->example, "\".");
    }
    line[0] = '\0';
    for (size_t k = 0; k < command_count; k++) {
        if (option->commands & bit_of(&commands[k])) {
            size_t used = strlen(line);
            snprintf(line + used, sizeof line - used, "%s%s", used ? ", " : "", commands[k].name);
        }
    }
    write_sentence(out, "For ", line, ".");
}

void help_man(output *out)
{
    output_text(out,
                ".Sh OPTIONS\n"
                "Options follow the command, before or after the design.\n"
                "Each may be written\n.Fl -name Ar argument\nor\n.Fl -name Ns = Ns Ar argument .\n"
                ".Bl -tag -width Ds\n");
    for (size_t i = 0; i < option_count; i++) {
        write_option(out, &option_table[i]);
    }
    output_text(out, ".It Fl -help , Fl h\nShows the help of the command.\n.El\n");
}
