/* Vertex of the parabola through logarithms about the brightest place.
 *
 * No frame is kept: three rows of values, and what correlation needs where there is one.
 */
#ifndef PEAK_H
#define PEAK_H

#include "light.h"

#if PEAK_MATCHED
#include "correlate.h"
typedef correlation peak_value;
#else
typedef int32_t peak_value;
#endif

struct spot {
#if PEAK_MATCHED
    struct correlate matched;
#endif
    peak_value values[3][WINDOW_WIDTH]; /* row j is at j modulo 3 */
    peak_value best;
    peak_value cross[5]; /* centre, left, above, right, below */
    light_sum light;
    int32_t rows; /* that have arrived */
    int32_t seen; /* rows of values that have been looked at */
    int32_t column, row; /* of the best */
};

#endif
