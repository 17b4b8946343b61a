#include "wire.h"

uint16_t crc16(const uint8_t *data, uint8_t n)
{
    uint16_t crc = 0xFFFF;
    while (n--) {
        /* Eight steps of the shift register at once: what the polynomial 0x1021 makes of a byte needs no table. */
        uint8_t x = (uint8_t)((crc >> 8) ^ *data++);
        x ^= (uint8_t)(x >> 4);
        crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
    }
    return crc;
}

void stuff(uint8_t *frame, uint8_t n)
{
    uint8_t code = 0; /* where the length of the stretch under way belongs */
    for (uint8_t k = 1; k <= n; k++) {
        if (!frame[k]) {
            frame[code] = (uint8_t)(k - code);
            code = k;
        }
    }
    frame[code] = (uint8_t)(n + 1 - code);
    frame[n + 1] = 0;
}

uint8_t unstuff(uint8_t *data, uint8_t n)
{
    uint8_t at = 0;
    if (!n)
        return 0;
    while (at < n) {
        const uint8_t length = data[at];
        data[at] = 0; /* a length stands where a zero was, all but the first */
        if (length > (uint8_t)(n - at))
            return 0;
        at = (uint8_t)(at + length);
    }
    for (uint8_t k = 1; k < n; k++)
        data[k - 1] = data[k];
    return (uint8_t)(n - 1);
}
