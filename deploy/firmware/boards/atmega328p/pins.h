/* Which pin does what. Those of timers, UART and converter are the microcontroller's own choice. */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

/*  PB0  ICP1       flow pulse, in, pull-up
 *  PB1  OC1A       valve pulse, out
 *  PC0-PC5         pressure, voltage, shunt, temperature, level, shunt in wide band, analog in
 *  PD0, PD1        serial line
 *  PD4             pump power, out, high: on; a resistor to ground keeps it off while nobody drives the pin
 *  PD5, PD6, PD7   stop circuit, splash guard, fluid level, in, pull-up; closed: low */
#define FLOW_BIT PB0
#define VALVE_BIT PB1
#define POWER_BIT PD4
#define STOP_BIT PD5
#define GUARD_BIT PD6
#define FLUID_BIT PD7

/* Outputs low, inputs with their pull-ups. */
void pins_start(void);

#endif
