/* Lease, limits, inputs and silence; times worked out beside the checks. A tick is 1 us, a scan 2 ms. */
#include <math.h>

#include "bytes.h"
#include "harness.h"

static struct guard g;
static const uint8_t all = STOP_CIRCUIT | SPLASH_GUARD | FLUID_LEVEL;

static void set(uint16_t blank_ms, uint16_t max_on_s, uint8_t channel, float above)
{
    uint8_t body[LIMITS_HEAD + LIMIT_SIZE];
    put_u8(put_u8(put_u16(put_u16(body, blank_ms), max_on_s), 1), channel);
    put_f32(put_f32(body + 6, above), -INFINITY);
    guard_set_limits(&g, body, sizeof body);
}

static void begin(uint32_t now)
{
    guard_start(&g, &bench, now);
    set(0, 0, 0, 2.5f); /* passed above count 2048 */
}

static bool scan(uint32_t tick, uint8_t channel, int16_t count)
{
    struct scan scan = {.tick = tick};
    scan.counts[channel] = count;
    return guard_scan(&g, &scan);
}

static void the_lease_ends_to_the_tick(void)
{
    begin(1000);
    guard_power_on(&g, 1000, 500);
    scan(500999, 0, 0);
    CHECK(!guard_look(&g, 500999, all));
    CHECK(guard_look(&g, 501000, all));
    CHECK_EQUAL(g.trip, TRIP_LEASE);
    CHECK(!g.on);
}

static void a_renewed_lease_counts_from_then(void)
{
    begin(0xFFFFFF00u); /* across the wrap of ticks */
    guard_power_on(&g, 0xFFFFFF00u, 500);
    scan(299000, 0, 0);
    CHECK(!guard_look(&g, 300000, all));
    guard_power_on(&g, 300000, 100);
    scan(399000, 0, 0);
    CHECK(!guard_look(&g, 399999, all));
    CHECK(guard_look(&g, 400000, all));
}

static void the_median_of_three_scans_decides(void)
{
    begin(0);
    guard_power_on(&g, 0, 2000);
    CHECK(!scan(2000, 0, 3000)); /* one */
    CHECK(!scan(4000, 0, 2048)); /* at the limit is not above it */
    CHECK(!scan(6000, 0, 2048)); /* 3000 2048 2048 */
    CHECK(!scan(8000, 0, 3000)); /* 2048 2048 3000 */
    CHECK(scan(10000, 0, 2049)); /* 2048 3000 2049 */
    CHECK_EQUAL(g.trip, TRIP_PRESSURE);
}

static void the_order_of_the_three_does_not_matter(void)
{
    const int16_t counts[][3] = {{3000, 0, 4000}, {3000, 4000, 0}, {0, 3000, 4000},
                                 {4000, 3000, 0}, {0, 4000, 3000}, {4000, 0, 3000}};
    for (unsigned k = 0; k < 6; k++) {
        for (int16_t less = 0; less < 2000; less += 1000) { /* the median is 3000, then 2000: above count 2048, or not */
            begin(0);
            guard_power_on(&g, 0, 2000);
            bool tripped = false;
            for (uint32_t n = 0; n < 3; n++) {
                CHECK(!tripped);
                tripped = scan(2000 * (n + 1), 0, counts[k][n] == 3000 ? (int16_t)(3000 - less) : counts[k][n]);
            }
            CHECK_EQUAL(tripped, less == 0);
        }
    }
}

static void two_scans_are_not_three(void)
{
    begin(0);
    scan(2000, 0, 3000); /* from before power came on */
    scan(4000, 0, 3000);
    guard_power_on(&g, 5000, 2000);
    CHECK(!scan(4900, 0, 3000)); /* taken before, only fetched now */
    CHECK(!scan(6000, 0, 3000));
    CHECK(!scan(8000, 0, 3000));
    CHECK(scan(10000, 0, 3000));
}

static void trips_are_told_by_role(void)
{
    const uint8_t expected[] = {TRIP_PRESSURE, TRIP_OTHER, TRIP_CURRENT, TRIP_OTHER, TRIP_OTHER, TRIP_CURRENT};
    for (uint8_t channel = 0; channel < 6; channel++) {
        begin(0);
        set(0, 0, channel, 2.0f);
        guard_power_on(&g, 0, 2000);
        for (uint32_t k = 1; k < 3; k++)
            CHECK(!scan(2000 * k, channel, 4000));
        CHECK(scan(6000, channel, 4000));
        CHECK_EQUAL(g.trip, expected[channel]);
    }
}

