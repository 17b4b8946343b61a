/* Rising edges of one pulse input, counted and timed. Small enough to stand in an interrupt. */
#ifndef PULSES_H
#define PULSES_H

#include <stdint.h>

/* `edges` since boot and the ticks of the two newest; both wrap at 2^32. */
struct pulses {
    uint32_t edges;
    uint32_t last;
    uint32_t before;
    uint32_t told; /* edges when they were asked for before */
};

static inline void pulses_start(struct pulses *p, uint32_t edges)
{
    p->edges = p->told = edges;
    p->last = p->before = 0;
}

static inline void pulses_take(struct pulses *p, uint32_t tick)
{
    p->before = p->last;
    p->last = tick;
    p->edges++;
}

/* How many edges there had been at `tick`, just passed, and when the newest of them was. One that came between `tick`
 * and now may have been counted already; a second cannot have, as nobody waits for longer than a pulse. Only an edge
 * that is new since the question before can lie ahead, so an old one is not taken for such after half a wrap. */
static inline uint32_t pulses_at(struct pulses *p, uint32_t tick, uint32_t *newest)
{
    const uint32_t ahead = p->last - tick;
    const uint8_t one_ahead = p->edges != p->told && ahead != 0 && ahead < 0x80000000u;
    *newest = one_ahead ? p->before : p->last;
    p->told = p->edges - one_ahead;
    return p->told;
}

/* A 16-bit capture as a tick of 32 bits. `high` are the overflows served so far; `overflowed` says that one more waits to
 * be served, which came before the capture if that is small. */
static inline uint32_t pulses_tick(uint16_t high, uint16_t captured, uint8_t overflowed)
{
    if (overflowed && captured < 0x8000u)
        high++;
    return (uint32_t)high << 16 | captured;
}

#endif
