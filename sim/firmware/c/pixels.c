#include "pixels.h"

#include "bad_pixels.h"
#include "homes.h"

#if PIXEL_MAPS
#if PIXEL_BITS <= 32
typedef int32_t pixel_sum;
#else
typedef int64_t pixel_sum;
#endif
#define PIXEL_SHIFT (PIXEL_LEVEL_FRACTION + PIXEL_GAIN_FRACTION)

static uint16_t straight(uint16_t pixel, struct pixel_words words)
{
    const pixel_sum left = (pixel_sum)pixel * (1 << PIXEL_LEVEL_FRACTION) - words.level;
    const pixel_sum sum = left * words.gain + PIXEL_BLACK + ((pixel_sum)1 << (PIXEL_SHIFT - 1));
    const pixel_sum whole = sum < 0 ? 0 : sum >> PIXEL_SHIFT;
    return (uint16_t)(whole < PIXEL_FULL_SCALE ? whole : PIXEL_FULL_SCALE);
}
#endif

/* The nearest number from 0 to last: beyond a sensor's edge the pixel at the edge stands in. */
static int32_t inside(int32_t place, int32_t last)
{
    return place < 0 ? 0 : place > last ? last : place;
}

void pixels_begin(struct pixels *pixels, int mirror, const int32_t origin[2])
{
    const int sensor = home_sensor[mirror];
    int32_t low = bad_from[sensor], high = bad_from[sensor + 1], y;
    pixels->corner[0] = origin[0] + home_px[mirror][0];
    pixels->corner[1] = origin[1] + home_px[mirror][1];
    pixels->arrived = 0;
    pixels->end = high;
    y = inside(pixels->corner[1], SENSOR_HEIGHT - 1);
    while (low < high) { /* the first bad pixel that is not above the window */
        const int32_t middle = (low + high) / 2;
        if (bad_pixels[middle][1] < y) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    pixels->next = low;
}

/* Flag the bad pixels of the row that arrives; they are sorted by rows. */
static void flag(struct pixels *pixels, uint8_t bad[WINDOW_WIDTH])
{
    const int32_t y = inside(pixels->corner[1] + pixels->arrived, SENSOR_HEIGHT - 1);
    int32_t i, k;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        bad[i] = 0;
    }
    while (pixels->next < pixels->end && bad_pixels[pixels->next][1] < y) {
        pixels->next++;
    }
    for (k = pixels->next; k < pixels->end && bad_pixels[k][1] == y; k++) {
        const int32_t x = bad_pixels[k][0], place = x - pixels->corner[0];
        const int32_t first = x == 0 ? 0 : place;
        const int32_t last = x == SENSOR_WIDTH - 1 ? WINDOW_WIDTH - 1 : place;
        for (i = first < 0 ? 0 : first; i <= last && i < WINDOW_WIDTH; i++) {
            bad[i] = 1;
        }
    }
}

/* The mean of the good neighbours of a pixel, to the nearest, ties upward; without any, itself. */
static uint16_t replaced(const struct pixels *pixels, int32_t row, int32_t column)
{
    const int32_t above = row > 0 ? row - 1 : 0;
    const int32_t below = row + 1 < pixels->arrived ? row + 1 : row;
    const int32_t left = column > 0 ? column - 1 : 0;
    const int32_t right = column + 1 < WINDOW_WIDTH ? column + 1 : column;
    uint32_t sum = 0, count = 0;
    int32_t i, j;
    for (j = above; j <= below; j++) {
        for (i = left; i <= right; i++) {
            if (!pixels->bad[j % 3][i]) {
                sum += pixels->rows[j % 3][i];
                count++;
            }
        }
    }
    return count > 0 ? (uint16_t)((2 * sum + count) / (2 * count)) : pixels->rows[row % 3][column];
}

static void give(const struct pixels *pixels, int32_t row, uint16_t corrected[WINDOW_WIDTH])
{
    int32_t i;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        corrected[i] = pixels->bad[row % 3][i] ? replaced(pixels, row, i) : pixels->rows[row % 3][i];
    }
}

int pixels_row(
    struct pixels *pixels, const uint16_t *raw, const struct pixel_words *words,
    uint16_t corrected[WINDOW_WIDTH])
{
    uint16_t *row = pixels->rows[pixels->arrived % 3];
    int32_t i;
    if (pixels->arrived >= WINDOW_HEIGHT) {
        return 0;
    }
    for (i = 0; i < WINDOW_WIDTH; i++) {
#if PIXEL_MAPS
        row[i] = straight(raw[i], words[i]);
#else
        row[i] = raw[i];
#endif
    }
#if !PIXEL_MAPS
    (void)words;
#endif
    flag(pixels, pixels->bad[pixels->arrived % 3]);
    pixels->arrived++;
    if (pixels->arrived < 2) {
        return 0;
    }
    give(pixels, pixels->arrived - 2, corrected);
    return 1;
}

int pixels_end(struct pixels *pixels, uint16_t corrected[WINDOW_WIDTH])
{
    if (pixels->arrived == 0) {
        return 0;
    }
    give(pixels, pixels->arrived - 1, corrected);
    return 1;
}
