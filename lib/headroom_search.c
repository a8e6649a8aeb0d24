/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Clip onset and the distortion-limited level at one frequency after another.
 *
 * Both are looked for where the frequency before had them, from the linear estimate of clip onset, so
 * that most are found with one level or two looked at; secant steps do the rest. What there is below clip
 * onset has to be looked at all the same: whether THD stays under its limit from the soft level up. */
#include "headroom_private.h"

#include "memory.h"
#include "value.h"

#include <math.h>

/* The scan for the distortion-limited level goes up in steps of this, as far as HIGHEST_DBV. */
#define SCAN_DB     3.0
#define HIGHEST_DBV 40.0
/* Lower than this no clip onset is looked for. */
#define LOWEST_DBV (-140.0)
/* Steps a period that levels are found with: 32, as a map begins with where nothing bends, put a crest
 * up to 0.09 dB too high. */
#define ROOT_STEPS 256
/* Levels are found to this. */
#define LEVEL_DB 1e-3

/* A level looked at. */
typedef struct {
    double level_dbv;
    double value;           /* of what is sought, where it is; NAN: no solution, or not looked at */
    int failed, oscillates; /* no periodic solution; because it oscillates there */
    double left_db;         /* to the nearest limit of any op-amp */
    sag_limit nearest;      /* which that is */
    int crossing;           /* a class-B op-amp that crosses over; -1: none does */
    double thd, output_vpk;
} solved;

/* A figure at the last two frequencies that had it: what it will be at the next. NAN: unknown. */
typedef struct {
    double last, before;
} trend;

static double foresee(const trend *t)
{
    return isnan(t->before) ? t->last : 2 * t->last - t->before;
}

static void follow(trend *t, double value)
{
    *t = (trend){.last = value, .before = t->last};
}

/* A scan looks at four levels in lockstep. */
#define SCANNED 4

struct sag_headroom_search {
    double thd_limit, soft_vpk;
    sag_steady *one;   /* a level at a time */
    sag_steady *lanes; /* SCANNED levels */
    size_t opamps;
    sag_steady_point points[SCANNED];
    sag_opamp_swing *swings; /* SCANNED x op-amps */
    sag_status error;        /* no memory, or asked to stop: ends everything */
    sag_burst burst;
    double burst_dbv;    /* the lowest level that bursts or oscillates; INFINITY: none */
    solved onset;        /* level NAN: none */
    trend onset_over_db; /* clip onset over its linear estimate */
    trend limit_over_db; /* the distortion-limited level over clip onset */
    double onset_slope;  /* by what is sought fell there a dB, at the last frequency */
    double limit_slope;  /* likewise; NAN: not known */
};
typedef struct sag_headroom_search search;

static solved read_level(search *s, double level_dbv, size_t at)
{
    const sag_steady_point *point = &s->points[at];
    const sag_opamp_swing *swings = s->swings + at * s->opamps;
    solved found = {.level_dbv = level_dbv,
                    .value = (double)NAN,
                    .failed = point->status != SAG_OK,
                    .oscillates = point->status == SAG_OSCILLATES,
                    .left_db = (double)INFINITY,
                    .nearest = {-1, SAG_LIMIT_NONE},
                    .crossing = -1,
                    .thd = point->thd,
                    .output_vpk = point->harmonic_vpk[1]};
    for (size_t k = 0; k < s->opamps; k++) {
        if (swings[k].left_db < found.left_db) {
            found.left_db = swings[k].left_db;
            found.nearest = (sag_limit){(int)k, swings[k].nearest};
        }
        if (swings[k].crosses_over && found.crossing < 0) {
            found.crossing = (int)k;
        }
    }
    if (point->burst.opamp >= 0 && level_dbv < s->burst_dbv) {
        s->burst = point->burst;
        s->burst_dbv = level_dbv;
    }
    return found;
}

