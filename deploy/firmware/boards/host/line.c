#include "line.h"

#include <stdlib.h>
#include <string.h>

#include "machine.h"

#define MOST_WAITING 1048576u

static uint64_t byte_ns;

static struct {
    uint8_t bytes[LINE_ROOM];
    uint16_t head, n;
    uint64_t next;
} out;

static struct {
    uint8_t bytes[MOST_WAITING];
    uint32_t head, n;
    uint64_t next;
} in;

void line_start(uint32_t baud)
{
    byte_ns = baud ? 10000000000u / baud : 0;
    memset(&out, 0, sizeof out);
    in.head = in.n = 0;
}

uint16_t line_room(void)
{
    return (uint16_t)(LINE_ROOM - out.n);
}

bool line_put(const uint8_t *wire, uint8_t n, uint64_t now)
{
    if (line_room() < n)
        return false;
    if (!out.n)
        out.next = now + byte_ns;
    for (uint8_t k = 0; k < n; k++)
        out.bytes[(out.head + out.n++) % LINE_ROOM] = wire[k];
    return true;
}

void line_hear(const uint8_t *bytes, uint16_t n, uint64_t now)
{
    if (!in.n)
        in.next = now + byte_ns;
    for (uint16_t k = 0; k < n && in.n < MOST_WAITING; k++)
        in.bytes[(in.head + in.n++) % MOST_WAITING] = bytes[k];
}

static bool held_up(void)
{
    return outcome.n_out >= outcome.room;
}

uint64_t line_next(void)
{
    const uint64_t sent = out.n && !held_up() ? out.next : UINT64_MAX, heard = in.n ? in.next : UINT64_MAX;
    return sent < heard ? sent : heard;
}

void line_move(struct device *device, uint64_t now)
{
    if (out.n && !held_up() && out.next <= now) {
        outcome.out[outcome.n_out++] = out.bytes[out.head];
        out.head = (uint16_t)((out.head + 1u) % LINE_ROOM);
        out.n--;
        out.next = now + byte_ns;
        return;
    }
    const uint8_t byte = in.bytes[in.head];
    in.head = (in.head + 1u) % MOST_WAITING;
    in.n--;
    in.next = now + byte_ns;
    device_byte(device, byte);
}

void line_drop(void)
{
    out.head = out.n = 0;
}
