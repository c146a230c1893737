/* Replays vectors of the model in double precision, and compares within a bound.
 *
 *   replay [FOLDER]    the folder of the vectors; the present one if left out
 *
 * Lengths in the vectors are whole numbers, pixels times 2^20. Ends with 0 if all is within the
 * bound, with 1 if something is beyond, with 2 if there is nothing to compare with.
 */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "drive.h"
#include "servo.h"
#include "vectors.h"

#define UNIT (1.0 / (1 << 20))
#define MOST_COLUMNS 16
#define LONGEST_NAME 64

struct column {
    struct vectors_column vectors;
    char name[LONGEST_NAME];
};

struct group {
    const char *folder, *name;
    struct column columns[MOST_COLUMNS];
    int count;
};

static struct group group;
static struct law_state states[MIRRORS];
static int broken;
static size_t beyond;

static void open_column(struct column *column, const char *name)
{
    char full[2 * LONGEST_NAME];
    snprintf(column->name, sizeof column->name, "%s", name);
    snprintf(full, sizeof full, "%s/%s", group.name, name);
    broken |= vectors_open(&column->vectors, group.folder, full) != 0;
}

static void read_from(const char *name, int64_t *values, size_t count)
{
    int i = 0;
    while (i < group.count && strcmp(group.columns[i].name, name) != 0) {
        i++;
    }
    if (i == group.count) {
        if (group.count == MOST_COLUMNS) {
            broken = 1;
            return;
        }
        open_column(&group.columns[group.count++], name);
    }
    if (broken || vectors_read(&group.columns[i].vectors, values, count) != 0) {
        broken = 1;
        memset(values, 0, count * sizeof *values);
    }
}

static int64_t one(const char *name)
{
    int64_t value = 0;
    read_from(name, &value, 1);
    return value;
}

static void lengths(const char *name, float found[2])
{
    int64_t read[2] = { 0, 0 };
    read_from(name, read, 2);
    found[0] = (float)((double)read[0] * UNIT);
    found[1] = (float)((double)read[1] * UNIT);
}

/* How far two lengths are from the vectors' next ones. */
static double apart_from(const char *name, const float ours[2])
{
    int64_t read[2] = { 0, 0 };
    double x, y;
    read_from(name, read, 2);
    x = fabs((double)ours[0] - (double)read[0] * UNIT);
    y = fabs((double)ours[1] - (double)read[1] * UNIT);
    return x > y ? x : y;
}

static size_t begin(const char *folder, const char *name, const char *first)
{
    size_t rows = 0;
    group.folder = folder;
    group.name = name;
    group.count = 1;
    open_column(&group.columns[0], first);
    if (!broken) {
        rows = group.columns[0].vectors.rows;
    }
    return rows;
}

static void end(size_t rows, size_t wrong, double most, double bound, const char *unit)
{
    int i;
    for (i = 0; i < group.count; i++) {
        vectors_close(&group.columns[i].vectors);
    }
    beyond += wrong;
    printf("%-6s %8lu rows %6lu beyond, largest difference %.3g %s, bound %.3g\n", group.name,
        (unsigned long)rows, (unsigned long)wrong, most, unit, bound);
}

static void replay_spots(const char *folder)
{
    const size_t rows = begin(folder, "spots", "status");
    size_t row, wrong = 0;
    double most = 0.0;
    for (row = 0; row < rows && !broken; row++) {
        static struct spot spot;
        struct spot_reading reading;
        int64_t pixels[WINDOW_WIDTH];
        uint16_t line[WINDOW_WIDTH];
        int64_t status;
        double apart;
        int i, j;
        spot_begin(&spot);
        for (j = 0; j < WINDOW_HEIGHT; j++) {
            read_from("pixels", pixels, WINDOW_WIDTH);
            for (i = 0; i < WINDOW_WIDTH; i++) {
                line[i] = (uint16_t)pixels[i];
            }
            spot_row(&spot, line);
        }
        spot_end(&spot, &reading);
        status = one("status");
        apart = apart_from("spot", reading.position);
        if (reading.status != status || !(apart <= POSITION_BOUND)) {
            if (wrong++ == 0) {
                printf("spots: row %lu: status %d, %d in the vectors; %g px apart\n",
                    (unsigned long)row, (int)reading.status, (int)status, apart);
            }
        }
        most = apart > most ? apart : most;
    }
    end(rows, wrong, most, POSITION_BOUND, "px");
}

/* Frames of the law, one after the other. */
static void replay_law(const char *folder)
{
    const size_t rows = begin(folder, "law", "mirror");
    size_t row, wrong = 0;
    double most = 0.0;
    for (row = 0; row < rows && !broken; row++) {
        struct law_input input;
        float standing[2], correction[2];
        double apart;
        const int mirror = (int)one("mirror");
        const int reset = (int)one("reset");
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
            break;
        }
        lengths("standing", standing);
        lengths("position", input.position);
        lengths("reference", input.reference);
        lengths("lowest", input.lowest);
        lengths("highest", input.highest);
        input.seen = (int32_t)one("seen");
        if (reset) {
            law_start(&states[mirror], mirror, standing);
        }
        law_step(&states[mirror], mirror, &input);
        correction[0] = states[mirror].axis[0].correction;
        correction[1] = states[mirror].axis[1].correction;
        apart = apart_from("correction", correction);
        wrong += !(apart <= CORRECTION_BOUND);
        most = apart > most ? apart : most;
    }
    end(rows, wrong, most, CORRECTION_BOUND, "px");
}

static void replay_drive(const char *folder)
{
    const size_t rows = begin(folder, "drive", "mirror");
    size_t row, wrong = 0;
    double most = 0.0;
    for (row = 0; row < rows && !broken; row++) {
        float path[2], correction[2];
        int32_t codes[2];
        int64_t read[2] = { 0, 0 };
        int part;
        const int mirror = (int)one("mirror");
        if (mirror < 0 || mirror >= MIRRORS) {
            broken = 1;
            break;
        }
        lengths("path", path);
        lengths("in_force", correction);
        read_from("codes", read, 2);
        drive_codes(mirror, path, correction, codes);
        for (part = 0; part < 2; part++) {
            const double apart = fabs((double)codes[part] - (double)read[part]);
            wrong += apart > 1.0;
            most = apart > most ? apart : most;
        }
    }
    end(rows, wrong, most, 1.0, "codes");
}

int main(int argc, char **argv)
{
    const char *folder = argc > 1 ? argv[1] : ".";
    if (vectors_fit(folder, SETTINGS_SUM) != 0) {
        return 2;
    }
    replay_spots(folder);
    replay_law(folder);
    replay_drive(folder);
    if (broken) {
        fprintf(stderr, "%s: the vectors are not whole\n", folder);
        return 2;
    }
    printf("%lu values beyond their bound\n", (unsigned long)beyond);
    return beyond > 0;
}