/* Levels, rising, no more than SCANNED. */
static void solve(search *s, sag_steady *steady, const double *level_dbv, size_t count,
                  solved *found)
{
    double vpk[SCANNED];
    for (size_t i = 0; i < count; i++) {
        vpk[i] = sag_level_peak(level_dbv[i]);
    }
    sag_status status = sag_steady_solve(steady, vpk, count, s->points, s->swings);
    s->error = status < SAG_OK ? status : s->error;
    for (size_t i = 0; i < count; i++) {
        found[i] = status == SAG_OK ? read_level(s, level_dbv[i], i)
                                    : (solved){.level_dbv = level_dbv[i], .failed = 1};
    }
}

/* Why a search that came to a level without a solution ended there. */
static sag_headroom_reason why(const solved *at)
{
    return at->oscillates ? SAG_HEADROOM_OSCILLATES : SAG_HEADROOM_UNKNOWN;
}

/* What is sought falls through zero as the level rises: dB left to the nearest limit of any op-amp,
 * by one dB a dB while all is linear; */
static double left_db(const search *s, const solved *at)
{
    (void)s;
    return at->left_db;
}

/* and the log of what THD may be over what it is. */
static double cleanness(const search *s, const solved *at)
{
    return log(s->thd_limit / fmax(at->thd, 1e-12));
}

typedef double (*sought)(const search *s, const solved *at);

static solved look(search *s, sought f, double level_dbv)
{
    solved found;
    solve(s, s->one, &level_dbv, 1, &found);
    found.value = found.failed ? (double)NAN : f(s, &found);
    return found;
}

static solved not_looked_at(double level_dbv)
{
    return (solved){.level_dbv = level_dbv, .value = (double)NAN};
}

typedef enum {
    ROOT_FOUND,
    ROOT_OUTSIDE, /* an end that was not looked at before is on the wrong side of zero */
    ROOT_FAILED   /* a level has no solution */
} root_end;

typedef struct {
    solved low, high; /* the ends; what is sought is above zero at the low one, once looked at */
    solved root;      /* the level looked at last */
    double slope;     /* in: by what it may change a dB there, or NAN; out: at the root */
} bracket;

/* The slope through two levels no further apart than this is that at the root. One from elsewhere is
 * believed for an eighth of the way only. */
#define LOCAL_DB 0.1
/* While an end has not been looked at, no step is longer than this. */
#define LONGEST_DB 3.0

/* The level after the one looked at last; halve: secant steps do not help. */
static double next_level(const bracket *b, int halve)
{
    double low = b->low.level_dbv, high = b->high.level_dbv, last = b->root.level_dbv;
    double way = b->slope < 0 ? -b->root.value / b->slope : (double)NAN;
    if (!isnan(b->low.value) && !isnan(b->high.value)) {
        return halve || !(last + way > low && last + way < high) ? (low + high) / 2 : last + way;
    }
    if (halve || !(fabs(way) < LONGEST_DB)) {
        way = copysign(LONGEST_DB, b->root.value);
    }
    return fmax(low, fmin(high, last + way));
}

/* From b->root, looked at already: secant steps to LEVEL_DB. */
static root_end find_root(search *s, sought f, bracket *b)
{
    solved before = isnan(b->slope) ? b->low : not_looked_at(0);
    double least = (double)INFINITY;
    for (int i = 0, idle = 0; i < 60 && !b->root.failed; i++) {
        int below = b->root.value > 0;
        if (b->root.level_dbv == (below ? b->high : b->low).level_dbv) {
            return ROOT_OUTSIDE;
        }
        *(below ? &b->low : &b->high) = b->root;
        double enough_db = LEVEL_DB / 8;
        if (!isnan(before.value)) {
            double apart = b->root.level_dbv - before.level_dbv;
            b->slope = (b->root.value - before.value) / apart;
            enough_db = fabs(apart) < LOCAL_DB ? LEVEL_DB / 2 : 0;
        }
        int bracketed = !isnan(b->low.value) && !isnan(b->high.value);
        if ((bracketed && b->high.level_dbv - b->low.level_dbv < LEVEL_DB) ||
            (b->slope < 0 && fabs(b->root.value / b->slope) < enough_db)) {
            return ROOT_FOUND;
        }
        idle = fabs(b->root.value) < least / 2 ? 0 : idle + 1;
        least = fmin(least, fabs(b->root.value));
        before = b->root;
        b->root = look(s, f, next_level(b, idle > 2));
        idle = idle > 2 ? 0 : idle;
    }
    return ROOT_FAILED;
}

