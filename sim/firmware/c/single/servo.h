/* One mirror of the servo: from the reading of its spot to a correction. */
#ifndef SERVO_H
#define SERVO_H

#include <stdint.h>

#include "law.h"
#include "spot.h"

struct servo_frame {
    int32_t origin[2];  /* first pixel of the window, against the spot of an untilted mirror */
    float reference[2]; /* where the spot should have been [px] */
    float lowest[2];    /* correction that the drive can carry out [px] */
    float highest[2];
};

/* Go on by a frame; a spot without a position holds or coasts, as the law says. */
void servo_step(
    struct law_state *state, int mirror, const struct spot_reading *reading,
    const struct servo_frame *frame, float correction[2]);

#endif
