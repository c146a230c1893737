/* Whole-number arithmetic: rounding of quotients by a power of two, and cutting off at a word.
 *
 * Portable C99: no shift of a negative number, no division, no floating point. Signed types of
 * a fixed width are two's complement by the standard (7.18.1.1).
 */
#ifndef WHOLE_H
#define WHOLE_H

#include <stdint.h>

#include "settings.h"

/* Largest whole number not above value / 2^bits; bits from 0 to 62. */
static inline int64_t whole_floor(int64_t value, int bits)
{
    return value < 0 ? ~(~value >> bits) : value >> bits;
}

/* value / 2^bits, rounded (a constant of settings.h); value * 2^-bits where bits is below zero. */
static inline int64_t whole_shift(int64_t value, int bits, int rounding)
{
    int64_t half, low, rest;
    if (bits <= 0) {
        return value * ((int64_t)1 << -bits);
    }
    half = (int64_t)1 << (bits - 1);
    switch (rounding) {
    case ROUNDING_UP: /* to the nearest, ties upward */
        return whole_floor(value + half, bits);
    case ROUNDING_AWAY: /* to the nearest, ties away from zero */
        return value < 0 ? -((half - value) >> bits) : (value + half) >> bits;
    case ROUNDING_EVEN: /* to the nearest, ties to the even one */
        low = whole_floor(value, bits);
        rest = value - low * ((int64_t)1 << bits);
        return low + (rest > half || (rest == half && (low & 1) != 0));
    case ROUNDING_ZERO: /* towards zero */
        return value < 0 ? -((-value) >> bits) : value >> bits;
    default: /* ROUNDING_FLOOR: downward */
        return whole_floor(value, bits);
    }
}

/* value * 2^left, or its floor where left is below zero. */
static inline int64_t whole_move(int64_t value, int left)
{
    return left >= 0 ? value * ((int64_t)1 << left) : whole_floor(value, -left);
}

/* Place of the highest one of a value of 1 to 2^62 - 1; 0 for 1. */
static inline int whole_highest(int64_t value)
{
    int place = 0, step;
    for (step = 32; step > 0; step >>= 1) {
        if ((value >> place) >> step > 0) {
            place += step;
        }
    }
    return place;
}

/* floor(sqrt(value)) of a value of 0 to 2^62 - 1, bit by bit. */
static inline int64_t whole_root(int64_t value)
{
    int64_t root = 0, bit;
    for (bit = (int64_t)1 << 60; bit > 0; bit >>= 2) {
        if (value >= root + bit) {
            value -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return root;
}

/* Cut off at a signed word of so many bits; counts if there was anything to cut. */
static inline int64_t whole_cut(int64_t value, int bits, uint32_t *cuts)
{
    const int64_t highest = ((int64_t)1 << (bits - 1)) - 1;
    const int64_t lowest = -highest - 1;
    if (value > highest) {
        ++*cuts;
        return highest;
    }
    if (value < lowest) {
        ++*cuts;
        return lowest;
    }
    return value;
}

/* The nearest number from low to high. */
static inline int64_t whole_clip(int64_t value, int64_t low, int64_t high)
{
    const int64_t above = value > low ? value : low;
    return above < high ? above : high;
}

#endif
