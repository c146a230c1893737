#include "drive.h"

#include <math.h>

#include "calibration.h"

void drive_codes(int mirror, const float path[2], const float correction[2], int32_t codes[2])
{
    int part;
    for (part = 0; part < 2; part++) {
        const float code = (path[part] + correction[part]) * codes_per_px[mirror][part];
#if DRIVE_SQUARE
        const float exact = code < 0.0f ? -sqrtf(-code) : sqrtf(code);
#else
        const float exact = code;
#endif
        /* what is no number asks for no tilt, not for all of it */
        const float whole = isnan(exact) ? 0.0f : floorf(exact + 0.5f);
        const float kept = whole > (float)DRIVE_LOWEST ? whole : (float)DRIVE_LOWEST;
        codes[part] = (int32_t)(kept < (float)DRIVE_HIGHEST ? kept : (float)DRIVE_HIGHEST);
    }
}
