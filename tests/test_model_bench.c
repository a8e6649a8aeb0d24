/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Every op-amp of the library on the bench of model_bench.h: what a small circuit around it comes to is
 * what its file says. And points of data sheets that the files were not made from. */
#include "near.h"

#include "json.h"
#include "memory.h"
#include "model_bench_private.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <string.h>

#define MODELS      RAILSAG_SOURCE_DIR "/models"
#define FILE_FIGURE "figures of the model file"

/* A model with its bench. */
typedef struct {
    sag_opamp_model *model;
    sag_model_bench *bench;
    const sag_bench_figure *figures;
    size_t count;
} subject;

static subject subject_of_text(const char *text, size_t length, const char *file)
{
    subject s = {0};
    assert_int_equal(sag_opamp_model_read(text, length, file, &s.model, NULL), SAG_OK);
    assert_int_equal(sag_model_bench_new(s.model, &s.bench), SAG_OK);
    return s;
}

static subject subject_of(const char *file)
{
    char *text;
    size_t length;
    assert_int_equal(sag_json_load(file, &text, &length, NULL), SAG_OK);
    subject s = subject_of_text(text, length, file);
    sag_free(text);
    return s;
}

static subject subject_called(const char *name)
{
    char file[512];
    snprintf(file, sizeof file, MODELS "/opamps/%s.json", name);
    return subject_of(file);
}

static void subject_run(subject *s)
{
    assert_int_equal(sag_model_bench_run(s->bench, NULL, NULL), SAG_OK);
    s->figures = sag_model_bench_figures(s->bench, &s->count);
}

static void subject_free(subject *s)
{
    sag_model_bench_free(s->bench);
    sag_opamp_model_free(s->model);
}

/* ---- every figure of every file ---- */

static const char *const kind_names[SAG_BENCH_KINDS] = {"gain-bandwidth",
                                                        "phase margin",
                                                        "slew up",
                                                        "slew down",
                                                        "DC gain",
                                                        "drop high",
                                                        "drop low",
                                                        "short circuit, sourcing",
                                                        "short circuit, sinking",
                                                        "supply current",
                                                        "tracking",
                                                        "input range, low",
                                                        "input range, high",
                                                        "reversal, low",
                                                        "reversal, high",
                                                        "power bandwidth",
                                                        "offset",
                                                        "bias current"};

static int same_v(double a, double b)
{
    return fabs(a - b) < 1e-9;
}

/* The ratio that the row of against_supply at a supply gives for a kind of figure; NAN: none. */
static double ratio_at(const sag_opamp_model *m, double supply_v, sag_bench_kind kind)
{
    for (size_t i = 0; i < m->against_count; i++) {
        const sag_against_supply *row = &m->against[i];
        if (same_v(row->supply_v, supply_v)) {
            return kind == SAG_BENCH_GAIN_BANDWIDTH   ? row->gain_bandwidth
                   : kind == SAG_BENCH_SUPPLY_CURRENT ? row->supply_current
                                                      : row->slew_rate;
        }
    }
    return (double)NAN;
}

static double drop_at(const sag_drop_point *points, size_t count, double supply_v, double load_a)
{
    for (size_t i = 0; i < count; i++) {
        if ((isnan(points[i].supply_v) || same_v(points[i].supply_v, supply_v)) &&
            fabs(points[i].current_a / load_a - 1) < 1e-9) {
            return points[i].drop_v;
        }
    }
    return (double)NAN;
}

static double or_nan(int given, double value)
{
    return given ? value : (double)NAN;
}

