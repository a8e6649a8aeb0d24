/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "completion.h"

#include "options.h"

#include <string.h>

static void write_command_names(output *out)
{
    for (size_t i = 0; i < command_count; i++) {
        output_format(out, "%s ", commands[i].name);
    }
    output_text(out, "help");
}

static void write_command(output *out, size_t command)
{
    output_format(out, "    %s) words=\"", commands[command].name);
    for (size_t i = 0; i < option_count; i++) {
        if (option_table[i].commands & 1u << command) {
            output_format(out, "--%s ", option_table[i].name);
        }
    }
    output_text(out, "--help\" ;;\n");
}

/* Only an argument written as "bench|pickup" is one of a few words. */
static void write_choices(output *out, const option_info *option)
{
    const char *word = option->argument;
    if (!word || !strchr(word, '|') || strpbrk(word, ":ABCDEFGHIJKLMNOPQRSTUVWXYZ")) {
        return;
    }
    output_format(out, "    --%s) words=\"", option->name);
    while (*word) {
        size_t length = strcspn(word, "|");
        output_format(out, "%.*s", (int)length, word);
        word += length;
        if (*word) {
            output_text(out, " ");
            word++;
        }
    }
    output_text(out, "\" any=1 ;;\n");
}

void completion_bash(output *out)
{
    output_text(out, "# Completion for bash, made by railsag help --bash.\n"
                     "_railsag()\n{\n"
                     "    local word=${COMP_WORDS[COMP_CWORD]} words= any=\n"
                     "    COMPREPLY=()\n"
                     "    case ${COMP_WORDS[1]} in\n");
    for (size_t i = 0; i < command_count; i++) {
        write_command(out, i);
    }
    output_text(out, "    help) words=\"");
    write_command_names(out);
    output_text(out, "\" any=1 ;;\n    esac\n"
                     "    case ${COMP_WORDS[COMP_CWORD - 1]} in\n");
    for (size_t i = 0; i < option_count; i++) {
        write_choices(out, &option_table[i]);
    }
    output_text(out, "    esac\n"
                     "    if [[ $COMP_CWORD == 1 ]]; then\n"
                     "        words=\"");
    write_command_names(out);
    /* No word offered: bash goes on to file names. */
    output_text(out, " --help --version\" any=1\n"
                     "    fi\n"
                     "    if [[ $any || $word == -* ]]; then\n"
                     "        COMPREPLY=($(compgen -W \"$words\" -- \"$word\"))\n"
                     "    fi\n"
                     "}\n"
                     "complete -o default -F _railsag railsag\n");
}
