/* From tilts to codes of the DAC. */
#ifndef DRIVE_H
#define DRIVE_H

#include <stdint.h>

/* Codes of both axes for a tick: the path and the correction in force [px]. */
void drive_codes(int mirror, const float path[2], const float correction[2], int32_t codes[2]);

#endif
