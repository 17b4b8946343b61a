#include "guard.h"

#include <string.h>

static uint32_t ticks_of(const struct guard *g, uint32_t ms)
{
    return ms * (g->design->tick_hz / 1000u);
}

void guard_start(struct guard *g, const struct design *design, uint32_t now)
{
    memset(g, 0, sizeof *g);
    g->design = design;
    g->trip = NO_TRIP;
    g->last_scan = now;
}

void guard_set_limits(struct guard *g, const uint8_t *body, uint8_t n)
{
    limits_set(&g->limits, body, n, g->design);
    /* Power that has been on for longer than this is not blanked again; the next scan tells it to the tick. */
    g->blank = (uint32_t)g->on_s * 1000u < g->limits.blank_ms;
}

bool guard_input_open(const struct guard *g, uint8_t inputs)
{
    return (g->design->inputs_fitted & (uint8_t)~inputs) != 0;
}

void guard_power_on(struct guard *g, uint32_t now, uint16_t lease_ms)
{
    if (!g->on) {
        g->on = true;
        g->on_since = g->second_since = g->last_scan = now;
        g->on_s = 0;
        g->n_recent = 0;
        g->blank = g->limits.blank_ms != 0;
    }
    g->lease_since = now;
    g->lease_ticks = ticks_of(g, lease_ms);
}

void guard_power_off(struct guard *g)
{
    g->on = false;
}

static bool fall(struct guard *g, enum trip trip)
{
    if (trip == NO_TRIP)
        return false;
    g->trip = trip;
    g->on = false;
    return true;
}

static enum trip open_input(const struct guard *g, uint8_t inputs)
{
    const uint8_t open = g->design->inputs_fitted & (uint8_t)~inputs;
    if (open & STOP_CIRCUIT)
        return TRIP_STOP;
    if (open & SPLASH_GUARD)
        return TRIP_GUARD;
    return open & FLUID_LEVEL ? TRIP_FLUID : NO_TRIP;
}

/* Counts whole seconds, since ticks wrap long before the longest time that a host may allow. */
static bool on_too_long(struct guard *g, uint32_t now)
{
    while (now - g->second_since >= g->design->tick_hz) {
        g->second_since += g->design->tick_hz;
        if (g->on_s < UINT16_MAX)
            g->on_s++;
    }
    return g->limits.max_on_s && g->on_s >= g->limits.max_on_s;
}

static bool silent(const struct guard *g, uint32_t now)
{
    return now - g->last_scan >= ticks_of(g, SILENCE_MS);
}

bool guard_look(struct guard *g, uint32_t now, uint8_t inputs)
{
    if (!g->on)
        return false;
    enum trip trip = open_input(g, inputs);
    if (trip == NO_TRIP && now - g->lease_since >= g->lease_ticks)
        trip = TRIP_LEASE;
    if (trip == NO_TRIP && on_too_long(g, now))
        trip = TRIP_TOO_LONG;
    if (trip == NO_TRIP && silent(g, now))
        trip = TRIP_SELF_TEST;
    return fall(g, trip);
}

static enum trip trip_of(uint8_t role)
{
    if (role == ROLE_PRESSURE || role == ROLE_SECOND_PRESSURE)
        return TRIP_PRESSURE;
    return role == ROLE_SHUNT || role == ROLE_SHUNT_WIDE ? TRIP_CURRENT : TRIP_OTHER;
}

static int16_t median(int16_t a, int16_t b, int16_t c)
{
    const int16_t low = a < b ? a : b, high = a < b ? b : a;
    return c < low ? low : c > high ? high : c;
}

/* The trip of the first limit that the median of the last three scans has passed; of those of one trip, if `only`. */
static enum trip passed(const struct guard *g, bool blank, enum trip only)
{
    if (g->n_recent < 3)
        return NO_TRIP;
    for (uint8_t k = 0; k < g->limits.n; k++) {
        const struct limit *entry = &g->limits.entries[k];
        const uint8_t c = entry->channel;
        const enum trip trip = trip_of(g->design->analog[c].role);
        if ((blank && trip == TRIP_CURRENT) || (only != NO_TRIP && trip != only))
            continue;
        const int16_t count = median(g->recent[0][c], g->recent[1][c], g->recent[2][c]);
        if (count < entry->lowest || count > entry->highest)
            return trip;
    }
    return NO_TRIP;
}

static void keep(struct guard *g, const struct scan *scan)
{
    g->newest = g->newest == 2 ? 0 : (uint8_t)(g->newest + 1);
    memcpy(g->recent[g->newest], scan->counts, sizeof scan->counts);
    if (g->n_recent < 3)
        g->n_recent++;
}

bool guard_scan(struct guard *g, const struct scan *scan)
{
    g->last_scan = scan->tick;
    if (!g->on) {
        keep(g, scan);
        return false;
    }
    const uint32_t since = scan->tick - g->on_since;
    if (since > UINT32_MAX / 2 && g->n_recent == 0)
        return false; /* taken before power went on, and only fetched now */
    keep(g, scan);
    /* Once over it stays over: ticks wrap. */
    g->blank = g->blank && since < ticks_of(g, g->limits.blank_ms);
    return fall(g, passed(g, g->blank, NO_TRIP));
}

static bool by_limit(enum trip trip)
{
    return trip == TRIP_PRESSURE || trip == TRIP_CURRENT || trip == TRIP_OTHER;
}

bool guard_clear(struct guard *g, uint32_t now, uint8_t inputs)
{
    const uint8_t open = g->design->inputs_fitted & (uint8_t)~inputs;
    const bool stands = (g->trip == TRIP_STOP && open & STOP_CIRCUIT) || (g->trip == TRIP_GUARD && open & SPLASH_GUARD) ||
                        (g->trip == TRIP_FLUID && open & FLUID_LEVEL) ||
                        (g->trip == TRIP_SELF_TEST && silent(g, now)) ||
                        (by_limit(g->trip) && passed(g, false, g->trip) != NO_TRIP);
    if (!stands)
        g->trip = NO_TRIP;
    return !stands;
}
