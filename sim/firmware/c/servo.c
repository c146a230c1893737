#include "servo.h"

#if WITH_LENS
#include "lens.h"
#endif

void servo_position(
    const struct spot_reading *reading, const int32_t origin[2], int32_t position[2])
{
    static const int32_t last[2] = { WINDOW_WIDTH - 1, WINDOW_HEIGHT - 1 };
    int part;
    for (part = 0; part < 2; part++) {
        const int32_t middle = (2 * origin[part] + last[part]) * (1 << (SPOT_FRACTION - 1));
        position[part] =
            (middle + reading->position[part]) * (1 << (POSITION_FRACTION - SPOT_FRACTION));
    }
}

void servo_step(
    struct law_state *state, int mirror, const struct spot_reading *reading,
    const struct servo_frame *frame, int32_t correction[2])
{
    struct law_input input;
    int part;
    servo_position(reading, frame->origin, input.position);
    for (part = 0; part < 2; part++) {
        input.reference[part] = frame->reference[part];
        input.lowest[part] = frame->lowest[part];
        input.highest[part] = frame->highest[part];
    }
    input.seen = reading->status == SPOT_OK;
#if WITH_LENS
    if (!lens_straighten(mirror, input.position)) {
        input.seen = 0;
    }
#endif
    law_step(state, mirror, &input);
    for (part = 0; part < 2; part++) {
        correction[part] = state->axis[part].correction;
    }
}