/* The linear solution says where to look: it is exact up to the knees of the limits, unless an
 * earlier stage bends first. */
static void find_onset(search *s, sag_headroom_point *point)
{
    sag_limit limit;
    double linear_vpk = sag_steady_linear_onset(s->one, &limit);
    double linear_dbv = sag_level_dbv(linear_vpk);
    point->clip_onset_vpk = (double)NAN;
    point->limited_by = (sag_limit){-1, SAG_LIMIT_NONE};
    point->clip_onset_reason = SAG_HEADROOM_BEYOND_RANGE;
    s->onset = not_looked_at((double)NAN);
    if (!(linear_vpk > 0) || linear_dbv > HIGHEST_DBV) {
        return;
    }
    bracket b = {.low = not_looked_at(LOWEST_DBV),
                 .high = not_looked_at(HIGHEST_DBV + LONGEST_DB),
                 .slope = s->onset_slope};
    double over_db = foresee(&s->onset_over_db);
    b.root = look(s, left_db, linear_dbv + (isnan(over_db) ? 0 : over_db));
    root_end end = find_root(s, left_db, &b);
    if (end == ROOT_FOUND) {
        s->onset = b.root;
        s->onset_slope = b.slope;
        follow(&s->onset_over_db, b.root.level_dbv - linear_dbv);
        point->clip_onset_reason = SAG_HEADROOM_FOUND;
        point->clip_onset_vpk = sag_level_peak(b.root.level_dbv);
        /* From where the linear solution has met its limit on, that one was first. */
        int is_linear = point->clip_onset_vpk >= linear_vpk || b.root.nearest.opamp < 0;
        point->limited_by = is_linear ? limit : b.root.nearest;
    } else if (end == ROOT_FAILED || !(b.root.value > 0)) {
        point->clip_onset_reason = why(&b.root);
    }
}

/* Distortion this far below the clip onset is of another kind than what the limit does. */
#define BEFORE_ONSET_DB 0.5

/* What distorts at a level. */
static sag_limit find_cause(const solved *at, const sag_headroom_point *point)
{
    if (at->level_dbv > sag_level_dbv(point->clip_onset_vpk) - BEFORE_ONSET_DB) {
        return point->limited_by;
    }
    if (at->crossing >= 0) {
        return (sag_limit){at->crossing, SAG_LIMIT_CROSSOVER};
    }
    return at->nearest.opamp >= 0 ? at->nearest : point->limited_by;
}

typedef enum {
    SCAN_OVER,     /* b->high is the first level over the limit */
    SCAN_AT_ONSET, /* all are clean up to clip onset, b->low */
    SCAN_CLEAN,    /* all are, as far as HIGHEST_DBV */
    SCAN_FAILED    /* b->root has no solution */
} scan_end;

/* Up from a level by SCAN_DB, with a stop at clip onset; b->low: the last clean level. Below clip
 * onset SCANNED levels at a time. */
