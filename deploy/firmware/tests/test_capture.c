/* Captures in pieces, with the golden BURST of tests/drivers/link as a witness. */
#include "bytes.h"
#include "harness.h"

static struct capture c;
static uint8_t content[LONGEST_CONTENT];
static uint8_t seq;

/* So many samples more have been taken. */
static void take(uint16_t n)
{
    while (n--) {
        paper.samples[paper.n_samples] = (int16_t)(100 + paper.n_samples);
        paper.n_samples++;
    }
}

static void the_golden_burst(void)
{
    const uint8_t golden[] = {0x07, 0x04, 0x09, 0x03, 0x09, 0x20, 0x4E, 0x01, 0x04, 0x40, 0xE2,
                              0x01, 0x01, 0x03, 0x01, 0x0A, 0x03, 0x01, 0x03, 0x01, 0x02, 0x01,
                              0x05, 0xFF, 0xFF, 0x4F, 0x60, 0x00};
    paper_start(123406);
    capture_begin(&c, &bench, 3, 5, 20000, 256); /* channel 5 has role 9; the period is 50 us */
    CHECK_EQUAL(paper.capture_period, 50);
    c.sent = 10;
    paper.capturing = false;
    memcpy(paper.samples, (const int16_t[]){0, 1, -1}, 3 * sizeof(int16_t));
    paper.n_samples = 3;
    seq = 9;
    capture_look(&c, &bench, &seq);
    CHECK_EQUAL(paper.n_sent, sizeof golden);
    CHECK(!memcmp(paper.sent, golden, sizeof golden));
    CHECK(!c.under_way); /* the board gave up there */
}

static void expect_piece(uint16_t first, uint8_t n)
{
    capture_look(&c, &bench, &seq);
    CHECK_EQUAL(paper_frame(content), n ? 2 + BURST_HEAD + 2 * n : 0);
    if (n) {
        CHECK_EQUAL(get_u16(content + 14), first);
        CHECK_EQUAL(content[17], n);
        CHECK_EQUAL(get_u16(content + 18), 100 + first);
    }
}

static void pieces_go_out_as_samples_come(void)
{
    paper_start(0);
    capture_begin(&c, &bench, 1, 2, 8000, 2 * PIECE + 10);
    expect_piece(0, 0);
    take(PIECE - 1);
    expect_piece(0, 0);
    take(PIECE + 1);
    expect_piece(0, PIECE);
    expect_piece(PIECE, PIECE);
    CHECK(c.under_way);
    take(9);
    expect_piece(0, 0);
    take(1);
    paper.capturing = false;
    expect_piece(2 * PIECE, 10);
    CHECK(!c.under_way);
    expect_piece(0, 0);
}

static void pieces_wait_for_room(void)
{
    paper_start(0);
    capture_begin(&c, &bench, 1, 2, 8000, 2 * PIECE);
    take(PIECE);
    paper.room = FRAME(BURST_HEAD + 2 * PIECE) + 63; /* answers need 64 */
    expect_piece(0, 0);
    paper.room++;
    expect_piece(0, PIECE);
    take(PIECE);
    paper.capturing = false; /* scans go out again, and a frame of them needs its place as well */
    expect_piece(0, 0);
    CHECK(c.under_way);
    paper.room = LINE_ROOM;
    expect_piece(PIECE, PIECE);
}

static void a_board_that_gives_up_ends_it(void)
{
    paper_start(0);
    capture_begin(&c, &bench, 1, 2, 8000, 4000);
    take(PIECE + 7);
    paper.capturing = false;
    expect_piece(0, PIECE);
    CHECK(c.under_way);
    expect_piece(PIECE, 7);
    CHECK(!c.under_way);
}

static void expect_rate(uint32_t asked, uint32_t period, uint32_t really)
{
    paper_start(0);
    capture_begin(&c, &bench, 1, 2, asked, 1);
    CHECK_EQUAL(paper.capture_period, period);
    CHECK_EQUAL(c.rate_hz, really);
    CHECK_EQUAL(c.tick, period);
}

static void the_rate_is_what_the_ticks_can_do(void)
{
    expect_rate(20000, 50, 20000);
    expect_rate(3000, 334, 2994); /* 333.3 us are not to be had; 1 000 000 / 334 is 2994.01 */
    expect_rate(7, 142858, 7);
    expect_rate(1, 1000000, 1);
    expect_rate(19999, 51, 19608);
}

static void overrange_is_told_piece_by_piece(void)
{
    paper_start(0);
    capture_begin(&c, &bench, 1, 2, 8000, 2 * PIECE);
    take(2 * PIECE);
    paper.samples[PIECE] = 4095;
    capture_look(&c, &bench, &seq);
    CHECK(paper_frame(content) > 0);
    CHECK_EQUAL(content[16], 0);
    capture_look(&c, &bench, &seq);
    CHECK(paper_frame(content) > 0);
    CHECK_EQUAL(content[16], 1);
}

void test_capture(void)
{
    the_golden_burst();
    pieces_go_out_as_samples_come();
    pieces_wait_for_room();
    a_board_that_gives_up_ends_it();
    the_rate_is_what_the_ticks_can_do();
    overrange_is_told_piece_by_piece();
}
