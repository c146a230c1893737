/* Reader for golden vectors: one raw little-endian file an array, described by index.json.
 *
 * Plain C99, without a heap. index.json has one line an array:
 *   {"name": "loop/pixels", "file": "loop/pixels.bin", "type": "uint16", "shape": [800, 24, 24], ...}
 * Types are uint8, uint16, uint32, int32 and int64. The first number of a shape counts rows.
 */
#ifndef VECTORS_H
#define VECTORS_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define VECTORS_PATH 1024

struct vectors_column {
    FILE *file; /* NULL while others are open: a small processor's C library has few at a time */
    long place; /* where it goes on then */
    char path[VECTORS_PATH];
    size_t bytes; /* of an element */
    size_t rows;
    size_t width; /* elements in a row */
    int is_signed;
};

/* Open an array of a folder; 0 if that worked, else a message is on stderr. */
int vectors_open(struct vectors_column *column, const char *folder, const char *name);

/* Read the next elements; 0 if they were there. */
int vectors_read(struct vectors_column *column, int64_t *values, size_t count);

void vectors_close(struct vectors_column *column);

/* Copy a text of index.json, such as "settings_sum"; 0 if it is there and fits. */
int vectors_text(const char *folder, const char *key, char *text, size_t size);

/* Whether vectors are of the settings with this sum: 0 if so, else a message is on stderr. */
int vectors_fit(const char *folder, const char *settings_sum);

#endif
