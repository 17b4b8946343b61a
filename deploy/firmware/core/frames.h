/* Frames for the host, built where they are sent from.
 *
 * A frame's buffer has room for one byte of stuffing in front and three bytes behind its body: check sum and zero. */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "design.h"
#include "link.h"

#define HEAD 3u /* place of stuffing, type, seq */
#define TAIL 3u /* check sum, zero */
#define FRAME(body) (HEAD + (body) + TAIL)
#define IDENTITY_BODY (31u + 8u * N_ANALOG + N_PULSE)
#define SCANS_HEAD 12u
#define STATUS_BODY 18u
#define BURST_HEAD 16u
#define REPLY_BODY 2u

/* Ends a frame whose body ends before `end`: number, check sum, stuffing; then sends it. False where the line was full:
 * the number is spent all the same, so that the host sees that a frame is missing. */
bool frame_send(uint8_t *frame, enum frame_type type, const uint8_t *end, uint8_t *seq);

/* The body of IDENTITY at `at`; gives the place behind it. */
uint8_t *identity_body(uint8_t *at, const struct design *design, uint16_t boot, uint8_t cause);

#endif
