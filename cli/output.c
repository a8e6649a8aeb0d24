/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "output.h"

#include "memory.h"
#include "message.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { LINE_WIDTH = 80, LONGEST_UNIT = 5 };

struct output {
    int fd;
    char *shown;     /* as the user named it, for messages */
    char *target;    /* where the finished file goes; NULL when fd is written directly */
    char *temporary; /* NULL when there is none to remove */
    int error;       /* errno of the first write that failed; 0: none */
    size_t used;
    char buffer[1 << 16];
};

static volatile sig_atomic_t caught_signal;

static void note_signal(int number)
{
    caught_signal = number;
}

void output_start(void)
{
    /* With a standard stream closed by the caller, the first file opened would take its place.
     * Opened the wrong way round, so that reading and writing still fail. */
    static const int flags[] = {O_WRONLY, O_RDONLY, O_RDONLY};
    for (int fd = 0; fd < 3; fd++) {
        if (fcntl(fd, F_GETFD) < 0 && open("/dev/null", flags[fd]) < 0) {
            _exit(1);
        }
    }
    static const int stops[] = {SIGINT, SIGTERM, SIGHUP};
    for (size_t i = 0; i < sizeof stops / sizeof stops[0]; i++) {
        struct sigaction action;
        /* A signal ignored by the caller (a job in the background) stays ignored. */
        if (sigaction(stops[i], NULL, &action) == 0 && action.sa_handler != SIG_IGN) {
            memset(&action, 0, sizeof action);
            sigemptyset(&action.sa_mask);
            action.sa_handler = note_signal; /* no SA_RESTART: a blocked write has to end */
            sigaction(stops[i], &action, NULL);
        }
    }
    struct sigaction ignore;
    memset(&ignore, 0, sizeof ignore);
    sigemptyset(&ignore.sa_mask);
    ignore.sa_handler = SIG_IGN;
    sigaction(SIGPIPE, &ignore, NULL);
}

int output_interrupted(void)
{
    return caught_signal != 0;
}

void output_raise(void)
{
    int number = caught_signal;
    if (number) {
        signal(number, SIG_DFL);
        raise(number);
    }
}

static output *new_output(const char *shown)
{
    output *out = sag_new(1, sizeof *out);
    if (out) {
        out->fd = -1;
        out->shown = sag_copy_text(shown, strlen(shown));
    }
    if (!out || !out->shown) {
        message_error("out of memory");
        sag_free(out);
        return NULL;
    }
    return out;
}

/* The name of a temporary file in the folder of target. */
static char *temporary_name(const char *target)
{
    static const char pattern[] = ".railsag-XXXXXX";
    const char *slash = strrchr(target, '/');
    size_t folder = slash ? (size_t)(slash - target) + 1 : 0;
    char *name = sag_new(folder + sizeof pattern, 1);
    if (name) {
        memcpy(name, target, folder);
        memcpy(name + folder, pattern, sizeof pattern);
    }
    return name;
}

/* Opens the temporary file for out->target with the permissions the finished file shall have. */
static int open_temporary(output *out, mode_t mode)
{
    out->temporary = temporary_name(out->target);
    if (!out->temporary) {
        errno = ENOMEM;
        return 0;
    }
    out->fd = mkstemp(out->temporary);
    if (out->fd < 0) {
        sag_free(out->temporary);
        out->temporary = NULL;
        return 0;
    }
    return fchmod(out->fd, mode) == 0;
}

/* The word after "railsag" in the format that a file names at its beginning: "design", "opamp", ...;
 * 0 for another kind of file, and for results, which may be written over. */
static int is_source(const char *path, char word[16])
{
    static const char key[] = "\"railsag ";
    char text[1 << 12];
    struct stat there;
    int found = 0, regular = stat(path, &there) == 0 && S_ISREG(there.st_mode);
    int fd = regular ? open(path, O_RDONLY) : -1; /* a pipe would wait for a writer */
    ssize_t length = fd >= 0 ? read(fd, text, sizeof text - 1) : 0;
    text[length > 0 ? length : 0] = 0;
    const char *at = strstr(text, "\"format\"");
    at = at ? strstr(at, key) : NULL;
    if (at && sscanf(at + sizeof key - 1, "%15[a-z]", word) == 1) {
        found = strcmp(word, "result") != 0;
    }
    if (fd >= 0) {
        close(fd);
    }
    return found;
}

static int open_file(output *out, const char *path)
{
    struct stat there;
    if (stat(path, &there) != 0) {
        if (errno != ENOENT) {
            return 0;
        }
        mode_t mask = umask(0);
        umask(mask);
        out->target = sag_copy_text(path, strlen(path));
        return out->target ? open_temporary(out, 0666 & ~mask) : 0;
    }
    if (S_ISDIR(there.st_mode)) {
        errno = EISDIR;
        return 0;
    }
    if (!S_ISREG(there.st_mode)) {
        out->fd = open(path, O_WRONLY | O_NOCTTY);
        return out->fd >= 0;
    }
    if (access(path, W_OK) != 0) {
        return 0;
    }
    /* A link stays a link: what it points to is replaced. */
    char *real = realpath(path, NULL);
    if (!real) {
        return 0;
    }
    out->target = sag_copy_text(real, strlen(real));
    free(real); /* realpath's own block */
    return out->target ? open_temporary(out, there.st_mode & 0777) : 0;
}

