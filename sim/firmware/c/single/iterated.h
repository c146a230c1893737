/* Estimators that move a position until it settles. */
#ifndef ITERATED_H
#define ITERATED_H

#include "kept.h"

struct model {
    float position[2]; /* from the middle of pixel [0][0] */
    float light;       /* of the spot, for a fit */
    float background;  /* beyond LIGHT_LEVEL, for a fit */
};

/* Return the step of a position; a fit changes light and background itself. Not 0 if there is
 * nothing to go by. */
int spot_move(const struct spot *spot, struct model *model, float moved[2]);

#endif
