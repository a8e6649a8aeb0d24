/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Properties that every network has, whatever its values: scaling of impedance and frequency, and
 * results that do not depend on how a design is written down. */
#include "orbits.h"

#include "response.h"

#include <complex.h>

#define LADDER                                                                                     \
    CIRCUIT("'input': {'node': 'a', 'source': '600R'}, 'output': {'node': 'b', 'load': '22k + "    \
            "1n'}, 'supply': {'positive': 'bat', 'negative': 'ground', 'nominal': '9V'}",          \
            "'R9': {'resistor': '1k', 'between': ['bat', 'ground']}, "                             \
            "'R1': {'resistor': '2k2', 'between': ['a', 'x']}, "                                   \
            "'C1': {'capacitor': '47n', 'between': ['x', 'ground'], 'series_resistance': '10R'}, " \
            "'L1': {'inductor': '200mH', 'between': ['x', 'y'], 'series_resistance': '80R'}, "     \
            "'VR1': {'pot': '10k', 'ends': ['y', 'ground'], 'wiper': 'z'}, "                       \
            "'C2': {'capacitor': '22n', 'between': ['z', 'b']}, "                                  \
            "'R2': {'resistor': '3k3', 'between': ['b', 'ground']}")

static const double audio_hz[] = {20, 63, 200, 630, 2e3, 6.3e3, 20e3};
enum { AUDIO = sizeof audio_hz / sizeof *audio_hz };

/* Every impedance times `ohms` at frequencies times `hertz`. */
static circuit scaled(double ohms, double hertz)
{
    sag_design *design = circuit_read(LADDER);
    design->source_ohm *= ohms;
    design->load_ohm *= ohms;
    design->load_farad /= ohms * hertz;
    for (size_t i = 0; i < design->part_count; i++) {
        sag_part *part = &design->parts[i];
        double by = part->kind == SAG_CAPACITOR  ? 1 / (ohms * hertz)
                    : part->kind == SAG_INDUCTOR ? ohms / hertz
                                                 : ohms;
        part->value *= by;
        part->series_ohm *= ohms;
        part->end_ohm *= ohms;
    }
    return circuit_open_design(design, NULL);
}

static void gains_at(const circuit *c, double hertz, double complex gain[AUDIO])
{
    sag_response *response;
    assert_int_equal(sag_response_new(c->bias, &response), SAG_OK);
    for (size_t f = 0; f < AUDIO; f++) {
        assert_int_equal(sag_response_gain(response, hertz * audio_hz[f], &gain[f]), SAG_OK);
    }
    sag_response_free(response);
}

static void passive_circuits_scale(void **state)
{
    (void)state;
    static const struct {
        double ohms, hertz;
    } scales[] = {{37, 1}, {0.02, 1}, {1, 11}, {1, 0.3}, {5, 0.7}};
    double complex plain[AUDIO], other[AUDIO];
    circuit c = scaled(1, 1);
    gains_at(&c, 1, plain);
    circuit_close(&c);
    for (size_t s = 0; s < sizeof scales / sizeof *scales; s++) {
        c = scaled(scales[s].ohms, scales[s].hertz);
        gains_at(&c, scales[s].hertz, other);
        for (size_t f = 0; f < AUDIO; f++) {
            near_abs(cabs(other[f] - plain[f]), 0, 1e-11 * cabs(plain[f]),
                     "scaling of impedance and frequency");
        }
        circuit_close(&c);
    }
}

static void renumber(const int *to, int *node)
{
    *node = *node >= 0 ? to[*node] : *node;
}

/* The same circuit with nodes numbered and parts listed backwards. */
static void turn_round(sag_design *design)
{
    int to[256] = {0};
    assert_true(design->node_count <= 256);
    for (size_t i = 1; i < design->node_count; i++) {
        to[i] = (int)(design->node_count - i);
    }
    for (size_t i = 1; i < (design->node_count + 1) / 2; i++) {
        char *held = design->nodes[i];
        design->nodes[i] = design->nodes[to[i]];
        design->nodes[to[i]] = held;
    }
    for (size_t i = 0; i < design->part_count; i++) {
        for (int pin = 0; pin < design->parts[i].pin_count; pin++) {
            renumber(to, &design->parts[i].node[pin]);
        }
    }
    for (size_t i = 0; i < design->part_count / 2; i++) {
        sag_part held = design->parts[i];
        design->parts[i] = design->parts[design->part_count - 1 - i];
        design->parts[design->part_count - 1 - i] = held;
    }
    for (size_t i = 0; i < design->package_count; i++) {
        renumber(to, &design->packages[i].rail_positive);
        renumber(to, &design->packages[i].rail_negative);
    }
    for (size_t i = 0; i < design->input_count; i++) {
        renumber(to, &design->inputs[i].node);
    }
    renumber(to, &design->output);
    renumber(to, &design->supply.positive);
    renumber(to, &design->supply.negative);
    renumber(to, &design->supply.middle);
}

/* Resting voltages, and gain and THD of orbits that clip, to 1e-9: what shooting leaves is below. */
static void results_do_not_depend_on_names_and_order(void **state)
{
    (void)state;
    static const char *const files[] = {"heron", "plover", "curlew"};
    static const struct {
        double hz, vpk;
    } points[] = {{62, 0.1}, {98, 1}, {1000, 1.5}, {5000, 1}};
    for (size_t e = 0; e < 3; e++) {
        char file[512];
        snprintf(file, sizeof file, RAILSAG_SOURCE_DIR "/examples/%s.json", files[e]);
        sag_conditions conditions = circuit_at(9);
        circuit plain = circuit_open_design(circuit_load(file), &conditions);
        sag_design *design = circuit_load(file);
        turn_round(design);
        circuit turned = circuit_open_design(design, &conditions);
        for (size_t i = 0; i < design->node_count; i++) {
            const char *node = design->nodes[i];
            near_abs(circuit_v(&turned, node), circuit_v(&plain, node), 1e-9, "the same node");
        }
        sag_steady *one = steady_of(&plain, 256, 0), *other = steady_of(&turned, 256, 0);
        for (size_t i = 0; i < sizeof points / sizeof *points; i++) {
            sag_steady_point a = point_at(one, points[i].hz, points[i].vpk, NULL);
            sag_steady_point b = point_at(other, points[i].hz, points[i].vpk, NULL);
            assert_int_equal(a.status, SAG_OK);
            near_rel(pow(10, b.gain_db / 20), pow(10, a.gain_db / 20), 1e-9, "the same circuit");
            near_abs(b.thd, a.thd, 1e-9, "the same circuit");
        }
        sag_steady_free(one);
        sag_steady_free(other);
        circuit_close(&plain);
        circuit_close(&turned);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(passive_circuits_scale),
        cmocka_unit_test(results_do_not_depend_on_names_and_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
