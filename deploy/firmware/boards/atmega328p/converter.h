/* The converter: scans of all channels at timer 2's beat, captures of one channel at timer 1's compare B. */
#ifndef CONVERTER_H
#define CONVERTER_H

#include <stdbool.h>

#include "design.h"

void converter_start(void);

/* The oldest scan not yet fetched; false if there is none. */
bool converter_take(struct scan *scan);

/* Whether a scan waits to be fetched. */
bool converter_waiting(void);

/* Whether a scan's time has come since the question before, whatever the converter does. */
bool converter_beat(void);

#endif
