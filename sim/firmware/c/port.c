/* The firmware as a library, for the simulated loop: the same sources, many mirrors in one call. */
#include <stddef.h>

#include "drive.h"
#include "servo.h"
#if WITH_PIXELS
#include "pixels.h"
#endif
#if WITH_LENS
#include "lens.h"
#endif
#if WITH_GUARD
#include "guard.h"
#endif

size_t port_state_bytes(void)
{
    return sizeof(struct law_state);
}

void port_start(int count, struct law_state *states, const int32_t (*standing)[2])
{
    int i;
    for (i = 0; i < count; i++) {
        law_start(&states[i], i, standing[i]);
    }
}

void port_step(
    int count, struct law_state *states, const int32_t (*position)[2], const uint8_t *seen,
    const int32_t (*reference)[2], const int32_t (*lowest)[2], const int32_t (*highest)[2],
    int32_t (*correction)[2])
{
    int i, part;
    for (i = 0; i < count; i++) {
        struct law_input input;
        for (part = 0; part < 2; part++) {
            input.position[part] = position[i][part];
            input.reference[part] = reference[i][part];
            input.lowest[part] = lowest[i][part];
            input.highest[part] = highest[i][part];
        }
        input.seen = seen[i] != 0;
        law_step(&states[i], i, &input);
        for (part = 0; part < 2; part++) {
            correction[i][part] = states[i].axis[part].correction;
        }
    }
}

void port_read(
    int count, const uint16_t *pixels, int32_t (*position)[2], int64_t *light, uint8_t *status)
{
    struct spot spot;
    struct spot_reading reading;
    int i, row;
    for (i = 0; i < count; i++) {
        spot_begin(&spot);
        for (row = 0; row < WINDOW_HEIGHT; row++, pixels += WINDOW_WIDTH) {
            spot_row(&spot, pixels);
        }
        spot_end(&spot, &reading);
        position[i][0] = reading.position[0];
        position[i][1] = reading.position[1];
        light[i] = reading.light;
        status[i] = (uint8_t)reading.status;
    }
}

#if WITH_PIXELS
void port_pixels(
    int count, const uint16_t *raw, const int32_t (*origin)[2], const struct pixel_words *words,
    uint16_t *corrected)
{
    struct pixels pixels;
    int i, row;
    for (i = 0; i < count; i++) {
        pixels_begin(&pixels, i, origin[i]);
        for (row = 0; row < WINDOW_HEIGHT; row++, raw += WINDOW_WIDTH) {
            corrected += pixels_row(&pixels, raw, words, corrected) ? WINDOW_WIDTH : 0;
            words += PIXEL_MAPS ? WINDOW_WIDTH : 0;
        }
        corrected += pixels_end(&pixels, corrected) ? WINDOW_WIDTH : 0;
    }
}
#endif

#if WITH_LENS
void port_straighten(int count, int32_t (*position)[2], uint8_t *there)
{
    int i;
    for (i = 0; i < count; i++) {
        there[i] = lens_straighten(i, position[i]) != 0;
    }
}
#endif

#if WITH_GUARD
void port_doubt(
    int count, const int32_t (*origin)[2], const int32_t (*position)[2], const int64_t *light,
    const int32_t (*expected)[2], uint8_t *doubted)
{
    int i;
    for (i = 0; i < count; i++) {
        doubted[i] = guard_doubts(i, origin[i], position[i], light[i], expected) != 0;
    }
}
#endif

/* Codes for each of some ticks; with one row of paths, it holds for all of them. */
void port_drive(
    int ticks, int rows, int count, const int32_t *path, const int32_t *correction, int32_t *codes)
{
    int tick, i, part;
    for (tick = 0; tick < ticks; tick++) {
        const int32_t *own = path + (rows > 1 ? (size_t)tick * 2 * (size_t)count : 0);
        int32_t *out = codes + (size_t)tick * 2 * (size_t)count;
        for (i = 0; i < count; i++) {
            int32_t paths[2], corrections[2], found[2];
            for (part = 0; part < 2; part++) {
                paths[part] = own[part * count + i];
                corrections[part] = correction[part * count + i];
            }
            drive_codes(i, paths, corrections, found);
            for (part = 0; part < 2; part++) {
                out[part * count + i] = found[part];
            }
        }
    }
}

/* A state word by word, as the vectors have it. */
void port_look(
    int count, const struct law_state *states, int32_t *words, int64_t *memory, uint8_t *known,
    uint32_t *cuts)
{
    int i, part, k;
    for (i = 0; i < count; i++) {
        for (part = 0; part < 2; part++) {
            const struct law_axis *axis = &states[i].axis[part];
            for (k = 0; k < LAW_STATES; k++) {
                *words++ = axis->states[k];
            }
            for (k = 0; k < LAW_SECTIONS; k++) {
                *memory++ = axis->memory[k][0];
                *memory++ = axis->memory[k][1];
            }
            *known++ = axis->known != 0;
            *cuts++ = axis->cuts;
        }
    }
}
