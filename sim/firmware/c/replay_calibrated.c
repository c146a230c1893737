/* What a calibration adds to the firmware, replayed by itself. */
#include "replay.h"

#include <string.h>

#if WITH_LENS
#include "lens.h"
#endif
#if WITH_GUARD
#include "guard.h"
#endif

#if WITH_PIXELS
uint16_t raw[WINDOW_HEIGHT][WINDOW_WIDTH];
struct pixel_words words[WINDOW_HEIGHT][WINDOW_WIDTH];

void read_words(void)
{
#if PIXEL_MAPS
    static uint16_t levels[WINDOW_HEIGHT][WINDOW_WIDTH], gains[WINDOW_HEIGHT][WINDOW_WIDTH];
    int row, i;
    read_window("level", levels);
    read_window("gain", gains);
    for (row = 0; row < WINDOW_HEIGHT; row++) {
        for (i = 0; i < WINDOW_WIDTH; i++) {
            words[row][i].level = levels[row][i];
            words[row][i].gain = gains[row][i];
        }
    }
#endif
}

/* Windows that are corrected by themselves. */
void replay_pixels(const char *folder)
{
    const size_t rows = group_begin(folder, "pixels");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct pixels pixels;
        static uint16_t corrected[WINDOW_HEIGHT][WINDOW_WIDTH];
        uint16_t out[WINDOW_WIDTH];
        int32_t origin[2];
        const int mirror = read_mirror();
        const int arrived = (int)one("rows");
        int i, j, given = 0;
        pair("origin", origin);
        if (broken || arrived > WINDOW_HEIGHT) {
            broken = 1;
            break;
        }
        read_window("raw", raw);
        read_words();
        memset(corrected, 0, sizeof corrected);
        pixels_begin(&pixels, mirror, origin);
        for (i = 0; i < arrived; i++) {
            if (pixels_row(&pixels, raw[i], words[i], out)) {
                memcpy(corrected[given++], out, sizeof out);
            }
        }
        if (pixels_end(&pixels, out)) {
            memcpy(corrected[given++], out, sizeof out);
        }
        for (j = 0; j < WINDOW_HEIGHT; j++) {
            read_from("corrected", WINDOW_WIDTH);
            for (i = 0; i < WINDOW_WIDTH; i++) {
                compare("corrected", i, corrected[j][i]);
            }
        }
    }
    group_end(rows);
}
#endif

#if WITH_LENS
/* Places that are straightened by themselves. */
void replay_lens(const char *folder)
{
    const size_t rows = group_begin(folder, "lens");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t place[2];
        const int mirror = read_mirror();
        int there;
        pair("place", place);
        if (broken) {
            break;
        }
        there = lens_straighten(mirror, place);
        compare_pair("straight", place);
        compare_one("there", there);
    }
    group_end(rows);
}
#endif

#if WITH_GUARD
#define NEAR (GUARD_NEIGHBOURS + 1) /* its own spot and those of its neighbours */

int32_t expected[MIRRORS][2];

void read_near(int mirror)
{
    const int64_t *read = read_from("near", 2 * NEAR);
    int k, part;
    for (k = 0; k < NEAR; k++) {
        const int whose = k == 0 ? mirror : guard_neighbour(mirror, k - 1);
        for (part = 0; whose >= 0 && part < 2; part++) {
            expected[whose][part] = (int32_t)read[2 * k + part];
        }
    }
}

/* Readings that are judged by themselves. */
void replay_guard(const char *folder)
{
    const size_t rows = group_begin(folder, "guard");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t origin[2], place[2];
        int64_t light;
        const int mirror = read_mirror();
        if (broken) {
            break;
        }
        pair("origin", origin);
        read_near(mirror);
        pair("place", place);
        light = one("light");
        compare_one("doubted",
            guard_doubts(mirror, origin, place, light, (const int32_t (*)[2])expected));
    }
    group_end(rows);
}
#endif
