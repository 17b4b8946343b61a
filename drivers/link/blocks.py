"""SCANS to Blocks: wrapped ticks, indexes and edges made to rise without bound within one boot."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drivers.block import Block, Identity
from drivers.link.frames import Scans, ScansFlag

WRAP = 1 << 32
_MASK = WRAP - 1
_HALF = 1 << 31


class BlockMaker:
    """Makes the Blocks of one boot of one device.

    `after` continues behind a Block of the same boot, as if that one had just been made here.
    """

    def __init__(self, identity: Identity, after: Block | None = None) -> None:
        self.identity = identity
        self._channels = len(identity.analog)
        self._last = after
        self._hole = False

    @property
    def started(self) -> bool:
        return self._last is not None

    def mark_hole(self) -> None:
        """Nothing was heard for so long that a wrap may have gone unseen: the next Block has scans missing before it.

        It still rises above the one before, but the distance to that is not to be trusted, which is what `missing`
        says to everybody.
        """
        self._hole = True

    def ticks(self, scans: int) -> int:
        """Ticks from one scan to the one `scans` later, rounded as the contract says."""
        rate = self.identity.sample_hz
        return (2 * scans * self.identity.tick_hz + rate) // (2 * rate)

    def make(self, scans: Scans) -> Block | None:
        """The Block, or None if its index lies behind what came already: then the device's count is broken."""
        last = self._last
        tick, index, missing = scans.tick, scans.index, 0
        if last is not None:
            due = last.index + last.n
            missing = (index - due) & _MASK
            if missing >= _HALF:
                return None
            index = due + missing
            tick = last.tick + ((tick - last.tick) & _MASK)
        end = tick + self.ticks(scans.n - 1)
        newest = self._edges_before(end, scans, last)
        if last is None and any(edge < -1 for edge in newest):
            # An edge before the first wrap, seen after it: lifts the beginning, since −1 means 'no edge'.
            tick += WRAP
            newest = self._edges_before(end + WRAP, scans, last)
        missing = max(missing, 1) if self._hole and last is not None else missing
        self._hole = False
        block = Block(
            boot=self.identity.boot,
            tick=tick,
            index=index,
            values=self._values(scans),
            edges=_int64(scans.edges if last is None else _risen(last.edges, scans.edges)),
            last_edge=_int64(newest),
            missing=missing,
            displaced=missing if scans.flags & ScansFlag.DISPLACED_BY_CAPTURE else 0,
            overrange=scans.overrange,
        )
        self._last = block
        return block

    def status_tick(self, tick: int) -> int:
        """A STATUS tick, unwrapped to the nearest place to the newest Block; as sent before the first one."""
        if self._last is None:
            return tick
        near = self._last.tick
        return near + ((tick - near + _HALF) & _MASK) - _HALF

    def _values(self, scans: Scans) -> NDArray[np.int16]:
        return np.frombuffer(scans.counts, "<i2").reshape(scans.n, self._channels)

    def _edges_before(self, end: int, scans: Scans, last: Block | None) -> list[int]:
        """The newest edge of each counter, at most one wrap before the tick `end` of the last scan."""
        newest = []
        for k, (count, raw) in enumerate(zip(scans.edges, scans.last_edge, strict=True)):
            if last is not None and not (count - int(last.edges[k])) & _MASK:
                newest.append(int(last.last_edge[k]))  # no new edge: its tick may be many wraps old
            elif last is None and not count:
                newest.append(-1)
            else:
                newest.append(end - ((end - raw) & _MASK))
        return newest


def _risen(before: NDArray[np.int64], now: Sequence[int]) -> list[int]:
    return [old + ((new - old) & _MASK) for old, new in zip(before.tolist(), now, strict=True)]


def _int64(values: Sequence[int]) -> NDArray[np.int64]:
    return np.array(values, dtype=np.int64)
