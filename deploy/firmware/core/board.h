/* What the core asks of a board. Everything here is called from one place at a time, never from an interrupt. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

/* Ticks since boot, wrapping at 2^32. */
uint32_t board_ticks(void);

/* Bytes that the line can still take. */
uint16_t board_room(void);

/* Puts a whole frame of `n` bytes on the line, or, where there is no room for all of it, nothing: false then. */
bool board_send(const uint8_t *wire, uint8_t n);

/* Switches the pump's power; off has to work whatever else happens. */
void board_power(bool on);

/* Moves the valve's actuator: 0 shut to FULLY_OPEN. */
void board_valve(uint16_t position);

/* The protective inputs that are closed, as enum input; bits of inputs that are not fitted do not matter. */
uint8_t board_inputs(void);

/* Begins to sample one analog channel every `period` ticks, `total` times, and gives the tick of the first sample. The
 * board goes on taking scans of all channels meanwhile, for the limits. */
uint32_t board_capture(uint8_t channel, uint32_t period, uint16_t total);

/* Whether samples of a capture are still being taken. It ends early if they were not fetched in time. */
bool board_capturing(void);

/* Samples taken and not yet fetched. */
uint16_t board_samples(void);

/* Fetches the oldest one; there must be one. */
int16_t board_sample(void);

#endif
