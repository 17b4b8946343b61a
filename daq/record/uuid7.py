"""UUID version 7 (RFC 9562, section 5.7): ids that sort by the time they were made, to the millisecond."""

import secrets
import time
from collections.abc import Callable
from uuid import UUID

_VERSION = 0x7
_VARIANT = 0b10


def from_parts(unix_ms: int, rand_a: int, rand_b: int) -> UUID:
    """Puts an id together: 48 bits of Unix milliseconds, 12 and 62 random bits.

    Raises:
        ValueError: a part does not fit its field.
    """
    for name, value, bits in (("unix_ms", unix_ms, 48), ("rand_a", rand_a, 12), ("rand_b", rand_b, 62)):
        if not 0 <= value < 1 << bits:
            raise ValueError(f"uuid7: {name} {value} does not fit {bits} bits")
    return UUID(int=unix_ms << 80 | _VERSION << 76 | rand_a << 64 | _VARIANT << 62 | rand_b)


class Source:
    """Gives ids, each greater than the one before, whatever the clock does (RFC 9562, section 6.2, method 1): while
    time stands or has been set back, the twelve bits behind it count on. `clock` gives nanoseconds."""

    def __init__(self, clock: Callable[[], int] = time.time_ns) -> None:
        self._clock = clock
        self._last = 0, 0

    def next(self) -> UUID:
        """A new id."""
        now = self._clock() // 1_000_000
        if now > self._last[0]:
            # The top bit free, so that there is room to count.
            self._last = now, secrets.randbits(11)
        else:
            count = (self._last[0] << 12 | self._last[1]) + 1
            self._last = count >> 12, count & 0xFFF
        return from_parts(*self._last, secrets.randbits(62))


_source = Source()


def uuid7() -> UUID:
    """A new id from the system clock and the system's randomness, greater than all that this process got before."""
    return _source.next()
