/* What a receiver does with what it gets: the table of section 2 of the contract, row by row. */
#include "harness.h"

static struct deframer d;

/* Feeds bytes; counts what came of them in `counts`, by enum piece. */
static void feed(const uint8_t *bytes, unsigned n, unsigned counts[4])
{
    memset(counts, 0, 4 * sizeof *counts);
    for (unsigned k = 0; k < n; k++)
        counts[deframer_take(&d, bytes[k])]++;
}

static void expect(const uint8_t *bytes, unsigned n, unsigned bad, unsigned repeated, unsigned sound)
{
    unsigned counts[4];
    feed(bytes, n, counts);
    CHECK_EQUAL(counts[BAD_PIECE], bad);
    CHECK_EQUAL(counts[REPEATED], repeated);
    CHECK_EQUAL(counts[SOUND], sound);
}

static void expect_frame(uint8_t type, uint8_t seq, enum piece piece, uint8_t lost)
{
    uint8_t wire[16];
    const uint8_t n = host_frame(wire, type, seq, NULL, 0);
    expect(wire, n, piece == BAD_PIECE, piece == REPEATED, piece == SOUND);
    if (piece == SOUND) {
        CHECK_EQUAL(d.content[0], type);
        CHECK_EQUAL(d.content[1], seq);
        CHECK_EQUAL(d.length, 2);
        CHECK_EQUAL(d.lost, lost);
    }
}

static const uint8_t identify[] = {0x02, 0x41, 0x03, 0xF2, 0x23, 0x00};
static const uint8_t nonsense[] = {0x33, 0x44, 0x55, 0x00};

static void before_the_first_zero_nothing_is_an_error(void)
{
    deframer_start(&d);
    expect(nonsense, 4, 0, 0, 0);
    expect(nonsense, 4, 1, 0, 0);
    deframer_start(&d);
    expect(identify, 6, 0, 0, 1); /* a good frame there is one */
}

static void empty_frames_mean_nothing(void)
{
    const uint8_t zeros[] = {0, 0, 0};
    deframer_start(&d);
    expect(zeros, 3, 0, 0, 0);
    expect(nonsense, 4, 1, 0, 0); /* but the line has been opened now */
}

static void a_wrong_check_sum_is_bad(void)
{
    const uint8_t wrong[] = {0x02, 0x41, 0x03, 0xF2, 0x24, 0x00}, cut[] = {0x03, 0x41, 0xF2, 0x00};
    deframer_start(&d);
    expect(identify, 6, 0, 0, 1);
    expect(wrong, 6, 1, 0, 0);
    expect(cut, 4, 1, 0, 0);
    expect(identify, 6, 0, 0, 1);
}

static void overlong_is_bad_once_and_the_next_frame_good(void)
{
    uint8_t ones[600];
    memset(ones, 1, sizeof ones);
    deframer_start(&d);
    expect((const uint8_t[]){0}, 1, 0, 0, 0);
    expect(ones, sizeof ones, 1, 0, 0);
    expect((const uint8_t[]){0}, 1, 0, 0, 0);
    expect(identify, 6, 0, 0, 1);
    deframer_start(&d);
    expect(ones, sizeof ones, 0, 0, 0); /* the rest of something from before */
}

static void the_longest_frame_is_read(void)
{
    uint8_t wire[LONGEST_STUFFED + 1], body[246];
    memset(body, 7, sizeof body);
    const uint8_t n = host_frame(wire, LIMITS, 0, body, sizeof body);
    CHECK_EQUAL(n, LONGEST_STUFFED + 1);
    deframer_start(&d);
    expect(wire, n, 0, 0, 1);
    CHECK_EQUAL(d.length, 248);
    CHECK_EQUAL(d.content[247], 7);
}

static void numbers_tell_what_is_lost(void)
{
    deframer_start(&d);
    expect_frame(CLEAR, 250, SOUND, 0); /* the first one is the beginning */
    expect_frame(CLEAR, 251, SOUND, 0);
    expect_frame(CLEAR, 1, SOUND, 5); /* 252, 253, 254, 255 and 0 */
    expect_frame(IDENTIFY, 77, SOUND, 0); /* sets the expectation anew */
    expect_frame(CLEAR, 78, SOUND, 0);
}

static void a_repeat_is_dropped_but_never_identify(void)
{
    deframer_start(&d);
    expect_frame(CLEAR, 3, SOUND, 0);
    expect_frame(CLEAR, 3, REPEATED, 0);
    expect((const uint8_t[]){9, 9, 0}, 3, 1, 0, 0);
    expect_frame(CLEAR, 3, REPEATED, 0); /* the sound frame before is still the same */
    expect_frame(CLEAR, 4, SOUND, 0);    /* and the repeats were no step in the numbers */
    expect_frame(IDENTIFY, 5, SOUND, 0);
    expect_frame(IDENTIFY, 5, SOUND, 0);
}

void test_deframer(void)
{
    before_the_first_zero_nothing_is_an_error();
    empty_frames_mean_nothing();
    a_wrong_check_sum_is_bad();
    overlong_is_bad_once_and_the_next_frame_good();
    the_longest_frame_is_read();
    numbers_tell_what_is_lost();
    a_repeat_is_dropped_but_never_identify();
}
