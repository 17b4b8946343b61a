#include "valve.h"

#include "board.h"
#include "link.h"

void valve_start(struct valve *v)
{
    v->position = UNKNOWN_VALVE;
    v->moving = false;
    v->since = v->takes = 0;
}

void valve_aim(struct valve *v, const struct design *design, uint32_t now, uint16_t position)
{
    if (position == v->position)
        return; /* a DRIVE that renews a lease names it again and again */
    uint16_t way = FULLY_OPEN;
    if (v->position != UNKNOWN_VALVE && !v->moving)
        way = position > v->position ? (uint16_t)(position - v->position) : (uint16_t)(v->position - position);
    v->takes = (uint32_t)way * design->valve_travel_ms / FULLY_OPEN * (design->tick_hz / 1000u);
    v->since = now;
    v->moving = true;
    v->position = position;
    board_valve(position);
}

void valve_look(struct valve *v, uint32_t now)
{
    if (v->moving && now - v->since >= v->takes)
        v->moving = false;
}