static scan_end scan(search *s, double from_dbv, bracket *b)
{
    double next_dbv = from_dbv, level_dbv[SCANNED] = {0};
    solved found[SCANNED];
    for (int ended = 0; !ended;) {
        size_t count = 0, known = 0;
        for (int full = 0; count < SCANNED && !full; count++) {
            level_dbv[count] = next_dbv;
            ended = next_dbv >= HIGHEST_DBV;
            known = next_dbv == s->onset.level_dbv; /* the very number */
            full = ended || next_dbv >= s->onset.level_dbv;
            int stop = next_dbv < s->onset.level_dbv &&
                       next_dbv + SCAN_DB > s->onset.level_dbv; /* a NAN is neither */
            next_dbv = stop ? s->onset.level_dbv : next_dbv + SCAN_DB;
        }
        solve(s, level_dbv[0] > s->onset.level_dbv ? s->one : s->lanes, level_dbv, count - known,
              found);
        if (known) {
            found[count - 1] = s->onset;
        }
        for (size_t i = 0; i < count; i++) {
            b->root = found[i];
            if (b->root.failed) {
                return SCAN_FAILED;
            }
            b->root.value = cleanness(s, &b->root);
            if (b->root.value < 0) {
                b->high = b->root;
                return SCAN_OVER;
            }
            b->low = b->root;
        }
        if (known) {
            return SCAN_AT_ONSET;
        }
    }
    return SCAN_CLEAN;
}

/* A hard limit gives 1 % THD a quarter of a dB above its onset: up to this far above it is looked
 * first. */
#define PAST_ONSET_DB 0.5

/* The root between b->low and b->high, found from where the frequency before had it, else from the
 * high end or, where both are known, from between. */
static root_end find_limit(search *s, bracket *b)
{
    double low = b->low.level_dbv, high = b->high.level_dbv;
    double level_dbv = s->onset.level_dbv + foresee(&s->limit_over_db);
    b->slope = s->limit_slope;
    if (!(level_dbv > low && level_dbv < high)) {
        b->slope = (double)NAN;
        level_dbv = isnan(b->high.value)
                        ? high
                        : low + (high - low) * b->low.value / (b->low.value - b->high.value);
    }
    b->root = look(s, cleanness, level_dbv);
    return find_root(s, cleanness, b);
}

static void find_distortion_limit(search *s, double soft_vpk, sag_headroom_point *point)
{
    bracket b = {.low = not_looked_at((double)NAN)};
    point->max_input_vpk = point->max_output_vpk = (double)NAN;
    point->distorted_by = (sag_limit){-1, SAG_LIMIT_NONE};
    double over_dbv = (double)NAN;
    scan_end end = scan(s, sag_level_dbv(soft_vpk), &b);
    root_end found = ROOT_OUTSIDE;
    if (end == SCAN_OVER && isnan(b.low.value)) {
        point->max_input_reason = SAG_HEADROOM_OVER_AT_SOFT;
        point->distorted_by = find_cause(&b.high, point);
        return;
    }
    while (found == ROOT_OUTSIDE && (end == SCAN_OVER || end == SCAN_AT_ONSET)) {
        if (end == SCAN_AT_ONSET) {
            b.high = not_looked_at(b.low.level_dbv + PAST_ONSET_DB);
        }
        over_dbv = b.high.level_dbv;
        found = find_limit(s, &b);
        if (found == ROOT_OUTSIDE) { /* clean at the high end, too */
            b.low = b.root;
            end =
                b.low.level_dbv < HIGHEST_DBV ? scan(s, b.low.level_dbv + SCAN_DB, &b) : SCAN_CLEAN;
        }
    }
    if (end == SCAN_CLEAN) {
        point->max_input_reason = SAG_HEADROOM_BEYOND_RANGE;
    } else if (end == SCAN_FAILED || found != ROOT_FOUND) {
        point->max_input_reason = why(&b.root);
    } else {
        point->max_input_reason = SAG_HEADROOM_FOUND;
        point->max_input_vpk = sag_level_peak(b.root.level_dbv);
        point->max_output_vpk = b.root.output_vpk;
        point->distorted_by = find_cause(&b.root, point);
        follow(&s->limit_over_db, b.root.level_dbv - s->onset.level_dbv);
        s->limit_slope = b.slope;
        /* no fall is known where there is no solution */
        point->falls_back = look(s, cleanness, over_dbv + SCAN_DB).value > 0;
    }
}

