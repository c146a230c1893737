/* Correlation with the spot's profile, row after row: along each row as it arrives, then down.
 *
 * Kept are the rows that the profile reaches, and three rows of what comes out.
 */
#ifndef CORRELATE_H
#define CORRELATE_H

#include <stdint.h>

#include "settings.h"

#if CORRELATION_BITS <= 32
typedef int32_t correlation;
#else
typedef int64_t correlation;
#endif

#define CORRELATE_TAPS (2 * CORRELATE_REACH + 1)

struct correlate {
    correlation along[CORRELATE_TAPS][WINDOW_WIDTH]; /* row r is at r modulo CORRELATE_TAPS */
    int32_t rows;                                    /* that have arrived */
};

void correlate_begin(struct correlate *work);

/* The next row of the window; rows beyond the last are not taken. */
void correlate_row(struct correlate *work, const uint16_t *pixels);

/* Whether row j of the correlation has all that it needs. */
int correlate_ready(const struct correlate *work, int32_t j);

/* Row j of the correlation. */
void correlate_down(const struct correlate *work, int32_t j, correlation out[WINDOW_WIDTH]);

#endif
