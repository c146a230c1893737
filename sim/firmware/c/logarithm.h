/* Logarithm to the base 2 of a value above zero, times 2^16: a table and a straight line. */
#ifndef LOGARITHM_H
#define LOGARITHM_H

#include <stdint.h>

#include "logarithms.h"
#include "whole.h"

static inline int32_t logarithm(int64_t value)
{
    const int e = whole_highest(value);
    const int32_t m = (int32_t)(whole_move(value, 16 - e) - ((int64_t)1 << 16));
    const int32_t i = m >> 8, f = m & 255;
    const int32_t part = ((logarithms[i + 1] - logarithms[i]) * f + 128) >> 8;
    return e * (1 << 16) + logarithms[i] + part;
}

#endif