/* What of the levels looked at bears on the point: not those above the largest clean one. */
static void take_burst(const search *s, sag_headroom_point *point)
{
    double burst_vpk = sag_level_peak(s->burst_dbv);
    point->burst = (sag_burst){.opamp = -1};
    point->burst_vpk = (double)NAN;
    if (isfinite(burst_vpk) && !(burst_vpk > point->max_input_vpk)) {
        point->burst = s->burst;
        point->burst_vpk = burst_vpk;
    }
}

sag_headroom_point sag_headroom_unknown(sag_headroom_reason reason)
{
    return (sag_headroom_point){.clip_onset_vpk = (double)NAN,
                                .clip_onset_reason = reason,
                                .limited_by = {-1, SAG_LIMIT_NONE},
                                .max_input_vpk = (double)NAN,
                                .max_input_reason = reason,
                                .distorted_by = {-1, SAG_LIMIT_NONE},
                                .max_output_vpk = (double)NAN,
                                .burst = {.opamp = -1},
                                .burst_vpk = (double)NAN};
}

void sag_headroom_search_free(search *s)
{
    if (s) {
        sag_steady_free(s->one);
        sag_steady_free(s->lanes);
        sag_free(s->swings);
        sag_free(s);
    }
}

static sag_status fill(search *s, const sag_bias *bias, const sag_headroom_request *request,
                       const sag_gain_loss *losses)
{
    sag_steady_settings settings = request->steady;
    settings.losses = losses;
    s->thd_limit = request->thd_limit;
    s->soft_vpk = request->soft_vpk;
    s->opamps = sag_network_opamp_count(sag_bias_network(bias));
    s->onset_over_db = s->limit_over_db = (trend){(double)NAN, (double)NAN};
    s->onset_slope = -1; /* while all is linear */
    s->limit_slope = (double)NAN;
    s->swings = sag_new(SCANNED * (s->opamps + 1), sizeof *s->swings);
    if (!s->swings) {
        return SAG_NO_MEMORY;
    }
    TRY(sag_steady_new(bias, &settings, &s->lanes));
    settings.one_lane = 1;
    settings.least_steps = settings.least_steps > ROOT_STEPS ? settings.least_steps : ROOT_STEPS;
    return sag_steady_new(bias, &settings, &s->one);
}

sag_status sag_headroom_search_new(const sag_bias *bias, const sag_headroom_request *request,
                                   const sag_gain_loss *losses, search **out)
{
    search *s = *out = sag_new(1, sizeof *s);
    sag_status status = s ? fill(s, bias, request, losses) : SAG_NO_MEMORY;
    if (status != SAG_OK) {
        sag_headroom_search_free(s);
        *out = NULL;
    }
    return status;
}

static sag_steady_effort spent(const search *s)
{
    sag_steady_effort one = sag_steady_spent(s->one), lanes = sag_steady_spent(s->lanes);
    return (sag_steady_effort){one.sweeps + lanes.sweeps, one.steps + lanes.steps};
}

sag_status sag_headroom_search_run(search *s, double frequency_hz, sag_headroom_point *point)
{
    sag_steady_effort before = spent(s);
    s->burst_dbv = (double)INFINITY;
    sag_status status = sag_steady_frequency(s->one, frequency_hz);
    if (status == SAG_OK) {
        status = sag_steady_frequency(s->lanes, frequency_hz);
    }
    if (status != SAG_OK) { /* no linear solution: a hole, not the end of the block */
        *point = sag_headroom_unknown(SAG_HEADROOM_UNKNOWN);
        return status < SAG_OK ? status : SAG_OK;
    }
    find_onset(s, point);
    if (s->error == SAG_OK) {
        find_distortion_limit(s, s->soft_vpk, point);
        take_burst(s, point);
    }
    sag_steady_effort after = spent(s);
    point->effort = (sag_steady_effort){after.sweeps - before.sweeps, after.steps - before.steps};
    return s->error;
}
