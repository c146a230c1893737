/* Replays golden vectors through the firmware and counts the values that differ.
 *
 *   replay [FOLDER]    the folder of the vectors; the present one if left out
 *
 * Ends with 0 if every value is the same, with 1 if one differs, with 2 if there is nothing to
 * compare with.
 */
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
#if WITH_LENS
#include "lens.h"
#endif
#if WITH_GUARD
#include "guard.h"
#endif

#define MOST_COLUMNS 32
#define LONGEST_NAME 64
#define MOST(a, b) ((a) > (b) ? (a) : (b))
#define NEAR 9 /* its own spot and those of its neighbours */
#define LONGEST_ROW \
    MOST(MOST(WINDOW_WIDTH, 2 * NEAR), MOST(2 * LAW_STATES_KEPT, 4 * LAW_SECTIONS_KEPT))

struct column {
    struct vectors_column vectors;
    char name[LONGEST_NAME];
    size_t values, differing;
};

struct group {
    const char *folder, *name;
    struct column columns[MOST_COLUMNS];
    int count;
};

static int64_t values[LONGEST_ROW];
static struct group group;
static struct law_state states[MIRRORS];
static int broken;
static size_t differing;

static struct column *column_of(const char *name)
{
    struct column *column;
    int i;
    for (i = 0; i < group.count; i++) {
        if (strcmp(group.columns[i].name, name) == 0) {
            return &group.columns[i];
        }
    }
    if (group.count == MOST_COLUMNS) {
        broken = 1;
        return &group.columns[0];
    }
    column = &group.columns[group.count++];
    memset(column, 0, sizeof *column);
    snprintf(column->name, sizeof column->name, "%s", name);
    {
        char full[2 * LONGEST_NAME];
        snprintf(full, sizeof full, "%s/%s", group.name, name);
        broken |= vectors_open(&column->vectors, group.folder, full) != 0;
    }
    return column;
}

static const int64_t *read_from(const char *name, size_t count)
{
    struct column *column = column_of(name);
    if (broken || vectors_read(&column->vectors, values, count) != 0) {
        broken = 1;
        memset(values, 0, sizeof values);
    }
    return values;
}

static void pair(const char *name, int32_t found[2])
{
    const int64_t *read = read_from(name, 2);
    found[0] = (int32_t)read[0];
    found[1] = (int32_t)read[1];
}

static int64_t one(const char *name)
{
    return read_from(name, 1)[0];
}

/* Compare with the next value of an array, which has just been read into place k. */
static void compare(const char *name, int k, int64_t ours)
{
    struct column *column = column_of(name);
    column->values++;
    if (values[k] != ours) {
        if (column->differing++ == 0) {
            printf("%s/%s: value %lu is %lld in the vectors, %lld here\n", group.name, name,
                (unsigned long)(column->values - 1), (long long)values[k], (long long)ours);
        }
    }
}

static void compare_pair(const char *name, const int32_t ours[2])
{
    read_from(name, 2);
    compare(name, 0, ours[0]);
    compare(name, 1, ours[1]);
}

static void compare_one(const char *name, int64_t ours)
{
    read_from(name, 1);
    compare(name, 0, ours);
}

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

static void read_window(const char *name, uint16_t window[WINDOW_HEIGHT][WINDOW_WIDTH])
{
    int row, i;
    for (row = 0; row < WINDOW_HEIGHT; row++) {
        const int64_t *read = read_from(name, WINDOW_WIDTH);
        for (i = 0; i < WINDOW_WIDTH; i++) {
            window[row][i] = (uint16_t)read[i];
        }
    }
}

#if WITH_PIXELS
static uint16_t raw[WINDOW_HEIGHT][WINDOW_WIDTH];
static struct pixel_words words[WINDOW_HEIGHT][WINDOW_WIDTH];

/* What the maps say of the pixels of a window. */
static void read_words(void)
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
#endif

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

#if WITH_GUARD
static int32_t expected[MIRRORS][2];

/* Where the spot of a mirror and those of its neighbours are expected. */
static void read_near(int mirror)
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
#endif

static void compare_spot(const struct spot_reading *reading)
{
    compare_pair("spot", reading->position);
    compare_one("light", reading->light);
    compare_one("status", reading->status);
}

