#include "replay.h"

#include <stdio.h>
#include <string.h>

#include "law.h"
#include "vectors.h"

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

int broken;
size_t differing;
static int64_t values[LONGEST_ROW];
static struct group group;

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

const int64_t *read_from(const char *name, size_t count)
{
    struct column *column = column_of(name);
    if (broken || vectors_read(&column->vectors, values, count) != 0) {
        broken = 1;
        memset(values, 0, sizeof values);
    }
    return values;
}

void pair(const char *name, int32_t found[2])
{
    const int64_t *read = read_from(name, 2);
    found[0] = (int32_t)read[0];
    found[1] = (int32_t)read[1];
}

int64_t one(const char *name)
{
    return read_from(name, 1)[0];
}

int read_mirror(void)
{
    const int64_t mirror = one("mirror");
    if (mirror < 0 || mirror >= MIRRORS) {
        broken = 1;
        return 0;
    }
    return (int)mirror;
}

void compare(const char *name, int k, int64_t ours)
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

void compare_pair(const char *name, const int32_t ours[2])
{
    read_from(name, 2);
    compare(name, 0, ours[0]);
    compare(name, 1, ours[1]);
}

void compare_one(const char *name, int64_t ours)
{
    read_from(name, 1);
    compare(name, 0, ours);
}

void read_window(const char *name, uint16_t window[WINDOW_HEIGHT][WINDOW_WIDTH])
{
    int row, i;
    for (row = 0; row < WINDOW_HEIGHT; row++) {
        const int64_t *read = read_from(name, WINDOW_WIDTH);
        for (i = 0; i < WINDOW_WIDTH; i++) {
            window[row][i] = (uint16_t)read[i];
        }
    }
}

size_t group_begin(const char *folder, const char *name)
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

void group_end(size_t rows)
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
