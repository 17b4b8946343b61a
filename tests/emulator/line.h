/* The serial line to the host, at the speed that the firmware has set. */
#ifndef LINE_H
#define LINE_H

#include <sim_avr.h>

#include "coupling.h"

void line_connect(avr_t *avr);

/* A span begins: the speed is that which the firmware has set by now. */
void line_begin(void);

/* Bytes from the host, on the line from now on; they come one behind the other, behind those that still come. */
void line_take(const uint8_t *bytes, uint16_t n);

/* Gives what the microcontroller sent since the last call. */
void line_give(struct answer *answer);

/* The microcontroller has been reset: what was on the line to it is lost. */
void line_after_reset(void);

struct line_seen {
    uint32_t sent, received;
    uint32_t deepest; /* bytes that waited in the receiver; a real one holds two, and the third is lost */
};
const struct line_seen *line_seen(void);

#endif
