"""The pieces of fast captures put together, whoever asked for them."""

from collections import deque
from dataclasses import dataclass, field

from drivers.block import Capture
from drivers.link.frames import Burst

AT_ONCE = 4
"""Captures of which pieces are kept. A device sends one at a time; a line that delays frames may mix two."""

_Key = tuple[int, int, int, int, int]


@dataclass(slots=True)
class _Pieces:
    """What has come of one capture."""

    total: int
    counts: dict[int, int] = field(default_factory=dict)
    overrange: bool = False

    @property
    def missing(self) -> int:
        return self.total - len(self.counts)

    def take(self, burst: Burst) -> None:
        self.overrange |= burst.overrange
        places = range(burst.first, min(burst.first + len(burst.counts), self.total))
        self.counts.update(zip(places, burst.counts, strict=False))


class Captures:
    """Collects the BURST frames of one line. A capture is whole once, however often its pieces come."""

    def __init__(self) -> None:
        self._under_way: dict[_Key, _Pieces] = {}
        self._whole: deque[_Key] = deque(maxlen=AT_ONCE)
        self._by_number: dict[int, Capture] = {}

    def take(self, burst: Burst) -> Capture | None:
        """The capture that this piece completes, its tick as sent; None while samples are missing."""
        key = (burst.capture, burst.role, burst.rate_hz, burst.tick, burst.total)
        if key in self._whole or not burst.total:
            return None
        pieces = self._under_way.setdefault(key, _Pieces(burst.total))
        pieces.take(burst)
        if pieces.missing:
            if len(self._under_way) > AT_ONCE:
                del self._under_way[next(iter(self._under_way))]
            return None
        del self._under_way[key]
        self._whole.append(key)
        counts = [pieces.counts[k] for k in range(burst.total)]
        capture = Capture(burst.role, burst.rate_hz, burst.tick, counts, pieces.overrange)
        self._by_number[burst.capture] = capture
        if len(self._by_number) > AT_ONCE:
            del self._by_number[next(iter(self._by_number))]
        return capture

    def drop_all(self) -> None:
        """The device has restarted, and with it its ticks."""
        self._under_way.clear()
        self._whole.clear()
        self._by_number.clear()

    def result(self, number: int) -> Capture | None:
        """The whole capture of this number, its tick as sent; None while there is none."""
        return self._by_number.get(number)

    def forget(self, number: int) -> None:
        """The capture `number` is no answer any more: somebody has it, or is about to use its number again."""
        self._by_number.pop(number, None)

    def missing(self, number: int, total: int) -> int:
        """How many samples of a capture of `total` have not come."""
        found = [pieces.missing for key, pieces in self._under_way.items() if key[0] == number]
        return found[-1] if found else total
