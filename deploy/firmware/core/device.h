/* The device: what came from the host and from the board goes in here, frames and outputs come out through board.h. */
#ifndef DEVICE_H
#define DEVICE_H

#include <stdbool.h>
#include <stdint.h>

#include "capture.h"
#include "deframer.h"
#include "design.h"
#include "gather.h"
#include "guard.h"
#include "valve.h"

#define STATUS_HZ 20u /* STATUS goes out at most so often */

struct device {
    const struct design *design;
    uint16_t boot;
    uint8_t cause; /* of the reset */
    uint8_t seq;   /* of the next frame */
    uint8_t identities_owed;
    bool streaming;
    bool told_any;
    uint16_t rx_bad, rx_gap;
    uint32_t told_at;
    uint8_t told[STATUS_BODY - 5u]; /* the newest STATUS without boot and tick */
    struct valve valve;
    struct guard guard;
    struct capture capture;
    struct gather gather;
    struct deframer in;
};

/* Boots: outputs off, stream off, no limits, no trip; IDENTITY goes out. */
void device_start(struct device *d, const struct design *design, uint16_t boot, uint8_t cause);

/* A byte from the host. */
void device_byte(struct device *d, uint8_t byte);

/* A scan from the converter. Scans come in order, also during a capture and with the stream off. */
void device_scan(struct device *d, const struct scan *scan);

/* Time goes on; to be called at least at every scan's time, whether a scan came or not. */
void device_look(struct device *d);

#endif
