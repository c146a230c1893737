/* From words of tilt to codes of the DAC. */
#ifndef DRIVE_H
#define DRIVE_H

#include <stdint.h>

#include "settings.h"

/* Codes of both axes for a tick: the path's word and the correction in force, both pixels times
 * 2^CORRECTION_FRACTION. */
void drive_codes(
    int mirror, const int32_t path[2], const int32_t correction[2], int32_t codes[2]);

#endif
