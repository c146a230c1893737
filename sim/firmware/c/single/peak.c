#include <math.h>

#include "kept.h"

static float value_at(const struct spot *spot, int32_t column, int32_t row)
{
#if PEAK_MATCHED
    return kept_matched(spot, column, row);
#else
    return (float)spot->pixels[row][column] - LIGHT_LEVEL;
#endif
}

static int32_t inner(int32_t place, int32_t side)
{
    return place < 1 ? 1 : place > side - 2 ? side - 2 : place;
}

/* Vertex of the parabola through logarithms of three values along each axis. */
void spot_end(struct spot *spot, struct spot_reading *reading)
{
    static const int32_t sides[2] = { WINDOW_WIDTH, WINDOW_HEIGHT };
    float position[2] = { 0.0f, 0.0f };
    int32_t at[2] = { 0, 0 }, part;
    int failed = spot->rows != WINDOW_HEIGHT, outermost = 0;
    if (!failed) {
        int32_t x, y;
        kept_brightest(spot, value_at, at);
        x = inner(at[0], WINDOW_WIDTH);
        y = inner(at[1], WINDOW_HEIGHT);
        for (part = 0; part < 2; part++) {
            const float centre = value_at(spot, x, y);
            const float before = part == 0 ? value_at(spot, x - 1, y) : value_at(spot, x, y - 1);
            const float after = part == 0 ? value_at(spot, x + 1, y) : value_at(spot, x, y + 1);
            outermost |= at[part] == 0 || at[part] == sides[part] - 1;
            failed |= !(centre > 0.0f && before > 0.0f && after > 0.0f);
            position[part] = (float)(part == 0 ? x : y) - 0.5f * (float)(sides[part] - 1);
            if (!failed) {
                const float bend = 2.0f * logf(centre) - logf(before) - logf(after);
                position[part] += 0.5f * (logf(after) - logf(before)) / bend;
            }
        }
    }
    spot_judge(reading, position[0], position[1], spot->light, failed, outermost);
}
