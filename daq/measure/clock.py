"""The device's clock as far as its own blocks can show it: ticks against the numbers of scans.

Flow is pulses by ticks, every duration is ticks, and the link ties ticks to scans: scan k of a frame was taken at tick
+ k × tick_hz ÷ sample_hz. A device whose ticks and scans disagree has a clock or a scan timer that is not what it says.
Whether both run true together can only be told by another clock (`daq.stand.pace`).
"""

from daq.measure.references import Disagreement
from drivers.block import Block, Identity

NAME = "device clock"
GAPS = 3
"""Blocks in a row off their expected place after which the stream was not merely off for a while."""
DO = "have the firmware's tick_hz and sample_hz corrected, or give the board a crystal; until then no flow is right"


class TickWatch:
    """Follows the blocks of one device; `found` is set where ticks and scans disagree by more than the share
    `tolerance`. A board that only prints has no scan rate of its own and is not looked at."""

    def __init__(self, identity: Identity, tolerance: float) -> None:
        self._hz, self._per_scan = identity.sample_hz, identity.tick_hz / identity.sample_hz
        self._tolerance = tolerance
        self._base: tuple[int, int] | None = None
        self._last = (0, 0)
        self._gaps = 0
        self.found: Disagreement | None = None

    def feed(self, block: Block) -> None:
        """Takes a block."""
        now = block.tick, block.index
        if self._base is None or not block.in_counts:
            self._base = self._last = now
            return
        if abs(self._ahead(self._last, now)) > 0.5:
            # A stream that was off leaves its scans unnumbered: what comes then is compared anew.
            self._gaps += 1
            self._base = now
        else:
            self._gaps = 0
        self._last = now
        scans = now[1] - self._base[1]
        if self._gaps >= GAPS or abs(self._ahead(self._base, now)) > self._tolerance * scans + 1.0:
            self.found = self.found or self._disagreement(now)

    def _ahead(self, before: tuple[int, int], now: tuple[int, int]) -> float:
        """By how many scans the ticks run ahead of the scans' numbers."""
        return (now[0] - before[0]) / self._per_scan - (now[1] - before[1])

    def _disagreement(self, now: tuple[int, int]) -> Disagreement:
        assert self._base is not None
        scans = now[1] - self._base[1]
        found = "scans at other times" if not scans else f"{self._hz * (1 - self._ahead(self._base, now) / scans):.1f}"
        text = f"expected {self._hz} scans a second by its own ticks within {self._tolerance:.1%}, found {found}"
        return Disagreement(NAME, ("flow",), text, DO)
