/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The table of how far an output stops short of a rail. */
#include "model_private.h"

#include "memory.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MAX_POINTS 200 /* of one side */

/* A point of the output table, with the place it came from. supply_v is NAN where it holds at all
 * supplies. */
typedef struct {
    sag_drop_point point;
    const sag_json *row;
} drop_row;

/* By supply, then current; the order in the file decides between equals. */
static int compare_drops(const void *left, const void *right)
{
    const drop_row *a = left, *b = right;
    double difference = 0;
    if (!isnan(a->point.supply_v) && !isnan(b->point.supply_v)) {
        difference = a->point.supply_v - b->point.supply_v;
    }
    if (difference == 0) { /* exact: both were read from the same kind of text */
        difference = a->point.current_a - b->point.current_a;
    }
    if (difference != 0) {
        return difference < 0 ? -1 : 1;
    }
    return a->row->index < b->row->index ? -1 : 1;
}

static int same_supply(const drop_row *a, const drop_row *b)
{
    return isnan(a->point.supply_v) || a->point.supply_v == b->point.supply_v;
}

/* The drop at a current, from the `count` points of one supply in rising current: held below the
 * first, straight between two and on beyond the last. */
static double drop_at(const drop_row *rows, size_t count, double current_a)
{
    if (count == 1 || current_a <= rows[0].point.current_a) {
        return rows[0].point.drop_v;
    }
    size_t i = 1;
    while (i + 1 < count && rows[i].point.current_a < current_a) {
        i++;
    }
    const sag_drop_point *a = &rows[i - 1].point, *b = &rows[i].point;
    return a->drop_v +
           (b->drop_v - a->drop_v) * (current_a - a->current_a) / (b->current_a - a->current_a);
}

/* Between two supplies, at each current of the table, the drop may not grow by more than the supply
 * does: the swing would shrink as the supply rises. */
static void check_supplies(sag_json_reader *reader, const drop_row *rows, size_t count,
                           const drop_row *low, size_t low_count, const drop_row *high,
                           size_t high_count)
{
    double rise_v = high->point.supply_v - low->point.supply_v;
    for (size_t i = 0; i < count; i++) {
        double current_a = rows[i].point.current_a;
        double low_v = drop_at(low, low_count, current_a);
        double high_v = drop_at(high, high_count, current_a);
        if (high_v - low_v > rise_v * (1 + 1e-9)) {
            sag_json_error(reader, high->row, "the swing must not shrink as the supply rises",
                           "at %g mA the drop rises faster than the supply: from %g V at %g V to "
                           "%g V at %g V",
                           1e3 * current_a, low_v, low->point.supply_v, high_v,
                           high->point.supply_v);
            return;
        }
    }
}

static void check_drops(sag_json_reader *reader, const drop_row *rows, size_t count)
{
    size_t low = 0, low_count = 0, high = 0; /* the groups of the supply before and of this one */
    for (size_t i = 1; i <= count; i++) {
        if (i < count && same_supply(&rows[i], &rows[i - 1])) {
            const sag_drop_point *a = &rows[i - 1].point, *b = &rows[i].point;
            if (a->current_a == b->current_a) {
                sag_json_error(reader, rows[i].row, "give one drop for each supply and current",
                               "there are two points at %g mA%s", 1e3 * b->current_a,
                               isnan(b->supply_v) ? "" : " at this supply");
            } else if (b->drop_v < a->drop_v) {
                sag_json_error(reader, rows[i].row, "the drop grows with the load current",
                               "the drop falls with current: from %g V at %g mA to %g V at %g mA",
                               a->drop_v, 1e3 * a->current_a, b->drop_v, 1e3 * b->current_a);
            }
            continue;
        }
        if (low_count) {
            check_supplies(reader, rows, count, rows + low, low_count, rows + high, i - high);
        }
        low = high;
        low_count = i - high;
        high = i;
    }
}

