/* Every request, done and refused. */
#include <math.h>

#include "bytes.h"
#include "harness.h"

static struct device d;
static uint8_t content[LONGEST_CONTENT];
static uint8_t seq;
static const int16_t quiet[N_ANALOG] = {410, 2212, 41, 598, 3277, 41};

static void boot(const struct design *design)
{
    paper_start(0);
    device_start(&d, design, 1, 1);
    seq = 0;
}

static int drive(uint8_t power, uint16_t supply_mv, uint16_t valve, uint16_t lease_ms)
{
    uint8_t body[7];
    put_u16(put_u16(put_u16(put_u8(body, power), supply_mv), valve), lease_ms);
    return ask(&d, DRIVE, seq++, body, sizeof body);
}

static int set_limits(void)
{
    const uint8_t none[LIMITS_HEAD] = {0};
    return ask(&d, LIMITS, seq++, none, sizeof none);
}

static void ready(void)
{
    boot(&bench);
    CHECK_EQUAL(set_limits(), DONE);
}

static void the_golden_reply(void)
{
    const uint8_t golden[] = {0x07, 0x05, 0x0A, 0x2C, 0x07, 0x28, 0xCC, 0x00}; /* to request 44: an input is open */
    ready();
    paper.inputs = STOP_CIRCUIT | SPLASH_GUARD;
    d.seq = 10;
    seq = 44;
    paper.n_sent = 0;
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), INPUT_OPEN);
    CHECK(!memcmp(paper.sent, golden, sizeof golden));
}

static void refusals_come_in_their_order(void)
{
    struct design bare = bench;
    bare.flags = SIMULATED | POWER_SWITCH;
    boot(&bare);
    paper.inputs = 0;
    d.guard.trip = TRIP_LEASE;
    CHECK_EQUAL(drive(1, 0, 10001, 500), BAD_VALUE);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 2001), BAD_VALUE);
    CHECK_EQUAL(drive(2, 0, LEAVE_VALVE, 500), BAD_VALUE);
    CHECK_EQUAL(drive(1, 0, 5000, 500), NOT_FITTED);
    CHECK_EQUAL(drive(1, 13500, LEAVE_VALVE, 500), NOT_FITTED);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), TRIPPED);
    d.guard.trip = NO_TRIP;
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), NO_LIMITS);
    CHECK_EQUAL(set_limits(), DONE);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), INPUT_OPEN);
    paper.inputs = 7;
    CHECK(!paper.power);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), DONE);
    CHECK(paper.power);
}

static void without_a_switch_there_is_no_power_and_no_watching(void)
{
    struct design followed = bench;
    followed.flags = SIMULATED;
    boot(&followed);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), NOT_FITTED);
    CHECK_EQUAL(set_limits(), NOT_FITTED);
    CHECK_EQUAL(drive(0, 0, LEAVE_VALVE, 0), DONE);
    CHECK(!paper.power);
}

static void power_off_is_never_refused(void)
{
    const uint16_t nonsense[][4] = {{0, 0, LEAVE_VALVE, 0}, {0, 60000, 30000, 9999}, {1, 0, LEAVE_VALVE, 0},
                                    {2, 1, 20000, 0},       {0, 0, LEAVE_VALVE, 500}};
    for (unsigned k = 0; k < 5; k++) {
        ready();
        CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), DONE);
        CHECK(paper.power);
        CHECK_EQUAL(drive((uint8_t)nonsense[k][0], nonsense[k][1], nonsense[k][2], nonsense[k][3]), DONE);
        CHECK(!paper.power);
        CHECK_EQUAL(d.guard.trip, NO_TRIP);
        CHECK_EQUAL(paper.valve_moves, 0);
    }
    CHECK_EQUAL(drive(0, 13500, 1234, 9999), DONE); /* what else it asks for is done where it can be */
    CHECK_EQUAL(paper.valve, 1234);
}

static void a_refused_drive_changes_nothing_and_renews_nothing(void)
{
    ready();
    CHECK_EQUAL(drive(1, 0, 10000, 500), DONE);
    run(&d, 150, quiet); /* 300 ms */
    CHECK_EQUAL(drive(1, 13500, 0, 2000), NOT_FITTED);
    CHECK_EQUAL(paper.valve, 10000);
    run(&d, 99, quiet);
    CHECK(paper.power);
    run(&d, 1, quiet); /* 500 ms */
    CHECK(!paper.power);
    CHECK_EQUAL(d.guard.trip, TRIP_LEASE);
    CHECK_EQUAL(paper.valve, 10000); /* stays where it is */
}

static void a_trip_stands_until_it_is_cleared(void)
{
    ready();
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), DONE);
    paper.inputs = SPLASH_GUARD | FLUID_LEVEL;
    run(&d, 1, quiet);
    CHECK(!paper.power);
    CHECK_EQUAL(ask(&d, CLEAR, seq++, NULL, 0), TRIPPED);
    paper.inputs = 7;
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), TRIPPED);
    CHECK_EQUAL(ask(&d, CLEAR, seq++, NULL, 0), DONE);
    run(&d, 50, quiet);
    CHECK(!paper.power); /* until the next DRIVE */
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), DONE);
    CHECK(paper.power);
}

static void without_scans_power_still_falls(void)
{
    ready();
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 500), DONE);
    for (paper.ticks = 0; paper.ticks < 20000; paper.ticks += 1000) {
        device_look(&d);
        CHECK(paper.power);
    }
    device_look(&d);
    CHECK(!paper.power);
    CHECK_EQUAL(d.guard.trip, TRIP_SELF_TEST);
}

