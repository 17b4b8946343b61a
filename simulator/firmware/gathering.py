"""Scans gathered for the next SCANS frame."""

import struct

from drivers.link.frames import Scans, ScansFlag

WRAP = 0xFFFFFFFF
"""Ticks, indexes and edges wrap behind this."""


class Gathering:
    """The block that is being filled; `n` scans so far. `index` numbers its first one since boot and stands still while
    nothing is added."""

    def __init__(self) -> None:
        self.n = 0
        self.index = 0
        self._counts: list[int] = []
        self._tick = self._overrange = self._flags = 0

    def add(self, counts: list[int], tick: int, overrange: int) -> None:
        """Adds a scan taken at `tick` (since boot)."""
        if not self.n:
            self._tick = tick
        self.n += 1
        self._counts += counts
        self._overrange |= overrange

    def displace(self, scans: int) -> None:
        """A capture has taken the place of so many scans before this block, which is still empty."""
        self.index += scans
        self._flags = ScansFlag.MISSING_BEFORE | ScansFlag.DISPLACED_BY_CAPTURE

    def take(self, boot: int, edges: int, last_edge: int) -> Scans:
        """The frame, with the counter as it stands at the last scan; gathering begins anew."""
        frame = Scans(
            boot=boot,
            tick=self._tick & WRAP,
            index=self.index & WRAP,
            n=self.n,
            flags=self._flags,
            overrange=self._overrange,
            counts=struct.pack(f"<{len(self._counts)}h", *self._counts),
            edges=(edges,),
            last_edge=(last_edge,),
        )
        self.index += self.n
        self.n = self._overrange = self._flags = 0
        self._counts = []
        return frame
