/* Replays golden vectors through the firmware and counts the values that differ.
 *
 *   replay [FOLDER]    the folder of the vectors; the present one if left out
 *
 * Ends with 0 if every value is the same, with 1 if one differs, with 2 if there is nothing to
 * compare with.
 */
#include "replay.h"

#include <stdio.h>
#include <string.h>

#include "divide.h"
#include "drive.h"
#include "marks.h"
#include "servo.h"
#include "vectors.h"
#if WITH_PIXELS
#include "pixels.h"
#endif
#if WITH_GUARD
#include "guard.h"
#endif

#define MOST(a, b) ((a) > (b) ? (a) : (b))

static struct law_state states[MIRRORS];

static void compare_state(const struct law_state *state)
{
    int part, i, k = 0;
    read_from("states", 2 * LAW_STATES);
    for (part = 0; part < 2; part++) {
        for (i = 0; i < LAW_STATES; i++) {
            compare("states", k++, state->axis[part].states[i]);
        }
    }
    read_from("memory", 4 * LAW_SECTIONS);
    for (k = 0, part = 0; part < 2; part++) {
        for (i = 0; i < 2 * LAW_SECTIONS; i++) {
            compare("memory", k++, state->axis[part].memory[i / 2][i % 2]);
        }
    }
    read_from("known", 2);
    compare("known", 0, state->axis[0].known);
    compare("known", 1, state->axis[1].known);
    read_from("cuts", 2);
    compare("cuts", 0, state->axis[0].cuts);
    compare("cuts", 1, state->axis[1].cuts);
}

/* A window as the estimator gets it, row by row as it arrives; it may end early. */
static void read_spot(struct spot *spot, int rows)
{
    static uint16_t pixels[WINDOW_HEIGHT][WINDOW_WIDTH];
#if WITH_PIXELS
    /* A correction runs along, and what it gives is not used: a whole window is to be counted. */
    static struct pixels along;
    static const int32_t home[2];
    uint16_t unused[WINDOW_WIDTH];
#endif
    int row;
    read_window("pixels", pixels);
    mark_pixels();
#if WITH_PIXELS
    pixels_begin(&along, 0, home);
#endif
    spot_begin(spot);
    for (row = 0; row < rows; row++) {
#if WITH_PIXELS
        pixels_row(&along, pixels[row], words[row], unused);
#endif
        spot_row(spot, pixels[row]);
    }
#if WITH_PIXELS
    pixels_end(&along, unused);
#endif
}

#if WITH_PIXELS
/* A window whose pixels are corrected first, row by row as it arrives. */
static void read_corrected(struct spot *spot, int mirror, const int32_t origin[2])
{
    static struct pixels pixels;
    uint16_t corrected[WINDOW_WIDTH];
    int row;
    read_window("pixels", raw);
    read_words();
    mark_pixels();
    pixels_begin(&pixels, mirror, origin);
    spot_begin(spot);
    for (row = 0; row < WINDOW_HEIGHT; row++) {
        if (pixels_row(&pixels, raw[row], words[row], corrected)) {
            spot_row(spot, corrected);
        }
    }
    if (pixels_end(&pixels, corrected)) {
        spot_row(spot, corrected);
    }
}
#endif

static void compare_spot(const struct spot_reading *reading)
{
    compare_pair("spot", reading->position);
    compare_one("light", reading->light);
    compare_one("status", reading->status);
}

/* Frames of the simulated loop, from the pixels on; states are the firmware's own throughout. */
static void replay_loop(const char *folder)
{
    const size_t rows = group_begin(folder, "loop");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct spot spot;
        struct spot_reading reading;
        struct servo_frame frame;
        int32_t standing[2], correction[2], codes[2];
        const int mirror = read_mirror();
        const int reset = (int)one("reset");
        pair("standing", standing);
        pair("origin", frame.origin);
        pair("reference", frame.reference);
        pair("lowest", frame.lowest);
        pair("highest", frame.highest);
        if (broken) {
            break;
        }
        if (reset) {
            law_start(&states[mirror], mirror, standing);
        }
#if WITH_GUARD
        read_near(mirror);
#endif
#if WITH_PIXELS
        read_corrected(&spot, mirror, frame.origin);
#else
        read_spot(&spot, WINDOW_HEIGHT);
#endif
        mark_reading();
        spot_end(&spot, &reading);
#if WITH_GUARD
        guard_judge(&reading, mirror, frame.origin, (const int32_t (*)[2])expected);
#endif
        mark_law();
        servo_step(&states[mirror], mirror, &reading, &frame, correction);
        mark_drive();
        drive_codes(mirror, frame.reference, correction, codes);
        mark_end();
        compare_spot(&reading);
        compare_state(&states[mirror]);
        compare_pair("correction", correction);
    }
    group_end(rows);
}

