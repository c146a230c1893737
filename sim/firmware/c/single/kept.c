#include "kept.h"

#include "profiles.h"

void spot_begin(struct spot *spot)
{
    spot->light = 0.0f;
    spot->rows = 0;
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    float light[WINDOW_WIDTH], sum = 0.0f;
    int32_t i, k;
    if (spot->rows >= WINDOW_HEIGHT) {
        return;
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        spot->pixels[spot->rows][i] = pixels[i];
        light[i] = (float)pixels[i] - LIGHT_LEVEL;
        sum += light[i];
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        float total = 0.0f;
        for (k = 0; k < 2 * PROFILE_REACH + 1; k++) {
            const int32_t at = i + k - PROFILE_REACH;
            if (at >= 0 && at < WINDOW_WIDTH) {
                total += profile_along_x[i][k] * light[at];
            }
        }
        spot->along[spot->rows][i] = total;
    }
    spot->light += sum;
    spot->rows++;
}

float kept_matched(const struct spot *spot, int32_t column, int32_t row)
{
    float total = 0.0f;
    int32_t k;
    for (k = 0; k < 2 * PROFILE_REACH + 1; k++) {
        const int32_t at = row + k - PROFILE_REACH;
        if (at >= 0 && at < WINDOW_HEIGHT) {
            total += profile_along_y[row][k] * spot->along[at][column];
        }
    }
    return total;
}

void kept_brightest(
    const struct spot *spot, float (*value)(const struct spot *, int32_t, int32_t), int32_t at[2])
{
    float best = 0.0f;
    int32_t i, j;
    for (j = 0; j < WINDOW_HEIGHT; j++) {
        for (i = 0; i < WINDOW_WIDTH; i++) {
            const float here = value(spot, i, j);
            if ((i == 0 && j == 0) || here > best) {
                best = here;
                at[0] = i;
                at[1] = j;
            }
        }
    }
}
