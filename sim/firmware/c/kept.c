#include "kept.h"

/* The next row of the correlation: the first largest value stays. */
static void look(struct kept *kept)
{
    correlation values[WINDOW_WIDTH];
    int32_t i;
    correlate_down(&kept->matched, kept->seen, values);
    for (i = 0; i < WINDOW_WIDTH; i++) {
        if ((i == 0 && kept->seen == 0) || values[i] > kept->best) {
            kept->best = values[i];
            kept->column = i;
            kept->row = kept->seen;
        }
    }
    kept->seen++;
}

void kept_begin(struct kept *kept)
{
    correlate_begin(&kept->matched);
    kept->best = 0;
    kept->light = 0;
    kept->rows = kept->seen = kept->column = kept->row = 0;
}

void kept_row(struct kept *kept, const uint16_t *pixels)
{
    light_sum light = 0;
    int32_t i;
    if (kept->rows >= WINDOW_HEIGHT) {
        return;
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        kept->pixels[kept->rows][i] = pixels[i];
        light += light_of(pixels[i]);
    }
    kept->light += light;
    correlate_row(&kept->matched, pixels);
    kept->rows++;
    while (kept->rows < WINDOW_HEIGHT && correlate_ready(&kept->matched, kept->seen)) {
        look(kept);
    }
}

int kept_start(struct kept *kept, int64_t position[2])
{
    if (kept->rows != WINDOW_HEIGHT) {
        position[0] = position[1] = 0;
        return -1;
    }
    while (kept->seen < WINDOW_HEIGHT) {
        look(kept);
    }
    position[0] = (int64_t)(2 * kept->column - WINDOW_WIDTH + 1) * (1 << (SPOT_FRACTION - 1));
    position[1] = (int64_t)(2 * kept->row - WINDOW_HEIGHT + 1) * (1 << (SPOT_FRACTION - 1));
    return 0;
}
