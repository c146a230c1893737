#include "divide.h"
#include "model.h"
#include "spot.h"

#define FINER (SPOT_FRACTION - TABLE_FRACTION)
#define BACKGROUND_FRACTION 4
#define PIXELS ((int64_t)WINDOW_WIDTH * WINDOW_HEIGHT)

#if SPOT_SUM_BITS <= 32
typedef int32_t spot_sum;
#else
typedef int64_t spot_sum;
#endif

/* The functions of the model along an axis, about a centre, and their sums. */
struct axis {
    int64_t p1, p2, s1, s2, sp;
    int32_t profile[WINDOW_WIDTH > WINDOW_HEIGHT ? WINDOW_WIDTH : WINDOW_HEIGHT];
    int32_t slope[WINDOW_WIDTH > WINDOW_HEIGHT ? WINDOW_WIDTH : WINDOW_HEIGHT];
};

static int64_t down(int64_t value, int bits)
{
    return whole_shift(value, bits, ROUNDING_UP);
}

static void model(struct axis *axis, int32_t side, int32_t entry)
{
    int64_t p2 = 0, s2 = 0, sp = 0;
    int32_t i;
    axis->p1 = axis->s1 = 0;
    for (i = 0; i < side; i++) {
        const int32_t distance = (2 * i - side + 1) * (1 << (TABLE_FRACTION - 1)) - entry;
        const int32_t size = distance < 0 ? -distance : distance;
        const int32_t g = size < MODEL_PROFILE ? model_profile[size] : 0;
        const int32_t h = size < MODEL_SLOPE ? model_slope[size] : 0;
        axis->profile[i] = g;
        axis->slope[i] = distance < 0 ? -h : h;
        axis->p1 += g;
        axis->s1 += axis->slope[i];
        p2 += (int64_t)g * g;
        s2 += (int64_t)h * h;
        sp += (int64_t)g * axis->slope[i];
    }
    axis->p2 = down(p2, MODEL_FRACTION);
    axis->s2 = down(s2, MODEL_FRACTION);
    axis->sp = down(sp, MODEL_FRACTION);
}

int spot_move(const struct kept *kept, int64_t position[2])
{
    static const int32_t sides[2] = { WINDOW_WIDTH, WINDOW_HEIGHT };
    struct axis along[2];
    spot_sum with_profile = 0, with_slope[2] = { 0, 0 };
    int64_t entry[2], g1, g2, size, fitted, rest;
    int32_t i, j;
    int part, failed = 0;
    for (part = 0; part < 2; part++) {
        entry[part] = whole_shift(position[part], FINER, ROUNDING_UP);
        model(&along[part], sides[part], (int32_t)entry[part]);
    }
    for (j = 0; j < WINDOW_HEIGHT; j++) {
        spot_sum by_profile = 0, by_slope = 0;
        for (i = 0; i < WINDOW_WIDTH; i++) {
            const spot_sum light = light_of(kept->pixels[j][i]);
            by_profile += light * along[0].profile[i];
            by_slope += light * along[0].slope[i];
        }
        by_profile = (spot_sum)down(by_profile, MODEL_FRACTION);
        by_slope = (spot_sum)down(by_slope, MODEL_FRACTION);
        with_profile += along[1].profile[j] * by_profile;
        with_slope[0] += along[1].profile[j] * by_slope;
        with_slope[1] += along[1].slope[j] * by_profile;
    }
    g1 = down(along[0].p1 * along[1].p1, MODEL_FRACTION);
    g2 = down(along[0].p2 * along[1].p2, MODEL_FRACTION);
    size = g2 * PIXELS - down(g1 * g1, MODEL_FRACTION);
    failed |= size < 1;
    fitted = divide(
        with_profile * PIXELS - g1 * (int64_t)kept->light, size < 1 ? 1 : size, 0);
    failed |= fitted < 1;
    fitted = whole_clip(fitted, 1, MODEL_MOST_LIGHT);
    rest = divide(kept->light - down(fitted * g1, MODEL_FRACTION), PIXELS, BACKGROUND_FRACTION);
    for (part = 0; part < 2; part++) {
        const struct axis *own = &along[part], *other = &along[1 - part];
        const int64_t outermost = (int64_t)(sides[part] - 1) * (1 << (SPOT_FRACTION - 1));
        const int64_t left = with_slope[part] - down(fitted * own->sp, MODEL_FRACTION) * other->p2
            - down(rest * own->s1, MODEL_FRACTION + BACKGROUND_FRACTION) * other->p1;
        const int64_t curve = down(fitted * own->s2, MODEL_FRACTION) * other->p2;
        const int64_t step = whole_clip(
            divide(left, curve < 1 ? 1 : curve, SPOT_FRACTION), -SPOT_LARGEST_STEP,
            SPOT_LARGEST_STEP);
        failed |= curve < 1;
        position[part] = whole_clip(entry[part] * (1 << FINER) + step, -outermost, outermost);
    }
    return failed ? -1 : 0;
}
