#include "pins.h"

#include <avr_adc.h>
#include <avr_ioport.h>
#include <math.h>
#include <string.h>

enum {
    FLOW_PIN = 0,  /* PB0, ICP1 */
    VALVE_PIN = 1, /* PB1, OC1A */
    POWER_PIN = 4, /* PD4: high is on */
    STOP_PIN = 5,  /* PD5 to PD7, with guard and fluid: closed is low */
    INPUT_MASK = 7 << STOP_PIN,
    PIN_B = 0x23, /* registers, in the data memory */
    PIN_D = 0x29,
    DIRECTION_D = 0x2A,
    N_PINS = 6,    /* ADC0 to ADC5 */
    WIDE = 5,      /* the shunt's wide band */
    TOP = 1023,
    UP_US = 100, /* how long a flow pulse stays up, if the next one does not come before */
    TICK = 8,    /* cycles of half a microsecond, to which a servo pulse is measured */
    SHUT = 2000, /* ticks of a pulse for a valve that is shut: 1 ms */
    TRAVEL = 2000,
};

struct level {
    avr_cycle_count_t at;
    bool up;
};

static avr_t *avr;
static avr_irq_t *port_b, *port_d, *adc;
static const struct span *now;
static avr_cycle_count_t begun, ends;
static struct pins_seen seen;

static struct level line[2 * MOST + 2];
static uint32_t in_line, done;
static bool flow_up;
static avr_cycle_count_t flow_falls;

static uint8_t inputs = INPUT_MASK; /* as levels */
static bool power, fine;
static avr_cycle_count_t power_fell;
static bool valve_up;
static avr_cycle_count_t valve_rose;
static uint16_t valve = NO_VALVE;

static avr_cycle_count_t cycles(uint64_t ns)
{
    return ns * avr->frequency / UINT64_C(1000000000);
}

/* Puts levels on input pins of a port so that they stay when the firmware writes the port's other pins. */
static void hold(uint32_t port, avr_irq_t *irq, uint8_t mask, uint8_t levels)
{
    avr_ioport_external_t outside = {.name = port & 0x7Fu, .mask = mask, .value = levels};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &outside);
    for (int k = 0; k < 8; k++)
        if (mask & 1 << k)
            avr_raise_irq(irq + k, levels >> k & 1);
}

/* Converter */

static float fine_volts(void)
{
    const double share = (double)(avr->cycle - begun) / (double)(ends - begun);
    const double k = ceil(share * now->n_fine) - 1.0;
    const double last = now->n_fine - 1.0;
    return now->fine[(int)(k < 0.0 ? 0.0 : k > last ? last : k)];
}

static float volts_at(unsigned channel)
{
    if (now == NULL)
        return 0.0f;
    if (channel == WIDE && now->n_fine > 0)
        return fine_volts();
    return channel < now->n_analog ? now->volts[channel] : 0.0f;
}

/* Millivolts that libsimavr, which takes whole ones and scales by 1023, turns into the count that the data sheet's ideal
 * converter gives: steps of reference / 1024, the first half of one above zero. */
static uint32_t millivolts(float volts)
{
    const double count = floor((double)volts * (TOP + 1) * 1000.0 / avr->avcc + 0.5);
    const uint32_t kept = (uint32_t)(count < 0.0 ? 0.0 : count > TOP ? TOP : count);
    return (kept * avr->avcc + TOP - 1) / TOP;
}

static void note_scan(void)
{
    if (seen.scans++ == 0)
        seen.first_scan = avr->cycle;
    else {
        const avr_cycle_count_t gap = avr->cycle - seen.last_scan;
        seen.longest_gap = gap > seen.longest_gap ? gap : seen.longest_gap;
        if (seen.shortest_gap == 0 || gap < seen.shortest_gap)
            seen.shortest_gap = gap;
    }
    seen.last_scan = avr->cycle;
}

static void conversion(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    const union {
        avr_adc_mux_t mux;
        uint32_t value;
    } asked = {.value = value};
    const unsigned channel = asked.mux.src;
    if (asked.mux.kind != ADC_MUX_SINGLE || channel >= N_PINS)
        return;
    if (channel == 0)
        note_scan();
    if (channel == WIDE)
        fine = true;
    avr_raise_irq(adc + ADC_IRQ_ADC0 + channel, millivolts(volts_at(channel)));
}

/* Flow pulse */

static void flow(bool up)
{
    hold('B', port_b, 1 << FLOW_PIN, up ? 1 << FLOW_PIN : 0);
    flow_up = up;
    seen.edges += up;
}

