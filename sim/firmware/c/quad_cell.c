#include "divide.h"
#include "light.h"
#include "quad_curve.h"
#include "spot.h"

#define RATIO_FRACTION 16
#define INDEX_BITS 8
#define FINER_BITS 4

void spot_begin(struct spot *spot)
{
    spot->light = spot->excess_x = spot->excess_y = 0;
    spot->rows = 0;
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    const int32_t row = spot->rows;
    spot_sum left = 0, right = 0;
    int32_t i;
    if (row >= WINDOW_HEIGHT) {
        return;
    }
    spot->rows++;
    if (row >= QUAD_HALF_HEIGHT && row < WINDOW_HEIGHT - QUAD_HALF_HEIGHT) {
        return; /* the gap */
    }
    for (i = 0; i < QUAD_HALF_WIDTH; i++) {
        left += light_of(pixels[i]);
        right += light_of(pixels[WINDOW_WIDTH - QUAD_HALF_WIDTH + i]);
    }
    spot->light += left + right;
    spot->excess_x += right - left;
    spot->excess_y += row < QUAD_HALF_HEIGHT ? -(left + right) : left + right;
}

/* From a balance to an offset along its axis; the balance may be too large. */
static int64_t offset_of(spot_sum excess, spot_sum light, int *failed)
{
    const int64_t ratio = divide(excess, light, RATIO_FRACTION);
    int64_t size = ratio < 0 ? -ratio : ratio, offset;
    int32_t index, part;
    if (size > QUAD_LARGEST_RATIO) {
        *failed = 1;
        size = QUAD_LARGEST_RATIO;
    }
    index = (int32_t)(size >> INDEX_BITS);
    part = (int32_t)(size & ((1 << INDEX_BITS) - 1));
    offset = quad_curve[index]
        + whole_shift(
              (int64_t)(quad_curve[index + 1] - quad_curve[index]) * part, INDEX_BITS, ROUNDING_UP);
    return whole_shift(ratio < 0 ? -offset : offset, FINER_BITS, SPOT_ROUNDING);
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    int failed = spot->rows != WINDOW_HEIGHT;
    const spot_sum light = spot->light > 0 ? spot->light : 1;
    const int64_t x = offset_of(spot->excess_x, light, &failed);
    const int64_t y = offset_of(spot->excess_y, light, &failed);
    spot_judge(reading, x, y, spot->light, failed, 0);
}
