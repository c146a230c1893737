#include "servo.h"

void servo_step(
    struct law_state *state, int mirror, const struct spot_reading *reading,
    const struct servo_frame *frame, float correction[2])
{
    static const int32_t last[2] = { WINDOW_WIDTH - 1, WINDOW_HEIGHT - 1 };
    struct law_input input;
    int part;
    for (part = 0; part < 2; part++) {
        input.position[part] =
            (float)frame->origin[part] + 0.5f * (float)last[part] + reading->position[part];
        input.reference[part] = frame->reference[part];
        input.lowest[part] = frame->lowest[part];
        input.highest[part] = frame->highest[part];
    }
    input.seen = reading->status == SPOT_OK;
    law_step(state, mirror, &input);
    for (part = 0; part < 2; part++) {
        correction[part] = state->axis[part].correction;
    }
}
