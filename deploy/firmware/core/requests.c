#include "requests.h"

#include "board.h"
#include "bytes.h"

#define STREAM_BODY 1u
#define DRIVE_BODY 7u
#define CAPTURE_BODY 8u

bool request_whole(uint8_t type, const uint8_t *body, uint8_t n)
{
    switch (type) {
    case STREAM:
        return n == STREAM_BODY;
    case DRIVE:
        return n == DRIVE_BODY;
    case LIMITS:
        return limits_whole(body, n);
    case CAPTURE:
        return n == CAPTURE_BODY;
    default: /* IDENTIFY and CLEAR */
        return n == 0;
    }
}

static bool has(const struct device *d, enum feature feature)
{
    return (d->design->flags & feature) != 0;
}

static enum reply_code stream(struct device *d, const uint8_t *body)
{
    if (body[0] > 1)
        return BAD_VALUE;
    if (!body[0])
        gather_send(&d->gather, (uint8_t)d->boot, &d->seq);
    d->streaming = body[0];
    return DONE;
}

struct drive {
    uint8_t power;
    uint16_t supply_mv, valve, lease_ms;
};

static bool valve_good(const struct drive *r)
{
    return r->valve <= FULLY_OPEN || r->valve == LEAVE_VALVE;
}

static bool valve_fitted(const struct device *d, const struct drive *r)
{
    return r->valve == LEAVE_VALVE || has(d, VALVE_ACTUATOR);
}

/* The first reason to refuse power, in the order that the link lays down; DONE for none. No board of this firmware has a
 * supply that can be set, so any setpoint asks for what is not fitted. */
static enum reply_code refusal(const struct device *d, const struct drive *r)
{
    if (r->power > 1 || r->lease_ms > LONGEST_LEASE_MS || !valve_good(r))
        return BAD_VALUE;
    if (!has(d, POWER_SWITCH) || r->supply_mv != LEAVE_SUPPLY || !valve_fitted(d, r))
        return NOT_FITTED;
    if (d->guard.trip != NO_TRIP)
        return TRIPPED;
    if (!d->guard.limits.set)
        return NO_LIMITS;
    return guard_input_open(&d->guard, board_inputs()) ? INPUT_OPEN : DONE;
}

static void move_valve(struct device *d, const struct drive *r)
{
    if (r->valve != LEAVE_VALVE && valve_good(r) && valve_fitted(d, r))
        valve_aim(&d->valve, d->design, board_ticks(), r->valve);
}

static enum reply_code drive(struct device *d, const uint8_t *body)
{
    const struct drive r = {body[0], get_u16(body + 1), get_u16(body + 3), get_u16(body + 5)};
    if (!r.power || !r.lease_ms) {
        board_power(false); /* before anything else, and whatever the rest says */
        guard_power_off(&d->guard);
        move_valve(d, &r);
        return DONE;
    }
    const enum reply_code code = refusal(d, &r);
    if (code != DONE)
        return code;
    guard_power_on(&d->guard, board_ticks(), r.lease_ms);
    move_valve(d, &r);
    board_power(true);
    return DONE;
}

static enum reply_code limits(struct device *d, const uint8_t *body, uint8_t n)
{
    if (!limits_good(body, d->design))
        return BAD_VALUE;
    if (!has(d, POWER_SWITCH))
        return NOT_FITTED;
    guard_set_limits(&d->guard, body, n);
    return DONE;
}

static enum reply_code capture(struct device *d, const uint8_t *body)
{
    const struct design *design = d->design;
    const uint32_t rate_hz = get_u32(body + 2);
    const uint16_t total = get_u16(body + 6);
    uint8_t channel = 0;
    while (channel < design->n_analog && design->analog[channel].role != body[1])
        channel++;
    if (channel == design->n_analog || !design->burst_max_hz)
        return NOT_FITTED;
    if (!rate_hz || rate_hz > design->burst_max_hz || !total || total > design->burst_max_total)
        return BAD_VALUE;
    if (d->capture.under_way)
        return d->capture.number == body[0] ? DONE : BUSY;
    gather_send(&d->gather, (uint8_t)d->boot, &d->seq);
    capture_begin(&d->capture, design, body[0], channel, rate_hz, total);
    return DONE;
}

enum reply_code request_answer(struct device *d, uint8_t type, const uint8_t *body, uint8_t n)
{
    switch (type) {
    case STREAM:
        return stream(d, body);
    case DRIVE:
        return drive(d, body);
    case LIMITS:
        return limits(d, body, n);
    case CAPTURE:
        return capture(d, body);
    default: /* CLEAR */
        return guard_clear(&d->guard, board_ticks(), board_inputs()) ? DONE : TRIPPED;
    }
}
