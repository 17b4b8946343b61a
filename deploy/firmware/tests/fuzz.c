/* The core between a host and a bench that both do as they like: nothing may bring it down, what it sends is always
 * whole, and power is on only under a lease, within limits, with all inputs closed.
 *
 * The input is a list of deeds, one byte each with what it needs behind it. What must hold is judged here by the
 * contract's words, with the raw bodies of the frames that were answered 0, and not by the core's own arithmetic. */
#include <stdio.h>
#include <stdlib.h>

#include "bytes.h"
#include "harness.h"

#define REQUIRE(held) require((held), __LINE__, #held)

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct device device;
static uint8_t seq; /* of the host's next frame */

/* What the host knows to be in force */
static uint8_t limits[LONGEST_CONTENT];
static bool limited;
static uint32_t lease_end, on_since;
static bool was_on;
static int16_t recent[3][N_ANALOG];
static uint32_t scans_on;
static uint8_t sent_seq;
static uint32_t jumped, dropped;
static bool any_sent;

static void require(bool held, int line, const char *what)
{
    if (held)
        return;
    fprintf(stderr, "fuzz.c:%d: does not hold: %s\n", line, what);
    abort();
}

/* The checks of the paper board. */
void check(bool held, const char *file, int line, const char *what)
{
    (void)file;
    require(held, line, what);
}

void check_equal(int64_t found, int64_t expected, const char *file, int line, const char *what)
{
    (void)file;
    require(found == expected, line, what);
}

/* A body's length by its type, as section 4 of the contract has it. */
static uint32_t body_length(const uint8_t *content)
{
    const uint8_t *body = content + 2;
    switch (content[0]) {
    case IDENTITY:
        return 31u + 8u * body[29] + body[30];
    case SCANS:
        return 12u + 2u * body[9] * bench.n_analog + 8u * bench.n_pulse;
    case STATUS:
        return 18;
    case BURST:
        return 16u + 2u * body[15];
    case REPLY:
        return 2;
    default:
        return UINT32_MAX;
    }
}

/* Whatever was sent is whole, and its numbers jump over no more than what found no room. Gives the code of a REPLY to `asked`,
 * −1 if there is none. */
static int read_all(int asked)
{
    uint8_t content[LONGEST_CONTENT];
    int code = -1;
    uint8_t n;
    while ((n = paper_frame(content)) != 0) {
        REQUIRE(n - 2u == body_length(content));
        if (any_sent)
            jumped += (uint8_t)(content[1] - sent_seq - 1);
        sent_seq = content[1];
        any_sent = true;
        if (content[0] == SCANS)
            REQUIRE(content[11] >= 1 && content[11] <= 25);
        if (content[0] == REPLY && content[2] == asked)
            code = content[3];
    }
    dropped += paper.dropped;
    REQUIRE(jumped <= dropped);
    paper_start_reading();
    return code;
}

static void look_at_power(void)
{
    if (!paper.power) {
        was_on = false;
        return;
    }
    REQUIRE(limited);
    REQUIRE(device.guard.trip == NO_TRIP);
    REQUIRE((int32_t)(paper.ticks - lease_end) < 0);
    if (!was_on) {
        on_since = paper.ticks;
        scans_on = 0;
    }
    was_on = true;
}

static float median_volts(uint8_t channel)
{
    int16_t a = recent[0][channel], b = recent[1][channel], c = recent[2][channel];
    const int16_t middle = (a <= b && b <= c) || (c <= b && b <= a) ? b : (b <= a && a <= c) || (c <= a && a <= b) ? a : c;
    return (float)(middle - bench.analog[channel].zero_count) * bench.analog[channel].volts_per_count;
}

/* With power still on behind a scan, no limit is passed by the last three. */
static void look_at_limits(void)
{
    const uint32_t on_us = paper.ticks - on_since;
    if (!paper.power || scans_on < 3)
        return;
    for (uint8_t k = 0; k < limits[4]; k++) {
        const uint8_t *entry = limits + LIMITS_HEAD + LIMIT_SIZE * k, role = bench.analog[entry[0]].role;
        const float volts = median_volts(entry[0]);
        if ((role == ROLE_SHUNT || role == ROLE_SHUNT_WIDE) && on_us < get_u16(limits) * 1000u)
            continue;
        REQUIRE(!(volts > get_f32(entry + 1)));
        REQUIRE(!(volts < get_f32(entry + 5)));
    }
    if (get_u16(limits + 2))
        REQUIRE(on_us < get_u16(limits + 2) * 1000000u);
}

