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
    const uint8_t low = (uint8_t)~PIND;
    return (uint8_t)((low & _BV(STOP_BIT) ? STOP_CIRCUIT : 0) | (low & _BV(GUARD_BIT) ? SPLASH_GUARD : 0) |
                     (low & _BV(FLUID_BIT) ? FLUID_LEVEL : 0));
}
