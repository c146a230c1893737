/* Whose light a window holds: readings of another mirror's spot are void. */
#ifndef GUARD_H
#define GUARD_H

#include <stdint.h>

#include "spot.h"

#define GUARD_NEIGHBOURS 8

/* Make a good reading SPOT_WRONG if it is taken for another mirror's.
 *
 * `origin` is the first pixel of the window, against the spot of the untilted mirror; `expected` is
 * where the spot of each of the MIRRORS is expected, against that of that one untilted, times
 * 2^POSITION_FRACTION. */
void guard_judge(
    struct spot_reading *reading, int mirror, const int32_t origin[2],
    const int32_t (*expected)[2]);

/* The same of a place and its light by themselves: whether it is another mirror's. */
int guard_doubts(
    int mirror, const int32_t origin[2], const int32_t position[2], int64_t light,
    const int32_t (*expected)[2]);

/* Number k of a mirror's neighbours, of GUARD_NEIGHBOURS; below zero: there is none. */
int guard_neighbour(int mirror, int k);

#endif
