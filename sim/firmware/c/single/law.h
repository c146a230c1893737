/* The control law of one mirror in single precision: a mismatch in, a correction out, once a frame.
 *
 * All lengths are camera pixels.
 */
#ifndef LAW_H
#define LAW_H

#include <stdint.h>

#include "settings.h"

/* C99 has no arrays of no elements. */
#define LAW_STATES_KEPT (LAW_STATES > 0 ? LAW_STATES : 1)
#define LAW_SECTIONS_KEPT (LAW_SECTIONS > 0 ? LAW_SECTIONS : 1)

struct law_axis {
    float memory[LAW_SECTIONS_KEPT][2]; /* of the filter sections */
    float states[LAW_STATES_KEPT];
    float correction; /* the last one granted */
    int32_t known;    /* whether the last frame had a mismatch */
};

struct law_state {
    struct law_axis axis[2];
};

struct law_input {
    float position[2];  /* measured, as (x, y); not looked at where the spot is lost */
    float reference[2]; /* where the spot should have been */
    float lowest[2];    /* correction that the drive can still carry out */
    float highest[2];
    int32_t seen; /* whether there is a position */
};

/* Take over from a standing correction; all zero is the state before the first frame. */
void law_start(struct law_state *state, int mirror, const float standing[2]);

/* Go on by a frame; the correction is state->axis[..].correction afterwards. */
void law_step(struct law_state *state, int mirror, const struct law_input *input);

#endif
