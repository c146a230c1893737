/* The control law of one mirror: a mismatch in, a correction out, once a frame.
 *
 * All lengths are words of camera pixels: a number of pixels times 2^POSITION_FRACTION, or
 * 2^CORRECTION_FRACTION for corrections and their limits.
 */
#ifndef LAW_H
#define LAW_H

#include <stdint.h>

#include "settings.h"

/* C99 has no arrays of no elements. */
#define LAW_STATES_KEPT (LAW_STATES > 0 ? LAW_STATES : 1)
#define LAW_SECTIONS_KEPT (LAW_SECTIONS > 0 ? LAW_SECTIONS : 1)

struct law_axis {
    int64_t memory[LAW_SECTIONS_KEPT][2]; /* of the filter sections */
    int32_t states[LAW_STATES_KEPT];
    int32_t correction; /* the last one granted */
    uint32_t cuts;      /* words that were cut off since the start */
    int32_t known;      /* whether the last frame had a mismatch */
};

struct law_state {
    struct law_axis axis[2];
};

struct law_input {
    int32_t position[2];  /* measured, as (x, y); not looked at where the spot is lost */
    int32_t reference[2]; /* where the spot should have been */
    int32_t lowest[2];    /* correction that the drive can still carry out */
    int32_t highest[2];
    int32_t seen; /* whether there is a position */
};

/* Take over from a standing correction; all zero is the state before the first frame. */
void law_start(struct law_state *state, int mirror, const int32_t standing[2]);

/* Go on by a frame; the correction is state->axis[..].correction afterwards. */
void law_step(struct law_state *state, int mirror, const struct law_input *input);

#endif
