#include "spot.h"

static int beyond(int64_t value, int64_t limit)
{
    return value > limit || value < -limit;
}

static int overflows(int64_t value)
{
    const int64_t highest = ((int64_t)1 << (SPOT_POSITION_BITS - 1)) - 1;
    return value > highest || value < -highest - 1;
}

void spot_judge(
    struct spot_reading *reading, int64_t x, int64_t y, int64_t light, int failed, int at_edge)
{
    reading->light = light;
    reading->position[0] = reading->position[1] = 0;
    if (light < SPOT_LEAST_LIGHT) {
        reading->status = SPOT_DIM;
    } else if (failed || overflows(x) || overflows(y)) {
        reading->status = SPOT_FAILED;
    } else if (at_edge || beyond(x, SPOT_EDGE_X) || beyond(y, SPOT_EDGE_Y)) {
        reading->status = SPOT_EDGE;
    } else {
        reading->status = SPOT_OK;
        reading->position[0] = (int32_t)x;
        reading->position[1] = (int32_t)y;
    }
}
