"""What a recording says of a run, read apart from the code that judged it."""

from collections.abc import Iterable
from pathlib import Path

from drivers.block import Block, Event
from drivers.device import Address
from drivers.replay import ReplayDevice

Span = tuple[float, float]

ROUNDING_S = 1e-6
"""Times are added up from steps, and a hole is at least a scan long."""


async def replayed(path: Path) -> list[Event]:
    """Everything in a recording, which must be readable to its last entry."""
    device = ReplayDevice(Address(f"replay://{path}", "replay", str(path)), path)
    return [event async for event in device.events()]


def scans(events: Iterable[Event]) -> int:
    return sum(event.n for event in events if isinstance(event, Block))


def gaps(events: Iterable[Event], tick_hz: int = 1_000_000, sample_hz: int = 500) -> list[Span]:
    """From where to where scans are lost, in seconds since the first scan; not those that a capture displaced."""
    blocks = [event for event in events if isinstance(event, Block)]
    first = blocks[0].tick
    ends = [(block.tick - first) / tick_hz for block in blocks]
    return [(end - b.missing / sample_hz, end) for b, end in zip(blocks, ends, strict=True) if b.missing > b.displaced]


def touched(window: Span, holes: Iterable[Span]) -> bool:
    """Whether a window holds a hole, or a part of one; a window may end where a hole begins."""
    return any(begin < window[1] - ROUNDING_S and window[0] + ROUNDING_S < end for begin, end in holes)
