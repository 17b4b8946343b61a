/* A microcontroller that is a program: the same core on a board of virtual time.
 *
 * Time moves only by machine_run, so what comes out depends on what goes in and on nothing else. */
#ifndef MACHINE_H
#define MACHINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "design.h"

#define NS_PER_TICK 1000u /* tick_hz is 1 000 000 */
#define NEVER 0xFFFFFFFFu
#define MOST_OUT 65535u

/* What a machine is started with. `baud` 0: the line takes no time. */
struct setting {
    struct design design;
    uint16_t boot;
    uint32_t baud;
    uint32_t first_tick, first_edges;
};

/* What stands at the machine's pins during one span of time. Volts are held; edges are in ns after its start, ascending;
 * of `fine` volts sample k stands at (k + 1) / n_fine of the span. */
struct span {
    uint64_t ns;
    float volts[N_ANALOG];
    uint8_t inputs;
    uint16_t n_edges, n_fine, n_rx;
    const uint32_t *edges;
    const float *fine;
    const uint8_t *rx;
};

/* What came out in that span; `out` is to be emptied by whoever sends it on. */
struct outcome {
    uint8_t out[MOST_OUT];
    size_t n_out;
    size_t room; /* bytes that `out` may hold: less than MOST_OUT holds the line up */
    bool power;
    uint32_t power_off_ns; /* after the span's start; NEVER */
    uint16_t valve;
    bool wants_fine;
};

extern struct outcome outcome;

/* Switches the machine on; it boots when the first span begins. */
void machine_start(const struct setting *setting);

/* Moves time on by a span, which stays readable until the next one. */
void machine_run(const struct span *span);

/* Resets the microcontroller as the next span begins; `cause` is a bit of IDENTITY's. Its boot number is one more. */
void machine_reset(uint8_t cause);

#endif
