#include "coupling.h"

#include <stdio.h>
#include <stdlib.h>

#include "bytes.h"
#include "machine.h"

#define MOST 65535u

static struct {
    float volts[255];
    uint32_t edges[MOST];
    float fine[MOST];
    uint8_t rx[MOST];
} given;

/* What comes inside a message has to come: a simulator that ends there has died. */
static void take(uint8_t *to, size_t n)
{
    if (fread(to, 1, n, stdin) == n)
        return;
    fputs("coupling: standard input ended inside a message; expected the rest of it. Look at what feeds the program.\n",
          stderr);
    exit(1);
}

static uint32_t take_number(size_t bytes)
{
    uint8_t raw[4] = {0};
    take(raw, bytes);
    return get_u32(raw);
}

static void take_volts(float *to, size_t n)
{
    for (size_t k = 0; k < n; k++) {
        uint8_t raw[4];
        take(raw, sizeof raw);
        to[k] = get_f32(raw);
    }
}

/* Channels that the simulator names none of read 0 V; more than the machine has go nowhere. */
static void take_channels(struct span *span)
{
    const size_t n = take_number(1);
    take_volts(given.volts, n);
    for (size_t k = 0; k < N_ANALOG; k++)
        span->volts[k] = k < n ? given.volts[k] : 0.0f;
}

static void take_span(struct span *span)
{
    span->ns = (uint64_t)take_number(4) * 1000u;
    take_channels(span);
    span->inputs = (uint8_t)take_number(1);
    span->n_edges = (uint16_t)take_number(2);
    for (size_t k = 0; k < span->n_edges; k++)
        given.edges[k] = take_number(4);
    span->edges = given.edges;
    span->n_fine = (uint16_t)take_number(2);
    take_volts(given.fine, span->n_fine);
    span->fine = given.fine;
    span->n_rx = (uint16_t)take_number(2);
    take(given.rx, span->n_rx);
    span->rx = given.rx;
}

static void answer(void)
{
    uint8_t head[3] = {'T'}, tail[8];
    put_u16(head + 1, (uint16_t)outcome.n_out);
    put_u8(put_u16(put_u32(put_u8(tail, outcome.power), outcome.power_off_ns), outcome.valve), outcome.wants_fine);
    fwrite(head, 1, sizeof head, stdout);
    fwrite(outcome.out, 1, outcome.n_out, stdout);
    fwrite(tail, 1, sizeof tail, stdout);
    fflush(stdout);
    outcome.n_out = 0;
}

int coupling_serve(void)
{
    static struct span span;
    int tag;
    outcome.room = MOST_OUT;
    putchar('S');
    putchar(COUPLING_VERSION);
    fflush(stdout);
    while ((tag = getchar()) != EOF) {
        if (tag == 'A') {
            take_span(&span);
            machine_run(&span);
            answer();
        } else if (tag == 'R') {
            machine_reset((uint8_t)take_number(1));
        } else {
            fprintf(stderr, "coupling: message 0x%02x; expected 'A' (0x41) or 'R' (0x52). Look at what feeds the "
                            "program.\n", (unsigned)tag);
            return 1;
        }
    }
    return 0;
}