/* What the file says; NAN where it says nothing. */
static double expected_of(const sag_opamp_model *m, const sag_bench_figure *f)
{
    double ratio = ratio_at(m, f->supply_v, f->kind);
    ratio = m->against_count == 0 ? 1 : ratio;
    switch (f->kind) {
    case SAG_BENCH_GAIN_BANDWIDTH:
        return ratio * m->gain_bandwidth_hz;
    case SAG_BENCH_PHASE_MARGIN:
        return m->phase_margin_deg;
    case SAG_BENCH_SLEW_RISE:
        return ratio * m->slew_rise;
    case SAG_BENCH_SLEW_FALL:
        return ratio * m->slew_fall;
    case SAG_BENCH_OPEN_LOOP_GAIN:
        return or_nan(isfinite(m->open_loop_gain), m->open_loop_gain);
    case SAG_BENCH_DROP_HIGH:
        return drop_at(m->high, m->high_count, f->supply_v, f->load_a);
    case SAG_BENCH_DROP_LOW:
        return drop_at(m->low, m->low_count, f->supply_v, f->load_a);
    case SAG_BENCH_SHORT_SOURCE:
        return or_nan(isfinite(m->short_source_a), m->short_source_a);
    case SAG_BENCH_SHORT_SINK:
        return or_nan(isfinite(m->short_sink_a), m->short_sink_a);
    case SAG_BENCH_SUPPLY_CURRENT:
        return ratio * m->supply_current_a;
    case SAG_BENCH_TRACKING:
        return 1;
    case SAG_BENCH_WORKS_TO_LOW:
        return m->input_low.works_to_v;
    case SAG_BENCH_WORKS_TO_HIGH:
        return m->input_high.works_to_v;
    case SAG_BENCH_REVERSES_LOW:
        return !isnan(m->input_low.reverses_at_v);
    case SAG_BENCH_REVERSES_HIGH:
        return !isnan(m->input_high.reverses_at_v);
    case SAG_BENCH_POWER_BANDWIDTH:
        return fmin(m->slew_rise, m->slew_fall) / (2 * M_PI * f->level_vpk);
    case SAG_BENCH_OFFSET:
        return or_nan(fabs(m->offset_v) > 0, m->offset_v);
    default:
        return or_nan(fabs(m->bias_a) > 0, m->bias_a);
    }
}

/* Within 5 % of the file's figure; drops within the larger of 10 mV and a tenth; the end of the input
 * range within the larger of 10 mV and 5 %; DC gain within 1 dB, phase margin within 5 degrees; 1 % of
 * THD from 0.9 to 1.05 times where the slew rate limits the level used. */
static int is_within(const sag_bench_figure *f, double expected)
{
    double off = fabs(f->found - expected);
    switch (f->kind) {
    case SAG_BENCH_PHASE_MARGIN:
        return off <= 5;
    case SAG_BENCH_OPEN_LOOP_GAIN:
        return fabs(20 * log10(f->found / expected)) <= 1;
    case SAG_BENCH_DROP_HIGH:
    case SAG_BENCH_DROP_LOW:
        return off <= fmax(10e-3, 0.1 * expected);
    case SAG_BENCH_WORKS_TO_LOW:
    case SAG_BENCH_WORKS_TO_HIGH:
        return off <= fmax(10e-3, 0.05 * fabs(expected));
    case SAG_BENCH_REVERSES_LOW:
    case SAG_BENCH_REVERSES_HIGH:
        return off <= 0;
    case SAG_BENCH_POWER_BANDWIDTH:
        return f->found >= 0.9 * expected && f->found <= 1.05 * expected;
    default:
        return off <= 0.05 * fabs(expected);
    }
}

/* Figures that the bench cannot test, and why. Whatever is not here must be tested. */
static const struct {
    const char *models; /* names between blanks */
    sag_bench_kind kinds[4];
    int kind_count;
    double supply_v;
    const char *why; /* words of the reason */
} untested[] = {
#define SLEWS {SAG_BENCH_SLEW_RISE, SAG_BENCH_SLEW_FALL}, 2
#define ROW                                                                                        \
    {SAG_BENCH_GAIN_BANDWIDTH, SAG_BENCH_SLEW_RISE, SAG_BENCH_SLEW_FALL,                           \
     SAG_BENCH_SUPPLY_CURRENT},                                                                    \
        4
    /* Five linear ranges are 1.5 to 3.5 V for parts with JFET inputs: more than such a supply leaves. */
    {" tl061 tl062 tl064 ", SLEWS, 3, "room for a step"},
    {" tl061 tl062 tl064 ", SLEWS, 4, "room for a step"},
    {" tl071 tl072 tl074 tl082-n ", SLEWS, 2.7, "room for a step"},
    {" tl071 tl072 tl074 tl082-n ", SLEWS, 4, "room for a step"},
    {" tl072h ", SLEWS, 3.5, "room for a step"},
    {" opa134 opa2134 opa4134 ", SLEWS, 4, "room for a step"},
    {" opa134 opa2134 opa4134 ", SLEWS, 5, "room for a step"},
    {" opa1642 ", SLEWS, 4.5, "room for a step"},
    {" tlc272 ", SLEWS, 2, "room for a step"},
    {" tlc272 ", SLEWS, 3, "room for a step"},
    /* Rows below the supply at which the part stops: only the curve above it uses them. */
    {" opa1642 ", ROW, 3.5, "supply it works at"},
    {" opa1678 opa1679 ", ROW, 3, "supply it works at"},
    /* The largest sine is 5.6 and 15.8 linear ranges at 5 V: see power_bandwidth_by_another_integrator. */
    {" tlc272 tlc2262 ", {SAG_BENCH_POWER_BANDWIDTH}, 1, 5, "room for a sine"},
#undef SLEWS
#undef ROW
};

