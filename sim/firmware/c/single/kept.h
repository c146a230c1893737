/* A window that is kept as it arrives, and its correlation with the spot's profile. */
#ifndef KEPT_H
#define KEPT_H

#include "spot.h"

/* The correlation for a spot on a pixel. */
float kept_matched(const struct spot *spot, int32_t column, int32_t row);

/* The pixel where a function of pixels is largest, the first of equals; at[] is (column, row). */
void kept_brightest(
    const struct spot *spot, float (*value)(const struct spot *, int32_t, int32_t), int32_t at[2]);

#endif
