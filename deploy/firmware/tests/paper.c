#include "board.h"
#include "bytes.h"
#include "harness.h"
#include "wire.h"

const struct design two_channels = {
    .flags = SIMULATED,
    .device_id = {0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88},
    .firmware = {1, 2, 3},
    .inputs_fitted = 7,
    .n_analog = 2,
    .n_pulse = 1,
    .sample_hz = 500,
    .tick_hz = 1000000,
    .burst_max_hz = 20000,
    .burst_max_total = 1024,
    .analog = {{ROLE_PRESSURE, 12, 0, 5.0f / 4096.0f}, {ROLE_SHUNT, 12, -8, -5.0f / 4096.0f}},
    .pulse = {PULSE_FLOW},
};

const struct design bench = {
    .flags = SIMULATED | POWER_SWITCH | VALVE_ACTUATOR,
    .inputs_fitted = STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL,
    .n_analog = 6,
    .n_pulse = 1,
    .sample_hz = 500,
    .tick_hz = 1000000,
    .burst_max_hz = 20000,
    .burst_max_total = 4000,
    .valve_travel_ms = 2000,
    .analog =
        {
            {ROLE_PRESSURE, 12, 0, 5.0f / 4096.0f},
            {ROLE_VOLTAGE, 12, 0, 5.0f / 4096.0f},
            {ROLE_SHUNT, 12, 41, 5.0f / 4096.0f},
            {ROLE_TEMPERATURE, 12, 0, 5.0f / 4096.0f},
            {ROLE_LEVEL, 12, 0, 5.0f / 4096.0f},
            {ROLE_SHUNT_WIDE, 12, 41, 5.0f / 4096.0f},
        },
    .pulse = {PULSE_FLOW},
};

struct paper paper;
static uint32_t read_to;

void paper_start(uint32_t ticks)
{
    memset(&paper, 0, sizeof paper);
    paper.ticks = ticks;
    paper.inputs = STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL;
    paper.valve = UNKNOWN_VALVE;
    paper.room = 1024;
    read_to = 0;
}

uint32_t board_ticks(void)
{
    return paper.ticks;
}

uint16_t board_room(void)
{
    return paper.room;
}

bool board_send(const uint8_t *wire, uint8_t n)
{
    if (n > paper.room || paper.n_sent + n > MOST_SENT) {
        paper.dropped++;
        return false;
    }
    memcpy(paper.sent + paper.n_sent, wire, n);
    paper.n_sent += n;
    return true;
}

void board_power(bool on)
{
    paper.power = on;
}

void board_valve(uint16_t position)
{
    paper.valve = position;
    paper.valve_moves++;
}

uint8_t board_inputs(void)
{
    return paper.inputs;
}

uint32_t board_capture(uint8_t channel, uint32_t period, uint16_t total)
{
    paper.capturing = true;
    paper.capture_channel = channel;
    paper.capture_period = period;
    paper.capture_total = total;
    paper.n_samples = paper.next_sample = 0;
    return paper.ticks + period;
}

bool board_capturing(void)
{
    return paper.capturing;
}

uint16_t board_samples(void)
{
    return (uint16_t)(paper.n_samples - paper.next_sample);
}

int16_t board_sample(void)
{
    return paper.samples[paper.next_sample++];
}

void paper_start_reading(void)
{
    read_to = paper.n_sent = paper.dropped = 0;
}

uint8_t paper_frame(uint8_t content[LONGEST_CONTENT])
{
    while (read_to < paper.n_sent && !paper.sent[read_to])
        read_to++;
    const uint8_t *from = paper.sent + read_to, *end = memchr(from, 0, paper.n_sent - read_to);
    if (!end)
        return 0;
    uint8_t raw[LONGEST_STUFFED];
    const uint8_t stuffed = (uint8_t)(end - from);
    CHECK(end - from <= (int)LONGEST_STUFFED);
    memcpy(raw, from, stuffed);
    read_to += stuffed + 1u;
    const uint8_t n = unstuff(raw, stuffed);
    CHECK(n >= SHORTEST_CONTENT);
    CHECK_EQUAL(crc16(raw, (uint8_t)(n - 2)), get_u16(raw + n - 2));
    memcpy(content, raw, n - 2u);
    return (uint8_t)(n - 2);
}

uint8_t paper_frame_of(enum frame_type type, uint8_t content[LONGEST_CONTENT])
{
    uint8_t n;
    do
        n = paper_frame(content);
    while (n && content[0] != type);
    return n;
}

uint8_t host_frame(uint8_t *wire, uint8_t type, uint8_t seq, const uint8_t *body, uint8_t n)
{
    wire[1] = type;
    wire[2] = seq;
    if (n)
        memcpy(wire + 3, body, n);
    put_u16(wire + 3 + n, crc16(wire + 1, (uint8_t)(n + 2)));
    stuff(wire, (uint8_t)(n + 4));
    return (uint8_t)(n + 6);
}

void tell(struct device *d, uint8_t type, uint8_t seq, const void *body, uint8_t n)
{
    uint8_t wire[LONGEST_STUFFED + 1];
    const uint8_t length = host_frame(wire, type, seq, body, n);
    for (uint8_t k = 0; k < length; k++)
        device_byte(d, wire[k]);
}

int ask(struct device *d, uint8_t type, uint8_t seq, const void *body, uint8_t n)
{
    uint8_t content[LONGEST_CONTENT];
    read_to = paper.n_sent;
    tell(d, type, seq, body, n);
    if (!paper_frame_of(REPLY, content))
        return -1;
    CHECK_EQUAL(content[2], seq);
    const int code = content[3];
    CHECK_EQUAL(paper_frame_of(REPLY, content), 0);
    return code;
}

void run(struct device *d, uint16_t scans, const int16_t *counts)
{
    struct scan scan = {0};
    memcpy(scan.counts, counts, d->design->n_analog * sizeof *counts);
    while (scans--) {
        paper.ticks += d->design->tick_hz / d->design->sample_hz;
        scan.tick = paper.ticks;
        device_scan(d, &scan);
        device_look(d);
    }
}