static int may_be_untested(const char *name, const sag_bench_figure *f)
{
    char wanted[64];
    snprintf(wanted, sizeof wanted, " %s ", name);
    for (size_t i = 0; i < sizeof untested / sizeof *untested; i++) {
        int kind = 0;
        for (int k = 0; k < untested[i].kind_count; k++) {
            kind |= untested[i].kinds[k] == f->kind;
        }
        if (kind && strstr(untested[i].models, wanted) &&
            same_v(untested[i].supply_v, f->supply_v) && f->why &&
            strstr(f->why, untested[i].why)) {
            return 1;
        }
    }
    return 0;
}

static const char *place_of(char *buffer, size_t size, const subject *s, const sag_bench_figure *f)
{
    int used = snprintf(buffer, size, "%s, %s at %g V", s->model->head.name, kind_names[f->kind],
                        f->supply_v);
    if (!isnan(f->load_a)) {
        snprintf(buffer + used, size - (size_t)used, ", %g mA", 1e3 * f->load_a);
    }
    return buffer;
}

/* Returns 1 when a figure is wrong; what is not tested is listed. */
static int check_figure(const subject *s, const sag_bench_figure *f)
{
    char place[256];
    double expected = expected_of(s->model, f);
    place_of(place, sizeof place, s, f);
    if (isnan(expected)) {
        print_message("not tested: %s: not given in the file\n", place);
        return f->verdict != SAG_BENCH_NOT_GIVEN;
    }
    near_abs(f->sheet, expected, 1e-12 * fabs(expected), FILE_FIGURE);
    if (f->verdict == SAG_BENCH_NOT_TESTED) {
        print_message("not tested: %s: %s\n", place, f->why);
        return !may_be_untested(s->model->head.name, f);
    }
    if (!is_within(f, expected) || f->verdict != SAG_BENCH_WITHIN) {
        print_error("%s: %.6g simulated, %.6g in the file\n", place, f->found, expected);
        return 1;
    }
    return 0;
}

/* How many figures of a kind there have to be. */
static size_t count_wanted(const sag_opamp_model *m, sag_bench_kind kind)
{
    size_t rows = 0;
    switch (kind) {
    case SAG_BENCH_DROP_HIGH:
        return m->high_count;
    case SAG_BENCH_DROP_LOW:
        return m->low_count;
    case SAG_BENCH_GAIN_BANDWIDTH:
    case SAG_BENCH_SLEW_RISE:
    case SAG_BENCH_SLEW_FALL:
    case SAG_BENCH_SUPPLY_CURRENT:
        for (size_t i = 0; i < m->against_count; i++) {
            rows += isnan(ratio_at(m, m->against[i].supply_v, kind)) ? 0 : 1;
        }
        return rows > 0 ? rows : 1;
    default:
        return 1;
    }
}

static void every_file_is_met(void **state)
{
    (void)state;
    static const char *const folders[] = {MODELS};
    const sag_model_path path = {folders, 1};
    char **names, **files;
    size_t count;
    int wrong = 0;
    assert_int_equal(sag_model_list(&path, NULL, SAG_MODEL_OPAMP, &names, &files, &count), SAG_OK);
    assert_true(count >= 31);
    for (size_t i = 0; i < count; i++) {
        subject s = subject_of(files[i]);
        size_t found[SAG_BENCH_KINDS] = {0};
        subject_run(&s);
        for (size_t k = 0; k < s.count; k++) {
            found[s.figures[k].kind]++;
            wrong += check_figure(&s, &s.figures[k]);
        }
        for (int kind = 0; kind < SAG_BENCH_KINDS; kind++) {
            if (found[kind] != count_wanted(s.model, (sag_bench_kind)kind)) {
                print_error("%s: %zu figures of kind %s\n", names[i], found[kind],
                            kind_names[kind]);
                wrong++;
            }
        }
        subject_free(&s);
        sag_free(names[i]);
        sag_free(files[i]);
    }
    sag_free(names);
    sag_free(files);
    assert_int_equal(wrong, 0);
}

