"""UUID version 7 (RFC 9562, section 5.7): ids that sort by the time they were made, to the millisecond."""

import secrets
import time
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


def uuid7() -> UUID:
    """A new id from the system clock and the system's randomness."""
    return from_parts(time.time_ns() // 1_000_000, secrets.randbits(12), secrets.randbits(62))
