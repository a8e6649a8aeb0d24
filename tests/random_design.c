/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "random_design.h"

#include "chance.h"

#include <assert.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* A design in the making. Nodes are named stem and number. */
typedef struct {
    random_design *into;
    uint64_t *chance;
    int amplifiers; /* in a package */
    int resistors, capacitors, pots, opamps;
    const char *low_rail; /* "ground", or the lower battery's outer end */
    const char *rest;     /* node at which the stages rest */
} drawing;

static void add(drawing *d, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(drawing *d, const char *format, ...)
{
    random_design *r = d->into;
    va_list arguments;
    va_start(arguments, format);
    int more = vsnprintf(r->text + r->length, sizeof r->text - r->length, format, arguments);
    va_end(arguments);
    assert(more >= 0 && r->length + (size_t)more < sizeof r->text);
    r->length += (size_t)more;
}

static int one_in(drawing *d, int count)
{
    return chance_index(d->chance, count) == 0;
}

static double decades(drawing *d, double low, double high)
{
    return pow(10, chance_between(d->chance, log10(low), log10(high)));
}

static void resistor_of(drawing *d, const char *a, const char *b, double ohm)
{
    if (d->into->corner && one_in(d, 5)) {
        ohm = 0;
    }
    add(d, ",\n  \"R%d\": {\"resistor\": %.3g, \"between\": [\"%s\", \"%s\"]}", ++d->resistors, ohm,
        a, b);
}

static void resistor(drawing *d, const char *a, const char *b)
{
    resistor_of(d, a, b, decades(d, 1e3, 470e3));
}

static void capacitor(drawing *d, const char *a, const char *b, double low, double high)
{
    add(d, ",\n  \"C%d\": {\"capacitor\": %.3g, \"between\": [\"%s\", \"%s\"]}", ++d->capacitors,
        decades(d, low, high), a, b);
}

static void pot(drawing *d, const char *from, const char *to, const char *wiper)
{
    add(d,
        ",\n  \"VR%d\": {\"pot\": %.3g, \"ends\": [\"%s\", \"%s\"], \"wiper\": \"%s\", "
        "\"control\": "
        "\"control%d\"}",
        d->pots + 1, decades(d, 5e3, 500e3), from, to, wiper, d->pots + 1);
    d->pots++;
}

static void opamp(drawing *d, const char *plus, const char *minus, const char *out)
{
    int package = d->opamps / d->amplifiers + 1;
    char letter[2] = {(char)('A' + d->opamps % d->amplifiers), 0};
    d->opamps++;
    add(d,
        ",\n  \"U%d%s\": {\"opamp\": \"%s\", \"plus\": \"%s\", \"minus\": \"%s\", \"out\": \"%s\", "
        "\"rails\": [\"vplus\", \"%s\"]}",
        package, letter, d->into->model, plus, minus, out, d->low_rail);
}

/* The nodes of stage n. */
typedef struct {
    char in[16], out[16], a[16], b[16], c[16], e[16];
} nodes;

static nodes nodes_of(int n)
{
    nodes at;
    snprintf(at.in, sizeof at.in, "s%d", n);
    snprintf(at.out, sizeof at.out, "s%d", n + 1);
    snprintf(at.a, sizeof at.a, "a%d", n);
    snprintf(at.b, sizeof at.b, "b%d", n);
    snprintf(at.c, sizeof at.c, "c%d", n);
    snprintf(at.e, sizeof at.e, "e%d", n);
    return at;
}

/* Each kind of stage goes from node s<n> to s<n+1>, rests where its input rests, and returns the
 * number of the next stage. Inputs come from an output, but for the first, a follower. */

static int follower(drawing *d, int n)
{
    nodes at = nodes_of(n);
    if (n > 0 && one_in(d, 2)) {
        resistor(d, at.in, at.a);
        capacitor(d, at.a, d->rest, 47e-12, 47e-9);
        opamp(d, at.a, at.out, at.out);
    } else {
        opamp(d, at.in, at.out, at.out);
    }
    return n + 1;
}

/* Gain that rises or falls with frequency, one at DC. */
static int boost(drawing *d, int n)
{
    nodes at = nodes_of(n);
    resistor(d, at.out, at.a);
    if (one_in(d, 2)) {
        capacitor(d, at.out, at.a, 22e-12, 10e-9);
    }
    resistor(d, at.a, at.b);
    capacitor(d, at.b, d->rest, 1e-9, 10e-6);
    opamp(d, at.in, at.a, at.out);
    return n + 1;
}

/* Bass and treble round an inverting stage. */
static int two_bands(drawing *d, int n)
{
    nodes at = nodes_of(n);
    char wiper[16];
    snprintf(wiper, sizeof wiper, "w%d", n);
    resistor(d, at.in, at.a);
    pot(d, at.b, at.a, at.c);
    resistor(d, at.b, at.out);
    capacitor(d, at.a, at.c, 4.7e-9, 220e-9);
    if (one_in(d, 2)) {
        capacitor(d, at.b, at.c, 4.7e-9, 220e-9);
    }
    resistor(d, at.c, at.e);
    if (one_in(d, 2)) {
        pot(d, at.out, at.in, wiper);
        capacitor(d, wiper, at.e, 470e-12, 22e-9);
    }
    if (one_in(d, 2)) {
        capacitor(d, at.e, at.out, 10e-12, 220e-12);
    }
    opamp(d, d->rest, at.e, at.out);
    return n + 1;
}

/* A band lifted or cut by a series resonance with a coil made of an op-amp. */
static int mid_band(drawing *d, int n)
{
    nodes at = nodes_of(n);
    char wiper[16], lag[16];
    snprintf(wiper, sizeof wiper, "w%d", n);
    snprintf(lag, sizeof lag, "l%d", n);
    resistor(d, at.in, at.a);
    pot(d, at.a, at.b, wiper);
    resistor(d, at.b, at.out);
    opamp(d, at.a, at.b, at.out);
    capacitor(d, wiper, at.c, 4.7e-9, 470e-9);
    resistor_of(d, at.c, at.e, decades(d, 470, 10e3));
    capacitor(d, at.c, lag, 470e-12, 22e-9);
    resistor_of(d, lag, d->rest, decades(d, 22e3, 1e6));
    opamp(d, lag, at.e, at.e);
    return n + 1;
}

/* A summing stage and two integrators in a loop: a low-pass whose middle damps it. */
static int loop(drawing *d, int n)
{
    nodes at = nodes_of(n);
    char middle[16], plus[16];
    snprintf(middle, sizeof middle, "m%d", n);
    snprintf(plus, sizeof plus, "p%d", n);
    double ohm = decades(d, 4.7e3, 100e3);
    resistor_of(d, at.in, at.a, ohm);
    resistor_of(d, at.out, at.a, ohm);
    resistor_of(d, at.b, at.a, ohm);
    resistor(d, middle, plus);
    resistor(d, plus, d->rest);
    opamp(d, plus, at.a, at.b);
    resistor(d, at.b, at.c);
    capacitor(d, at.c, middle, 470e-12, 47e-9);
    opamp(d, d->rest, at.c, middle);
    resistor(d, middle, at.e);
    capacitor(d, at.e, at.out, 470e-12, 47e-9);
    opamp(d, d->rest, at.e, at.out);
    return n + 1;
}

static const struct {
    const char *name;
    int (*draw)(drawing *, int);
    int opamps; /* of one stage */
} kinds[] = {{"followers", follower, 1},
             {"boosts", boost, 1},
             {"two bands", two_bands, 1},
             {"mid bands", mid_band, 2},
             {"loops", loop, 3}};

static void draw_supply(drawing *d)
{
    static const char *const batteries[] = {"6lr61", "6f22", "lithium-9v", "nimh-8.4v"};
    int split = one_in(d, 4);
    d->low_rail = split ? "vminus" : "ground";
    d->rest = split ? "ground" : "vref";
    add(d, " \"supply\": {\"positive\": \"vplus\", \"negative\": \"%s\", \"nominal\": \"9V\"",
        d->low_rail);
    if (split) {
        add(d, ", \"middle\": \"ground\"");
    }
    if (!one_in(d, 3)) {
        add(d, ", \"battery\": \"%s\", \"in_series\": %d", batteries[chance_index(d->chance, 4)],
            split ? 2 : 1);
    }
    if (one_in(d, 4)) {
        add(d, ", \"resistance\": %.3g", decades(d, 0.1, 100));
    }
    add(d, "},\n");
}

/* Decoupling; and half the supply for the stages to rest at. */
static void draw_rest(drawing *d)
{
    capacitor(d, "vplus", d->low_rail, 100e-9, 470e-6);
    if (!strcmp(d->rest, "vref")) {
        double ohm = decades(d, 4.7e3, 470e3);
        resistor_of(d, "vplus", "vref", ohm);
        resistor_of(d, "vref", "ground", ohm);
        capacitor(d, "vref", "ground", 1e-6, 220e-6);
    }
}

void random_design_draw(random_design *into, uint64_t number, const char *const *models,
                        const int *amplifiers, size_t model_count)
{
    *into = (random_design){.chance = (number + 1) * 0x9e3779b97f4a7c15u};
    for (int i = 0; i < 8; i++) { /* neighbouring numbers start apart */
        chance(&into->chance);
    }
    int model = chance_index(&into->chance, (int)model_count);
    drawing d = {.into = into, .chance = &into->chance, .amplifiers = amplifiers[model]};
    snprintf(into->model, sizeof into->model, "%s", models[model]);
    into->corner = one_in(&d, 10);
    size_t kind = (size_t)chance_index(d.chance, (int)(sizeof kinds / sizeof *kinds));
    int wanted = 1 + chance_index(d.chance, 6), first = chance_index(d.chance, 2);
    into->stages = kinds[kind].name;
    add(&d, "{\"format\": \"railsag design 1\",\n \"title\": \"%s, drawn by chance\",\n",
        into->stages);
    add(&d,
        " \"input\": {\"node\": \"jack_in\"},\n \"output\": {\"node\": \"jack_out\", \"load\": ");
    double load_ohm = decades(&d, 2e3, 1e6);
    add(&d, "\"%.3g%s\"},\n", load_ohm, one_in(&d, 4) ? "" : " + 500p");
    draw_supply(&d);
    size_t parts_at = into->length;
    add(&d, " \"parts\": {\n  \"C0\": {\"capacitor\": %.3g, \"between\": [\"jack_in\", \"s0\"]}",
        decades(&d, 4.7e-9, 1e-6));
    draw_rest(&d);
    resistor_of(&d, "s0", d.rest, decades(&d, 47e3, 10e6));
    int n = first ? follower(&d, 0) : 0;
    while (d.opamps == 0 || d.opamps + kinds[kind].opamps <= wanted) {
        n = kinds[kind].draw(&d, n);
    }
    char last[16];
    snprintf(last, sizeof last, "s%d", n);
    capacitor(&d, last, "out", 470e-9, 47e-6);
    resistor(&d, "out", "ground");
    resistor_of(&d, "out", "jack_out", decades(&d, 47, 4.7e3));
    add(&d, "}}\n");
    into->opamps = d.opamps;
    if (d.pots > 0) { /* the settings, before the parts */
        char parts[sizeof into->text];
        memcpy(parts, into->text + parts_at, into->length - parts_at + 1);
        into->length = parts_at;
        add(&d, " \"controls\": {");
        for (int i = 1; i <= d.pots; i++) {
            double stop = one_in(&d, 2) ? 0 : 100;
            double at = into->corner ? stop : chance_between(d.chance, 0, 100);
            add(&d, "%s\"control%d\": \"%.4g%%\"", i > 1 ? ", " : "", i, at);
        }
        add(&d, "},\n%s", parts);
    }
}
