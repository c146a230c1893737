/* Quotients of spot estimators: by a divider, by shift and subtract, or by a table of reciprocals. */
#ifndef DIVIDE_H
#define DIVIDE_H

#include <stdint.h>

#include "settings.h"
#include "whole.h"

/* Numerators, shifted up, fit so many bits; a processor of 32 bits divides those by itself. */
#if SPOT_NUMERATOR_BITS <= 32
typedef uint32_t divide_word;
#define DIVIDE_PLACES 32
#else
typedef uint64_t divide_word;
#define DIVIDE_PLACES 64
#endif

static inline divide_word divide_whole(divide_word numerator, divide_word denominator)
{
#if SPOT_DIVISION == DIVISION_SHIFT_SUBTRACT
    divide_word rest = 0, found = 0;
    int place;
    for (place = DIVIDE_PLACES - 1; place >= 0; place--) {
        rest = (divide_word)(rest << 1) | ((numerator >> place) & 1);
        found <<= 1;
        if (rest >= denominator) {
            rest -= denominator;
            found |= 1;
        }
    }
    return found;
#else
    return numerator / denominator;
#endif
}

/* numerator 2^shift / denominator, the denominator above zero, rounded as SPOT_ROUNDING says. */
#if SPOT_DIVISION == DIVISION_RECIPROCAL
#include "reciprocals.h"

static inline int64_t divide(int64_t numerator, int64_t denominator, int shift)
{
    const int e = whole_highest(denominator);
    /* The highest bit, which is always set, is left out of the index. */
    int64_t r = reciprocals[whole_move(denominator, RECIPROCAL_INDEX_BITS - e)
                            & (((int64_t)1 << RECIPROCAL_INDEX_BITS) - 1)];
    int step;
    for (step = 0; step < RECIPROCAL_NEWTON_STEPS; step++) {
        const int64_t t = ((int64_t)1 << (2 * RECIPROCAL_BITS + 1))
            - whole_move(denominator, RECIPROCAL_BITS - e) * r;
        r = whole_floor(r * whole_floor(t, RECIPROCAL_BITS), RECIPROCAL_BITS);
    }
    return whole_shift(numerator * r, RECIPROCAL_BITS + e - shift, SPOT_ROUNDING);
}
#else
static inline int64_t divide(int64_t numerator, int64_t denominator, int shift)
{
    const int negative = numerator < 0;
    const divide_word d = (divide_word)denominator;
    const divide_word n = (divide_word)((negative ? -numerator : numerator) * ((int64_t)1 << shift));
    const divide_word q = divide_whole(n, d);
    const divide_word rest = n - q * d, missing = d - rest;
    int more = 0;
    switch (SPOT_ROUNDING) {
    case ROUNDING_UP:
        more = negative ? rest > missing : rest >= missing;
        break;
    case ROUNDING_AWAY:
        more = rest >= missing;
        break;
    case ROUNDING_EVEN:
        more = rest > missing || (rest == missing && (q & 1) != 0);
        break;
    case ROUNDING_FLOOR:
        more = negative && rest > 0;
        break;
    default:
        break;
    }
    return negative ? -(int64_t)q - more : (int64_t)q + more;
}
#endif

#endif
