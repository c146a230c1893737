/* A window that is kept as it arrives, with the place to start from. */
#ifndef KEPT_H
#define KEPT_H

#include <stdint.h>

#include "correlate.h"
#include "light.h"

struct kept {
    struct correlate matched;
    correlation best;
    light_sum light;
    int32_t rows; /* that have arrived */
    int32_t seen; /* rows of the correlation that have been looked at */
    int32_t column, row; /* where it is largest */
    uint16_t pixels[WINDOW_HEIGHT][WINDOW_WIDTH];
};

void kept_begin(struct kept *kept);
void kept_row(struct kept *kept, const uint16_t *pixels);

/* After the last row: where to start, from the window's middle; not 0 if rows are missing. */
int kept_start(struct kept *kept, int64_t position[2]);

#endif
