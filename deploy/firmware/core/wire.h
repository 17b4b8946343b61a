/* Check sum and stuffing of a frame.
 *
 * Stuffing: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999. Check
 * sum: CRC-16/IBM-3740 (polynomial 0x1021, initial value 0xFFFF, not reflected, no final XOR).
 */
#ifndef WIRE_H
#define WIRE_H

#include <stdint.h>

/* CRC-16/IBM-3740 of `n` bytes. */
uint16_t crc16(const uint8_t *data, uint8_t n);

/* Stuffs in place. `frame[1]` to `frame[n]` hold at most 250 bytes; behind it `frame[0]` to `frame[n + 1]` are what
 * goes on the line, the closing zero included. So short a frame needs one byte of stuffing and never a second. */
void stuff(uint8_t *frame, uint8_t n);

/* Takes the stuffing out in place of `n` bytes without a zero in them. Gives the number of bytes that are left, or 0 for
 * what no sender can have stuffed. */
uint8_t unstuff(uint8_t *data, uint8_t n);

#endif
