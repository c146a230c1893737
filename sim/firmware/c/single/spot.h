/* Reading a spot from its window: row by row as they arrive, then the verdict. */
#ifndef SPOT_H
#define SPOT_H

#include <stdint.h>

#include "settings.h"

enum spot_status { SPOT_OK = 0, SPOT_DIM = 1, SPOT_EDGE = 2, SPOT_FAILED = 3 };

struct spot_reading {
    float light;       /* what decides on SPOT_DIM */
    float position[2]; /* as (x, y), from the window's middle [px]; 0 if not OK */
    int32_t status;    /* enum spot_status */
};

struct spot {
    float light;
#if SPOT_KEEPS_WINDOW
    uint16_t pixels[WINDOW_HEIGHT][WINDOW_WIDTH];
    float along[WINDOW_HEIGHT][WINDOW_WIDTH]; /* rows, seen through the spot's profile */
#else
    float sum_x, sum_y; /* moments, or the balance of halves */
#endif
    int32_t rows; /* that have arrived */
};

/* Before the first row. */
void spot_begin(struct spot *spot);

/* The next row of the window, WINDOW_WIDTH pixels; rows beyond the last are not taken. */
void spot_row(struct spot *spot, const uint16_t *pixels);

/* After the last row that arrived. A window that lacks rows reads SPOT_FAILED. */
void spot_end(struct spot *spot, struct spot_reading *reading);

/* The verdict that all estimators share: SPOT_DIM before SPOT_FAILED before SPOT_EDGE. */
void spot_judge(
    struct spot_reading *reading, float x, float y, float light, int failed, int at_edge);

#endif
