/* What a device is built with, as IDENTITY tells it. Constant as long as the device runs. */
#ifndef DESIGN_H
#define DESIGN_H

#include <stdint.h>

#include "config.h" /* the board's: N_ANALOG, N_PULSE, BLOCK_SCANS, PIECE */

/* Volts at the converter = (count - zero_count) * volts_per_count; counts go from 0 to 2^bits - 1. */
struct channel {
    uint8_t role;
    uint8_t bits;
    int16_t zero_count;
    float volts_per_count;
};

struct design {
    uint8_t flags; /* enum feature */
    uint8_t device_id[8];
    uint8_t firmware[3];
    uint8_t inputs_fitted; /* enum input */
    uint8_t n_analog;      /* at most N_ANALOG */
    uint8_t n_pulse;       /* at most N_PULSE */
    uint16_t sample_hz;
    uint32_t tick_hz;      /* a multiple of 1000 */
    uint32_t burst_max_hz;
    uint16_t burst_max_total;
    uint16_t valve_travel_ms; /* the actuator's, from end to end */
    struct channel analog[N_ANALOG];
    uint8_t pulse[N_PULSE];
};

/* The highest count of a channel. */
static inline int16_t top_count(const struct channel *c)
{
    return (int16_t)((1u << c->bits) - 1u);
}

/* Whether a count is an end of the converter other than its zero. */
static inline uint8_t at_an_end(const struct channel *c, int16_t count)
{
    return (count <= 0 && c->zero_count != 0) || (count >= top_count(c) && c->zero_count != top_count(c));
}

/* One scan as the board took it: `tick` when, the counters as they stood then, and how many scans before it the board
 * had to leave out. */
struct scan {
    uint32_t tick;
    uint32_t edges;
    uint32_t last_edge;
    int16_t counts[N_ANALOG];
    uint8_t missed;
};

#endif
