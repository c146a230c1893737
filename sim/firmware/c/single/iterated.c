#include <math.h>

#include "iterated.h"

/* Step from the brightest place until a step is small; a spot that still moves is given up. */
void spot_end(struct spot *spot, struct spot_reading *reading)
{
    struct model model = { { 0.0f, 0.0f }, 0.0f, 0.0f };
    int failed = spot->rows != WINDOW_HEIGHT;
    if (!failed) {
        int32_t at[2] = { 0, 0 }, step, settled = 0;
        kept_brightest(spot, kept_matched, at);
        model.position[0] = (float)at[0];
        model.position[1] = (float)at[1];
        model.light = spot->light;
        for (step = 0; step < SPOT_ITERATIONS && !settled && !failed; step++) {
            float moved[2] = { 0.0f, 0.0f };
            int32_t part;
            failed = spot_move(spot, &model, moved) != 0;
            settled = 1;
            for (part = 0; part < 2; part++) {
                const float most = SPOT_LARGEST_STEP;
                const float own = moved[part] < -most ? -most : moved[part] > most ? most : moved[part];
                model.position[part] += own;
                settled &= fabsf(own) < SPOT_TOLERANCE;
            }
        }
        failed |= !settled || !(model.light > 0.0f);
    }
    spot_judge(
        reading, model.position[0] - 0.5f * (WINDOW_WIDTH - 1),
        model.position[1] - 0.5f * (WINDOW_HEIGHT - 1), spot->light, failed, 0);
}
