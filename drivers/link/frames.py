"""The frames of the stand link, version 1, as values, and their bodies as bytes. `CONTRACT.md` is the reference.

IDENTITY and STATUS are the values of `drivers.block`; in a STATUS from here `boot` is the low byte and `tick` as sent.
"""

from dataclasses import dataclass
from enum import IntEnum, IntFlag

from drivers.block import Identity, Status
from drivers.device import LimitEntry

PROTOCOL = 1
LONGEST_CONTENT = 250
"""Bytes of a decoded frame with its check sum, at most."""
LEAVE_VALVE = 0xFFFF
LEAVE_SUPPLY = 0
LONGEST_LEASE_MS = 2000
MOST_ANALOG = 8
MOST_PULSE = 2


class Type(IntEnum):
    """The first byte of a frame."""

    IDENTITY = 0x01
    SCANS = 0x02
    STATUS = 0x03
    BURST = 0x04
    REPLY = 0x05
    IDENTIFY = 0x41
    STREAM = 0x42
    DRIVE = 0x43
    LIMITS = 0x44
    CAPTURE = 0x45
    CLEAR = 0x46


class ReplyCode(IntEnum):
    """What a device answers."""

    DONE = 0
    UNKNOWN_TYPE = 1
    BAD_VALUE = 2
    TRIPPED = 3
    NOT_FITTED = 4
    BUSY = 5
    NO_LIMITS = 6
    INPUT_OPEN = 7


class ScansFlag(IntFlag):
    """Flags of SCANS."""

    MISSING_BEFORE = 1
    DISPLACED_BY_CAPTURE = 2


@dataclass(frozen=True, slots=True)
class Layout:
    """How many channels a SCANS frame holds; IDENTITY tells."""

    n_analog: int
    n_pulse: int

    @classmethod
    def of(cls, identity: Identity) -> "Layout":
        return cls(len(identity.analog), len(identity.pulse))


@dataclass(frozen=True, slots=True)
class OtherProtocol:
    """An IDENTITY whose first byte names a version of the link that is not ours; the rest is not read."""

    protocol: int


@dataclass(frozen=True, slots=True)
class Scans:
    """`n` scans. `counts` holds them as little-endian int16, scan by scan; all counters and ticks modulo 2³²."""

    boot: int
    tick: int
    index: int
    n: int
    flags: int
    overrange: int
    counts: bytes
    edges: tuple[int, ...]
    last_edge: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Burst:
    """One piece of a fast capture: `counts` are samples `first`, `first` + 1, … of `total`."""

    capture: int
    role: int
    rate_hz: int
    tick: int
    total: int
    first: int
    overrange: bool
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to the request that was sent with `seq`; `code` as in ReplyCode."""

    seq: int
    code: int


@dataclass(frozen=True, slots=True)
class Identify:
    """Asks for IDENTITY."""


@dataclass(frozen=True, slots=True)
class Stream:
    """Switches SCANS on or off."""

    on: bool


@dataclass(frozen=True, slots=True)
class Drive:
    """Power, supply (mV, 0 leaves it), valve (0 … 10 000, 65 535 leaves it), and the lease that keeps power on."""

    power: bool
    supply_mv: int
    valve: int
    lease_ms: int


@dataclass(frozen=True, slots=True)
class Limits:
    """What makes the device trip by itself. Volts of the entries travel in single precision."""

    blank_ms: int
    max_on_s: int
    entries: tuple[LimitEntry, ...]


@dataclass(frozen=True, slots=True)
class CaptureRequest:
    """Asks for a fast capture of the channel with `role`."""

    capture: int
    role: int
    rate_hz: int
    total: int


@dataclass(frozen=True, slots=True)
class Clear:
    """Clears a trip."""


FromDevice = Identity | OtherProtocol | Scans | Status | Burst | Reply
FromHost = Identify | Stream | Drive | Limits | CaptureRequest | Clear
Frame = FromDevice | FromHost
