/* Bytes from the host, cut at their zeros and checked. Nothing that comes can bring it down. */
#ifndef DEFRAMER_H
#define DEFRAMER_H

#include <stdbool.h>
#include <stdint.h>

#include "link.h"

enum piece {
    NOTHING,   /* no frame ended here, or nothing that counts */
    BAD_PIECE, /* to be counted: bad stuffing, bad check sum, overlong */
    REPEATED,  /* the frame before once more: counted apart by whoever counts, and dropped */
    SOUND      /* `content` holds a frame */
};

/* `content` is type, seq and body of the sound frame, `length` bytes without its check sum, until the next one; `lost`
 * the number of frames that are missing before it. Two buffers take turns, so that a repeat can be told byte for byte. */
struct deframer {
    const uint8_t *content;
    uint8_t length;
    uint8_t lost;

    uint8_t buffers[2][LONGEST_STUFFED];
    uint8_t turn;    /* the buffer that is being filled */
    uint8_t n;       /* bytes in it */
    uint8_t seq;     /* of the sound frame before */
    bool counting;   /* there was one */
    bool fresh;      /* no zero came yet: what stands there may be the rest of a frame */
    bool skipping;   /* overlong: wait for the next zero */
};

void deframer_start(struct deframer *d);

/* Takes one byte from the line. */
enum piece deframer_take(struct deframer *d, uint8_t byte);

#endif
