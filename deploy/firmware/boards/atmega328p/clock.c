#include "clock.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "config.h"
#include "pulses.h"

static volatile uint16_t overflows;
static struct pulses pulses; /* touched with interrupts off only */

void clock_start(void)
{
    GTCCR = _BV(TSM) | _BV(PSRASY) | _BV(PSRSYNC); /* holds both prescalers until all is set */
    overflows = (uint16_t)(TICK_START >> 16);
    pulses_start(&pulses, EDGES_START);
    TCCR1A = 0;
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11); /* noise canceller, rising edge, clock / 8 */
    TCNT1 = (uint16_t)TICK_START;
    TCCR2A = _BV(WGM21); /* clear on match */
    TCCR2B = _BV(CS22) | _BV(CS20); /* clock / 128 */
    OCR2A = (uint8_t)(F_CPU / 128u / SAMPLE_HZ - 1u);
    TCNT2 = 0;
    TIFR1 = _BV(ICF1) | _BV(OCF1A) | _BV(OCF1B) | _BV(TOV1);
    TIFR2 = _BV(OCF2A);
    TIMSK1 = _BV(ICIE1) | _BV(TOIE1);
    TIMSK2 = _BV(OCIE2A);
    GTCCR = 0;
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

static inline void take_edge(void)
{
    const uint16_t captured = ICR1;
    pulses_take(&pulses, pulses_tick(overflows, captured, TIFR1 & _BV(TOV1)));
}

ISR(TIMER1_CAPT_vect)
{
    take_edge();
}

uint32_t clock_edges(uint32_t tick, uint32_t *newest)
{
    if (TIFR1 & _BV(ICF1)) { /* its interrupt has to wait for ours */
        TIFR1 = _BV(ICF1);
        take_edge();
    }
    return pulses_at(&pulses, tick, newest);
}

uint32_t board_ticks(void)
{
    uint16_t low, high;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        low = TCNT1;
        high = overflows;
        if ((TIFR1 & _BV(TOV1)) && low < 0x8000u)
            high++;
    }
    return (uint32_t)high << 16 | low;
}
