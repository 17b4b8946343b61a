/* The valve's actuator takes its position as the length of a pulse: 1.0 ms shut to 2.0 ms open, every 20 ms. Both edges
 * are made by compare A of timer 1 itself; the interrupt only says where the next one is to be. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "pins.h"

#define SHUT_TICKS 2000u
#define TICKS_PER_POSITION 5u /* of which there are 10 000 to a millisecond more */
#define EVERY_TICKS 40000u
#define SET_ON_MATCH (_BV(COM1A1) | _BV(COM1A0))
#define CLEAR_ON_MATCH _BV(COM1A1)

static uint16_t width; /* of the pulse; 0: no command yet, no pulse */
static uint16_t made;  /* of the pulse under way */

static inline void next_edge(uint8_t on_match, uint16_t ticks)
{
    TCCR1A = on_match;
    OCR1A = (uint16_t)(OCR1A + ticks);
}

ISR(TIMER1_COMPA_vect)
{
    if (TCCR1A == SET_ON_MATCH) {
        made = width;
        next_edge(CLEAR_ON_MATCH, made);
    } else {
        next_edge(SET_ON_MATCH, EVERY_TICKS - made);
    }
}

void board_valve(uint16_t position)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        const bool first = width == 0;
        width = SHUT_TICKS + position / TICKS_PER_POSITION;
        if (first) {
            OCR1A = TCNT1;
            next_edge(SET_ON_MATCH, EVERY_TICKS);
            TIFR1 = _BV(OCF1A);
            TIMSK1 = (uint8_t)(TIMSK1 | _BV(OCIE1A));
        }
    }
}