static void limits_replace_all_earlier_ones(void)
{
    const uint8_t one[LIMITS_HEAD + LIMIT_SIZE] = {0, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0};
    uint8_t missing[sizeof one];
    memcpy(missing, one, sizeof one);
    missing[5] = 6;
    boot(&bench);
    CHECK_EQUAL(ask(&d, LIMITS, seq++, one, sizeof one), DONE);
    const uint16_t crc = d.guard.limits.crc;
    CHECK_EQUAL(ask(&d, LIMITS, seq++, missing, sizeof missing), BAD_VALUE);
    CHECK_EQUAL(d.guard.limits.crc, crc); /* nothing changed */
    CHECK_EQUAL(ask(&d, LIMITS, seq++, one, sizeof one - 1), BAD_VALUE);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 2000), DONE);
    run(&d, 3, quiet); /* above 0 V */
    CHECK(!paper.power);
    CHECK_EQUAL(set_limits(), DONE);
    CHECK_EQUAL(ask(&d, CLEAR, seq++, NULL, 0), DONE);
    CHECK_EQUAL(drive(1, 0, LEAVE_VALVE, 2000), DONE);
    run(&d, 100, quiet);
    CHECK(paper.power);
}

static void the_valve_moves_for_as_long_as_its_way(void)
{
    boot(&bench); /* 2 s from end to end */
    CHECK_EQUAL(drive(0, 0, 0, 0), DONE);
    CHECK_EQUAL(paper.valve, 0);
    run(&d, 999, quiet);
    CHECK(d.valve.moving); /* from an unknown place it may be the whole travel */
    run(&d, 1, quiet);
    CHECK(!d.valve.moving);
    CHECK_EQUAL(drive(0, 0, 2500, 0), DONE);
    run(&d, 249, quiet);
    CHECK(d.valve.moving);
    run(&d, 1, quiet);
    CHECK(!d.valve.moving);
    CHECK_EQUAL(drive(0, 0, 2500, 0), DONE); /* it is there already */
    CHECK(!d.valve.moving);
    CHECK_EQUAL(paper.valve_moves, 2);
}

static int ask_capture(uint8_t number, uint8_t role, uint32_t rate_hz, uint16_t total)
{
    uint8_t body[8];
    put_u16(put_u32(put_u8(put_u8(body, number), role), rate_hz), total);
    return ask(&d, CAPTURE, seq++, body, sizeof body);
}

static void captures_are_asked_for_one_at_a_time(void)
{
    boot(&bench);
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 0, 100), BAD_VALUE);
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 20001, 100), BAD_VALUE);
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 8000, 0), BAD_VALUE);
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 8000, 4001), BAD_VALUE);
    CHECK_EQUAL(ask_capture(1, ROLE_AMBIENT, 8000, 100), NOT_FITTED);
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 8000, 100), DONE);
    CHECK_EQUAL(paper.capture_channel, 2);
    paper.capture_channel = 99;
    CHECK_EQUAL(ask_capture(1, ROLE_SHUNT, 8000, 100), DONE);
    CHECK_EQUAL(paper.capture_channel, 99); /* starts nothing */
    CHECK_EQUAL(ask_capture(2, ROLE_SHUNT, 8000, 100), BUSY);
    run(&d, 26, quiet);
    CHECK(paper_frame_of(STATUS, content) > 0);
    CHECK(content[7] & CAPTURING);
    paper.capturing = false; /* the board gives up */
    run(&d, 1, quiet);
    CHECK_EQUAL(ask_capture(2, ROLE_SHUNT_WIDE, 8000, 100), DONE);
}

static void values_that_mean_nothing_are_refused(void)
{
    boot(&bench);
    CHECK_EQUAL(ask(&d, STREAM, seq++, "\2", 1), BAD_VALUE);
    CHECK_EQUAL(ask(&d, STREAM, seq++, "\1\1", 2), BAD_VALUE);
    CHECK_EQUAL(ask(&d, CLEAR, seq++, "\1", 1), BAD_VALUE);
    CHECK_EQUAL(ask(&d, IDENTIFY, seq++, "\1", 1), BAD_VALUE);
    CHECK_EQUAL(ask(&d, DRIVE, seq++, "\0\0\0\0\0\0", 6), BAD_VALUE);
    CHECK_EQUAL(ask(&d, CAPTURE, seq++, "\0\0\0\0\0\0", 6), BAD_VALUE);
    CHECK_EQUAL(ask(&d, SCANS, seq++, NULL, 0), UNKNOWN_TYPE);
    CHECK_EQUAL(ask(&d, 0x40, seq++, NULL, 0), UNKNOWN_TYPE);
    CHECK_EQUAL(ask(&d, 0x47, seq++, NULL, 0), UNKNOWN_TYPE);
}

void test_requests(void)
{
    the_golden_reply();
    refusals_come_in_their_order();
    without_a_switch_there_is_no_power_and_no_watching();
    power_off_is_never_refused();
    a_refused_drive_changes_nothing_and_renews_nothing();
    a_trip_stands_until_it_is_cleared();
    without_scans_power_still_falls();
    limits_replace_all_earlier_ones();
    the_valve_moves_for_as_long_as_its_way();
    captures_are_asked_for_one_at_a_time();
    values_that_mean_nothing_are_refused();
}
