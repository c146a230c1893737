/* Centre of gravity above a threshold: three sums, no pixel is kept. */
#ifndef THRESHOLDED_CENTROID_H
#define THRESHOLDED_CENTROID_H

#if SPOT_SUMS_PROVEN && SPOT_SUM_BITS <= 32
typedef int32_t spot_sum;
#else
typedef int64_t spot_sum;
#endif

struct spot {
    spot_sum light;
    spot_sum moment_x; /* about the window's middle, in half pixels */
    spot_sum moment_y;
    int32_t rows;
    int32_t failed;
};

#endif
