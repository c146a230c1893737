/* Windows corrected by what a calibration knows of the pixels, row by row as they arrive.
 *
 * A pixel that is bad is replaced by the mean of its good neighbours in the window, so a row comes
 * out when the next one has arrived.
 */
#ifndef PIXELS_H
#define PIXELS_H

#include <stdint.h>

#include "settings.h"

/* What the maps say of a pixel, as maps.bin has them: sensor after sensor, rows of SENSOR_WIDTH. */
struct pixel_words {
    uint16_t level; /* black level and dark level, times 2^PIXEL_LEVEL_FRACTION */
    uint16_t gain;  /* one over the response, times 2^PIXEL_GAIN_FRACTION */
};

/* A window on its way to the estimator. */
struct pixels {
    int32_t corner[2]; /* first pixel on the sensor */
    int32_t arrived;   /* rows */
    int32_t next, end; /* of the sensor's bad pixels: the first that may matter, and behind the last */
    uint16_t rows[3][WINDOW_WIDTH]; /* the last ones, without dark level and response */
    uint8_t bad[3][WINDOW_WIDTH];
};

/* Before the first row of a window whose first pixel is `origin`, against the spot of the untilted
 * mirror. */
void pixels_begin(struct pixels *pixels, int mirror, const int32_t origin[2]);

/* The next row as read, and what the maps say of its pixels (not looked at without PIXEL_MAPS); 1 if
 * the row before it is in `corrected` now, else 0. Rows beyond the last are not taken. */
int pixels_row(
    struct pixels *pixels, const uint16_t *raw, const struct pixel_words *words,
    uint16_t corrected[WINDOW_WIDTH]);

/* After the last row that arrived; 1 if that row is in `corrected` now, 0 if there was none. */
int pixels_end(struct pixels *pixels, uint16_t corrected[WINDOW_WIDTH]);

#endif
