/* The valve as commanded. No sensor tells where its actuator is, so moving is reckoned from the time that it takes. */
#ifndef VALVE_H
#define VALVE_H

#include <stdbool.h>
#include <stdint.h>

#include "design.h"

struct valve {
    uint16_t position; /* commanded, UNKNOWN_VALVE before the first command */
    bool moving;
    uint32_t since;
    uint32_t takes; /* ticks */
};

void valve_start(struct valve *v);

/* Sends the valve somewhere. From an unknown place, or from under way, it may need its whole travel. */
void valve_aim(struct valve *v, const struct design *design, uint32_t now, uint16_t position);

/* Time goes on. */
void valve_look(struct valve *v, uint32_t now);

#endif
