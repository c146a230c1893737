#include "guard.h"

#include "guard_tables.h"
#include "homes.h"
#include "servo.h"

static int64_t squared(const int64_t place[2], const int32_t other[2])
{
    const int64_t x = place[0] - other[0], y = place[1] - other[1];
    return x * x + y * y;
}

#if GUARD_SHARED
/* Whether a place is in the window, or so near to it that its light may be. */
static int holds(const int32_t origin[2], const int64_t place[2])
{
    static const int32_t last[2] = { WINDOW_WIDTH - 1, WINDOW_HEIGHT - 1 };
    int part, inside = 1;
    for (part = 0; part < 2; part++) {
        const int64_t low = (int64_t)origin[part] * (1 << POSITION_FRACTION);
        const int64_t high = (int64_t)(origin[part] + last[part]) * (1 << POSITION_FRACTION);
        inside &= place[part] >= low - GUARD_MARGIN && place[part] <= high + GUARD_MARGIN;
    }
    return inside;
}
#endif

int guard_neighbour(int mirror, int k)
{
    return guard_beside[mirror][k];
}

int guard_doubts(
    int mirror, const int32_t origin[2], const int32_t position[2], int64_t light,
    const int32_t (*expected)[2])
{
    const int64_t own[2] = { expected[mirror][0], expected[mirror][1] };
    const int64_t nearest = squared(own, position);
    int k, part, doubted = 0;
#if GUARD_LIGHT
    doubted = light > guard_most_light[mirror];
#else
    (void)light;
#endif
#if !GUARD_SHARED
    (void)origin;
#endif
    for (k = 0; k < GUARD_NEIGHBOURS && !doubted; k++) {
        const int other = guard_beside[mirror][k];
        int64_t place[2];
        if (other < 0) {
            continue;
        }
        for (part = 0; part < 2; part++) {
            const int32_t between = home_px[other][part] - home_px[mirror][part];
            place[part] = expected[other][part] + (int64_t)between * (1 << POSITION_FRACTION);
        }
        doubted = squared(place, position) < nearest;
#if GUARD_SHARED
        doubted |= holds(origin, place);
#endif
    }
    return doubted;
}

void guard_judge(
    struct spot_reading *reading, int mirror, const int32_t origin[2],
    const int32_t (*expected)[2])
{
    int32_t position[2];
    if (reading->status != SPOT_OK) {
        return;
    }
    servo_position(reading, origin, position);
    if (guard_doubts(mirror, origin, position, reading->light, expected)) {
        reading->status = SPOT_WRONG;
        reading->position[0] = reading->position[1] = 0;
    }
}
