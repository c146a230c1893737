/* Quad cell: three sums, no pixel is kept. */
#ifndef QUAD_CELL_H
#define QUAD_CELL_H

#if SPOT_SUM_BITS <= 32
typedef int32_t spot_sum;
#else
typedef int64_t spot_sum;
#endif

struct spot {
    spot_sum light;
    spot_sum excess_x; /* right of the middle, less left of it */
    spot_sum excess_y; /* below the middle, less above it */
    int32_t rows;
};

#endif
