/* SPDX-License-Identifier: GPL-3.0-or-later */
/* main.c - hands over to the command. */
#include "completion.h"
#include "help.h"
#include "message.h"
#include "options.h"
#include "output.h"
#include "railsag.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <string.h>

/* Sends a text to standard output. */
static int show(void (*write)(output *out))
{
    output *out = output_open("-");
    if (!out) {
        return EXIT_FAILED;
    }
    write(out);
    return output_commit(out) ? EXIT_DONE : EXIT_FAILED;
}

static int show_command(const command_info *topic)
{
    output *out = output_open("-");
    if (!out) {
        return EXIT_FAILED;
    }
    help_command(out, topic);
    return output_commit(out) ? EXIT_DONE : EXIT_FAILED;
}

static void write_version(output *out)
{
    output_text(out, "railsag " SAG_VERSION "\n");
}

static int refuse_command(const char *name)
{
    const char *near = command_nearest(name);
    message_misuse(NULL, "no command \"%s\"%s%s%s", name, near ? "; did you mean " : "",
                   near ? near : "", near ? "?" : "");
    return EXIT_MISUSE;
}

/* help, help COMMAND, help --man, help --bash */
static int run_help(int count, char **arguments)
{
    if (count == 0) {
        return show(help_program);
    }
    if (count > 1) {
        message_misuse(NULL, "help takes one command, as in railsag help levels");
        return EXIT_MISUSE;
    }
    if (!strcmp(arguments[0], "--man")) {
        return show(help_man);
    }
    if (!strcmp(arguments[0], "--bash")) {
        return show(completion_bash);
    }
    if (!strcmp(arguments[0], "--help") || !strcmp(arguments[0], "help")) {
        return show(help_program);
    }
    const command_info *topic = command_find(arguments[0]);
    return topic ? show_command(topic) : refuse_command(arguments[0]);
}

static int run_command(const command_info *command, int count, char **arguments)
{
    options chosen;
    int help = 0;
    int status = options_read(&chosen, command, count, arguments, &help);
    if (status == EXIT_DONE) {
        status = help ? show_command(command) : command->run(&chosen);
    }
    options_free(&chosen);
    return status;
}

static int run(int count, char **arguments)
{
    if (count == 0) {
        help_short();
        return EXIT_MISUSE;
    }
    const char *name = arguments[0];
    if (!strcmp(name, "--help") || !strcmp(name, "-h")) {
        return show(help_program);
    }
    if (!strcmp(name, "--version")) {
        return show(write_version);
    }
    if (!strcmp(name, "help")) {
        return run_help(count - 1, arguments + 1);
    }
    if (name[0] == '-') {
        message_misuse(NULL, "the command comes first, as in railsag levels heron.json %s", name);
        return EXIT_MISUSE;
    }
    const command_info *command = command_find(name);
    return command ? run_command(command, count - 1, arguments + 1) : refuse_command(name);
}

int main(int argc, char **argv)
{
    gsl_set_error_handler_off();
    output_start();
    int status = run(argc - 1, argv + 1);
    output_raise();
    return status;
}