/* Windows by themselves. */
static void replay_spots(const char *folder)
{
    static const struct servo_frame frame;
    const size_t rows = group_begin(folder, "spots");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct spot spot;
        static struct law_state unused;
        struct spot_reading reading;
        int32_t correction[2], codes[2];
        const int arrived = (int)one("rows");
        if (broken || arrived > WINDOW_HEIGHT) {
            broken = 1;
            break;
        }
        read_spot(&spot, arrived);
        mark_reading();
        spot_end(&spot, &reading);
        mark_law();
        servo_step(&unused, 0, &reading, &frame, correction);
        mark_drive();
        drive_codes(0, frame.reference, correction, codes);
        mark_end();
        compare_spot(&reading);
    }
    group_end(rows);
}

/* Quotients of the estimator by themselves. */
static void replay_quotients(const char *folder)
{
    const size_t rows = group_begin(folder, "quotients");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        const int64_t numerator = one("numerator");
        const int64_t denominator = one("denominator");
        const int shift = (int)one("shift");
        if (broken || denominator < 1) {
            broken = 1;
            break;
        }
        compare_one("quotient", divide(numerator, denominator, shift));
    }
    group_end(rows);
}

/* Steps of the law by themselves, each from a state that is given. */
static void replay_law(const char *folder)
{
    const size_t rows = group_begin(folder, "law");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        struct law_state state;
        struct law_input input;
        int32_t standing[2], correction[2];
        const int64_t *read;
        const int mirror = read_mirror();
        const int reset = (int)one("reset");
        int part, i;
        if (broken) {
            break;
        }
        memset(&state, 0, sizeof state);
        read = read_from("before_states", 2 * LAW_STATES);
        for (i = 0; i < 2 * LAW_STATES; i++) {
            state.axis[i / MOST(LAW_STATES, 1)].states[i % MOST(LAW_STATES, 1)] = (int32_t)read[i];
        }
        read = read_from("before_memory", 4 * LAW_SECTIONS);
        for (i = 0; i < 4 * LAW_SECTIONS; i++) {
            state.axis[i / (2 * LAW_SECTIONS_KEPT)].memory[i / 2 % LAW_SECTIONS_KEPT][i % 2] = read[i];
        }
        read = read_from("before_known", 2);
        state.axis[0].known = (int32_t)read[0];
        state.axis[1].known = (int32_t)read[1];
        read = read_from("before_correction", 2);
        state.axis[0].correction = (int32_t)read[0];
        state.axis[1].correction = (int32_t)read[1];
        pair("standing", standing);
        pair("position", input.position);
        pair("reference", input.reference);
        pair("lowest", input.lowest);
        pair("highest", input.highest);
        input.seen = (int32_t)one("seen");
        if (reset) {
            law_start(&state, mirror, standing);
        }
        law_step(&state, mirror, &input);
        for (part = 0; part < 2; part++) {
            correction[part] = state.axis[part].correction;
        }
        compare_state(&state);
        compare_pair("correction", correction);
    }
    group_end(rows);
}

/* Codes of the DAC. */
static void replay_drive(const char *folder)
{
    const size_t rows = group_begin(folder, "drive");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t path[2], correction[2], codes[2];
        const int mirror = read_mirror();
        pair("path", path);
        pair("in_force", correction);
        if (broken) {
            break;
        }
        drive_codes(mirror, path, correction, codes);
        compare_pair("codes", codes);
    }
    group_end(rows);
}

int main(int argc, char **argv)
{
    const char *folder = argc > 1 ? argv[1] : ".";
    /* What a mark itself takes. */
    mark_pixels();
    mark_reading();
    mark_law();
    mark_drive();
    mark_end();
    if (vectors_fit(folder, SETTINGS_SUM) != 0) {
        return 2;
    }
    replay_loop(folder);
    replay_spots(folder);
    replay_quotients(folder);
    replay_law(folder);
    replay_drive(folder);
#if WITH_PIXELS
    replay_pixels(folder);
#endif
#if WITH_LENS
    replay_lens(folder);
#endif
#if WITH_GUARD
    replay_guard(folder);
#endif
    if (broken) {
        fprintf(stderr, "%s: the vectors are not whole\n", folder);
        return 2;
    }
    printf("%lu values differ\n", (unsigned long)differing);
    return differing > 0;
}
