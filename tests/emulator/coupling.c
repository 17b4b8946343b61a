#include "coupling.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static int out = -1;

/* Input comes in large pieces, since a call of read() costs more than all that is done with a byte. */
static uint8_t pool[1 << 16];
static size_t have, used;

static void fail(const char *what)
{
    fprintf(stderr, "emulator: %s\n", what);
    exit(2);
}

static bool refill(void)
{
    const ssize_t n = read(STDIN_FILENO, pool, sizeof pool);
    if (n < 0)
        fail("cannot read standard input");
    have = (size_t)n;
    used = 0;
    return n > 0;
}

static void take(void *to, size_t n)
{
    uint8_t *place = to;
    while (n > 0) {
        if (used == have && !refill())
            fail("standard input ended within an order");
        const size_t part = n < have - used ? n : have - used;
        memcpy(place, pool + used, part);
        used += part;
        place += part;
        n -= part;
    }
}

static uint16_t take_u16(void)
{
    uint16_t n;
    take(&n, sizeof n);
    return n;
}

static void put(const void *from, size_t n)
{
    const uint8_t *place = from;
    while (n > 0) {
        const ssize_t part = write(out, place, n);
        if (part <= 0)
            fail("cannot write standard output: the simulator is gone");
        place += part;
        n -= (size_t)part;
    }
}

void coupling_open(void)
{
    out = dup(STDOUT_FILENO);
    if (out < 0 || dup2(STDERR_FILENO, STDOUT_FILENO) < 0)
        fail("cannot put standard output aside");
}

void coupling_greet(void)
{
    put("S\1", 2);
}

static void take_span(struct span *span)
{
    take(&span->us, sizeof span->us);
    take(&span->n_analog, 1);
    take(span->volts, span->n_analog * sizeof(float));
    take(&span->inputs, 1);
    span->n_edges = take_u16();
    take(span->edge_ns, span->n_edges * sizeof(uint32_t));
    span->n_fine = take_u16();
    take(span->fine, span->n_fine * sizeof(float));
    span->n_received = take_u16();
    take(span->received, span->n_received);
}

enum order coupling_next(struct span *span, uint8_t *cause)
{
    if (used == have && !refill())
        return ORDER_END;
    uint8_t kind;
    take(&kind, 1);
    if (kind == 'R') {
        take(cause, 1);
        return ORDER_RESET;
    }
    if (kind != 'A')
        fail("expected an 'A' or 'R' of the coupling; is it the simulator at the other end?");
    take_span(span);
    return ORDER_SPAN;
}

void coupling_answer(const struct answer *answer)
{
    static uint8_t wire[3 + MOST + 8];
    const uint16_t n = answer->n_sent;
    uint8_t *at = wire;
    *at++ = 'T';
    memcpy(at, &n, 2);
    memcpy(at + 2, answer->sent, n);
    at += 2 + n;
    *at++ = answer->power;
    memcpy(at, &answer->fell_ns, 4);
    memcpy(at + 4, &answer->valve, 2);
    at[6] = answer->fine;
    put(wire, (size_t)(at + 7 - wire));
}