/* THD, harmonics 2 to 15, of a follower that obeys
 *     vo' = SR tanh(2 pi GBW y / SR),   y'/p2 = peak sin(2 pi f t) - vo - y
 * by the classical Runge-Kutta method of fourth order, in its fourth period. p2 = 2 pi GBW sin(PM)
 * tan(PM), as stage.h says; without a phase margin none. */
static double slewing_thd(const sag_opamp_model *m, double hz, double peak_v)
{
    enum { STEPS = 1000, PERIODS = 4 };
    double sr = m->slew_rise, wt = 2 * M_PI * m->gain_bandwidth_hz;
    double margin = m->phase_margin_deg * M_PI / 180, h = 1 / (hz * STEPS);
    double p2 = isnan(margin) ? 50 * wt : wt * sin(margin) * tan(margin);
    double state[2] = {0, 0}, re[SAG_HARMONICS + 1] = {0}, im[SAG_HARMONICS + 1] = {0}, sum = 0;
    for (int n = 0; n < STEPS * PERIODS; n++) {
        static const double at[] = {0, 0.5, 0.5, 1},
                            weight[] = {1 / 6.0, 1 / 3.0, 1 / 3.0, 1 / 6.0};
        double slope[2] = {0, 0}, step[2] = {0, 0};
        for (int k = 0; k < 4; k++) {
            double vo = state[0] + at[k] * h * slope[0], y = state[1] + at[k] * h * slope[1];
            slope[0] = sr * tanh(wt * y / sr);
            slope[1] = p2 * (peak_v * sin(2 * M_PI * (n + at[k]) / STEPS) - vo - y);
            step[0] += weight[k] * h * slope[0];
            step[1] += weight[k] * h * slope[1];
        }
        state[0] += step[0];
        state[1] += step[1];
        for (int k = 1; k <= SAG_HARMONICS && n >= STEPS * (PERIODS - 1); k++) {
            re[k] += state[0] * cos(2 * M_PI * k * (n + 1) / STEPS);
            im[k] += state[0] * sin(2 * M_PI * k * (n + 1) / STEPS);
        }
    }
    for (int k = 2; k <= SAG_HARMONICS; k++) {
        sum += re[k] * re[k] + im[k] * im[k];
    }
    return sqrt(sum / (re[1] * re[1] + im[1] * im[1]));
}

/* Of parts with one slew rate both ways, those included whose sine is too small for the rule. */
static void power_bandwidth_by_another_integrator(void **state)
{
    (void)state;
    static const char *const models[] = {"tlc272",  "tlc2262", "tl072",   "tlv2372", "opa2134",
                                         "opa1642", "ua741",   "mc33178", "lm4562",  "tlc27l2"};
    for (size_t i = 0; i < sizeof models / sizeof *models; i++) {
        subject s = subject_called(models[i]);
        double hz, level_vpk, ranges;
        assert_int_equal(sag_bench_power_bandwidth(s.bench, sag_model_bench_supply_v(s.model), &hz,
                                                   &level_vpk, &ranges),
                         SAG_OK);
        near_rel(ranges, level_vpk * 2 * M_PI * s.model->gain_bandwidth_hz / s.model->slew_rise,
                 1e-9, FILE_FIGURE);
        double low = log(hz / 2), high = log(hz * 2);
        for (int k = 0; k < 12; k++) {
            double middle = (low + high) / 2;
            *(slewing_thd(s.model, exp(middle), level_vpk) < 0.01 ? &low : &high) = middle;
        }
        near_rel(hz, exp(low), 0.01, "the same equation by Runge-Kutta");
        subject_free(&s);
    }
}

/* ---- points of data sheets that no file was made from ---- */

