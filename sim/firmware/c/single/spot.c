#include "spot.h"

#include <math.h>

void spot_judge(
    struct spot_reading *reading, float x, float y, float light, int failed, int at_edge)
{
    reading->light = light;
    reading->position[0] = reading->position[1] = 0.0f;
    if (light < SPOT_LEAST_LIGHT || light <= 0.0f) {
        reading->status = SPOT_DIM;
    } else if (failed || !isfinite(x) || !isfinite(y)) {
        reading->status = SPOT_FAILED;
    } else if (at_edge || fabsf(x) > SPOT_EDGE_X || fabsf(y) > SPOT_EDGE_Y) {
        reading->status = SPOT_EDGE;
    } else {
        reading->status = SPOT_OK;
        reading->position[0] = x;
        reading->position[1] = y;
    }
}
