/* Limits in volts as counts. Each answer is worked out beside it. */
#include <math.h>

#include "bytes.h"
#include "harness.h"

static struct limits limits;

/* Sets one entry and gives it as counts. */
static struct limit one(const struct design *design, uint8_t channel, float above, float below)
{
    uint8_t body[LIMITS_HEAD + LIMIT_SIZE] = {0xC8, 0, 0x1E, 0, 1, channel};
    put_f32(put_f32(body + 6, above), below);
    CHECK(limits_whole(body, sizeof body));
    CHECK(limits_good(body, design));
    limits_set(&limits, body, sizeof body, design);
    return limits.entries[0];
}

static void expect(const struct design *design, uint8_t channel, float above, float below, int lowest, int highest)
{
    const struct limit found = one(design, channel, above, below);
    CHECK_EQUAL(found.lowest, lowest);
    CHECK_EQUAL(found.highest, highest);
}

static void a_rising_channel(void)
{
    /* 5 V / 4096 a count, zero at 0. 3.0 V is count 2457.6: 2457 lies below it and 2458 above. */
    expect(&bench, 0, 3.0f, -INFINITY, 0, 2457);
    /* 2.5 V is count 2048 exactly; a limit is passed above, not at. */
    expect(&bench, 0, 2.5f, -INFINITY, 0, 2048);
    expect(&bench, 0, INFINITY, 2.5f, 2048, 4095);
    expect(&bench, 0, 2.5f, 1.25f, 1024, 2048);
    expect(&bench, 0, INFINITY, -INFINITY, 0, 4095);
}

static void beyond_the_converter(void)
{
    expect(&bench, 0, 7.0f, -7.0f, 0, 4095);   /* never reached */
    expect(&bench, 0, -0.1f, -INFINITY, 4096, 4095); /* always passed: no count is good */
    expect(&bench, 0, -INFINITY, -INFINITY, 4096, 4095);
    expect(&bench, 0, INFINITY, INFINITY, 4096, 4095);
}

static void a_channel_with_its_zero_lifted(void)
{
    /* Zero at count 41: -0.05 V is count 41 - 40.96 = 0.04, so count 0 lies below it; 1.6 V is 41 + 1310.72. */
    expect(&bench, 2, 1.6f, -0.05f, 1, 1351);
}

static void an_inverting_channel(void)
{
    /* volts = (count + 8) * -5/4096: count 0 is -9.8 mV, and they fall as counts rise. -1.25 V is count 1016 exactly. */
    expect(&two_channels, 1, INFINITY, -1.25f, 0, 1016);
    expect(&two_channels, 1, -1.25f, -INFINITY, 1016, 4095);
    expect(&two_channels, 1, 0.0f, -INFINITY, 0, 4095);
}

static void what_is_no_limit_is_refused(void)
{
    uint8_t body[LIMITS_HEAD + 2 * LIMIT_SIZE] = {0, 0, 0, 0, 2, 0, 0, 0, 0, 0, 0, 0, 0, 0, 5};
    CHECK(limits_whole(body, sizeof body));
    CHECK(limits_good(body, &bench));
    CHECK(!limits_good(body, &two_channels)); /* channel 5 */
    CHECK(!limits_whole(body, sizeof body - 1));
    CHECK(!limits_whole(body, 4));
    body[4] = 1;
    CHECK(!limits_whole(body, sizeof body));
    body[4] = 2;
    put_f32(body + 15, NAN);
    CHECK(!limits_good(body, &bench));
    put_f32(body + 15, INFINITY);
    CHECK(limits_good(body, &bench));
    put_f32(body + 19, -NAN);
    CHECK(!limits_good(body, &bench));
}

static void as_many_as_a_frame_holds(void)
{
    uint8_t body[LIMITS_HEAD + MOST_LIMITS * LIMIT_SIZE] = {0, 0, 0, 0, MOST_LIMITS};
    CHECK(sizeof body <= 246);
    CHECK(sizeof body + LIMIT_SIZE > 246);
    CHECK(limits_whole(body, sizeof body));
    limits_set(&limits, body, sizeof body, &bench);
    CHECK_EQUAL(limits.n, 26);
}

static void the_golden_limits(void)
{
    /* The golden LIMITS of tests/drivers/link: blank 200 ms, 30 s, channel 0 above 4.5 V, channel 2 below -0.25 V. */
    const uint8_t body[] = {0xC8, 0, 0x1E, 0, 2, 0, 0, 0, 0x90, 0x40, 0, 0, 0x80, 0xFF,
                            2, 0, 0, 0x80, 0x7F, 0, 0, 0x80, 0xBE};
    limits_set(&limits, body, sizeof body, &bench);
    CHECK(limits.set);
    CHECK_EQUAL(limits.blank_ms, 200);
    CHECK_EQUAL(limits.max_on_s, 30);
    CHECK_EQUAL(limits.n, 2);
    CHECK_EQUAL(limits.entries[0].highest, 3686); /* 4.5 V is 3686.4 */
    CHECK_EQUAL(limits.entries[1].lowest, 0);     /* the lifted zero reaches -0.05 V at most */
    /* Its check sum, reckoned with Python's binascii.crc_hqx(body, 0xFFFF). */
    CHECK_EQUAL(limits.crc, 0x5FCA);
}

void test_limits(void)
{
    a_rising_channel();
    beyond_the_converter();
    a_channel_with_its_zero_lifted();
    an_inverting_channel();
    what_is_no_limit_is_refused();
    as_many_as_a_frame_holds();
    the_golden_limits();
}