output *output_open(const char *path)
{
    int standard = !strcmp(path, "-");
    output *out = new_output(standard ? "standard output" : path);
    if (!out) {
        return NULL;
    }
    if (standard) {
        out->fd = STDOUT_FILENO;
        return out;
    }
    char word[16];
    if (is_source(path, word)) {
        message_error(
            "%s holds a railsag %s, which would be lost: write the results to another file", path,
            word);
        output_drop(out);
        return NULL;
    }
    if (!open_file(out, path)) {
        message_error("cannot write %s: %s", path, strerror(errno));
        output_drop(out);
        return NULL;
    }
    return out;
}

static void flush(output *out)
{
    size_t done = 0;
    while (done < out->used && !out->error) {
        ssize_t count = write(out->fd, out->buffer + done, out->used - done);
        if (count >= 0) {
            done += (size_t)count;
        } else if (errno != EINTR || output_interrupted()) {
            out->error = errno;
        }
    }
    out->used = 0;
}

void output_write(output *out, const char *text, size_t length)
{
    while (length > 0 && !out->error) {
        size_t room = sizeof out->buffer - out->used;
        size_t part = length < room ? length : room;
        memcpy(out->buffer + out->used, text, part);
        out->used += part;
        text += part;
        length -= part;
        if (out->used == sizeof out->buffer) {
            flush(out);
        }
    }
}

void output_text(output *out, const char *text)
{
    output_write(out, text, strlen(text));
}

void output_format(output *out, const char *format, ...)
{
    char text[2048];
    va_list arguments;
    va_start(arguments, format);
    int length = vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (length < 0) {
        out->error = EINVAL;
        return;
    }
    if ((size_t)length < sizeof text) {
        output_write(out, text, (size_t)length);
        return;
    }
    char *longer = sag_new((size_t)length + 1, 1);
    if (!longer) {
        out->error = ENOMEM;
        return;
    }
    va_start(arguments, format);
    vsnprintf(longer, (size_t)length + 1, format, arguments);
    va_end(arguments);
    output_write(out, longer, (size_t)length);
    sag_free(longer);
}

size_t output_word_length(const char *text)
{
    size_t length = strcspn(text, " ");
    const char *next = text + length + strspn(text + length, " ");
    size_t further = strcspn(next, " ");
    int number = length > 0 && text[length - 1] >= '0' && text[length - 1] <= '9';
    int unit =
        further > 0 && further <= LONGEST_UNIT && (*next == '%' || (*next >= 'A' && *next <= 'z'));
    return number && unit ? (size_t)(next - text) + further : length;
}

void output_wrapped(output *out, const char *text, int at, int indent)
{
    int column = at;
    while (*text) {
        int length = (int)output_word_length(text);
        if (column > indent && column + 1 + length > LINE_WIDTH) {
            output_format(out, "\n%*s", indent, "");
            column = indent;
        } else if (column > indent) {
            output_text(out, " ");
            column++;
        } else if (column < indent) {
            output_format(out, "%*s", indent - column, "");
            column = indent;
        }
        output_write(out, text, (size_t)length);
        column += length;
        text += length;
        text += strspn(text, " ");
    }
    output_text(out, "\n");
}

/* Closes the file, standard output included: a full disk may show only there. */
static void close_output(output *out)
{
    if (out->fd >= 0 && close(out->fd) != 0 && !out->error && errno != EINTR) {
        out->error = errno;
    }
    out->fd = -1;
}

int output_commit(output *out)
{
    flush(out);
    int standard = out->fd == STDOUT_FILENO;
    close_output(out);
    if (standard && out->error == EPIPE) {
        out->error = 0; /* the reader has seen enough */
    }
    if (!out->error && !output_interrupted() && out->temporary) {
        if (rename(out->temporary, out->target) == 0) {
            sag_free(out->temporary);
            out->temporary = NULL;
        } else {
            out->error = errno;
        }
    }
    int done = !out->error && !output_interrupted();
    if (out->error && !output_interrupted()) {
        message_error("cannot write %s: %s", out->shown, strerror(out->error));
    }
    output_drop(out);
    return done;
}

void output_drop(output *out)
{
    if (!out) {
        return;
    }
    if (out->fd >= 0 && out->fd != STDOUT_FILENO) {
        close(out->fd);
    }
    if (out->temporary) {
        unlink(out->temporary);
    }
    sag_free(out->temporary);
    sag_free(out->target);
    sag_free(out->shown);
    sag_free(out);
}
