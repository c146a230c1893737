#include "divide.h"
#include "spot.h"

/* A sum that leaves its word is cut off, and the reading is void; proven sums never do. */
static spot_sum added(struct spot *spot, spot_sum sum, spot_sum more)
{
#if SPOT_SUMS_PROVEN
    (void)spot;
    return sum + more;
#else
    uint32_t cuts = 0;
    const int64_t kept = whole_cut(sum + more, SPOT_SUM_BITS, &cuts);
    spot->failed |= cuts > 0;
    return kept;
#endif
}

void spot_begin(struct spot *spot)
{
    spot->light = spot->moment_x = spot->moment_y = 0;
    spot->rows = 0;
    spot->failed = 0;
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    const int32_t place_y = 2 * spot->rows - (WINDOW_HEIGHT - 1);
    spot_sum light = 0, moment_x = 0;
    int32_t i, place_x = -(WINDOW_WIDTH - 1);
    if (spot->rows >= WINDOW_HEIGHT) {
        return;
    }
    for (i = 0; i < WINDOW_WIDTH; i++, place_x += 2) {
        const int32_t above = (int32_t)pixels[i] - SPOT_THRESHOLD;
        if (above > 0) {
            light += above;
            moment_x += (spot_sum)above * place_x;
        }
    }
    spot->light = added(spot, spot->light, light);
    spot->moment_x = added(spot, spot->moment_x, moment_x);
    spot->moment_y = added(spot, spot->moment_y, light * place_y);
    spot->rows++;
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    const int64_t light = spot->light > 0 ? spot->light : 1;
    const int whole = spot->rows == WINDOW_HEIGHT;
    spot_judge(
        reading, divide(spot->moment_x, light, SPOT_FRACTION - 1),
        divide(spot->moment_y, light, SPOT_FRACTION - 1), spot->light, spot->failed || !whole, 0);
}
