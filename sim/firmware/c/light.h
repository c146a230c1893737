/* Pixels above black level and background, and their sum. */
#ifndef LIGHT_H
#define LIGHT_H

#include <stdint.h>

#include "settings.h"

#if LIGHT_SUM_BITS <= 32
typedef int32_t light_sum;
#else
typedef int64_t light_sum;
#endif

/* Times 2^LIGHT_FRACTION; below zero where a pixel is darker than its level. */
static inline int32_t light_of(uint16_t pixel)
{
    return (int32_t)pixel * (1 << LIGHT_FRACTION) - LIGHT_LEVEL;
}

#endif
