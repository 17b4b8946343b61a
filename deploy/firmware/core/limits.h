/* The limits that a host sets, as counts, so that watching them needs no arithmetic but comparing. */
#ifndef LIMITS_H
#define LIMITS_H

#include <stdbool.h>
#include <stdint.h>

#include "design.h"
#include "link.h"

#define LIMITS_HEAD 5u
#define LIMIT_SIZE 9u
#define MOST_LIMITS 26u /* more do not fit into a frame */

/* Counts of `channel` from `lowest` to `highest` are within its limits; none are if the first is the higher. */
struct limit {
    uint8_t channel;
    int16_t lowest;
    int16_t highest;
};

struct limits {
    bool set;
    uint8_t n;
    uint16_t crc;
    uint16_t blank_ms;
    uint16_t max_on_s;
    struct limit entries[MOST_LIMITS];
};

/* Whether a body has the length that its own count of entries gives. */
bool limits_whole(const uint8_t *body, uint8_t n);

/* Whether each entry names a channel that is there and two limits that are numbers. */
bool limits_good(const uint8_t *body, const struct design *design);

/* Takes a good body over in place of all earlier limits. */
void limits_set(struct limits *limits, const uint8_t *body, uint8_t n, const struct design *design);

#endif
