/* Where the stages of a frame begin: nothing but places that a counter of instructions can see. */
#ifndef MARKS_H
#define MARKS_H

void mark_pixels(void); /* rows of the window */
void mark_reading(void); /* from the sums to a position */
void mark_law(void); /* from the position to a correction */
void mark_drive(void); /* from the correction to words of the DAC */
void mark_end(void);

#endif
