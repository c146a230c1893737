#include "drive.h"

#include "calibration.h"
#include "whole.h"

void drive_codes(
    int mirror, const int32_t path[2], const int32_t correction[2], int32_t codes[2])
{
    int part;
    for (part = 0; part < 2; part++) {
        const int64_t tilt = (int64_t)path[part] + correction[part];
        const int64_t product = tilt * codes_per_px[mirror][part];
#if DRIVE_SQUARE
        const int64_t four = (product < 0 ? -product : product) * 4;
        const int64_t size = (whole_root(whole_shift(four, DRIVE_SHIFT, ROUNDING_FLOOR)) + 1) / 2;
        const int64_t code = product < 0 ? -size : size;
#else
        const int64_t code = whole_shift(product, DRIVE_SHIFT, LAW_ROUNDING);
#endif
        codes[part] = (int32_t)whole_clip(code, DRIVE_LOWEST, DRIVE_HIGHEST);
    }
}
