#include "divide.h"
#include "spot.h"
#include "weights.h"

#define STRIDE_FRACTION 8
#define FINER (SPOT_FRACTION - TABLE_FRACTION)

#if SPOT_SUM_BITS <= 32
typedef int32_t spot_sum;
#else
typedef int64_t spot_sum;
#endif

struct axis {
    int32_t weight[WINDOW_WIDTH > WINDOW_HEIGHT ? WINDOW_WIDTH : WINDOW_HEIGHT];
    int32_t lever[WINDOW_WIDTH > WINDOW_HEIGHT ? WINDOW_WIDTH : WINDOW_HEIGHT];
};

/* Weights along an axis about an entry of the table, and weights times distances. */
static void weigh(struct axis *axis, int32_t side, int32_t entry)
{
    int32_t i;
    for (i = 0; i < side; i++) {
        const int32_t distance = (2 * i - side + 1) * (1 << (TABLE_FRACTION - 1)) - entry;
        const int32_t size = distance < 0 ? -distance : distance;
        const int32_t weight = size < WEIGHTS ? weights[size] : 0;
        axis->weight[i] = weight;
        axis->lever[i] = weight * distance;
    }
}

static int64_t stepped(spot_sum moment, spot_sum under)
{
    const int64_t q =
        whole_clip(divide(moment, under, FINER), -SPOT_LARGEST_STEP, SPOT_LARGEST_STEP);
    return whole_clip(
        whole_shift(q * WEIGHT_STRIDE, STRIDE_FRACTION, ROUNDING_UP), -SPOT_LARGEST_STEP,
        SPOT_LARGEST_STEP);
}

int spot_move(const struct kept *kept, int64_t position[2])
{
    static const int32_t sides[2] = { WINDOW_WIDTH, WINDOW_HEIGHT };
    struct axis along[2];
    spot_sum under = 0, moments[2] = { 0, 0 };
    int64_t entry[2];
    int32_t i, j;
    int part;
    for (part = 0; part < 2; part++) {
        entry[part] = whole_shift(position[part], FINER, ROUNDING_UP);
        weigh(&along[part], sides[part], (int32_t)entry[part]);
    }
    for (j = 0; j < WINDOW_HEIGHT; j++) {
        spot_sum plain = 0, lever = 0;
        for (i = 0; i < WINDOW_WIDTH; i++) {
            const spot_sum light = light_of(kept->pixels[j][i]);
            plain += light * along[0].weight[i];
            lever += light * along[0].lever[i];
        }
        plain = (spot_sum)whole_shift(plain, WEIGHT_BITS, ROUNDING_UP);
        lever = (spot_sum)whole_shift(lever, WEIGHT_BITS, ROUNDING_UP);
        under += along[1].weight[j] * plain;
        moments[0] += along[1].weight[j] * lever;
        moments[1] += along[1].lever[j] * plain;
    }
    for (part = 0; part < 2; part++) {
        const int64_t outermost = (int64_t)(sides[part] - 1) * (1 << (SPOT_FRACTION - 1));
        position[part] = whole_clip(
            entry[part] * (1 << FINER) + stepped(moments[part], under > 0 ? under : 1), -outermost,
            outermost);
    }
    return under > 0 ? 0 : -1;
}
