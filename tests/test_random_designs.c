/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preamps drawn by chance, counted by what became of each of their points: two supplies, five
 * frequencies, three levels. Without arguments a tenth of the 2,000 designs; `all` for all of them;
 * numbers for single designs, point by point. */
#include "orbits.h"

#include "chance.h"
#include "outcome.h"
#include "random_design.h"
#include "response.h"
#include "stability.h"

#include <gsl/gsl_errno.h>
#include <stdlib.h>

#define DESIGNS 2000
#define SHARE   10

enum { SUPPLIES = 2, FREQUENCIES = 5, LEVELS = 3 };

typedef struct {
    long long points[OUTCOMES];
    long long alive, repeated, apart; /* of those that converged */
} tally;

static const char *const folders[] = {RAILSAG_SOURCE_DIR "/models"};
static const sag_model_path library_path = {folders, 1};
static char **models;
static int *amplifiers;
static size_t model_count;
static int tell; /* 1: prints every point */

static void load_models(void)
{
    char **files;
    sag_model_library *library = NULL;
    assert_int_equal(
        sag_model_list(&library_path, NULL, SAG_MODEL_OPAMP, &models, &files, &model_count),
        SAG_OK);
    assert_int_equal(sag_model_library_new(&library_path, &library), SAG_OK);
    amplifiers = sag_new(model_count, sizeof *amplifiers);
    assert_non_null(amplifiers);
    for (size_t i = 0; i < model_count; i++) {
        const sag_opamp_model *model;
        assert_int_equal(sag_model_opamp(library, models[i], NULL, (sag_place){0}, &model, NULL),
                         SAG_OK);
        amplifiers[i] = model->amplifiers;
        sag_free(files[i]);
    }
    sag_free(files);
    sag_model_library_free(library);
}

static const sag_opamp_model *opamp_of(const sag_design *design)
{
    for (size_t i = 0; i < design->part_count; i++) {
        if (design->parts[i].kind == SAG_OPAMP) {
            return design->parts[i].opamp;
        }
    }
    fail_msg("a design without an op-amp");
    return NULL;
}

/* The supplies that the part works at; of the first package, as all are of one model. */
static double draw_supply(random_design *drawn, const sag_opamp_model *model)
{
    double low = model->stops_below_v > 0 ? model->stops_below_v : model->supply_min_v;
    return chance_between(&drawn->chance, low, model->supply_max_v);
}

static int is_same(const sag_steady_point *a, const sag_steady_point *b)
{
    return a->status == SAG_OK && b->status == SAG_OK && fabs(a->gain_db - b->gain_db) <= 0.01;
}

/* 1 when a point comes out the same at 2048 steps, reached from a louder level. */
static int repeats(const circuit *c, double frequency_hz, double level_vpk,
                   const sag_steady_point *point)
{
    sag_steady *steady = steady_of(c, 2048, 1);
    sag_steady_point louder = point_at(steady, frequency_hz, 1.3 * level_vpk, NULL), again;
    assert_int_equal(sag_steady_solve(steady, &level_vpk, 1, &again, NULL), SAG_OK);
    sag_steady_free(steady);
    if (tell || !is_same(point, &again)) {
        printf("    %.6g Hz, %.6g V peak: %.5f dB, at 2048 steps %s, %.5f dB (louder: %.5f dB)\n",
               frequency_hz, level_vpk, point->gain_db, sag_status_name(again.status),
               again.gain_db, louder.gain_db);
    }
    return is_same(point, &again);
}

static void count_point(tally *t, const circuit *c, random_design *drawn, double frequency_hz,
                        double level_vpk, double response_db, const sag_steady_point *point)
{
    outcome came_to = outcome_of(point->status);
    int look = chance(&drawn->chance) < 0.01;
    if (came_to == CONVERGED) {
        /* An output that 0 ohm hold at ground hears nothing, at any level. */
        int silent = isinf(response_db) && isinf(point->gain_db) && isnan(point->thd);
        int finite = (silent || (isfinite(point->gain_db) && isfinite(point->thd))) &&
                     isfinite(point->output_peak_v) && isfinite(point->output_trough_v);
        came_to = finite ? CONVERGED : FAILED;
        t->alive += fabs(point->gain_db - response_db) < 40;
        if (look && !silent) {
            t->repeated++;
            if (!repeats(c, frequency_hz, level_vpk, point)) {
                t->apart++;
                came_to = FAILED;
            }
        }
    }
    t->points[came_to]++;
    if (tell || came_to == FAILED) {
        printf("    %.6g Hz, %.6g V peak: %s, %.4f dB, response %.4f dB, THD %.4g, %d sweeps\n",
               frequency_hz, level_vpk, sag_status_name(point->status), point->gain_db, response_db,
               point->thd, point->sweeps);
    }
}

static void solve_points(tally *t, const circuit *c, random_design *drawn)
{
    sag_response *response;
    assert_int_equal(sag_response_new(c->bias, &response), SAG_OK);
    sag_steady *steady = steady_of(c, 0, 0);
    for (int f = 0; f < FREQUENCIES; f++) {
        double frequency_hz = 20 * pow(1000, chance(&drawn->chance)), level_vpk[LEVELS];
        double dbv = chance_between(&drawn->chance, -40, -10);
        for (int l = 0; l < LEVELS; l++) {
            level_vpk[l] = M_SQRT2 * pow(10, dbv / 20);
            dbv += chance_between(&drawn->chance, 3, 12);
        }
        sag_steady_point points[LEVELS];
        double complex gain = 0;
        sag_response_gain(response, frequency_hz, &gain);
        assert_true(sag_steady_frequency(steady, frequency_hz) >= SAG_OK);
        assert_int_equal(sag_steady_solve(steady, level_vpk, LEVELS, points, NULL), SAG_OK);
        for (int l = 0; l < LEVELS; l++) {
            count_point(t, c, drawn, frequency_hz, level_vpk[l], sag_gain_db(gain), &points[l]);
        }
    }
    sag_steady_free(steady);
    sag_response_free(response);
}