static void flow_until_now(void)
{
    for (; done < in_line && line[done].at <= avr->cycle; done++)
        if (line[done].up != flow_up)
            flow(line[done].up);
}

static avr_cycle_count_t flow_due(avr_t *mcu, avr_cycle_count_t when, void *param)
{
    (void)mcu;
    (void)when;
    (void)param;
    flow_until_now();
    return done < in_line ? line[done].at : 0;
}

static void put_in_line(avr_cycle_count_t at, bool up)
{
    line[in_line++] = (struct level){at, up};
}

static void arm_flow(void)
{
    avr_cycle_timer_cancel(avr, flow_due, NULL);
    if (done < in_line) {
        const avr_cycle_count_t at = line[done].at;
        avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 0, flow_due, NULL);
    }
}

/* A pulse that is up when the next one rises falls half way to it, but never before it rose. */
static void line_up_flow(void)
{
    const avr_cycle_count_t up = cycles(UP_US * UINT64_C(1000));
    flow_until_now(); /* an edge in the last cycle of the span before */
    in_line = done = 0;
    for (uint32_t k = 0; k < now->n_edges; k++) {
        const avr_cycle_count_t at = begun + cycles(now->edge_ns[k]);
        if (k == 0 && flow_up)
            put_in_line(flow_falls < at ? flow_falls : begun + (at - begun) / 2, false);
        const avr_cycle_count_t next = k + 1u < now->n_edges ? begun + cycles(now->edge_ns[k + 1]) : at + 2 * up;
        flow_falls = at + (next - at > 2 * up ? up : (next - at) / 2);
        put_in_line(at, true);
        put_in_line(flow_falls, false);
    }
    if (now->n_edges == 0 && flow_up)
        put_in_line(flow_falls, false);
    arm_flow();
}

/* Outputs */

static void power_pin(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    const bool on = value & avr->data[DIRECTION_D] >> POWER_PIN & 1;
    if (power && !on)
        power_fell = avr->cycle;
    power = on;
}

static void valve_pin(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    const bool up = value & 1;
    if (up && !valve_up)
        valve_rose = avr->cycle;
    if (!up && valve_up) {
        const avr_cycle_count_t ticks = (avr->cycle - valve_rose + TICK / 2) / TICK;
        if (ticks >= SHUT - TRAVEL / 5 && ticks <= SHUT + TRAVEL + TRAVEL / 5) {
            const int over = (int)ticks - SHUT;
            valve = (uint16_t)((over < 0 ? 0 : over > TRAVEL ? TRAVEL : over) * (10000 / TRAVEL));
            seen.servo_pulses++;
        }
    }
    valve_up = up;
}

/* All together */

void pins_connect(avr_t *mcu)
{
    avr = mcu;
    port_b = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    port_d = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 0);
    adc = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(adc + ADC_IRQ_OUT_TRIGGER, conversion, NULL);
    avr_irq_register_notify(port_d + POWER_PIN, power_pin, NULL);
    avr_irq_register_notify(port_b + VALVE_PIN, valve_pin, NULL);
    hold('B', port_b, 1 << FLOW_PIN, 0);
    hold('D', port_d, INPUT_MASK, inputs);
}

static void set_inputs(uint8_t closed)
{
    const uint8_t levels = (uint8_t)(~closed << STOP_PIN) & INPUT_MASK;
    if (levels != inputs)
        hold('D', port_d, INPUT_MASK, levels);
    inputs = levels;
}

void pins_begin(const struct span *span, avr_cycle_count_t start, avr_cycle_count_t end)
{
    now = span;
    begun = start;
    ends = end;
    fine = false;
    set_inputs(span->inputs);
    line_up_flow();
}

void pins_end(struct answer *answer)
{
    const uint64_t after = power_fell > begun ? power_fell - begun : 0;
    answer->power = power;
    answer->fell_ns = power_fell ? (uint32_t)(after * UINT64_C(1000000000) / avr->frequency) : NOT_FALLEN;
    answer->valve = valve;
    answer->fine = fine;
    power_fell = 0; /* a reset between two spans cuts power at the start of the second */
}

void pins_after_reset(void)
{
    power_pin(NULL, 0, NULL); /* pins are inputs then, and the switch's driver pulls its own down */
    valve_up = false;
    valve = NO_VALVE;
    avr->data[PIN_B] = flow_up ? 1 << FLOW_PIN : 0;
    avr->data[PIN_D] = inputs;
    arm_flow();
}

const struct pins_seen *pins_seen(void)
{
    return &seen;
}
