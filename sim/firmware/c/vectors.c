#include "vectors.h"

#include <stdlib.h>
#include <string.h>

#define LONGEST_LINE 1024
#define MOST_OPEN 12 /* files of columns at a time */

static struct vectors_column *open_ones[MOST_OPEN];
static int oldest;

static int named(char path[VECTORS_PATH], const char *folder, const char *file)
{
    return snprintf(path, VECTORS_PATH, "%s/%s", folder, file) < VECTORS_PATH ? 0 : -1;
}

/* Open the file of a column where it was left; the one that was opened first may have to wait. */
static int resumed(struct vectors_column *column)
{
    struct vectors_column *other = open_ones[oldest];
    if (column->file != NULL) {
        return 0;
    }
    if (other != NULL) {
        other->place = ftell(other->file);
        fclose(other->file);
        other->file = NULL;
        open_ones[oldest] = NULL;
    }
    column->file = fopen(column->path, "rb");
    if (column->file == NULL) {
        return -1;
    }
    open_ones[oldest] = column;
    oldest = (oldest + 1) % MOST_OPEN;
    return fseek(column->file, column->place, SEEK_SET);
}

/* Find the line of index.json that begins with a key and a text; what follows is its tail. */
static const char *line_with(const char *folder, const char *start, char *line, int size)
{
    char path[VECTORS_PATH];
    FILE *index = named(path, folder, "index.json") == 0 ? fopen(path, "r") : NULL;
    const char *tail = NULL;
    if (index == NULL) {
        fprintf(stderr, "%s/index.json: cannot be opened\n", folder);
        return NULL;
    }
    while (tail == NULL && fgets(line, size, index) != NULL) {
        const char *text = line + strspn(line, " {");
        if (strncmp(text, start, strlen(start)) == 0) {
            tail = text + strlen(start);
        }
    }
    fclose(index);
    return tail;
}

/* Copy the text after a key on a line, up to its closing quotation mark. */
static int text_after(const char *line, const char *key, char *text, size_t size)
{
    const char *found = strstr(line, key);
    size_t length;
    if (found == NULL) {
        return -1;
    }
    found += strlen(key);
    length = strcspn(found, "\"");
    if (length >= size) {
        return -1;
    }
    memcpy(text, found, length);
    text[length] = '\0';
    return 0;
}

int vectors_text(const char *folder, const char *key, char *text, size_t size)
{
    char start[64], line[LONGEST_LINE];
    const char *tail;
    snprintf(start, sizeof start, "\"%s\": ", key);
    tail = line_with(folder, start, line, (int)sizeof line);
    return tail == NULL ? -1 : text_after(tail, "\"", text, size);
}

int vectors_fit(const char *folder, const char *settings_sum)
{
    char sum[80] = "";
    if (vectors_text(folder, "settings_sum", sum, sizeof sum) != 0) {
        fprintf(stderr, "%s: no vectors are there\n", folder);
        return -1;
    }
    if (strcmp(sum, settings_sum) != 0) {
        fprintf(stderr, "%s: the vectors are of other settings than this firmware\n", folder);
        return -1;
    }
    return 0;
}

int vectors_open(struct vectors_column *column, const char *folder, const char *name)
{
    char start[96], line[LONGEST_LINE], file[128], type[16];
    const char *tail, *shape;
    char *next;
    snprintf(start, sizeof start, "\"name\": \"%s\"", name);
    tail = line_with(folder, start, line, (int)sizeof line);
    if (tail == NULL || text_after(tail, "\"file\": \"", file, sizeof file) != 0
        || text_after(tail, "\"type\": \"", type, sizeof type) != 0
        || (shape = strstr(tail, "\"shape\": [")) == NULL) {
        fprintf(stderr, "%s/index.json: has no array \"%s\"\n", folder, name);
        return -1;
    }
    column->is_signed = type[0] == 'i';
    column->bytes = strtoul(type + (column->is_signed ? 3 : 4), NULL, 10) / 8;
    if (column->bytes != 1 && column->bytes != 2 && column->bytes != 4 && column->bytes != 8) {
        fprintf(stderr, "%s/index.json: \"%s\" is of type %s, and elements have 1, 2, 4 or 8 bytes\n",
            folder, name, type);
        return -1;
    }
    column->rows = strtoul(shape + strlen("\"shape\": ["), &next, 10);
    column->width = 1;
    while (*next == ',') {
        column->width *= strtoul(next + 1, &next, 10);
    }
    column->file = NULL;
    column->place = 0;
    if (named(column->path, folder, file) != 0 || resumed(column) != 0) {
        fprintf(stderr, "%s/%s: cannot be opened\n", folder, file);
        return -1;
    }
    return 0;
}

int vectors_read(struct vectors_column *column, int64_t *values, size_t count)
{
    size_t i, k;
    if (resumed(column) != 0) {
        return -1;
    }
    for (i = 0; i < count; i++) {
        unsigned char bytes[8];
        uint64_t word = 0;
        if (fread(bytes, 1, column->bytes, column->file) != column->bytes) {
            return -1;
        }
        for (k = column->bytes; k-- > 0;) {
            word = word << 8 | bytes[k];
        }
        if (column->is_signed && column->bytes < 8 && bytes[column->bytes - 1] >= 0x80) {
            word |= ~(uint64_t)0 << (8 * column->bytes);
        }
        /* Two's complement without a conversion that the standard leaves open. */
        values[i] = word >> 63 ? -(int64_t)~word - 1 : (int64_t)word;
    }
    return 0;
}

void vectors_close(struct vectors_column *column)
{
    int i;
    for (i = 0; i < MOST_OPEN; i++) {
        if (open_ones[i] == column) {
            open_ones[i] = NULL;
        }
    }
    if (column->file != NULL) {
        fclose(column->file);
        column->file = NULL;
    }
}
