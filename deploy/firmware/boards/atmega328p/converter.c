/* One conversion takes 13 clocks of the converter: 104 us at clock / 128, which a scan has for each of its channels, one
 * after the other from its tick on. During a capture it is 52 us at clock / 64, and a scan's conversions stand in the
 * gaps between the samples, which keep their time. */
#include "converter.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "clock.h"

#define SCANS 4u     /* kept until they are fetched; a power of two */
#define SAMPLES 128u /* likewise */
#define SLOW (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))
#define FAST (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1))
#define GAP (TICK_HZ / 1000000u * 60u) /* for a conversion, at most 56 us with its start, and its interrupt */
#define LONGEST_STEP 50000u            /* ticks that compare B is set ahead at most */

static struct scan kept[SCANS];
static volatile uint8_t scans_in, scans_out;

static int16_t samples[SAMPLES];
static volatile uint8_t samples_in, samples_out;

/* The conversion under way */
static bool busy, for_scan;

/* The scan under way */
static uint32_t tick;                  /* of the newest one */
static uint8_t channel = N_ANALOG;     /* converted next, or now if `for_scan`; N_ANALOG: none is under way */
static uint8_t missed;
static volatile bool beat;

/* The capture under way. A sample's time is made of `steps` steps of timer 1, the first of them longer by `rest`. */
static volatile bool sampling; /* asked for, and not all samples converted */
static volatile uint16_t left; /* samples whose time has not come */
static bool due;               /* the time of one has, and the converter was busy */
static uint8_t captured;       /* its channel */
static uint8_t steps, to_go;
static uint16_t step, rest;

void converter_start(void)
{
    tick = TICK_START;
    DIDR0 = 0x3F; /* analog only */
    ADMUX = _BV(REFS0); /* against AVCC */
    ADCSRA = SLOW;
}

static inline void convert(uint8_t which, bool scan)
{
    ADMUX = (uint8_t)(_BV(REFS0) | which);
    ADCSRA = (uint8_t)((sampling ? FAST : SLOW) | _BV(ADSC));
    busy = true;
    for_scan = scan;
}

/* Converts the scan's next channel, if there is one, and if it is done before the next sample is due. */
static inline void go_on(void)
{
    if (channel < N_ANALOG && (!left || (uint16_t)(OCR1B - TCNT1) > GAP))
        convert(channel, true);
}

ISR(TIMER2_COMPA_vect)
{
    tick += SCAN_TICKS;
    beat = true;
    if (channel < N_ANALOG || (uint8_t)(scans_in - scans_out) == SCANS) {
        missed++;
        return;
    }
    channel = 0;
    if (!busy)
        go_on();
    struct scan *scan = &kept[scans_in % SCANS];
    scan->tick = tick;
    scan->edges = clock_edges(tick, &scan->last_edge);
    scan->missed = missed;
    missed = 0;
}

static inline void stop_sampling(void)
{
    TIMSK1 = (uint8_t)(TIMSK1 & ~_BV(OCIE1B));
    left = 0;
    sampling = due = false;
}

static inline void keep_sample(int16_t count)
{
    const uint8_t in = samples_in;
    if ((uint8_t)(in - samples_out) == SAMPLES) {
        stop_sampling(); /* nobody fetched them */
        return;
    }
    samples[in % SAMPLES] = count;
    samples_in = (uint8_t)(in + 1);
    if (!left && !due)
        stop_sampling();
}

ISR(TIMER1_COMPB_vect)
{
    if (--to_go) {
        OCR1B = (uint16_t)(OCR1B + step);
        return;
    }
    if (busy)
        due = true;
    else
        convert(captured, false);
    OCR1B = (uint16_t)(OCR1B + step + rest);
    to_go = steps;
    if (!--left)
        TIMSK1 = (uint8_t)(TIMSK1 & ~_BV(OCIE1B));
}

ISR(ADC_vect)
{
    const int16_t count = (int16_t)ADC;
    busy = false;
    if (for_scan) {
        kept[scans_in % SCANS].counts[channel++] = count;
        if (channel == N_ANALOG)
            scans_in++;
    } else {
        keep_sample(count);
    }
    if (due) {
        due = false;
        convert(captured, false);
    } else {
        go_on();
    }
}

bool converter_waiting(void)
{
    return scans_in != scans_out;
}

bool converter_take(struct scan *scan)
{
    if (!converter_waiting())
        return false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *scan = kept[scans_out % SCANS];
        scans_out++;
    }
    return true;
}

bool converter_beat(void)
{
    const bool came = beat;
    beat = false;
    return came;
}

/* The first sample comes one period behind the next scan's tick, so that the converter is free. */
uint32_t board_capture(uint8_t which, uint32_t period, uint16_t total)
{
    uint32_t first = 0;
    const uint8_t parts = (uint8_t)((period + LONGEST_STEP - 1u) / LONGEST_STEP);
    const uint16_t part = (uint16_t)(period / parts);
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        captured = which;
        steps = to_go = parts;
        step = part;
        rest = (uint16_t)(period - (uint32_t)part * parts);
        samples_in = samples_out = 0;
        left = total;
        sampling = true;
        due = false;
        first = tick + SCAN_TICKS;
        OCR1B = (uint16_t)((uint16_t)first + step + rest);
        TIFR1 = _BV(OCF1B);
        TIMSK1 = (uint8_t)(TIMSK1 | _BV(OCIE1B));
    }
    return first + period;
}

bool board_capturing(void)
{
    return sampling;
}

uint16_t board_samples(void)
{
    return (uint8_t)(samples_in - samples_out);
}

int16_t board_sample(void)
{
    int16_t sample = 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        sample = samples[samples_out % SAMPLES];
        samples_out++;
    }
    return sample;
}