/* The largest output with 1 % of THD, or as said. (c): read off a printed curve, about 5 %. */
static void outputs_reach_what_other_curves_show(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double half_supply_v, load_ohm, hz, peak_v, tolerance;
        const char *source;
    } cases[] = {
        /* The file has the table's swings at +-15 V; the curves are at 1 % THD, V rms. */
        {"lm4562", 2.5, 2e3, 1e3, 1.2 * M_SQRT2, 0.05, "TI SNAS326K figure 99 (c)"},
        {"lm4562", 4.5, 2e3, 1e3, 2.55 * M_SQRT2, 0.05, "TI SNAS326K figures 95, 98, 99 (c)"},
        {"lm4562", 6, 2e3, 1e3, 3.7 * M_SQRT2, 0.05, "TI SNAS326K figures 95, 98, 99 (c)"},
        {"lm4562", 9, 2e3, 1e3, 6.0 * M_SQRT2, 0.05, "TI SNAS326K figures 95, 98, 99 (c)"},
        {"lm4562", 15, 2e3, 1e3, 10.1 * M_SQRT2, 0.05, "TI SNAS326K figures 95, 98, 99 (c)"},
        /* The file has another maker's curves there; of this one only the point at +-1.75 V. */
        {"lm833", 5, 2e3, 1e3, 4.3, 0.05, "ST LM833 Doc ID 2169 figure 6 (c)"},
        {"lm833", 9, 2e3, 1e3, 8.3, 0.05, "ST LM833 Doc ID 2169 figure 6 (c)"},
        {"lm833", 15, 2e3, 1e3, 14, 0.05, "ST LM833 Doc ID 2169 figure 6 (c)"},
        /* The file has the limits of the table. */
        {"opa1642", 5, 2e3, 1e3, 9.1 / 2, 0.05, "TI SBOS484D figure 3 (c)"},
        {"opa1642", 15, 2e3, 1e3, 29.0 / 2, 0.05, "TI SBOS484D figure 3 (c)"},
        /* The file has +-15 V alone. */
        {"ne5532", 18, 600, 1e3, 16, 0.05, "onsemi NE5532/D table, typical"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        subject s = subject_called(cases[i].model);
        double peak_v;
        assert_int_equal(sag_model_bench_power(s.bench, 2 * cases[i].half_supply_v,
                                               cases[i].load_ohm, cases[i].hz, 0.01, &peak_v),
                         SAG_OK);
        near_rel(peak_v, cases[i].peak_v, cases[i].tolerance, cases[i].source);
        subject_free(&s);
    }
    print_message(
        "not tested: lm4562 at +-2.5 V by figure 98, 0.98 V rms: figure 99 of the same sheet says "
        "1.2 V\n"
        "not tested: opa1642 at +-2.25 V by figure 3, 3.6 Vpp: inputs at half the supply have no "
        "gain "
        "there, and the sheet's own limit is 3.8 Vpp\n"
        "not tested: tl082-n by figure 9, 7.5 and 15.5 Vpp at +-5 and +-9 V: figures 7 and 8 of "
        "the "
        "same sheet, which the file has, leave 6.9 and 14.7 Vpp\n"
        "not tested: rc4558 and mc4558 by their tables, +-14 and +-13 V: the curves of the same "
        "sheets, "
        "which the files have, lie 0.75 V below and 0.9 V above\n"
        "not tested: mcp6022 by figures 2-20 and 2-24, gain near the rails: not modelled\n"
        "not tested: lm833 and lm358 by their curves of gain against supply: their tables differ, "
        "and gain against supply is not modelled\n");
}

/* Supply current against supply, curves read to about 5 %, over what the curve shows at a supply where
 * the file has its figure from: curve and table of one sheet differ by up to a factor of two. */
