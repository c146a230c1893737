#include <math.h>

#include "iterated.h"

/* Centre of gravity under a Gaussian weight about the position, and so much further. */
int spot_move(const struct spot *spot, struct model *model, float moved[2])
{
    float weight[WINDOW_WIDTH], total = 0.0f, by_x = 0.0f, by_y = 0.0f;
    int32_t i, j;
    for (i = 0; i < WINDOW_WIDTH; i++) {
        const float d = ((float)i - model->position[0]) / WEIGHT_SIGMA;
        weight[i] = expf(-0.5f * d * d);
    }
    for (j = 0; j < WINDOW_HEIGHT; j++) {
        const float dy = (float)j - model->position[1];
        const float across = expf(-0.5f * (dy / WEIGHT_SIGMA) * (dy / WEIGHT_SIGMA));
        float sum = 0.0f, moment = 0.0f;
        for (i = 0; i < WINDOW_WIDTH; i++) {
            const float light = ((float)spot->pixels[j][i] - LIGHT_LEVEL) * weight[i];
            sum += light;
            moment += light * ((float)i - model->position[0]);
        }
        total += across * sum;
        by_x += across * moment;
        by_y += across * dy * sum;
    }
    if (!(total > 0.0f)) {
        return -1;
    }
    moved[0] = WEIGHT_STRIDE * by_x / total;
    moved[1] = WEIGHT_STRIDE * by_y / total;
    return 0;
}
