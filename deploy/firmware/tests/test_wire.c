/* Check sum and stuffing, against figures that others have put down. */
#include "harness.h"
#include "wire.h"

static void crc_has_its_check_value(void)
{
    /* CRC-16/IBM-3740 over the nine characters "123456789": 0x29B1, as drivers/link/CONTRACT.md states it. */
    CHECK_EQUAL(crc16((const uint8_t *)"123456789", 9), 0x29B1);
    CHECK_EQUAL(crc16(NULL, 0), 0xFFFF);
}

static void stuffs_to(const uint8_t *plain, uint8_t n, const uint8_t *expected)
{
    uint8_t frame[LONGEST_CONTENT + 2];
    memcpy(frame + 1, plain, n);
    stuff(frame, n);
    CHECK(!memcmp(frame, expected, n + 1u));
    CHECK_EQUAL(frame[n + 1], 0);
    CHECK_EQUAL(unstuff(frame, (uint8_t)(n + 1)), n);
    CHECK(!memcmp(frame, plain, n));
}

static void stuffing_by_hand(void)
{
    /* In front of each stretch without a zero its length plus one; the zeros are left out. */
    stuffs_to((const uint8_t[]){0}, 1, (const uint8_t[]){1, 1});
    stuffs_to((const uint8_t[]){0, 0}, 2, (const uint8_t[]){1, 1, 1});
    stuffs_to((const uint8_t[]){0x11, 0x22, 0, 0x33}, 4, (const uint8_t[]){3, 0x11, 0x22, 2, 0x33});
    stuffs_to((const uint8_t[]){0x11, 0, 0, 0}, 4, (const uint8_t[]){2, 0x11, 1, 1, 1});
    /* IDENTIFY as the first frame of a host, as the contract page has it. */
    stuffs_to((const uint8_t[]){0x41, 0, 0xF2, 0x23}, 4, (const uint8_t[]){2, 0x41, 3, 0xF2, 0x23});
}

static void any_bytes_come_back(void)
{
    uint8_t plain[LONGEST_CONTENT], frame[LONGEST_CONTENT + 2];
    uint32_t seed = 1;
    for (unsigned round = 0; round < 2000; round++) {
        const uint8_t n = (uint8_t)(1 + round % LONGEST_CONTENT);
        for (uint8_t k = 0; k < n; k++) {
            seed = seed * 1664525u + 1013904223u;
            plain[k] = (uint8_t)(seed >> 24) & (round % 3 ? 0xFF : 0x03);
        }
        memcpy(frame + 1, plain, n);
        stuff(frame, n);
        CHECK(memchr(frame, 0, n + 1u) == NULL);
        CHECK_EQUAL(unstuff(frame, (uint8_t)(n + 1)), n);
        CHECK(!memcmp(frame, plain, n));
    }
}

static void what_nobody_stuffed_is_refused(void)
{
    uint8_t ends_behind[] = {5, 1, 2, 3}, second_ends_behind[] = {2, 1, 9, 3}, full[] = {0xFF, 1, 2, 3};
    CHECK_EQUAL(unstuff(ends_behind, 4), 0);
    CHECK_EQUAL(unstuff(second_ends_behind, 4), 0);
    CHECK_EQUAL(unstuff(full, 4), 0);
    CHECK_EQUAL(unstuff(full, 0), 0);
}

void test_wire(void)
{
    crc_has_its_check_value();
    stuffing_by_hand();
    any_bytes_come_back();
    what_nobody_stuffed_is_refused();
}