static void supply_currents_follow_their_curves(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double reference_v, reference_a, supply_v, curve_a;
        const char *source;
    } cases[] = {
        {"tl082-n", 30, 1.84e-3, 10, 1.63e-3, "TI SNOSBW5C figure 4"},
        {"rc4558", 30, 4.95e-3, 12, 4.2e-3, "TI SLOS073G figure 1"},
        {"rc4558", 30, 4.95e-3, 8, 3.95e-3, "TI SLOS073G figure 1"},
        {"rc4558", 30, 4.95e-3, 6, 3.75e-3, "TI SLOS073G figure 1"},
        {"rc4558", 30, 4.95e-3, 4, 2.6e-3, "TI SLOS073G figure 1"},
        {"ne5532", 30, 4.0e-3, 10, 3.4e-3, "onsemi NE5532/D figure 8"},
        {"ne5532", 30, 4.0e-3, 7, 3.3e-3, "onsemi NE5532/D figure 8"},
        {"ne5532", 30, 4.0e-3, 3, 3.0e-3, "onsemi NE5532/D figure 8"},
        {"lm833", 30, 4.3e-3, 20, 4.0e-3, "TI SLOS481B figure 11"},
        {"lm833", 30, 4.3e-3, 10, 3.6e-3, "TI SLOS481B figure 11"},
        {"lm4562", 29, 9.9e-3, 13, 9.35e-3, "TI SNAS326K figures 102 to 104"},
        {"lm4562", 29, 9.9e-3, 9, 9.15e-3, "TI SNAS326K figures 102 to 104"},
        {"lm4562", 29, 9.9e-3, 5, 8.75e-3, "TI SNAS326K figures 102 to 104"},
        {"lm358", 5, 0.27e-3, 9, 0.285e-3, "TI SLOS068T figure 2"},
        {"lm358", 5, 0.27e-3, 15, 0.305e-3, "TI SLOS068T figure 2"},
        {"opa1642", 36, 1.70e-3, 4.5, 1.60e-3, "TI SBOS484D figure 25"},
        {"opa1678", 30, 2.03e-3, 8, 2.03e-3, "TI SBOS855C figure 21"},
        {"opa1678", 30, 2.03e-3, 5, 1.9e-3, "TI SBOS855C figure 21"},
        {"opa1678", 30, 2.03e-3, 4, 1.75e-3, "TI SBOS855C figure 21"},
        {"mcp6022", 5.5, 0.98e-3, 3, 0.94e-3, "Microchip DS20001685F figure 2-14"},
        {"mcp6022", 5.5, 0.98e-3, 2, 0.85e-3, "Microchip DS20001685F figure 2-14"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        subject s = subject_called(cases[i].model);
        double at_a, reference_a;
        assert_int_equal(sag_model_bench_supply_a(s.bench, cases[i].supply_v, &at_a), SAG_OK);
        assert_int_equal(sag_model_bench_supply_a(s.bench, cases[i].reference_v, &reference_a),
                         SAG_OK);
        near_rel(at_a / reference_a, cases[i].curve_a / cases[i].reference_a, 0.05,
                 cases[i].source);
        subject_free(&s);
    }
    print_message("not tested: lm833 by ST's figure 2, flat from 2 V: the file has TI's\n");
}

/* A follower's output driven to full swing: what its fundamental comes to, V peak. */
static double driven(subject *s, double supply_v, const sag_bench_wiring *wiring, double hz,
                     double level_vpk)
{
    sag_bench_setup setup;
    sag_steady *steady;
    sag_steady_point point;
    sag_steady_settings settings = sag_steady_defaults();
    settings.unjudged = 1;
    assert_int_equal(sag_bench_wire(s->bench, SAG_BENCH_INVERTER, supply_v, wiring, &setup),
                     SAG_OK);
    assert_int_equal(sag_steady_new(setup.bias, &settings, &steady), SAG_OK);
    assert_int_equal(sag_steady_frequency(steady, hz), SAG_OK);
    assert_int_equal(sag_steady_solve(steady, &level_vpk, 1, &point, NULL), SAG_OK);
    assert_int_equal(point.status, SAG_OK);
    sag_steady_free(steady);
    sag_bench_clear(&setup);
    return point.harmonic_vpk[1];
}

/* Large-signal output against frequency: still whole where the sheet's curve has its corner, and well
 * down at one and a half times that frequency. The readings on the log axis are rough ("about"). */
static void full_output_ends_where_the_sheet_says(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double supply_v, load_ohm;
        int to_negative; /* the load ends at the negative rail */
        double corner_hz, peak_v;
        const char *source;
    } cases[] = {
        {"tl062", 30, 10e3, 0, 40e3, 13.4, "TI SLOS078L figure 4 (c): about 40 kHz at +-15 V"},
        {"lm358", 15, 2e3, 1, 6e3, 7, "TI SNOSBT3I figure 9 (c): 14 Vpp to about 6 kHz at 15 V"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        subject s = subject_called(cases[i].model);
        double supply_v = cases[i].supply_v, peak_v = cases[i].peak_v, hz = cases[i].corner_hz;
        sag_bench_wiring wiring = {.load_siemens = 1 / cases[i].load_ohm - 1 / 10e3,
                                   .foot_v = cases[i].to_negative ? -supply_v / 2 : 0};
        near_rel(driven(&s, supply_v, &wiring, 100, peak_v), peak_v, 0.05, cases[i].source);
        near_rel(driven(&s, supply_v, &wiring, hz, peak_v), peak_v, 0.05, cases[i].source);
        assert_true(driven(&s, supply_v, &wiring, 1.5 * hz, peak_v) < 0.9 * peak_v);
        subject_free(&s);
    }
}

