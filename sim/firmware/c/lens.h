/* From where a lens draws a spot to where it would be in a perfect picture. */
#ifndef LENS_H
#define LENS_H

#include <stdint.h>

#include "settings.h"

/* Straighten a place against the spot of the untilted mirror, times 2^POSITION_FRACTION; 0 if there
 * is no such tilt. */
int lens_straighten(int mirror, int32_t position[2]);

#endif
