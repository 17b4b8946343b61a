/* What keeps the pump's power off: lease, limits, inputs, silence of the converter.
 *
 * Times are ticks as the board counts them, wrapping; nothing here waits longer than half a wrap for a look. */
#ifndef GUARD_H
#define GUARD_H

#include <stdbool.h>
#include <stdint.h>

#include "design.h"
#include "limits.h"
#include "link.h"

/* With power on, a converter that gives no scan for so long trips TRIP_SELF_TEST: limits would be blind. */
#define SILENCE_MS 20u

struct guard {
    const struct design *design;
    struct limits limits;
    enum trip trip; /* why power fell off by itself; stays until guard_clear */
    bool on;

    bool blank;             /* shunt limits are not watched yet */
    uint8_t n_recent;       /* scans in `recent`, up to 3 */
    uint8_t newest;
    uint16_t on_s;          /* whole seconds of power so far */
    uint32_t on_since;
    uint32_t second_since;  /* when the second under way began */
    uint32_t lease_since;
    uint32_t lease_ticks;
    uint32_t last_scan;
    int16_t recent[3][N_ANALOG];
};

void guard_start(struct guard *g, const struct design *design, uint32_t now);

/* Takes the limits of a good LIMITS body in place of all earlier ones. */
void guard_set_limits(struct guard *g, const uint8_t *body, uint8_t n);

/* Whether a fitted input is open; `inputs` are those closed. */
bool guard_input_open(const struct guard *g, uint8_t inputs);

/* Power goes on now under a lease, or the lease of power that is on begins anew. */
void guard_power_on(struct guard *g, uint32_t now, uint16_t lease_ms);

/* Power goes off by command. */
void guard_power_off(struct guard *g);

/* Looks at what needs no scan. True where power has to fall off now: `trip` says why, and `on` is false from here. */
bool guard_look(struct guard *g, uint32_t now, uint8_t inputs);

/* Takes a scan in, and looks at the limits. True as above. */
bool guard_scan(struct guard *g, const struct scan *scan);

/* Clears the trip, unless its cause is still there: false then. */
bool guard_clear(struct guard *g, uint32_t now, uint8_t inputs);

#endif
