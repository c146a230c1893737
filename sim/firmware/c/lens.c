#include "lens.h"

#include "homes.h"
#include "lens_tables.h"
#include "whole.h"

/* Straight radius over drawn radius at a squared place, in a straight line between entries. */
static int64_t ratio_at(int sensor, int64_t squared)
{
    const int32_t *entry = &lens_ratio[sensor][squared >> LENS_SHIFT];
    const int64_t way = (squared & (((int64_t)1 << LENS_SHIFT) - 1)) >> (LENS_SHIFT - LENS_PART_BITS);
    return entry[0] + whole_shift((int64_t)(entry[1] - entry[0]) * way, LENS_PART_BITS, ROUNDING_UP);
}

int lens_straighten(int mirror, int32_t position[2])
{
    const int sensor = home_sensor[mirror];
    const int64_t x = (int64_t)position[0] + lens_home[mirror][0];
    const int64_t y = (int64_t)position[1] + lens_home[mirror][1];
    const int64_t squared = x * x + y * y;
    int64_t ratio, q[2], total[2];
    int part;
    if (squared > lens_limit[sensor]) {
        position[0] = position[1] = 0;
        return 0;
    }
    ratio = ratio_at(sensor, squared);
    q[0] = whole_shift(x * ratio, LENS_RATIO_FRACTION - LENS_GUARD_BITS, ROUNDING_UP);
    q[1] = whole_shift(y * ratio, LENS_RATIO_FRACTION - LENS_GUARD_BITS, ROUNDING_UP);
    total[0] = lens_turn[sensor][0] * q[0] + lens_turn[sensor][1] * q[1];
    total[1] = lens_turn[sensor][0] * q[1] - lens_turn[sensor][1] * q[0];
    for (part = 0; part < 2; part++) {
        total[part] -= (int64_t)lens_straight[mirror][part] * (1 << LENS_TURN_FRACTION);
        position[part] = (int32_t)whole_shift(
            total[part], LENS_TURN_FRACTION + LENS_GUARD_BITS, ROUNDING_UP);
    }
    return 1;
}
