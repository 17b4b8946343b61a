#include "limits.h"

#include "bytes.h"
#include "wire.h"

bool limits_whole(const uint8_t *body, uint8_t n)
{
    return n >= LIMITS_HEAD && body[4] <= MOST_LIMITS && n == LIMITS_HEAD + LIMIT_SIZE * body[4];
}

static bool is_number(const uint8_t *f32)
{
    return (get_u32(f32) & 0x7FFFFFFFu) <= 0x7F800000u;
}

bool limits_good(const uint8_t *body, const struct design *design)
{
    const uint8_t *entry = body + LIMITS_HEAD;
    for (uint8_t k = 0; k < body[4]; k++, entry += LIMIT_SIZE)
        if (entry[0] >= design->n_analog || !is_number(entry + 1) || !is_number(entry + 5))
            return false;
    return true;
}

/* Whether a count lies beyond a limit. An infinite one of the right sign is beyond reach. */
static bool beyond(const struct channel *c, int16_t count, float limit, bool above)
{
    const float volts = (float)((int32_t)count - c->zero_count) * c->volts_per_count;
    return above ? volts > limit : volts < limit;
}

/* The first count at which the answer of `beyond` is another than at count 0; one above the highest if none is. Volts
 * only rise or only fall with the count, so halving finds it. */
static int16_t turn(const struct channel *c, float limit, bool above)
{
    const bool at_zero = beyond(c, 0, limit, above);
    uint16_t same = 0, other = (uint16_t)(top_count(c) + 1);
    while (other - same > 1) {
        const uint16_t middle = (uint16_t)((same + other) / 2);
        if (beyond(c, (int16_t)middle, limit, above) == at_zero)
            same = middle;
        else
            other = middle;
    }
    return (int16_t)other;
}

/* Narrows the counts within to those that are not beyond one limit. */
static void narrow(struct limit *entry, const struct channel *c, float limit, bool above)
{
    const int16_t at = turn(c, limit, above);
    if (beyond(c, 0, limit, above)) {
        if (at > entry->lowest)
            entry->lowest = at;
    } else if (at - 1 < entry->highest) {
        entry->highest = (int16_t)(at - 1);
    }
}

void limits_set(struct limits *limits, const uint8_t *body, uint8_t n, const struct design *design)
{
    const uint8_t *from = body + LIMITS_HEAD;
    limits->set = true;
    limits->crc = crc16(body, n);
    limits->blank_ms = get_u16(body);
    limits->max_on_s = get_u16(body + 2);
    limits->n = body[4];
    for (uint8_t k = 0; k < limits->n; k++, from += LIMIT_SIZE) {
        struct limit *entry = &limits->entries[k];
        const struct channel *c = &design->analog[from[0]];
        entry->channel = from[0];
        entry->lowest = 0;
        entry->highest = top_count(c);
        narrow(entry, c, get_f32(from + 1), true);
        narrow(entry, c, get_f32(from + 5), false);
    }
}
