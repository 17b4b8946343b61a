"""What a window of a connected device showed, as values."""

from dataclasses import dataclass
from enum import StrEnum

from daq.measure.flow import Flow
from daq.stand.pace import Pace
from drivers.block import Identity, LinkChange, LinkCounts, Status


class Span(StrEnum):
    """Whether a channel can be believed: inside its span, outside of it, at an end of the converter, or, of a device
    that speaks SI, without a value."""

    INSIDE = "inside"
    BELOW = "below"
    ABOVE = "above"
    CONVERTER_END = "converter_end"
    NO_VALUE = "no_value"


@dataclass(frozen=True, slots=True)
class ChannelSeen:
    """An analog channel over a window. `newest`, `low` and `high` are counts, or SI where the device speaks that; then
    `volts` is None. `volts` and `value` (SI) are means; `value` is None where the stand does not say what it is. NaN is
    no value."""

    index: int
    role: int
    in_counts: bool
    newest: float
    low: float
    high: float
    volts: float | None
    value: float | None
    span: Span


@dataclass(frozen=True, slots=True)
class PulseSeen:
    """A pulse counter: `edges` since boot, `new` of them in the window. `hertz` is taken between edges of the window;
    None where there were too few. `quiet` is the seconds since the newest edge, None where nobody knows. `flow` is
    None where the counter counts none, or no stand says how much."""

    index: int
    role: int
    edges: int
    new: int
    hertz: float | None
    quiet: float | None
    flow: Flow | None


@dataclass(frozen=True, slots=True)
class Seen:
    """A window: what the device says it is, its newest status, its channels, and how the line does.

    `seconds` and `scans` are of the window, by the device; `missing` scans were lost in it, `displaced` by a capture.
    `per_block` is the scans in its largest block. `counts` are since the device was opened. `pace` is None where sample
    time is not wall time, or too little came. `link` is the newest change of the line, None if there was none.
    """

    identity: Identity
    status: Status | None
    channels: tuple[ChannelSeen, ...]
    pulses: tuple[PulseSeen, ...]
    seconds: float
    scans: int
    missing: int
    displaced: int
    per_block: int
    counts: LinkCounts
    pace: Pace | None
    link: LinkChange | None
