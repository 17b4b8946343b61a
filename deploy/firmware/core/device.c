#include "device.h"

#include <string.h>

#include "board.h"
#include "bytes.h"
#include "frames.h"
#include "requests.h"

void device_start(struct device *d, const struct design *design, uint16_t boot, uint8_t cause)
{
    memset(d, 0, sizeof *d);
    board_power(false);
    d->design = design;
    d->boot = boot;
    d->cause = cause;
    deframer_start(&d->in);
    guard_start(&d->guard, design, board_ticks());
    gather_start(&d->gather, design);
    capture_start(&d->capture);
    valve_start(&d->valve);
    board_send(&(const uint8_t){0}, 1); /* ends whatever stood on the line */
    d->identities_owed = 1;
    device_look(d);
}

static void send_identities(struct device *d)
{
    uint8_t frame[FRAME(IDENTITY_BODY)];
    while (d->identities_owed && board_room() >= sizeof frame) {
        d->identities_owed--;
        const uint8_t *end = identity_body(frame + HEAD, d->design, d->boot, d->cause);
        frame_send(frame, IDENTITY, end, &d->seq);
    }
}

static uint8_t outputs(const struct device *d)
{
    return (uint8_t)((d->guard.on ? POWER_ON : 0) | (d->valve.moving ? VALVE_MOVING : 0) |
                     (d->streaming ? STREAM_ON : 0) | (d->guard.limits.set ? LIMITS_SET : 0) |
                     (d->capture.under_way ? CAPTURING : 0));
}

static const uint8_t *status_body(const struct device *d, uint8_t *at, uint32_t now)
{
    at = put_u32(put_u8(at, (uint8_t)d->boot), now);
    at = put_u8(at, outputs(d));
    at = put_u16(at, d->valve.position);
    at = put_u16(at, 0); /* supply: fixed */
    at = put_u8(at, board_inputs() & d->design->inputs_fitted);
    at = put_u8(at, (uint8_t)d->guard.trip);
    at = put_u16(at, d->guard.limits.crc);
    return put_u16(put_u16(at, d->rx_bad), d->rx_gap);
}

/* STATUS on every change, though at most STATUS_HZ times a second, and once a second. */
static void tell_status(struct device *d, uint32_t now)
{
    const uint32_t since = now - d->told_at;
    uint8_t frame[FRAME(STATUS_BODY)];
    if ((d->told_any && since < d->design->tick_hz / STATUS_HZ) || board_room() < sizeof frame)
        return;
    const uint8_t *end = status_body(d, frame + HEAD, now);
    const uint8_t *changing = frame + HEAD + 5;
    if (d->told_any && since < d->design->tick_hz && !memcmp(d->told, changing, sizeof d->told))
        return;
    d->told_any = true;
    d->told_at = now;
    memcpy(d->told, changing, sizeof d->told);
    frame_send(frame, STATUS, end, &d->seq);
}

void device_look(struct device *d)
{
    const uint32_t now = board_ticks();
    if (guard_look(&d->guard, now, board_inputs()))
        board_power(false);
    valve_look(&d->valve, now);
    send_identities(d);
    capture_look(&d->capture, d->design, &d->seq);
    tell_status(d, now);
}

static void gather(struct device *d, const struct scan *scan)
{
    if (scan->missed) {
        gather_send(&d->gather, (uint8_t)d->boot, &d->seq);
        gather_skip(&d->gather, scan->missed, 0);
    }
    if (gather_add(&d->gather, scan))
        gather_send(&d->gather, (uint8_t)d->boot, &d->seq);
}

void device_scan(struct device *d, const struct scan *scan)
{
    if (guard_look(&d->guard, board_ticks(), board_inputs()) || guard_scan(&d->guard, scan))
        board_power(false);
    if (!d->streaming)
        return;
    if (board_capturing())
        gather_skip(&d->gather, (uint8_t)(1 + scan->missed), DISPLACED);
    else
        gather(d, scan);
}

static void count(uint16_t *counter, uint8_t more)
{
    *counter = (uint16_t)(*counter + more);
}

static void reply(struct device *d, uint8_t seq, enum reply_code code)
{
    uint8_t frame[FRAME(REPLY_BODY)];
    uint8_t *end = put_u8(put_u8(frame + HEAD, seq), (uint8_t)code);
    frame_send(frame, REPLY, end, &d->seq);
}

/* A sound frame is in `in`. */
static void take(struct device *d)
{
    const uint8_t type = d->in.content[0], seq = d->in.content[1];
    const uint8_t *body = d->in.content + 2;
    const uint8_t n = (uint8_t)(d->in.length - 2);
    count(&d->rx_gap, d->in.lost);
    if (type < IDENTIFY || type > CLEAR) {
        reply(d, seq, UNKNOWN_TYPE);
    } else if (!request_whole(type, body, n)) {
        count(&d->rx_bad, 1);
        reply(d, seq, BAD_VALUE);
    } else if (type == IDENTIFY) {
        if (d->identities_owed < UINT8_MAX)
            d->identities_owed++;
        send_identities(d);
    } else {
        reply(d, seq, request_answer(d, type, body, n));
    }
}

void device_byte(struct device *d, uint8_t byte)
{
    const enum piece piece = deframer_take(&d->in, byte);
    if (piece == BAD_PIECE)
        count(&d->rx_bad, 1);
    else if (piece == SOUND)
        take(d);
}
