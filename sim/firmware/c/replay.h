/* What the replay of golden vectors is made of: arrays read row by row, values compared. */
#ifndef REPLAY_H
#define REPLAY_H

#include <stddef.h>
#include <stdint.h>

#include "settings.h"
#if WITH_PIXELS
#include "pixels.h"
#endif

extern int broken; /* the vectors are not whole */
extern size_t differing;

/* Begin with a group of arrays; returns how many rows it has. */
size_t group_begin(const char *folder, const char *name);

/* Close the group's arrays, and say what was compared. */
void group_end(size_t rows);

/* The next values of an array, kept until the next call; zeros if they are not there. */
const int64_t *read_from(const char *name, size_t count);

void pair(const char *name, int32_t found[2]);
int64_t one(const char *name);
void read_window(const char *name, uint16_t window[WINDOW_HEIGHT][WINDOW_WIDTH]);

/* Column of the fleet; one that the firmware does not have makes the vectors broken. */
int read_mirror(void);

/* Compare with the next value of an array, which has just been read into place k. */
void compare(const char *name, int k, int64_t ours);

void compare_pair(const char *name, const int32_t ours[2]);
void compare_one(const char *name, int64_t ours);

#if WITH_PIXELS
extern uint16_t raw[WINDOW_HEIGHT][WINDOW_WIDTH];
extern struct pixel_words words[WINDOW_HEIGHT][WINDOW_WIDTH];

/* What the maps say of the pixels of a window, into `words`. */
void read_words(void);

void replay_pixels(const char *folder);
#endif

#if WITH_LENS
void replay_lens(const char *folder);
#endif

#if WITH_GUARD
extern int32_t expected[MIRRORS][2];

/* Where the spot of a mirror and those of its neighbours are expected, into `expected`. */
void read_near(int mirror);

void replay_guard(const char *folder);
#endif

#endif