/* Points that share what became of their bias point. */
static void count_all(tally *t, const sag_report *report, sag_status status)
{
    outcome came_to = outcome_of(status);
    t->points[came_to] += FREQUENCIES * LEVELS;
    if (tell || came_to == FAILED) {
        printf("    %s\n", sag_status_name(status));
        for (size_t i = 0; i < sag_report_count(report); i++) {
            const sag_finding *finding = sag_report_get(report, i);
            printf("      %s: %s\n", finding->where ? finding->where : "-", finding->text);
        }
    }
}

static void try_supply(tally *t, random_design *drawn, sag_design *design, double supply_v)
{
    sag_conditions conditions = circuit_at(supply_v);
    circuit c;
    sag_stability stability = {0};
    sag_status status = circuit_try(&c, design, &conditions);
    if (status == SAG_OK) {
        status = sag_stability_at_rest(c.bias, &stability);
    }
    if (status == SAG_OK && stability.oscillates) {
        status = SAG_OSCILLATES;
    }
    if (status == SAG_OK) {
        solve_points(t, &c, drawn);
    } else {
        count_all(t, c.report, status);
    }
    c.design = NULL; /* used again */
    circuit_close(&c);
}

static void try_design(tally *t, uint64_t number)
{
    static random_design drawn;
    sag_report *report = NULL;
    sag_design *design = NULL;
    random_design_draw(&drawn, number, (const char *const *)models, amplifiers, model_count);
    assert_int_equal(sag_report_new(&report), SAG_OK);
    long long failed_before = t->points[FAILED];
    if (tell) {
        printf("%s", drawn.text);
    }
    sag_status status =
        sag_design_read(drawn.text, drawn.length, "drawn.json", &library_path, &design, report);
    if (status != SAG_OK) {
        count_all(t, report, status);
        count_all(t, report, status);
    }
    for (int s = 0; s < SUPPLIES && status == SAG_OK; s++) {
        double supply_v = draw_supply(&drawn, opamp_of(design));
        if (tell) {
            printf("  at %.5g V\n", supply_v);
        }
        long long before = t->points[FAILED];
        try_supply(t, &drawn, design, supply_v);
        if (t->points[FAILED] > before && !tell) {
            printf("  at %.5g V\n", supply_v);
        }
    }
    if (t->points[FAILED] > failed_before && !tell) {
        printf("design %llu: %s, %d of %s\n", (unsigned long long)number, drawn.stages,
               drawn.opamps, drawn.model);
    }
    sag_design_free(design);
    sag_report_free(report);
}

static void print_tally(const tally *t)
{
    for (int i = 0; i < OUTCOMES; i++) {
        printf("%s %lld, ", outcome_name[i], t->points[i]);
    }
    printf("alive %lld; solved again at 2048 steps %lld, apart %lld\n", t->alive, t->repeated,
           t->apart);
}

static int share = SHARE;

static void points_of_random_designs_are_solved(void **state)
{
    (void)state;
    tally t = {0};
    for (uint64_t number = 0; number < DESIGNS; number += (uint64_t)share) {
        try_design(&t, number);
    }
    print_tally(&t);
    long long solved = t.points[CONVERGED], failed = t.points[FAILED];
    assert_true(1000 * failed < solved + failed);
    assert_true(10 * t.alive >= 6 * solved);
    assert_true(t.repeated > 0);
}

/* A low-pass of three class-B op-amps in a loop: where they cross over they lose the gain that keeps
 * it at rest, and swing from rail to rail at a pace of their own. Softly driven it is calm. */
static void a_loop_that_goes_on_by_itself_has_no_orbit(void **state)
{
    (void)state;
    static random_design drawn;
    sag_design *design = NULL;
    random_design_draw(&drawn, 1831, (const char *const *)models, amplifiers, model_count);
    assert_string_equal(drawn.model, "lm358");
    assert_int_equal(
        sag_design_read(drawn.text, drawn.length, "drawn.json", &library_path, &design, NULL),
        SAG_OK);
    sag_conditions conditions = circuit_at(27.177);
    circuit c = circuit_open_design(design, &conditions);
    sag_steady *steady = steady_of(&c, 0, 0);
    assert_int_equal(point_at(steady, 2851.37, 1e-3, NULL).status, SAG_OK);
    sag_steady_point point = point_at(steady, 2851.37, 0.5, NULL);
    assert_int_equal(point.status, SAG_OSCILLATES);
    assert_in_range(point.burst.opamp, 0, 2);
    assert_true(isnan(point.burst.frequency_hz) && isnan(point.gain_db));
    sag_steady_free(steady);
    circuit_close(&c);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(points_of_random_designs_are_solved),
        cmocka_unit_test(a_loop_that_goes_on_by_itself_has_no_orbit),
    };
    gsl_set_error_handler_off();
    load_models();
    int failed = 0;
    if (argc > 1 && strcmp(argv[1], "all") != 0) {
        tally t = {0};
        tell = 1;
        for (int i = 1; i < argc; i++) {
            try_design(&t, strtoull(argv[i], NULL, 10));
        }
        print_tally(&t);
    } else {
        share = argc > 1 ? 1 : SHARE;
        failed = cmocka_run_group_tests(tests, NULL, NULL);
    }
    for (size_t i = 0; i < model_count; i++) {
        sag_free(models[i]);
    }
    sag_free(models);
    sag_free(amplifiers);
    return failed;
}
