#include "machine.h"

#include <string.h>

#include "board.h"
#include "device.h"
#include "link.h"
#include "line.h"
#include "pulses.h"

#define KEPT_SAMPLES 4096u
#define POWER_ON_RESET 1u

struct outcome outcome;

static struct device device;
static struct pulses pulses;
static struct setting set;
static const struct span *span;

static uint64_t now, booted, span_start, next_scan;
static uint64_t scans; /* since boot */
static uint16_t boot;
static uint8_t reset_due; /* cause of the reset with which the next span begins, 0 for none */

static struct {
    uint8_t channel;
    uint16_t left; /* samples still to be taken */
    uint64_t next, period;
    uint16_t head, kept;
    int16_t samples[KEPT_SAMPLES];
} sampling;

/* What the core asks for */

uint32_t board_ticks(void)
{
    return set.first_tick + (uint32_t)((now - booted) / NS_PER_TICK);
}

uint16_t board_room(void)
{
    return line_room();
}

bool board_send(const uint8_t *wire, uint8_t n)
{
    return line_put(wire, n, now);
}

void board_power(bool on)
{
    if (outcome.power && !on)
        outcome.power_off_ns = (uint32_t)(now - span_start);
    outcome.power = on;
}

void board_valve(uint16_t position)
{
    outcome.valve = position;
}

uint8_t board_inputs(void)
{
    return span->inputs;
}

/* Samples begin behind the next scan, so that whoever feeds the pins can feed them finely from the first one on. */
uint32_t board_capture(uint8_t channel, uint32_t period, uint16_t total)
{
    sampling.channel = channel;
    sampling.left = total;
    sampling.period = (uint64_t)period * NS_PER_TICK;
    sampling.next = next_scan + sampling.period;
    sampling.head = sampling.kept = 0;
    return set.first_tick + (uint32_t)((sampling.next - booted) / NS_PER_TICK);
}

bool board_capturing(void)
{
    return sampling.left != 0;
}

uint16_t board_samples(void)
{
    return sampling.kept;
}

int16_t board_sample(void)
{
    const int16_t sample = sampling.samples[sampling.head];
    sampling.head = (uint16_t)((sampling.head + 1u) % KEPT_SAMPLES);
    sampling.kept--;
    return sample;
}

/* The converter */

static bool wide(uint8_t channel)
{
    return set.design.analog[channel].role == ROLE_SHUNT_WIDE;
}

static float volts_now(uint8_t channel)
{
    if (!span->n_fine || !wide(channel) || now == span_start)
        return span->volts[channel];
    const uint64_t k = ((now - span_start) * span->n_fine + span->ns - 1) / span->ns;
    return span->fine[k - 1];
}

static int16_t convert(uint8_t channel)
{
    const struct channel *c = &set.design.analog[channel];
    const float step = c->volts_per_count < 0 ? -c->volts_per_count : c->volts_per_count;
    const float count = volts_now(channel) / step + 0.5f;
    const int16_t top = top_count(c);
    if (!(count > 0)) /* a pin that is no number reads as nothing */
        return 0;
    return count > (float)top ? top : (int16_t)count;
}

static void take_scan(void)
{
    struct scan scan = {.tick = board_ticks()};
    for (uint8_t k = 0; k < set.design.n_analog; k++)
        scan.counts[k] = convert(k);
    scan.edges = pulses_at(&pulses, scan.tick, &scan.last_edge);
    next_scan = booted + ++scans * 1000000000u / set.design.sample_hz;
    device_scan(&device, &scan);
    device_look(&device);
}

static void take_sample(void)
{
    if (sampling.kept == KEPT_SAMPLES) {
        sampling.left = 0;
        return;
    }
    sampling.samples[(sampling.head + sampling.kept++) % KEPT_SAMPLES] = convert(sampling.channel);
    sampling.next += sampling.period;
    sampling.left--;
}

/* Time */

static uint64_t earlier(uint64_t a, uint64_t b)
{
    return a < b ? a : b;
}

static void reach(uint64_t end)
{
    uint16_t edge = 0;
    for (;;) {
        const uint64_t edge_at = edge < span->n_edges ? span_start + span->edges[edge] : UINT64_MAX;
        const uint64_t sample_at = sampling.left ? sampling.next : UINT64_MAX;
        const uint64_t byte_at = line_next();
        const uint64_t next = earlier(earlier(edge_at, sample_at), earlier(byte_at, next_scan));
        if (next > end)
            break;
        now = next > now ? next : now; /* a line that was held up is behind */
        if (next == edge_at) {
            pulses_take(&pulses, board_ticks());
            edge++;
        } else if (next == byte_at) {
            line_move(&device, now);
        } else if (next == sample_at) {
            take_sample();
        } else {
            take_scan();
        }
        outcome.wants_fine |= sampling.left && wide(sampling.channel);
    }
    now = end;
}

static void boot_up(void)
{
    const uint8_t cause = reset_due;
    reset_due = 0;
    booted = now;
    scans = 1;
    next_scan = booted + 1000000000u / set.design.sample_hz;
    memset(&sampling, 0, sizeof sampling);
    pulses_start(&pulses, set.first_edges);
    outcome.valve = UNKNOWN_VALVE;
    line_drop();
    device_start(&device, &set.design, boot, cause);
}

void machine_run(const struct span *given)
{
    span = given;
    outcome.power_off_ns = NEVER;
    if (reset_due)
        boot_up();
    outcome.wants_fine = sampling.left && wide(sampling.channel);
    line_hear(given->rx, given->n_rx, now);
    reach(span_start + given->ns);
    span_start = now;
}

void machine_start(const struct setting *setting)
{
    set = *setting;
    boot = set.boot;
    reset_due = POWER_ON_RESET;
    line_start(set.baud);
}

void machine_reset(uint8_t cause)
{
    boot++;
    reset_due = cause;
}
