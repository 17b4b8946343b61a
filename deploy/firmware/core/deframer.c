#include "deframer.h"

#include <string.h>

#include "bytes.h"
#include "wire.h"

void deframer_start(struct deframer *d)
{
    d->content = d->buffers[1];
    d->length = d->lost = d->turn = d->n = d->seq = 0;
    d->counting = d->skipping = false;
    d->fresh = true;
}

/* A frame with a right check sum, `n` bytes without it, in the buffer that was being filled. */
static enum piece sound(struct deframer *d, uint8_t n)
{
    const uint8_t *content = d->buffers[d->turn];
    const bool identify = content[0] == IDENTIFY;
    if (!identify && d->counting && n == d->length && !memcmp(content, d->content, n))
        return REPEATED;
    d->lost = d->counting && !identify ? (uint8_t)(content[1] - d->seq - 1) : 0;
    d->seq = content[1];
    d->counting = true;
    d->content = content;
    d->length = n;
    d->turn ^= 1;
    return SOUND;
}

static enum piece close(struct deframer *d)
{
    uint8_t *content = d->buffers[d->turn];
    const bool fresh = d->fresh, skipping = d->skipping;
    const uint8_t stuffed = d->n;
    d->fresh = d->skipping = false;
    d->n = 0;
    if (skipping || !stuffed)
        return NOTHING;
    const uint8_t n = unstuff(content, stuffed);
    if (n < SHORTEST_CONTENT || crc16(content, (uint8_t)(n - 2)) != get_u16(content + n - 2))
        return fresh ? NOTHING : BAD_PIECE;
    return sound(d, (uint8_t)(n - 2));
}

enum piece deframer_take(struct deframer *d, uint8_t byte)
{
    if (!byte)
        return close(d);
    if (d->skipping)
        return NOTHING;
    if (d->n == LONGEST_STUFFED) {
        d->skipping = true;
        return d->fresh ? NOTHING : BAD_PIECE;
    }
    d->buffers[d->turn][d->n++] = byte;
    return NOTHING;
}
