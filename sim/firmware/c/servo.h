/* One mirror of the servo: from the reading of its spot to a correction. */
#ifndef SERVO_H
#define SERVO_H

#include <stdint.h>

#include "law.h"
#include "spot.h"

struct servo_frame {
    int32_t origin[2];    /* first pixel of the window, against the spot of an untilted mirror */
    int32_t reference[2]; /* where the spot should have been, times 2^POSITION_FRACTION */
    int32_t lowest[2];    /* correction that the drive can carry out, times 2^CORRECTION_FRACTION */
    int32_t highest[2];
};

/* Where a spot is, against that of an untilted mirror, times 2^POSITION_FRACTION. */
void servo_position(
    const struct spot_reading *reading, const int32_t origin[2], int32_t position[2]);

/* Go on by a frame; a spot without a position holds or coasts, as the law says. */
void servo_step(
    struct law_state *state, int mirror, const struct spot_reading *reading,
    const struct servo_frame *frame, int32_t correction[2]);

#endif