/* Phase of the open loop beyond the point that the file's margin was read at. */
static void phase_lags_as_the_curve_does(void **state)
{
    (void)state;
    static const struct {
        const char *model;
        double hz, lag_deg;
        const char *source;
    } cases[] = {{"tl062", 2e6, 135, "TI SLOS078L figure 6 (c)"},
                 {"opa2134", 10e6, 135, "TI SBOS058A figure 9 (c)"}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        subject s = subject_called(cases[i].model);
        double complex gain;
        assert_int_equal(sag_bench_open_loop(s.bench, 30, cases[i].hz, &gain), SAG_OK);
        near_abs(-sag_phase_deg(gain), cases[i].lag_deg, 5, cases[i].source);
        subject_free(&s);
    }
    print_message(
        "not tested: tl062 at 4.2 MHz by figure 6, a lag of 180 degrees: two poles give 154\n");
}

/* ---- the bench sees what is wrong ---- */

#define PART(rest)                                                                                 \
    "{\"format\": \"railsag opamp 1\", \"name\": \"part\", \"source\": \"of our own\", "           \
    "\"supply\": {\"min\": \"4V\", \"max\": \"12V\", \"absolute_max\": \"16V\"}, "                 \
    "\"gain_bandwidth\": \"2MHz\", \"slew_rate\": \"1V/us\", \"supply_current\": \"1mA\", " rest   \
    "}"
#define OUTPUT(short_circuit)                                                                      \
    "\"output\": {\"high\": [{\"current\": \"1mA\", \"drop\": \"0.2V\"}, {\"current\": \"10mA\", " \
    "\"drop\": \"2V\"}], \"low\": [{\"current\": \"1mA\", \"drop\": \"0.2V\"}]" short_circuit "}"

static const sag_bench_figure *only(const subject *s, sag_bench_kind kind)
{
    const sag_bench_figure *found = NULL;
    for (size_t i = 0; i < s->count; i++) {
        if (s->figures[i].kind == kind) {
            assert_null(found);
            found = &s->figures[i];
        }
    }
    assert_non_null(found);
    return found;
}

/* Files whose figures contradict each other, and which figure is then not met. */
static void contradictions_are_seen(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        sag_bench_kind kind;
        double found, tolerance;
        const char *why;
    } cases[] = {
        /* 0.2 ohm a milliampere, so that 6 V of drop are used up at 30 mA. */
        {PART(OUTPUT(", \"short_circuit\": {\"source\": \"50mA\", \"sink\": \"50mA\"}")),
         SAG_BENCH_SHORT_SOURCE, 30e-3, 0.05, "half of 12 V over 200 ohm"},
        /* A gain of 10: a follower's is 10/11. */
        {PART("\"open_loop_gain\": \"10\", " OUTPUT("")), SAG_BENCH_TRACKING, 10 / 11.0, 0.01,
         "A / (1 + A)"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        subject s = subject_of_text(cases[i].text, strlen(cases[i].text), "part.json");
        subject_run(&s);
        const sag_bench_figure *f = only(&s, cases[i].kind);
        assert_int_equal(f->verdict, SAG_BENCH_OUTSIDE);
        near_rel(f->found, cases[i].found, cases[i].tolerance, cases[i].why);
        subject_free(&s);
    }
}

/* Parts of our own: reversal at the upper end, and input diodes that keep a stage with a wide linear
 * range, 0.69 V, from slewing as its file says. */
static void parts_of_our_own_are_judged_as_well(void **state)
{
    (void)state;
    static const struct {
        const char *file;
        sag_bench_kind kind;
        sag_bench_verdict verdict;
        double found;
    } cases[] = {
        {"/tests/data/bench/opamps/upside.json", SAG_BENCH_REVERSES_HIGH, SAG_BENCH_WITHIN, 1},
        {"/tests/data/bench/opamps/upside.json", SAG_BENCH_REVERSES_LOW, SAG_BENCH_WITHIN, 0},
        {"/tests/data/models/opamps/sample-dual.json", SAG_BENCH_REVERSES_LOW, SAG_BENCH_WITHIN, 1},
        /* The diodes carry 1 mA at 0.67 V: some 0.6 V, and tanh(0.6 / 0.69) of 13 V/us. */
        {"/tests/data/models/opamps/sample-dual.json", SAG_BENCH_SLEW_RISE, SAG_BENCH_OUTSIDE, 9e6},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char file[512];
        snprintf(file, sizeof file, RAILSAG_SOURCE_DIR "%s", cases[i].file);
        subject s = subject_of(file);
        subject_run(&s);
        assert_int_equal(only(&s, cases[i].kind)->verdict, cases[i].verdict);
        near_rel(only(&s, cases[i].kind)->found, cases[i].found, 0.05, "figures of the file");
        subject_free(&s);
    }
}