void sag_model_read_drops(sag_model_file *in, sag_json_reader *output, const char *side,
                          sag_drop_point **points, size_t *count)
{
    const sag_json *table = sag_read_array(output, side, SAG_REQUIRED, 1, MAX_POINTS);
    if (!table) {
        return;
    }
    drop_row *rows = sag_new(table->count, sizeof *rows);
    *points = sag_new(table->count, sizeof **points);
    if (!rows || !*points) {
        in->no_memory = 1;
        sag_free(rows);
        return;
    }
    size_t before = in->errors, with_supply = 0;
    for (const sag_json *row = table->first; row; row = row->next) {
        sag_json_reader reader = sag_json_open(row, output->file, output->report, output->errors);
        drop_row *to = &rows[(*count)++];
        to->row = row;
        to->point.supply_v = (double)NAN;
        with_supply += (size_t)sag_json_quantity(&reader, "supply", SAG_OPTIONAL, SAG_VOLT, 0.5,
                                                 200, &to->point.supply_v);
        sag_json_quantity(&reader, "current", SAG_REQUIRED, SAG_AMPERE, 0, 10,
                          &to->point.current_a);
        /* No stage reaches a rail; and a knee of half the drop needs a drop. */
        sag_json_quantity(&reader, "drop", SAG_REQUIRED, SAG_VOLT, 1e-3, 100, &to->point.drop_v);
        const char *estimate;
        if (sag_json_text(&reader, "estimate", SAG_OPTIONAL, &estimate)) {
            to->point.estimate = sag_copy_text(estimate, strlen(estimate));
            in->no_memory |= !to->point.estimate;
        }
        sag_json_close(&reader);
    }
    if (in->errors == before && with_supply != 0 && with_supply != *count) {
        sag_json_error(output, table, "give every point of a side its supply, or none of them",
                       "%zu of %zu points have a supply", with_supply, *count);
    }
    if (in->errors == before) {
        qsort(rows, *count, sizeof *rows, compare_drops);
        check_drops(output, rows, *count);
    }
    for (size_t i = 0; i < *count; i++) {
        (*points)[i] = rows[i].point;
    }
    sag_free(rows);
}

double sag_model_lightest_drop(const sag_drop_point *points, size_t count, double supply_v)
{
    const sag_drop_point *below = NULL, *above = NULL;
    for (size_t i = 0; i < count; i++) {
        if (isnan(points[i].supply_v)) {
            return points[0].drop_v;
        }
        if (i > 0 && points[i].supply_v == points[i - 1].supply_v) {
            continue;
        }
        if (points[i].supply_v <= supply_v) {
            below = &points[i];
        } else if (!above) {
            above = &points[i];
        }
    }
    if (!below) {
        return above ? above->drop_v * supply_v / above->supply_v : (double)NAN;
    }
    if (!above) {
        return below->drop_v;
    }
    return below->drop_v + (above->drop_v - below->drop_v) * (supply_v - below->supply_v) /
                               (above->supply_v - below->supply_v);
}

void sag_model_drops_free(sag_drop_point *points, size_t count)
{
    for (size_t i = 0; points && i < count; i++) {
        sag_free((void *)points[i].estimate);
    }
    sag_free(points);
}

int sag_opamp_is_estimate(const sag_opamp_model *model, double supply_v)
{
    for (size_t i = 0; i < model->against_count; i++) {
        int below = i + 1 < model->against_count && model->against[i + 1].supply_v <= supply_v;
        int above = i > 0 && model->against[i - 1].supply_v >= supply_v;
        if (model->against[i].estimate && !below && !above) {
            return 1;
        }
    }
    return sag_drop_is_estimate(model->high, model->high_count, supply_v) ||
           sag_drop_is_estimate(model->low, model->low_count, supply_v);
}

int sag_drop_is_estimate(const sag_drop_point *points, size_t count, double supply_v)
{
    double below_v = -1, above_v = (double)INFINITY; /* the supplies next to it in the table */
    for (size_t i = 0; i < count; i++) {
        if (points[i].supply_v <= supply_v) {
            below_v = fmax(below_v, points[i].supply_v);
        }
        if (points[i].supply_v >= supply_v) {
            above_v = fmin(above_v, points[i].supply_v);
        }
    }
    for (size_t i = 0; i < count; i++) {
        int counts = isnan(points[i].supply_v) || points[i].supply_v == below_v ||
                     points[i].supply_v == above_v; /* exact: taken from these points */
        if (counts && points[i].estimate) {
            return 1;
        }
    }
    return count > 0 && !isnan(points[0].supply_v) && below_v < 0;
}
