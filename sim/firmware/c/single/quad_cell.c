#include <math.h>

#include "quad_curve.h"
#include "spot.h"

void spot_begin(struct spot *spot)
{
    spot->light = spot->sum_x = spot->sum_y = 0.0f;
    spot->rows = 0;
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    const int32_t row = spot->rows;
    float left = 0.0f, right = 0.0f;
    int32_t i;
    if (row >= WINDOW_HEIGHT) {
        return;
    }
    spot->rows++;
    if (row >= QUAD_HALF_HEIGHT && row < WINDOW_HEIGHT - QUAD_HALF_HEIGHT) {
        return; /* the gap */
    }
    for (i = 0; i < QUAD_HALF_WIDTH; i++) {
        left += (float)pixels[i] - LIGHT_LEVEL;
        right += (float)pixels[WINDOW_WIDTH - QUAD_HALF_WIDTH + i] - LIGHT_LEVEL;
    }
    spot->light += left + right;
    spot->sum_x += right - left;
    spot->sum_y += row < QUAD_HALF_HEIGHT ? -(left + right) : left + right;
}

/* The curve is nearly straight over the logarithm of right over left: a table, and lines between. */
static float offset_of(float excess, float light, int *failed)
{
    const float ratio = excess / light, size = fabsf(ratio);
    float at, part, offset;
    int32_t index;
    if (!(size <= QUAD_LARGEST_RATIO)) {
        *failed = 1;
        return 0.0f;
    }
    at = QUAD_CURVE_STEPS * logf((1.0f + size) / (1.0f - size));
    index = (int32_t)at;
    part = at - (float)index;
    offset = quad_curve[index] + part * (quad_curve[index + 1] - quad_curve[index]);
    return ratio < 0.0f ? -offset : offset;
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    int failed = spot->rows != WINDOW_HEIGHT;
    const float light = spot->light > 0.0f ? spot->light : 1.0f;
    const float x = offset_of(spot->sum_x, light, &failed);
    const float y = offset_of(spot->sum_y, light, &failed);
    spot_judge(reading, x, y, spot->light, failed, 0);
}
