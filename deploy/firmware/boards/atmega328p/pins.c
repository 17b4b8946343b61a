#include "pins.h"

#include <avr/io.h>

#include "board.h"
#include "link.h"

void pins_start(void)
{
    PORTD = _BV(STOP_BIT) | _BV(GUARD_BIT) | _BV(FLUID_BIT);
    DDRD = _BV(POWER_BIT);
    PORTB = _BV(FLOW_BIT);
    DDRB = _BV(VALVE_BIT);
}

void board_power(bool on)
{
    if (on)
        PORTD |= _BV(POWER_BIT);
    else
        PORTD &= (uint8_t)~_BV(POWER_BIT);
}

uint8_t board_inputs(void)
{
    const uint8_t high = PIND;
    uint8_t closed = 0;
    if (!(high & _BV(STOP_BIT)))
        closed |= STOP_CIRCUIT;
    if (!(high & _BV(GUARD_BIT)))
        closed |= SPLASH_GUARD;
    if (!(high & _BV(FLUID_BIT)))
        closed |= FLUID_LEVEL;
    return closed;
}
