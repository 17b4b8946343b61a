/* Edges of the flow meter, counted in an interrupt and asked for at a tick. */
#include "harness.h"
#include "pulses.h"

static struct pulses p;

static void expect(uint32_t tick, uint32_t edges, uint32_t newest)
{
    uint32_t found;
    CHECK_EQUAL(pulses_at(&p, tick, &found), edges);
    CHECK_EQUAL(found, newest);
}

static void an_edge_behind_the_tick_belongs_to_the_next(void)
{
    pulses_start(&p, 0);
    expect(4000, 0, 0);
    pulses_take(&p, 5000);
    expect(8000, 1, 5000);
    pulses_take(&p, 9000);
    pulses_take(&p, 12001); /* the interrupt of this one came before that of the tick */
    expect(12000, 2, 9000);
    expect(16000, 3, 12001);
    pulses_take(&p, 20000); /* at the tick itself */
    expect(20000, 4, 20000);
}

static void counts_and_ticks_wrap(void)
{
    pulses_start(&p, 0xFFFFFFFEu);
    pulses_take(&p, 0xFFFFFFF0u);
    expect(0xFFFFFFFAu, 0xFFFFFFFFu, 0xFFFFFFF0u);
    pulses_take(&p, 3);
    expect(10, 0, 3);
    pulses_take(&p, 5);
    pulses_take(&p, 12);
    expect(11, 1, 5);
}

static void an_old_edge_stays_past_however_long_ago(void)
{
    pulses_start(&p, 0);
    pulses_take(&p, 100);
    for (uint32_t tick = 4000; tick < 0xFFFF0000u; tick += 0x00FFFFFFu)
        expect(tick, 1, 100);
    expect(50, 1, 100); /* ticks have wrapped since: it is not ahead of this one */
    expect(99, 1, 100);
    expect(101, 1, 100);
}

static void sixteen_bits_become_thirty_two(void)
{
    CHECK_EQUAL(pulses_tick(3, 0xFFF0, 0), 0x3FFF0);
    CHECK_EQUAL(pulses_tick(3, 0xFFF0, 1), 0x3FFF0); /* captured before the overflow that waits */
    CHECK_EQUAL(pulses_tick(3, 0x0010, 1), 0x40010); /* and behind it */
    CHECK_EQUAL(pulses_tick(4, 0x0010, 0), 0x40010);
    CHECK_EQUAL(pulses_tick(0xFFFF, 0x0010, 1), 0x10);
}

void test_pulses(void)
{
    an_edge_behind_the_tick_belongs_to_the_next();
    counts_and_ticks_wrap();
    an_old_edge_stays_past_however_long_ago();
    sixteen_bits_become_thirty_two();
}