/* A whole frame from the host, and what follows from its answer. */
static void send(uint8_t type, const uint8_t *body, uint8_t n)
{
    const uint16_t room = paper.room;
    paper.room = 1024; /* so that the answer is seen */
    const uint8_t mine = seq++;
    read_all(-1);
    tell(&device, type, mine, body, n);
    const int code = read_all(mine);
    if (type != IDENTIFY || n)
        REQUIRE(code >= 0 && code <= 7);
    if (type == LIMITS && code == DONE) {
        memcpy(limits, body, n);
        limited = true;
    }
    if (type == DRIVE && n == 7 && (!body[0] || !get_u16(body + 5)))
        REQUIRE(!paper.power && code == DONE);
    else if (type == DRIVE && code == DONE)
        lease_end = paper.ticks + get_u16(body + 5) * 1000u;
    REQUIRE(code != DONE || type != DRIVE || !paper.power || (paper.inputs & 7) == 7);
    look_at_power();
    paper.room = room;
}

static void take_scan(const int16_t *counts, uint8_t missed)
{
    struct scan scan = {.missed = missed};
    paper.ticks += 2000u * (1u + missed);
    scan.tick = paper.ticks;
    memcpy(scan.counts, counts, bench.n_analog * sizeof *counts);
    for (unsigned k = 0; k < 2; k++)
        memcpy(recent[k], recent[k + 1], sizeof recent[k]);
    memcpy(recent[2], scan.counts, sizeof recent[2]);
    scans_on++;
    device_scan(&device, &scan);
    device_look(&device);
    REQUIRE(!paper.power || (paper.inputs & 7) == 7);
    look_at_power();
    look_at_limits();
}

static void start(uint32_t tick)
{
    paper_start(tick);
    limited = was_on = any_sent = false;
    jumped = dropped = 0;
    seq = 0;
    device_start(&device, &bench, 1, 1);
    REQUIRE(!paper.power);
    read_all(-1);
}

/* A cursor on the input; behind its end stand zeros. */
static const uint8_t *at, *end;

static uint8_t next(void)
{
    return at < end ? *at++ : 0;
}

static void good_drive(void)
{
    const uint8_t body[7] = {1, 0, 0, 0xFF, 0xFF, next(), (uint8_t)(next() % 8)};
    send(DRIVE, body, sizeof body);
}

static void good_limits(void)
{
    uint8_t body[LIMITS_HEAD + 2 * LIMIT_SIZE] = {next(), 0, next() & 3, 0, 2};
    for (unsigned k = 0; k < 2; k++) {
        uint8_t *entry = put_u8(body + LIMITS_HEAD + LIMIT_SIZE * k, next() % bench.n_analog);
        put_f32(put_f32(entry, (float)next() / 51.0f), (float)next() / 510.0f - 0.1f);
    }
    send(LIMITS, body, sizeof body);
}

static void any_frame(void)
{
    uint8_t body[246];
    const uint8_t type = (uint8_t)(0x3F + next() % 10), n = (uint8_t)(next() % 247);
    for (uint8_t k = 0; k < n; k++)
        body[k] = next();
    send(type, body, n);
}

static void any_bytes(void)
{
    for (uint8_t n = next(); n; n--)
        device_byte(&device, next());
    device_byte(&device, 0); /* what they began ends here: the next frame is the host's own again */
    limited = device.guard.limits.set; /* they may have been frames after all */
    look_at_power();
    read_all(-1);
}

static void scans(void)
{
    int16_t counts[N_ANALOG];
    const uint8_t n = next() % 32;
    for (uint8_t k = 0; k < bench.n_analog; k++)
        counts[k] = (int16_t)(next() * 16 + 15);
    for (uint8_t k = 0; k < n; k++)
        take_scan(counts, 0);
    read_all(-1);
}

/* A converter that says nothing: the lease is looked at all the same, and 20 ms are all that power gets. */
static void silence(void)
{
    for (uint8_t k = 0; k < 11; k++) {
        paper.ticks += 2000;
        device_look(&device);
        look_at_power();
    }
    REQUIRE(!paper.power);
    read_all(-1);
}

static void samples(void)
{
    for (uint8_t n = next(); n && paper.capturing && paper.n_samples < 4096; n--)
        paper.samples[paper.n_samples++] = (int16_t)(next() * 16);
    if (paper.n_samples >= paper.capture_total || next() > 250)
        paper.capturing = false;
    device_look(&device);
    read_all(-1);
}

static void deed(uint8_t which)
{
    switch (which % 12) {
    case 0:
        good_drive();
        break;
    case 1:
        good_limits();
        break;
    case 2:
        any_frame();
        break;
    case 3:
        any_bytes();
        break;
    case 4:
        silence();
        break;
    case 5:
        paper.inputs = next();
        break;
    case 6:
        paper.room = (uint16_t)(next() * 4);
        break;
    case 7:
        samples();
        break;
    case 8:
        send(STREAM, (const uint8_t[]){next() & 1}, 1);
        break;
    case 9:
        send(CLEAR, NULL, 0);
        break;
    case 10:
        send(CAPTURE, (const uint8_t[]){next(), 9, 0x40, 0x1F, 0, 0, next(), 1}, 8);
        break;
    default:
        scans();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    at = data;
    end = data + size;
    start((uint32_t)next() << 24 | 0xFFF000u); /* the wrap of ticks among others */
    while (at < end)
        deed(next());
    return 0;
}
