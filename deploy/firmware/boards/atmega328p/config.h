/* What stands on this board. Change it here, and see ../../README.md for the circuit that belongs to it. */
#ifndef CONFIG_H
#define CONFIG_H

/* Sizes of the core, by 2 KB of RAM. */
#define N_ANALOG 6u
#define N_PULSE 1u
#define BLOCK_SCANS 10u /* 20 ms in a frame */
#define PIECE 40u       /* samples in a piece of a capture */
#define LINE_ROOM 255u  /* bytes that wait to be sent at most */

/* What is fitted. A bit of INPUTS_FITTED belongs to each input that is wired; one that is not wired must not be said to
 * be, and one that is said to be keeps power off while it is open. */
#define FEATURES (POWER_SWITCH | VALVE_ACTUATOR)
#define INPUTS_FITTED (STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL)
#define DEVICE_ID {0x4D, 0x48, 0x30, 0x30, 0x66, 0x77, 0x00, 0x01} /* where the EEPROM holds none of its own */
#define VALVE_TRAVEL_MS 2000u                                      /* the actuator's, from end to end */

/* Converter: 10 bits over 5 V; the amplifier on the shunt lifts 0 A by 0.05 V, which is count 10. */
#define VOLTS_PER_COUNT (5.0f / 1024.0f)
#define SHUNT_ZERO_COUNT 10
#define ANALOG                                             \
    {                                                      \
        {ROLE_PRESSURE, 10, 0, VOLTS_PER_COUNT},           \
        {ROLE_VOLTAGE, 10, 0, VOLTS_PER_COUNT},            \
        {ROLE_SHUNT, 10, SHUNT_ZERO_COUNT, VOLTS_PER_COUNT}, \
        {ROLE_TEMPERATURE, 10, 0, VOLTS_PER_COUNT},        \
        {ROLE_LEVEL, 10, 0, VOLTS_PER_COUNT},              \
        {ROLE_SHUNT_WIDE, 10, SHUNT_ZERO_COUNT, VOLTS_PER_COUNT}, \
    }

/* Time. The crystal's 16 MHz, divided by 8 in timer 1, are the ticks. */
#define TICK_HZ 2000000u
#define SAMPLE_HZ 500u
#define SCAN_TICKS (TICK_HZ / SAMPLE_HZ)
#define BURST_MAX_HZ 8000u
#define BURST_MAX_TOTAL 4000u

/* Where ticks and edges begin at boot; a test of their wrap sets them elsewhere. */
#ifndef TICK_START
#define TICK_START 0ul
#endif
#ifndef EDGES_START
#define EDGES_START 0ul
#endif

#endif
