#include "marks.h"

static volatile int marked;

void mark_pixels(void) { marked = 1; }
void mark_reading(void) { marked = 2; }
void mark_law(void) { marked = 3; }
void mark_drive(void) { marked = 4; }
void mark_end(void) { marked = 5; }
