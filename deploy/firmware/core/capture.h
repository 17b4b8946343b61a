/* One fast capture: asked for, sampled by the board, sent in pieces while it is being sampled. */
#ifndef CAPTURE_H
#define CAPTURE_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

struct capture {
    bool under_way; /* asked for, and its last piece not yet on the line */
    uint8_t number;
    uint8_t channel;
    uint8_t role;
    uint32_t rate_hz; /* as really sampled */
    uint32_t tick;    /* of sample 0 */
    uint16_t total;
    uint16_t sent;
};

void capture_start(struct capture *c);

/* Begins a capture of an analog channel. `rate_hz` is not 0 and not above what the device can: the fastest rate of the
 * ticks that is not above it is taken. */
void capture_begin(struct capture *c, const struct design *design, uint8_t number, uint8_t channel, uint32_t rate_hz,
                   uint16_t total);

/* Sends a piece, if one is there and the line has room for it. */
void capture_look(struct capture *c, const struct design *design, uint8_t *seq);

#endif
