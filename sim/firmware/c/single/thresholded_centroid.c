#include "spot.h"

void spot_begin(struct spot *spot)
{
    spot->light = spot->sum_x = spot->sum_y = 0.0f;
    spot->rows = 0;
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    float light = 0.0f, moment = 0.0f;
    int32_t i;
    if (spot->rows >= WINDOW_HEIGHT) {
        return;
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        const int32_t above = (int32_t)pixels[i] - SPOT_THRESHOLD;
        if (above > 0) {
            light += (float)above;
            moment += (float)above * (float)(2 * i - (WINDOW_WIDTH - 1));
        }
    }
    spot->light += light;
    spot->sum_x += moment;
    spot->sum_y += light * (float)(2 * spot->rows - (WINDOW_HEIGHT - 1));
    spot->rows++;
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    const float half = spot->light > 0.0f ? 0.5f / spot->light : 0.0f;
    spot_judge(
        reading, half * spot->sum_x, half * spot->sum_y, spot->light,
        spot->rows != WINDOW_HEIGHT, 0);
}
