"""SCANS to Blocks: wrapped ticks, indexes and edges made to rise without bound within one boot.

One damaged frame in 65 536 has a right check sum, so a frame is believed only as far as it agrees with the one before:
numbers of scans with ticks, edges with their times. One that does not is refused. Where the next one agrees with the
refused one, the device has changed and not the frame: its stream was off for a while, or its counts are broken.
"""

from collections.abc import Sequence
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from drivers.block import Block, Identity
from drivers.link.frames import Scans, ScansFlag

WRAP = 1 << 32
_MASK = WRAP - 1
_HALF = 1 << 31
MOST_REFUSED = 20
"""Frames in a row that may be refused, a second of them. More is no damage: what the device said of itself is wrong."""
OFF_SHARE, OFF_SCANS = 0.25, 4
"""Ticks and numbers of scans may differ by this share of the distance and by so many scans. That is coarse: a clock
that is not what the device says is found by the measurement, with a reason (`daq.measure.clock`)."""


class Refused(Enum):
    """What became of a frame that contradicts those before it: it was dropped, or the device's counts are broken."""

    FRAME = "frame"
    COUNTS = "counts"


class BlockMaker:
    """Makes the Blocks of one boot of one device.

    `after` continues behind a Block of the same boot, as if that one had just been made here.
    """

    def __init__(self, identity: Identity, after: Block | None = None) -> None:
        self.identity = identity
        self._channels = len(identity.analog)
        self._last = after
        self._doubtful: Block | None = None
        self._refused = 0
        self._least, self._most = _spans(identity)
        self._beyond = 0
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

    def make(self, scans: Scans) -> Block | Refused:
        """The Block of a frame; a frame that contradicts the one before gives none."""
        if self._beyond_converters(scans):
            return Refused.FRAME
        last, doubtful = self._last, self._doubtful
        self._doubtful = None
        if last is not None and not self._follows(last, scans, hole=self._hole):
            self._refused += 1
            if doubtful is None or not self._follows(doubtful, scans, hole=False):
                self._doubtful = self._block(scans, None)
                return Refused.FRAME if self._refused < MOST_REFUSED else Refused.COUNTS
            if not self._follows(last, scans, hole=self._hole, paused=True):
                return Refused.COUNTS
        self._last = self._block(scans, last)
        self._hole, self._refused = False, 0
        return self._last

    def _beyond_converters(self, scans: Scans) -> bool:
        """Whether counts are none that converters of so many bits give, signed or not. Where the next frame has such
        too, the device counts in another way, and they are what it means."""
        values = self._values(scans)
        self._beyond = self._beyond + 1 if (values < self._least).any() or (values > self._most).any() else 0
        return self._beyond == 1

    def _follows(self, last: Block, scans: Scans, *, hole: bool, paused: bool = False) -> bool:
        """Whether a frame can come after the block `last`.

        Across a `hole` ticks may have wrapped unseen; while a stream is `paused` they go on and scans are not numbered.
        """
        due = last.index + last.n
        missing = (scans.index - due) & _MASK
        if missing >= _HALF:
            return False
        elapsed = (scans.tick - last.tick) & _MASK
        expected = self.ticks(last.n + missing)
        off = elapsed - expected
        most = OFF_SHARE * expected + self.ticks(OFF_SCANS)
        on_time = -most <= off and (off <= most or (paused and elapsed < _HALF))
        return hole or (on_time and self._edges_follow(last, scans, elapsed))

    def _edges_follow(self, last: Block, scans: Scans, elapsed: int) -> bool:
        """Whether each counter rises, by an edge a tick at most, and has its newest edge since the last block where it
        does."""
        span = elapsed + self.ticks(scans.n - 1) - self.ticks(last.n - 1)
        end = scans.tick + self.ticks(scans.n - 1)
        for before, count, raw in zip(last.edges.tolist(), scans.edges, scans.last_edge, strict=True):
            new = (count - before) & _MASK
            if new and (new > span or (end - raw) & _MASK > span):
                return False
        return True

    def _block(self, scans: Scans, last: Block | None) -> Block:
        tick, index, missing = scans.tick, scans.index, 0
        if last is not None:
            due = last.index + last.n
            missing = (index - due) & _MASK
            index = due + missing
            tick = last.tick + ((tick - last.tick) & _MASK)
        end = tick + self.ticks(scans.n - 1)
        newest = self._edges_before(end, scans, last)
        if last is None and any(edge < -1 for edge in newest):
            # An edge before the first wrap, seen after it: lifts the beginning, since −1 means 'no edge'.
            tick += WRAP
            newest = self._edges_before(end + WRAP, scans, last)
        missing = max(missing, 1) if self._hole and last is not None else missing
        return Block(
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


def _spans(identity: Identity) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The least and the largest count of each channel."""
    bits = np.array([min(a.bits, 16) for a in identity.analog], np.int64)
    return -(1 << bits) // 2, (1 << bits) - 1


def _risen(before: NDArray[np.int64], now: Sequence[int]) -> list[int]:
    return [old + ((new - old) & _MASK) for old, new in zip(before.tolist(), now, strict=True)]


def _int64(values: Sequence[int]) -> NDArray[np.int64]:
    return np.array(values, dtype=np.int64)