static void inrush_is_blanked_for_shunts_only(void)
{
    begin(0);
    set(200, 0, 2, 1.0f);
    guard_power_on(&g, 0, 2000);
    for (uint32_t tick = 2000; tick < 200000; tick += 2000)
        CHECK(!scan(tick, 2, 4000));
    CHECK(scan(200000, 2, 4000)); /* 200 ms are over */
    CHECK_EQUAL(g.trip, TRIP_CURRENT);
    begin(0);
    set(200, 0, 0, 1.0f);
    guard_power_on(&g, 0, 2000);
    scan(2000, 0, 4000);
    scan(4000, 0, 4000);
    CHECK(scan(6000, 0, 4000));
}

static void blanking_does_not_come_back_as_ticks_wrap(void)
{
    begin(0);
    set(65535, 0, 2, 1.0f);
    guard_power_on(&g, 0, 2000);
    for (uint32_t s = 1; s <= 66; s++) { /* 66 s, past the blank time */
        guard_power_on(&g, s * 1000000u, 2000);
        CHECK(!scan(s * 1000000u, 2, 0));
        CHECK(!guard_look(&g, s * 1000000u, all));
    }
    guard_power_on(&g, 1000, 2000);
    scan(1000, 2, 4000); /* 2^32 us later */
    CHECK(scan(3000, 2, 4000));
}

static void new_limits_under_power_blank_what_is_left(void)
{
    begin(0);
    guard_power_on(&g, 0, 2000);
    scan(100000, 2, 4000);
    set(200, 0, 2, 1.0f);
    scan(102000, 2, 4000);
    CHECK(!scan(104000, 2, 4000)); /* 104 ms of 200 */
    set(50, 0, 2, 1.0f);
    CHECK(scan(106000, 2, 4000)); /* 50 ms are long over */
}

static void power_too_long(void)
{
    begin(0);
    set(0, 3, 0, INFINITY);
    for (uint32_t tick = 0; tick < 3000000; tick += 10000) {
        guard_power_on(&g, tick, 2000);
        scan(tick, 0, 0);
        CHECK(!guard_look(&g, tick + 9999, all));
    }
    guard_power_on(&g, 3000000, 2000);
    scan(3000000, 0, 0);
    CHECK(guard_look(&g, 3000000, all));
    CHECK_EQUAL(g.trip, TRIP_TOO_LONG);
}

static void power_too_long_by_hours(void)
{
    begin(0);
    set(0, 10000, 0, INFINITY); /* ticks wrap twice within 10 000 s */
    for (uint32_t s = 1; s < 10000; s++) {
        guard_power_on(&g, s * 1000000u, 2000);
        scan(s * 1000000u, 0, 0);
        if (s > 1)
            CHECK(!guard_look(&g, s * 1000000u, all));
    }
    CHECK(!guard_look(&g, 9999u * 1000000u, all));
    scan(10000u * 1000000u, 0, 0);
    guard_power_on(&g, 10000u * 1000000u, 2000);
    CHECK(!guard_look(&g, 10000u * 1000000u, all)); /* power came on at 1 s */
    guard_power_on(&g, 10001u * 1000000u, 2000);
    scan(10001u * 1000000u, 0, 0);
    CHECK(guard_look(&g, 10001u * 1000000u, all));
    CHECK_EQUAL(g.trip, TRIP_TOO_LONG);
}

static void inputs_trip_in_their_order(void)
{
    const uint8_t expected[] = {TRIP_STOP, TRIP_STOP, TRIP_STOP, TRIP_STOP, TRIP_GUARD, TRIP_GUARD, TRIP_FLUID};
    const uint8_t closed[] = {0, FLUID_LEVEL, SPLASH_GUARD, SPLASH_GUARD | FLUID_LEVEL,
                              STOP_CIRCUIT, STOP_CIRCUIT | FLUID_LEVEL, STOP_CIRCUIT | SPLASH_GUARD};
    for (unsigned k = 0; k < sizeof closed; k++) {
        begin(0);
        CHECK(!guard_look(&g, 100, closed[k])); /* power is off */
        CHECK_EQUAL(g.trip, NO_TRIP);
        guard_power_on(&g, 0, 2000);
        CHECK(guard_input_open(&g, closed[k]));
        CHECK(guard_look(&g, 100, closed[k]));
        CHECK_EQUAL(g.trip, expected[k]);
    }
    CHECK(!guard_input_open(&g, all));
}