/* What a file leaves out is not given, and nothing passes for it; the rest is within. */
static void what_is_left_out_is_not_given(void **state)
{
    (void)state;
    static const char *const text = PART(OUTPUT(""));
    static const sag_bench_kind left_out[] = {SAG_BENCH_PHASE_MARGIN, SAG_BENCH_OPEN_LOOP_GAIN,
                                              SAG_BENCH_SHORT_SOURCE, SAG_BENCH_SHORT_SINK,
                                              SAG_BENCH_WORKS_TO_LOW, SAG_BENCH_WORKS_TO_HIGH,
                                              SAG_BENCH_OFFSET,       SAG_BENCH_BIAS_CURRENT};
    subject s = subject_of_text(text, strlen(text), "part.json");
    subject_run(&s);
    size_t not_given = 0;
    for (size_t i = 0; i < s.count; i++) {
        not_given += s.figures[i].verdict == SAG_BENCH_NOT_GIVEN;
        assert_true(s.figures[i].verdict == SAG_BENCH_NOT_GIVEN ||
                    s.figures[i].verdict == SAG_BENCH_WITHIN);
        near_abs(s.figures[i].supply_v, 12, 0, "the largest rated supply, as no row has one");
    }
    assert_int_equal(not_given, sizeof left_out / sizeof *left_out);
    for (size_t i = 0; i < sizeof left_out / sizeof *left_out; i++) {
        assert_int_equal(only(&s, left_out[i])->verdict, SAG_BENCH_NOT_GIVEN);
    }
    near_abs(only(&s, SAG_BENCH_PHASE_MARGIN)->found, 90, 1, "one pole");
    subject_free(&s);
}

/* 1 V/s for 1 V/us: the offset slews it into a corner, and a sine has no room. */
static void a_part_that_hardly_moves_is_still_measured(void **state)
{
    (void)state;
    static const char *const text =
        "{\"format\": \"railsag opamp 1\", \"name\": \"part\", \"source\": \"of our own\", "
        "\"supply\": {\"min\": \"4V\", \"max\": \"12V\", \"absolute_max\": \"16V\"}, "
        "\"gain_bandwidth\": \"2MHz\", "
        "\"slew_rate\": \"1V/s\", \"supply_current\": \"1mA\", \"open_loop_gain\": "
        "\"100dB\", \"input\": {\"offset\": \"3mV\"}, " OUTPUT("") "}";
    subject s = subject_of_text(text, strlen(text), "part.json");
    subject_run(&s);
    assert_int_equal(only(&s, SAG_BENCH_POWER_BANDWIDTH)->verdict, SAG_BENCH_NOT_GIVEN);
    assert_true(isnan(only(&s, SAG_BENCH_POWER_BANDWIDTH)->found));
    const sag_bench_figure *drop = only(&s, SAG_BENCH_DROP_LOW);
    assert_int_equal(drop->verdict, SAG_BENCH_OUTSIDE);
    near_abs(drop->found, 6, 0.1,
             "SR A0/(2 pi GBW) = 8 mV from the middle of 12 V, where the offset holds it");
    subject_free(&s);
}

static int stop_at_once(void *context, size_t done, size_t total)
{
    (void)context;
    return done < total;
}

static void a_run_can_be_stopped(void **state)
{
    (void)state;
    subject s = subject_called("tl072");
    assert_int_equal(sag_model_bench_run(s.bench, stop_at_once, NULL), SAG_CANCELLED);
    subject_free(&s);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_file_is_met),
        cmocka_unit_test(power_bandwidth_by_another_integrator),
        cmocka_unit_test(outputs_reach_what_other_curves_show),
        cmocka_unit_test(supply_currents_follow_their_curves),
        cmocka_unit_test(full_output_ends_where_the_sheet_says),
        cmocka_unit_test(phase_lags_as_the_curve_does),
        cmocka_unit_test(contradictions_are_seen),
        cmocka_unit_test(parts_of_our_own_are_judged_as_well),
        cmocka_unit_test(what_is_left_out_is_not_given),
        cmocka_unit_test(a_part_that_hardly_moves_is_still_measured),
        cmocka_unit_test(a_run_can_be_stopped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
