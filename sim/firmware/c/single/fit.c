#include <math.h>

#include "iterated.h"

#define TERMS 4 /* along x, along y, light, background */
#define ROOT_HALF 0.70710678f
#define ROOT_HALF_PI 0.39894228f /* one over the root of 2 pi */

/* Share of the light in each pixel along an axis, and its change by the centre. */
static void model_along(float centre, int32_t side, float *profile, float *slope)
{
    int32_t i;
    for (i = 0; i < side; i++) {
        const float left = ((float)i - 0.5f - centre) / SPOT_SIGMA, right = left + 1.0f / SPOT_SIGMA;
        profile[i] = 0.5f * (erff(ROOT_HALF * right) - erff(ROOT_HALF * left));
        slope[i] = ROOT_HALF_PI * (expf(-0.5f * left * left) - expf(-0.5f * right * right))
            / SPOT_SIGMA;
    }
}

/* Solve by elimination, the matrix being positive; not 0 if it is not. */
static int solve(float matrix[TERMS][TERMS], float right[TERMS])
{
    int i, j, k;
    for (i = 0; i < TERMS; i++) {
        if (!(matrix[i][i] > 0.0f)) {
            return -1;
        }
        for (j = i + 1; j < TERMS; j++) {
            const float share = matrix[j][i] / matrix[i][i];
            for (k = i; k < TERMS; k++) {
                matrix[j][k] -= share * matrix[i][k];
            }
            right[j] -= share * right[i];
        }
    }
    for (i = TERMS - 1; i >= 0; i--) {
        for (k = i + 1; k < TERMS; k++) {
            right[i] -= matrix[i][k] * right[k];
        }
        right[i] /= matrix[i][i];
    }
    return 0;
}

/* A step of the fit of position, light and background; all light is in digital numbers. */
int spot_move(const struct spot *spot, struct model *model, float moved[2])
{
    float px[WINDOW_WIDTH], sx[WINDOW_WIDTH], py[WINDOW_HEIGHT], sy[WINDOW_HEIGHT];
    float matrix[TERMS][TERMS] = { { 0.0f } }, right[TERMS] = { 0.0f };
    int32_t i, j;
    int a, b;
    model_along(model->position[0], WINDOW_WIDTH, px, sx);
    model_along(model->position[1], WINDOW_HEIGHT, py, sy);
    for (j = 0; j < WINDOW_HEIGHT; j++) {
        for (i = 0; i < WINDOW_WIDTH; i++) {
            const float term[TERMS] = { sx[i] * py[j], px[i] * sy[j], px[i] * py[j], 1.0f };
            const float expected = model->light * term[2] + model->background;
            const float left = (float)spot->pixels[j][i] - LIGHT_LEVEL - expected;
#if FIT_WEIGHS
            /* In proportion to the variance: shot noise of what is expected, and read noise. */
            const float variance = expected + FIT_VARIANCE;
            const float weight = 1.0f / (variance > FIT_LEAST ? variance : FIT_LEAST);
#else
            const float weight = 1.0f;
#endif
            for (a = 0; a < TERMS; a++) {
                for (b = a; b < TERMS; b++) {
                    matrix[a][b] += weight * term[a] * term[b];
                }
                right[a] += weight * term[a] * left;
            }
        }
    }
    for (a = 1; a < TERMS; a++) {
        for (b = 0; b < a; b++) {
            matrix[a][b] = matrix[b][a];
        }
    }
    if (solve(matrix, right) != 0 || !(fabsf(model->light) > 0.0f)) {
        return -1;
    }
    moved[0] = right[0] / model->light; /* positions went into the equations times the light */
    moved[1] = right[1] / model->light;
    model->light += right[2];
    model->background += right[3];
    return 0;
}
