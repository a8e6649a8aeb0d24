/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "spread.h"

/* With q[i] = place[i] - i pitch the condition is that q does not fall, and the best q is the
 * isotonic regression of target[i] - i pitch: neighbours that fall are pooled into their mean. What
 * lies out of the bounds then moves onto them, which keeps it the best. */
void spread_labels(const double *target, size_t count, double pitch, double low, double high,
                   double *place)
{
    if (count == 0) {
        return;
    }
    double room = high - low - pitch * (double)(count - 1);
    if (room < 0) {
        for (size_t i = 0; i < count; i++) {
            double part = count > 1 ? (double)i / (double)(count - 1) : 0.5;
            place[i] = low + part * (high - low);
        }
        return;
    }
    for (size_t i = 0; i < count; i++) {
        /* The pools are the runs of equal values in place[0..i]. */
        double sum = target[i] - (double)i * pitch, mean = sum;
        size_t first = i;
        while (first > 0 && place[first - 1] > mean) {
            sum += place[first - 1];
            first--;
            mean = sum / (double)(i + 1 - first);
        }
        for (size_t k = first; k <= i; k++) {
            place[k] = mean;
        }
    }
    for (size_t i = 0; i < count; i++) {
        double q = place[i] < low ? low : place[i] > low + room ? low + room : place[i];
        place[i] = q + (double)i * pitch;
    }
}
