"""The one face that every firmware shows to the cases: time is lived through in spans, and nothing else moves it."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Span:
    """What a device meets for `us` microseconds.

    `volts` stand at the converter's pins, an amplifier's lift included (so count = volts ÷ |volts_per_count|), channel
    by channel, held over the span. `inputs` has the bits of STATUS. `edges` are rising edges of the flow pulse in ns
    after the span's start, ascending. `received` are bytes from the host, on the line from the span's start on.
    """

    us: int
    volts: tuple[float, ...]
    inputs: int
    edges: tuple[int, ...] = ()
    received: bytes = b""


@dataclass(frozen=True, slots=True)
class Told:
    """What a device did in a span: bytes sent, its power pin at the end, when that last fell (ns after the start, None
    if it did not), and where the valve is sent (0 to 10 000, None before any command)."""

    sent: bytes
    power: bool
    fell_ns: int | None
    valve: int | None


class Device(Protocol):
    """A firmware on a board."""

    def live(self, span: Span) -> Told:
        """Lives through a span."""
        ...

    def reset(self, cause: int) -> None:
        """Resets the microcontroller; `cause` is a bit of IDENTITY.reset_cause. What is kept without power is kept."""
        ...

    def close(self) -> None:
        """Ends it; no other call may follow."""
        ...
