#include "spot.h"

void spot_begin(struct spot *spot)
{
    kept_begin(&spot->kept);
}

void spot_row(struct spot *spot, const uint16_t *pixels)
{
    kept_row(&spot->kept, pixels);
}

void spot_end(struct spot *spot, struct spot_reading *reading)
{
    int64_t position[2], before[2] = { 0, 0 };
    const int whole = kept_start(&spot->kept, position) == 0;
    int failed = !whole, step, part;
    for (step = 0; whole && step < SPOT_ITERATIONS; step++) {
        before[0] = position[0];
        before[1] = position[1];
        failed |= spot_move(&spot->kept, position) != 0;
    }
    for (part = 0; part < 2; part++) {
        const int64_t last = position[part] - before[part];
        failed |= last > SPOT_SETTLED || last < -SPOT_SETTLED;
    }
    spot_judge(reading, position[0], position[1], spot->kept.light, failed, 0);
}
