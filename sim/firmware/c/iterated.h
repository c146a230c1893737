/* Estimators that move a position by a fixed number of steps: the window is kept. */
#ifndef ITERATED_H
#define ITERATED_H

#include "kept.h"

struct spot {
    struct kept kept;
};

/* Move a position, from the window's middle, by a step; not 0 if there is nothing to go by. */
int spot_move(const struct kept *kept, int64_t position[2]);

#endif
