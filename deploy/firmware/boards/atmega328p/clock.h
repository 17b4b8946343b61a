/* Timer 1: ticks of 0.5 us, and the flow meter's edges by its input capture. */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdint.h>

/* Starts timers 1 and 2 together, so that scans keep their place in the ticks; interrupts are off. */
void clock_start(void);

/* Edges as they stood at a tick just passed. To be called with interrupts off. */
uint32_t clock_edges(uint32_t tick, uint32_t *newest);

#endif
