/* Little-endian numbers in and out of bytes. `put_*` give the place behind what they wrote. */
#ifndef BYTES_H
#define BYTES_H

#include <stdint.h>
#include <string.h>

static inline uint8_t *put_u8(uint8_t *at, uint8_t value)
{
    *at = value;
    return at + 1;
}

static inline uint8_t *put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    return at + 2;
}

static inline uint8_t *put_u32(uint8_t *at, uint32_t value)
{
    return put_u16(put_u16(at, (uint16_t)value), (uint16_t)(value >> 16));
}

/* IEEE 754 single precision, which is what a float is on every board so far. */
static inline uint8_t *put_f32(uint8_t *at, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return put_u32(at, bits);
}

static inline uint16_t get_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)(at[1] << 8));
}

static inline uint32_t get_u32(const uint8_t *at)
{
    return get_u16(at) | ((uint32_t)get_u16(at + 2) << 16);
}

static inline float get_f32(const uint8_t *at)
{
    const uint32_t bits = get_u32(at);
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

#endif
