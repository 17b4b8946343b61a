/* Checks that count, and a board of paper: everything that the core asks of a board, to be set and read by a test. */
#ifndef HARNESS_H
#define HARNESS_H

#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#include "device.h"

#define MOST_SENT 65536u

/* Counts a check; says where and what where it fails, and goes on. */
#define CHECK(held) check((held), __FILE__, __LINE__, #held)
#define CHECK_EQUAL(found, expected) check_equal((int64_t)(found), (int64_t)(expected), __FILE__, __LINE__, #found)

void check(bool held, const char *file, int line, const char *what);
void check_equal(int64_t found, int64_t expected, const char *file, int line, const char *what);

/* Ends the program with what was found. */
int checks_end(void);

/* The board of paper. `room` is what the line takes; `sent` what has been put on it. */
struct paper {
    uint32_t ticks;
    uint8_t inputs;
    bool power;
    uint16_t valve;
    uint16_t valve_moves;
    uint16_t room;
    uint8_t sent[MOST_SENT];
    uint32_t n_sent;
    uint32_t dropped; /* frames that found no room */
    int16_t samples[4096];
    uint16_t n_samples, next_sample;
    bool capturing;
    uint8_t capture_channel;
    uint32_t capture_period;
    uint16_t capture_total;
};

extern struct paper paper;

/* A fresh board at this tick: inputs closed, line empty. */
void paper_start(uint32_t ticks);

/* The next frame that was sent, without stuffing and check sum, which are right; gives its length, 0 if there is none. */
uint8_t paper_frame(uint8_t content[LONGEST_CONTENT]);

/* What was sent has been read and is forgotten. */
void paper_start_reading(void);

/* Reads on to the next frame of a type; 0 if none is left. */
uint8_t paper_frame_of(enum frame_type type, uint8_t content[LONGEST_CONTENT]);

/* The device of the golden frames: two channels, one counter. */
extern const struct design two_channels;

/* Everything fitted, 12 bits over 5 V, roles 1 2 3 4 5 9, a tick of 1 us. */
extern const struct design bench;

/* Stuffs a frame of the host's with its check sum; gives its length on the line. */
uint8_t host_frame(uint8_t *wire, uint8_t type, uint8_t seq, const uint8_t *body, uint8_t n);

/* Sends it to a device. */
void tell(struct device *d, uint8_t type, uint8_t seq, const void *body, uint8_t n);

/* The same, and the code of the one REPLY that comes; -1 if there is none. */
int ask(struct device *d, uint8_t type, uint8_t seq, const void *body, uint8_t n);

/* Time goes on by scans of 2 ms, all of them with these counts. */
void run(struct device *d, uint16_t scans, const int16_t *counts);

void test_wire(void);
void test_deframer(void);
void test_limits(void);
void test_guard(void);
void test_gather(void);
void test_pulses(void);
void test_capture(void);
void test_device(void);
void test_requests(void);

#endif
