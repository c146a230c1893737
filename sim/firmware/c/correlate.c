#include "correlate.h"

#include "light.h"
#include "profiles.h"
#include "whole.h"

void correlate_begin(struct correlate *work)
{
    work->rows = 0;
}

void correlate_row(struct correlate *work, const uint16_t *pixels)
{
    correlation *out = work->along[work->rows % CORRELATE_TAPS];
    int32_t light[WINDOW_WIDTH], i, k;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        light[i] = light_of(pixels[i]);
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        const int32_t *taps = profile_along_x[i];
        const int32_t first = i < CORRELATE_REACH ? CORRELATE_REACH - i : 0;
        const int32_t past = WINDOW_WIDTH + CORRELATE_REACH - i;
        const int32_t last = past < CORRELATE_TAPS ? past : CORRELATE_TAPS;
        correlation total = 0;
        for (k = first; k < last; k++) {
            total += (correlation)taps[k] * light[i + k - CORRELATE_REACH];
        }
        out[i] = (correlation)whole_shift(total, CORRELATE_FRACTION, ROUNDING_UP);
    }
    work->rows++;
}

int correlate_ready(const struct correlate *work, int32_t j)
{
    const int32_t needed = j + CORRELATE_REACH + 1;
    return work->rows >= (needed < WINDOW_HEIGHT ? needed : WINDOW_HEIGHT);
}

void correlate_down(const struct correlate *work, int32_t j, correlation out[WINDOW_WIDTH])
{
    const int32_t *taps = profile_along_y[j];
    int32_t i, k;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        out[i] = 0;
    }
    for (k = 0; k < CORRELATE_TAPS; k++) {
        const int32_t row = j + k - CORRELATE_REACH;
        if (row >= 0 && row < WINDOW_HEIGHT) {
            const correlation *along = work->along[row % CORRELATE_TAPS];
            const correlation tap = taps[k];
            for (i = 0; i < WINDOW_WIDTH; i++) {
                out[i] += tap * along[i];
            }
        }
    }
}
