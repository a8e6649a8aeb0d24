/* SPDX-License-Identifier: GPL-3.0-or-later */
/* status.h - what a call came to.
 *
 * Zero is done. Positive is recoverable: the caller may try another way, or mark a hole in the map.
 * Negative is final for this call: the input, the argument or the memory was not good enough. */
#ifndef RAILSAG_STATUS_H
#define RAILSAG_STATUS_H

/* X(enumerator, value, name in results, text) */
#define SAG_STATUS_LIST(X)                                                                         \
    X(SAG_OK, 0, "ok", "done")                                                                     \
    X(SAG_NOT_CONVERGED, 1, "failed", "the iteration found no solution")                           \
    X(SAG_SINGULAR, 2, "singular", "the equations do not determine every voltage and current")     \
    X(SAG_OSCILLATES, 3, "oscillates", "a stage oscillates by itself")                             \
    X(SAG_NO_SWING, 4, "no swing", "an output stage has no room left between its rails")           \
    X(SAG_STOPPED, 5, "stopped", "a part gets less than the supply it works at")                   \
    X(SAG_WOULD_DAMAGE, 6, "would damage", "a part gets more than its absolute maximum supply")    \
    X(SAG_REFUSED, 7, "refused", "the circuit is of a form that is not computed")                  \
    X(SAG_LATCHES, 8, "latches", "a stage latches at one of its limits")                           \
    X(SAG_NO_GAIN, 9, "no gain", "an op-amp that the signal passes has no gain at rest")           \
    X(SAG_NO_MEMORY, -1, "no memory", "out of memory")                                             \
    X(SAG_BAD_ARGUMENT, -2, "bad argument", "the library was called with a bad argument")          \
    X(SAG_BAD_INPUT, -3, "bad input", "the input has errors")                                      \
    X(SAG_CANCELLED, -4, "cancelled", "the caller asked to stop")

typedef enum {
#define SAG_STATUS_ENUM(id, value, name, text) id = (value),
    SAG_STATUS_LIST(SAG_STATUS_ENUM)
#undef SAG_STATUS_ENUM
} sag_status;

/* Short name and sentence for a status; static strings, never NULL. */
const char *sag_status_name(sag_status status);
const char *sag_status_text(sag_status status);

/* Passes a failure on. The only control-flow macro of the project. */
#define TRY(call)                                                                                  \
    do {                                                                                           \
        sag_status try_status_ = (call);                                                           \
        if (try_status_ != SAG_OK) {                                                               \
            return try_status_;                                                                    \
        }                                                                                          \
    } while (0)

#endif
