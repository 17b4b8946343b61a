/* Scans gathered for the next SCANS frame. */
#ifndef GATHER_H
#define GATHER_H

#include <stdbool.h>
#include <stdint.h>

#include "frames.h"

/* The counts are written to where they stand in the frame. `index` numbers the first scan of the frame since boot, and
 * stands still while nothing is added. */
struct gather {
    const struct design *design;
    uint32_t index;
    uint32_t edges, last_edge; /* as they stood at the newest scan */
    uint8_t n;
    uint8_t flags;
    uint8_t overrange;
    uint8_t *end; /* place for the next count */
    uint8_t frame[FRAME(SCANS_HEAD + 2u * BLOCK_SCANS * N_ANALOG + 8u * N_PULSE)];
};

void gather_start(struct gather *g, const struct design *design);

/* Adds a scan. True when the frame is full and has to be sent. */
bool gather_add(struct gather *g, const struct scan *scan);

/* So many scans will never be sent; those gathered have gone out before. `flags`: why, as enum scans_flag. */
void gather_skip(struct gather *g, uint8_t scans, uint8_t flags);

/* Sends what is gathered, if anything is. If the line is full it is dropped, and the next frame says so. */
void gather_send(struct gather *g, uint8_t boot, uint8_t *seq);

#endif
