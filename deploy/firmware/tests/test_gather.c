/* SCANS frames, with the golden one of tests/drivers/link as a witness. */
#include "bytes.h"
#include "harness.h"

static struct gather g;
static uint8_t content[LONGEST_CONTENT];
static uint8_t seq;

static struct scan at(uint32_t tick, int16_t first, int16_t second)
{
    return (struct scan){.tick = tick, .edges = 10, .last_edge = 0xFFFFFFF0u, .counts = {first, second}};
}

static void the_golden_scans(void)
{
    const uint8_t golden[] = {0x08, 0x02, 0x07, 0x05, 0xFF, 0xFF, 0xFF, 0xFF, 0x02, 0x01, 0x01, 0x04,
                              0x02, 0x01, 0x02, 0x06, 0x02, 0xFF, 0xFF, 0x80, 0x02, 0x03, 0x80, 0x0A,
                              0x01, 0x01, 0x07, 0xF0, 0xFF, 0xFF, 0xFF, 0xA1, 0x1F, 0x00};
    const struct scan first = at(0xFFFFFFFFu, 512, -1), second = at(1999, 640, -32768);
    paper_start(0);
    gather_start(&g, &two_channels);
    gather_skip(&g, 255, 0);
    gather_skip(&g, 1, 0); /* index 256, scans are missing before */
    gather_add(&g, &first);
    gather_add(&g, &second);
    seq = 7;
    gather_send(&g, 5, &seq);
    CHECK_EQUAL(paper.n_sent, sizeof golden);
    CHECK(!memcmp(paper.sent, golden, sizeof golden));
    CHECK_EQUAL(seq, 8);
}

/* Fills and sends a frame from this tick on; its index and flags. */
static void send_block(uint32_t tick, uint32_t index, uint8_t flags)
{
    struct scan scan = at(tick, 1, -1);
    for (uint8_t k = 0; k < BLOCK_SCANS; k++)
        CHECK_EQUAL(gather_add(&g, &scan), k + 1u == BLOCK_SCANS);
    gather_send(&g, 0, &seq);
    if (!paper_frame(content)) {
        CHECK(paper.room == 0);
        return;
    }
    CHECK_EQUAL(get_u32(content + 3), tick);
    CHECK_EQUAL(get_u32(content + 7), index);
    CHECK_EQUAL(content[11], BLOCK_SCANS);
    CHECK_EQUAL(content[12], flags);
}

static void what_is_dropped_is_said(void)
{
    paper_start(0);
    gather_start(&g, &two_channels);
    seq = 0;
    send_block(0, 0, 0);
    paper.room = 0;
    send_block(28000, BLOCK_SCANS, 0);
    paper.room = 1024;
    send_block(56000, 2 * BLOCK_SCANS, MISSING_BEFORE);
    send_block(84000, 3 * BLOCK_SCANS, 0);
    CHECK_EQUAL(content[1], 3); /* the dropped frame's number is missing too */
}

static void what_is_displaced_is_said(void)
{
    paper_start(0);
    gather_start(&g, &two_channels);
    gather_skip(&g, 50, DISPLACED);
    gather_skip(&g, 1, DISPLACED);
    send_block(0, 51, MISSING_BEFORE | DISPLACED);
    gather_skip(&g, 1, DISPLACED);
    gather_skip(&g, 1, 0); /* one was lost besides: then it is not said that a capture is to blame for both */
    send_block(0, 53 + BLOCK_SCANS, MISSING_BEFORE);
}

static void overrange_means_an_end_other_than_zero(void)
{
    const int16_t ends[][3] = {{0, 100, 0}, {4095, 100, 1}, {100, 0, 2}, {1, 1, 0}, {4095, 4095, 3}};
    for (unsigned k = 0; k < 5; k++) {
        const struct scan scan = at(0, ends[k][0], ends[k][1]);
        paper_start(0);
        gather_start(&g, &two_channels); /* the first channel's zero is at count 0, the second one's at -8 */
        gather_add(&g, &scan);
        gather_send(&g, 0, &seq);
        CHECK(paper_frame(content) > 0);
        CHECK_EQUAL(content[13], ends[k][2]);
    }
}

static void nothing_gathered_is_not_sent(void)
{
    paper_start(0);
    gather_start(&g, &two_channels);
    gather_send(&g, 0, &seq);
    CHECK_EQUAL(paper.n_sent, 0);
}

static void without_a_counter_nothing_is_told_of_it(void)
{
    struct design without = two_channels;
    const struct scan scan = at(0, 1, -1);
    without.n_pulse = 0;
    paper_start(0);
    gather_start(&g, &without);
    gather_add(&g, &scan);
    gather_send(&g, 0, &seq);
    CHECK_EQUAL(paper_frame(content), 2 + SCANS_HEAD + 4);
}

void test_gather(void)
{
    the_golden_scans();
    what_is_dropped_is_said();
    what_is_displaced_is_said();
    overrange_means_an_end_other_than_zero();
    nothing_gathered_is_not_sent();
    without_a_counter_nothing_is_told_of_it();
}
