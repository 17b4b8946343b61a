/* What the device says by itself: IDENTITY, SCANS, STATUS. */
#include "bytes.h"
#include "harness.h"

static struct device d;
static uint8_t content[LONGEST_CONTENT];
static const int16_t quiet[N_ANALOG] = {410, 2212, 41, 598, 3277, 41};

static void boot(const struct design *design)
{
    paper_start(0);
    paper.power = true; /* as if it had been left on */
    device_start(&d, design, 261, 1);
}

static void the_golden_identity(void)
{
    const uint8_t golden[] = {0x00, 0x02, 0x01, 0x15, 0x01, 0x01, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88,
                              0x01, 0x02, 0x03, 0x07, 0x01, 0x05, 0x01, 0x40, 0x42, 0x0F, 0x05, 0xF4, 0x01, 0x20,
                              0x4E, 0x01, 0x01, 0x06, 0x04, 0x02, 0x01, 0x01, 0x0C, 0x01, 0x01, 0x01, 0x07, 0xA0,
                              0x3A, 0x03, 0x0C, 0xF8, 0xFF, 0x01, 0x06, 0xA0, 0xBA, 0x01, 0x7F, 0x0F, 0x00};
    boot(&two_channels);
    CHECK(paper.n_sent > sizeof golden);
    CHECK(!memcmp(paper.sent, golden, sizeof golden)); /* a zero first, then the frame */
    CHECK(!paper.power);
}

static void at_boot_everything_is_off(void)
{
    boot(&bench);
    CHECK(!paper.power);
    CHECK_EQUAL(paper.valve_moves, 0);
    CHECK(paper_frame_of(STATUS, content) == 2 + STATUS_BODY);
    CHECK_EQUAL(content[7], 0);
    CHECK_EQUAL(get_u16(content + 8), UNKNOWN_VALVE);
    CHECK_EQUAL(content[12], 7);
    run(&d, 100, quiet);
    CHECK_EQUAL(paper_frame_of(SCANS, content), 0);
}

static void every_identify_is_answered_as_the_line_allows(void)
{
    boot(&bench);
    paper.room = 20;
    for (uint8_t k = 0; k < 3; k++)
        tell(&d, IDENTIFY, 0, NULL, 0);
    const uint32_t before = paper.n_sent;
    device_look(&d);
    CHECK_EQUAL(paper.n_sent, before);
    paper.room = 1024;
    device_look(&d);
    uint8_t found = 0;
    while (paper_frame_of(IDENTITY, content))
        found++;
    CHECK_EQUAL(found, 4); /* that of the boot, and three */
}

static unsigned statuses(uint16_t scans)
{
    unsigned found = 0;
    paper.n_sent = 0;
    run(&d, scans, quiet);
    for (uint32_t k = 0; k < paper.n_sent; k++)
        found += !paper.sent[k];
    return found; /* nothing else is sent with the stream off */
}

static void status_once_a_second_and_on_change(void)
{
    boot(&bench);
    CHECK_EQUAL(statuses(5000), 10); /* 10 s */
    paper.inputs = STOP_CIRCUIT;
    CHECK_EQUAL(statuses(25), 1);
    for (unsigned k = 0, found = 0; k < 50; k++) { /* a change at every scan of 100 ms */
        paper.inputs ^= FLUID_LEVEL;
        found += statuses(1);
        CHECK(found <= 1 + k / 25);
    }
}

static void a_status_without_room_comes_later(void)
{
    boot(&bench);
    paper.room = FRAME(STATUS_BODY) - 1;
    CHECK_EQUAL(statuses(1000), 0);
    paper.room = FRAME(STATUS_BODY);
    CHECK_EQUAL(statuses(1), 1);
}

static void scans_stream_without_a_gap(void)
{
    boot(&bench);
    CHECK_EQUAL(ask(&d, STREAM, 0, "\1", 1), DONE);
    run(&d, 10 * BLOCK_SCANS, quiet);
    for (uint32_t k = 0; k < 10; k++) {
        CHECK(paper_frame_of(SCANS, content) > 0);
        CHECK_EQUAL(get_u32(content + 7), k * BLOCK_SCANS);
        CHECK_EQUAL(get_u32(content + 3), 2000 + k * BLOCK_SCANS * 2000);
        CHECK_EQUAL(content[12], 0);
    }
    run(&d, 3, quiet);
    CHECK_EQUAL(ask(&d, STREAM, 1, "\0", 1), DONE);
    run(&d, 100, quiet);
    CHECK_EQUAL(ask(&d, STREAM, 2, "\1", 1), DONE);
    run(&d, BLOCK_SCANS, quiet);
    CHECK(paper_frame_of(SCANS, content) > 0);
    CHECK_EQUAL(get_u32(content + 7), 10 * BLOCK_SCANS + 3); /* stood still */
    CHECK_EQUAL(content[12], 0);
}

static void scans_that_the_board_left_out_are_missing(void)
{
    struct scan scan = {.tick = 8000, .missed = 2};
    boot(&bench);
    CHECK_EQUAL(ask(&d, STREAM, 0, "\1", 1), DONE);
    run(&d, 1, quiet);
    device_scan(&d, &scan);
    run(&d, BLOCK_SCANS, quiet);
    CHECK(paper_frame_of(SCANS, content) > 0);
    CHECK_EQUAL(content[11], 1); /* the block before the gap, unfinished */
    CHECK(paper_frame_of(SCANS, content) > 0);
    CHECK_EQUAL(get_u32(content + 7), 3);
    CHECK_EQUAL(get_u32(content + 3), 8000);
    CHECK_EQUAL(content[12], MISSING_BEFORE);
}

static void a_capture_displaces_scans(void)
{
    boot(&bench);
    CHECK_EQUAL(ask(&d, STREAM, 0, "\1", 1), DONE);
    run(&d, 2, quiet);
    CHECK_EQUAL(ask(&d, CAPTURE, 1, "\7\3\x40\x1F\0\0\x64\0", 8), DONE); /* number 7, shunt, 8000 a second, 100 */
    run(&d, 6, quiet);
    paper.capturing = false;
    run(&d, BLOCK_SCANS, quiet);
    CHECK(paper_frame_of(SCANS, content) > 0);
    CHECK_EQUAL(get_u32(content + 7), 8);
    CHECK_EQUAL(content[12], MISSING_BEFORE | DISPLACED);
}

static void bad_and_missing_frames_are_counted(void)
{
    boot(&bench);
    tell(&d, CLEAR, 5, NULL, 0);
    tell(&d, CLEAR, 9, NULL, 0);
    for (const char *bad = "\7\7"; *bad; bad++)
        device_byte(&d, (uint8_t)*bad);
    device_byte(&d, 0);
    CHECK_EQUAL(ask(&d, 0x77, 10, NULL, 0), UNKNOWN_TYPE);
    CHECK_EQUAL(ask(&d, STREAM, 11, NULL, 0), BAD_VALUE);
    run(&d, 26, quiet);
    CHECK(paper_frame_of(STATUS, content) > 0);
    CHECK_EQUAL(get_u16(content + 16), 2); /* the bad one and the one of wrong length */
    CHECK_EQUAL(get_u16(content + 18), 3); /* 6, 7 and 8 */
}

void test_device(void)
{
    the_golden_identity();
    at_boot_everything_is_off();
    every_identify_is_answered_as_the_line_allows();
    status_once_a_second_and_on_change();
    a_status_without_room_comes_later();
    scans_stream_without_a_gap();
    scans_that_the_board_left_out_are_missing();
    a_capture_displaces_scans();
    bad_and_missing_frames_are_counted();
}
