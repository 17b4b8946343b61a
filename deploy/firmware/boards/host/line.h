/* The serial line of the machine: bytes take their time in both directions. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

#include "device.h"

/* A line of so many bits a second, ten bits a byte; 0: bytes take no time. */
void line_start(uint32_t baud);

/* Bytes that the device may still put. */
uint16_t line_room(void);

/* Puts a whole frame of the device's at a time (ns), or nothing: false then. */
bool line_put(const uint8_t *wire, uint8_t n, uint64_t now);

/* Bytes from the host, on the line from this time on. */
void line_hear(const uint8_t *bytes, uint16_t n, uint64_t now);

/* When the next byte has come through, in either direction; UINT64_MAX: nothing is on the line. */
uint64_t line_next(void);

/* Moves that byte: to the device, or to `outcome`. */
void line_move(struct device *device, uint64_t now);

/* The microcontroller has lost what it had not sent. */
void line_drop(void);

#endif
