/* Reading a spot from its window: row by row as they arrive, then the verdict. */
#ifndef SPOT_H
#define SPOT_H

#include <stdint.h>

#include "settings.h"

enum spot_status { SPOT_OK = 0, SPOT_DIM = 1, SPOT_EDGE = 2, SPOT_FAILED = 3, SPOT_WRONG = 5 };

struct spot_reading {
    int64_t light;       /* what decides on SPOT_DIM */
    int32_t position[2]; /* as (x, y), from the window's middle, times 2^SPOT_FRACTION; 0 if not OK */
    int32_t status;      /* enum spot_status */
};

/* The record `struct spot` of the estimator at hand. */
#include SPOT_HEADER

/* Before the first row. */
void spot_begin(struct spot *spot);

/* The next row of the window, WINDOW_WIDTH pixels; rows beyond the last are not taken. */
void spot_row(struct spot *spot, const uint16_t *pixels);

/* After the last row that arrived. A window that lacks rows reads SPOT_FAILED. */
void spot_end(struct spot *spot, struct spot_reading *reading);

/* The verdict that all estimators share: SPOT_DIM before SPOT_FAILED before SPOT_EDGE. */
void spot_judge(
    struct spot_reading *reading, int64_t x, int64_t y, int64_t light, int failed, int at_edge);

#endif
