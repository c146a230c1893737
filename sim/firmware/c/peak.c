#include "divide.h"
#include "logarithm.h"
#include "spot.h"

static int32_t inner(int32_t place, int32_t side)
{
    return place < 1 ? 1 : place > side - 2 ? side - 2 : place;
}

/* Look at row `seen` of the values: keep the first largest, and its neighbours once they are there. */
static void look(struct spot *spot)
{
    const int32_t j = spot->seen;
    const peak_value *values = spot->values[j % 3];
    int32_t i;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        if ((i == 0 && j == 0) || values[i] > spot->best) {
            spot->best = values[i];
            spot->column = i;
            spot->row = j;
        }
    }
    i = inner(spot->column, WINDOW_WIDTH);
    if (j > 1 && inner(spot->row, WINDOW_HEIGHT) == j - 1) {
        const peak_value *centre = spot->values[(j - 1) % 3];
        spot->cross[0] = centre[i];
        spot->cross[1] = centre[i - 1];
        spot->cross[2] = spot->values[(j - 2) % 3][i];
        spot->cross[3] = centre[i + 1];
        spot->cross[4] = values[i];
    }
    spot->seen++;
}

void spot_begin(struct spot *spot)
{
    spot->light = 0;
    spot->rows = spot->seen = spot->column = spot->row = 0;
    spot->best = 0;
#if PEAK_MATCHED
    correlate_begin(&spot->matched);
#endif
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    light_sum light = 0;
    int32_t i;
    if (spot->rows >= WINDOW_HEIGHT) {
        return;
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
        light += light_of(pixels[i]);
    }
    spot->light += light;
    spot->rows++;
#if PEAK_MATCHED
    correlate_row(&spot->matched, pixels);
    while (spot->seen < WINDOW_HEIGHT && correlate_ready(&spot->matched, spot->seen)
           && spot->rows < WINDOW_HEIGHT) {
        correlate_down(&spot->matched, spot->seen, spot->values[spot->seen % 3]);
        look(spot);
    }
#else
    for (i = 0; i < WINDOW_WIDTH; i++) {
        spot->values[spot->seen % 3][i] = light_of(pixels[i]);
    }
    look(spot);
#endif
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    int64_t position[2] = { 0, 0 };
    int failed = spot->rows != WINDOW_HEIGHT, outermost = 0, part, k;
    if (!failed) {
        int32_t logs[5];
#if PEAK_MATCHED
        while (spot->seen < WINDOW_HEIGHT) {
            correlate_down(&spot->matched, spot->seen, spot->values[spot->seen % 3]);
            look(spot);
        }
#endif
        outermost = spot->column == 0 || spot->column == WINDOW_WIDTH - 1 || spot->row == 0
            || spot->row == WINDOW_HEIGHT - 1;
        for (k = 0; k < 5; k++) {
            failed |= spot->cross[k] < 1;
            logs[k] = logarithm(spot->cross[k] < 1 ? 1 : spot->cross[k]);
        }
        for (part = 0; part < 2; part++) {
            const int32_t side = part == 0 ? WINDOW_WIDTH : WINDOW_HEIGHT;
            const int32_t place = inner(part == 0 ? spot->column : spot->row, side);
            const int32_t before = logs[1 + part], after = logs[3 + part];
            const int32_t bend = 2 * logs[0] - before - after;
            failed |= bend < 1;
            position[part] = (int64_t)(2 * place - side + 1) * (1 << (SPOT_FRACTION - 1))
                + divide(after - before, bend < 1 ? 1 : bend, SPOT_FRACTION - 1);
        }
    }
    spot_judge(reading, position[0], position[1], spot->light, failed, outermost);
}
