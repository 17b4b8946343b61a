#include "capture.h"

#include "board.h"
#include "bytes.h"

/* What a piece leaves free on the line: while it is being sampled, place for answers and STATUS; after that scans go out
 * beside the pieces, and a frame of them has to find its place whenever it is full. */
#define PIECE_FRAME FRAME(BURST_HEAD + 2u * PIECE)
#define ROOM_FOR_ANSWERS 64u
#define ROOM_FOR_SCANS FRAME(SCANS_HEAD + 2u * BLOCK_SCANS * N_ANALOG + 8u * N_PULSE)

_Static_assert(PIECE_FRAME + ROOM_FOR_SCANS <= LINE_ROOM, "pieces or blocks too long for the line's memory");

void capture_start(struct capture *c)
{
    c->under_way = false;
}

void capture_begin(struct capture *c, const struct design *design, uint8_t number, uint8_t channel, uint32_t rate_hz,
                   uint16_t total)
{
    const uint32_t period = design->tick_hz / rate_hz + (design->tick_hz % rate_hz != 0);
    c->under_way = true;
    c->number = number;
    c->channel = channel;
    c->role = design->analog[channel].role;
    c->rate_hz = (design->tick_hz + period / 2) / period;
    c->total = total;
    c->sent = 0;
    c->tick = board_capture(channel, period, total);
}

/* Samples that the next piece would take; 0 while there are too few. */
static uint8_t due(const struct capture *c)
{
    const uint16_t left = (uint16_t)(c->total - c->sent), ready = board_samples();
    if (ready >= PIECE)
        return (uint8_t)(left < PIECE ? left : PIECE);
    if (ready == left)
        return (uint8_t)left;
    /* The board gave up: what is there goes out, so that the host sees that the rest is missing. */
    return (uint8_t)(board_capturing() ? 0 : ready);
}

static void send(struct capture *c, const struct design *design, uint8_t n, uint8_t *seq)
{
    uint8_t frame[PIECE_FRAME];
    uint8_t *at = put_u8(put_u8(frame + HEAD, c->number), c->role);
    uint8_t *flags, over = 0;
    at = put_u32(put_u32(at, c->rate_hz), c->tick);
    at = put_u16(put_u16(at, c->total), c->sent);
    flags = at++;
    at = put_u8(at, n);
    for (uint8_t k = 0; k < n; k++) {
        const int16_t count = board_sample();
        over |= at_an_end(&design->analog[c->channel], count);
        at = put_u16(at, (uint16_t)count);
    }
    *flags = over;
    c->sent = (uint16_t)(c->sent + n);
    frame_send(frame, BURST, at, seq);
}

void capture_look(struct capture *c, const struct design *design, uint8_t *seq)
{
    if (!c->under_way)
        return;
    const uint8_t n = due(c);
    if (n && board_room() >= PIECE_FRAME + (board_capturing() ? ROOM_FOR_ANSWERS : ROOM_FOR_SCANS))
        send(c, design, n, seq);
    if (c->sent == c->total || (!board_capturing() && !board_samples()))
        c->under_way = false;
}