static void a_silent_converter_is_not_trusted(void)
{
    begin(0);
    guard_power_on(&g, 1000, 2000);
    scan(4000, 0, 0);
    CHECK(!guard_look(&g, 23999, all));
    CHECK(guard_look(&g, 24000, all)); /* 20 ms without a scan */
    CHECK_EQUAL(g.trip, TRIP_SELF_TEST);
    CHECK(!guard_clear(&g, 25000, all));
    scan(26000, 0, 0);
    CHECK(guard_clear(&g, 27000, all));
}

static void a_trip_is_cleared_once_its_cause_is_gone(void)
{
    begin(0);
    guard_power_on(&g, 0, 2000);
    for (uint32_t k = 1; k <= 3; k++)
        scan(2000 * k, 0, 3000);
    CHECK(!guard_clear(&g, 7000, all));
    scan(8000, 0, 100);
    CHECK(!guard_clear(&g, 9000, all)); /* 3000 3000 100 */
    scan(10000, 0, 100);
    CHECK(guard_clear(&g, 11000, all));
    CHECK_EQUAL(g.trip, NO_TRIP);
    CHECK(guard_clear(&g, 11000, all)); /* nothing to clear */
    g.trip = TRIP_GUARD;
    CHECK(!guard_clear(&g, 0, STOP_CIRCUIT | FLUID_LEVEL));
    CHECK(guard_clear(&g, 0, SPLASH_GUARD)); /* the others open, that is another matter */
    g.trip = TRIP_STOP;
    CHECK(!guard_clear(&g, 0, SPLASH_GUARD));
    g.trip = TRIP_FLUID;
    CHECK(!guard_clear(&g, 0, SPLASH_GUARD));
    CHECK(guard_clear(&g, 0, FLUID_LEVEL));
}

static void one_limit_gone_does_not_clear_another_of_the_same_trip(void)
{
    uint8_t body[LIMITS_HEAD + 2 * LIMIT_SIZE] = {0, 0, 0, 0, 2, 3};
    put_f32(put_f32(body + 6, 1.0f), -INFINITY); /* channel 3 above 1 V */
    body[14] = 0;
    put_f32(put_f32(body + 15, 1.0f), -INFINITY); /* channel 0 above 1 V */
    guard_start(&g, &bench, 0);
    guard_set_limits(&g, body, sizeof body);
    guard_power_on(&g, 0, 2000);
    for (uint32_t k = 1; k <= 3; k++)
        scan(2000 * k, 0, 3000);
    CHECK_EQUAL(g.trip, TRIP_PRESSURE);
    struct scan both = {.tick = 8000, .counts = {3000, 0, 0, 3000}};
    for (unsigned k = 0; k < 3; k++)
        guard_scan(&g, &both);
    CHECK(!guard_clear(&g, 9000, all)); /* the first limit passed is another, but pressure is still too high */
}

static void all_entries_of_a_channel_hold(void)
{
    uint8_t body[LIMITS_HEAD + 2 * LIMIT_SIZE] = {0, 0, 0, 0, 2, 0};
    put_f32(put_f32(body + 6, 4.0f), -INFINITY);
    put_f32(put_f32(body + 15, INFINITY), 1.0f); /* below 1 V is count 819 */
    guard_start(&g, &bench, 0);
    guard_set_limits(&g, body, sizeof body);
    guard_power_on(&g, 0, 2000);
    for (uint32_t k = 1; k < 4; k++)
        CHECK(!scan(2000 * k, 0, 1000));
    CHECK(!scan(8000, 0, 800));
    CHECK(scan(10000, 0, 800));
    CHECK_EQUAL(g.trip, TRIP_PRESSURE);
}

void test_guard(void)
{
    the_lease_ends_to_the_tick();
    a_renewed_lease_counts_from_then();
    the_median_of_three_scans_decides();
    the_order_of_the_three_does_not_matter();
    two_scans_are_not_three();
    trips_are_told_by_role();
    inrush_is_blanked_for_shunts_only();
    blanking_does_not_come_back_as_ticks_wrap();
    new_limits_under_power_blank_what_is_left();
    power_too_long();
    power_too_long_by_hours();
    inputs_trip_in_their_order();
    a_silent_converter_is_not_trusted();
    a_trip_is_cleared_once_its_cause_is_gone();
    one_limit_gone_does_not_clear_another_of_the_same_trip();
    all_entries_of_a_channel_hold();
}