static size_t begin(const char *folder, const char *name)
{
    char full[LONGEST_NAME];
    struct vectors_column column;
    size_t rows = 0;
    group.folder = folder;
    group.name = name;
    group.count = 0;
    snprintf(full, sizeof full, "%s/%s", name,
        strcmp(name, "spots") == 0          ? "status"
            : strcmp(name, "quotients") == 0 ? "shift"
                                             : "mirror");
    if (vectors_open(&column, folder, full) == 0) {
        rows = column.rows;
        vectors_close(&column);
    } else {
        broken = 1;
    }
    return rows;
}

static void end(size_t rows)
{
    size_t compared = 0, wrong = 0;
    int i;
    for (i = 0; i < group.count; i++) {
        vectors_close(&group.columns[i].vectors);
        compared += group.columns[i].values;
        wrong += group.columns[i].differing;
    }
    differing += wrong;
    printf("%-9s %8lu rows %9lu values compared %6lu differ\n", group.name, (unsigned long)rows,
        (unsigned long)compared, (unsigned long)wrong);
}

/* Frames of the simulated loop, from the pixels on; states are the firmware's own throughout. */
static void replay_loop(const char *folder)
{
    const size_t rows = begin(folder, "loop");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct spot spot;
        struct spot_reading reading;
        struct servo_frame frame;
        int32_t standing[2], correction[2], codes[2];
        const int mirror = (int)one("mirror");
        const int reset = (int)one("reset");
        pair("standing", standing);
        pair("origin", frame.origin);
        pair("reference", frame.reference);
        pair("lowest", frame.lowest);
        pair("highest", frame.highest);
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
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
    end(rows);
}

/* Windows by themselves. */
static void replay_spots(const char *folder)
{
    static const struct servo_frame frame;
    const size_t rows = begin(folder, "spots");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct spot spot;
        static struct law_state unused;
        struct spot_reading reading;
        int32_t correction[2], codes[2];
        const int arrived = (int)one("rows");
        if (arrived > WINDOW_HEIGHT) {
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
    end(rows);
}

/* Quotients of the estimator by themselves. */
static void replay_quotients(const char *folder)
{
    const size_t rows = begin(folder, "quotients");
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
    end(rows);
}

/* Steps of the law by themselves, each from a state that is given. */
static void replay_law(const char *folder)
{
    const size_t rows = begin(folder, "law");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        struct law_state state;
        struct law_input input;
        int32_t standing[2], correction[2];
        const int64_t *read;
        const int mirror = (int)one("mirror");
        const int reset = (int)one("reset");
        int part, i;
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
    end(rows);
}

#if WITH_PIXELS
/* Windows that are corrected by themselves. */
static void replay_pixels(const char *folder)
{
    const size_t rows = begin(folder, "pixels");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        static struct pixels pixels;
        static uint16_t corrected[WINDOW_HEIGHT][WINDOW_WIDTH];
        uint16_t out[WINDOW_WIDTH];
        int32_t origin[2];
        const int mirror = (int)one("mirror");
        const int arrived = (int)one("rows");
        int i, j, given = 0;
        pair("origin", origin);
        if (mirror < 0 || mirror >= MIRRORS || arrived > WINDOW_HEIGHT) {
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
    end(rows);
}
#endif

#if WITH_LENS
/* Places that are straightened by themselves. */
static void replay_lens(const char *folder)
{
    const size_t rows = begin(folder, "lens");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t place[2];
        const int mirror = (int)one("mirror");
        int there;
        pair("place", place);
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
            break;
        }
        there = lens_straighten(mirror, place);
        compare_pair("straight", place);
        compare_one("there", there);
    }
    end(rows);
}
#endif

#if WITH_GUARD
/* Readings that are judged by themselves. */
static void replay_guard(const char *folder)
{
    const size_t rows = begin(folder, "guard");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t origin[2], place[2];
        int64_t light;
        const int mirror = (int)one("mirror");
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
            break;
        }
        pair("origin", origin);
        read_near(mirror);
        pair("place", place);
        light = one("light");
        compare_one("doubted",
            guard_doubts(mirror, origin, place, light, (const int32_t (*)[2])expected));
    }
    end(rows);
}
#endif

/* Codes of the DAC. */
static void replay_drive(const char *folder)
{
    const size_t rows = begin(folder, "drive");
    size_t row;
    for (row = 0; row < rows && !broken; row++) {
        int32_t path[2], correction[2], codes[2];
        const int mirror = (int)one("mirror");
        pair("path", path);
        pair("in_force", correction);
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
            break;
        }
        drive_codes(mirror, path, correction, codes);
        compare_pair("codes", codes);
    }
    end(rows);
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
