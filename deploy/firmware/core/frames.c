#include "frames.h"

#include <string.h>

#include "board.h"
#include "bytes.h"
#include "wire.h"

bool frame_send(uint8_t *frame, enum frame_type type, const uint8_t *end, uint8_t *seq)
{
    const uint8_t n = (uint8_t)(end - frame - 1); /* type, seq and body */
    frame[1] = (uint8_t)type;
    frame[2] = (*seq)++;
    put_u16(frame + 1 + n, crc16(frame + 1, n));
    stuff(frame, (uint8_t)(n + 2));
    return board_send(frame, (uint8_t)(n + 4));
}

uint8_t *identity_body(uint8_t *at, const struct design *design, uint16_t boot, uint8_t cause)
{
    at = put_u8(at, PROTOCOL);
    at = put_u8(at, design->flags);
    memcpy(at, design->device_id, sizeof design->device_id);
    at += sizeof design->device_id;
    memcpy(at, design->firmware, sizeof design->firmware);
    at += sizeof design->firmware;
    at = put_u8(at, design->inputs_fitted);
    at = put_u8(at, cause);
    at = put_u16(at, boot);
    at = put_u32(at, design->tick_hz);
    at = put_u16(at, design->sample_hz);
    at = put_u32(at, design->burst_max_hz);
    at = put_u16(at, design->burst_max_total);
    at = put_u8(at, design->n_analog);
    at = put_u8(at, design->n_pulse);
    for (uint8_t k = 0; k < design->n_analog; k++) {
        const struct channel *c = &design->analog[k];
        at = put_u8(put_u8(at, c->role), c->bits);
        at = put_f32(put_u16(at, (uint16_t)c->zero_count), c->volts_per_count);
    }
    for (uint8_t k = 0; k < design->n_pulse; k++)
        at = put_u8(at, design->pulse[k]);
    return at;
}
