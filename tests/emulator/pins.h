/* What stands at the microcontroller's pins besides the line: converter, flow pulse, inputs, the pump's power, the valve's
 * servo. */
#ifndef PINS_H
#define PINS_H

#include <sim_avr.h>

#include "coupling.h"

/* Connects all of them; once, before the first span. */
void pins_connect(avr_t *avr);

/* Puts a span's levels on the pins, and its edges in line; it lasts from cycle `start` to `end`. The span must live as
 * long as it lasts. */
void pins_begin(const struct span *span, avr_cycle_count_t start, avr_cycle_count_t end);

/* Tells power, valve and whether the wide shunt was converted, as they came to be in the span. */
void pins_end(struct answer *answer);

/* The microcontroller has been reset, which forgot everything that was in line. */
void pins_after_reset(void);

/* What the converter and the flow pin saw, in cycles. A scan begins with a conversion of channel 0. */
struct pins_seen {
    uint32_t scans, edges, servo_pulses;
    avr_cycle_count_t first_scan, last_scan, longest_gap, shortest_gap;
};
const struct pins_seen *pins_seen(void);

#endif
