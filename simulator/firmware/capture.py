"""One fast capture: sampling, then sending in pieces."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from drivers.link.frames import Burst, CaptureRequest

PIECE = 100
"""Samples in a BURST frame; with head and check sum it stays below the longest frame."""

Sampler = Callable[[int, NDArray[np.float64]], tuple[list[int], bool]]


@dataclass(slots=True)
class Capture:
    """A capture under way. `period` is the time between samples in ticks, so the rate is what it really is.

    `start` is the tick of sample 0, unwrapped. `displaced` counts the scans whose place it took.
    """

    request: CaptureRequest
    period: int
    rate_hz: int
    start: int
    displaced: int = 0
    _counts: list[int] = field(default_factory=list)
    _overrange: bool = False

    @classmethod
    def begin(cls, request: CaptureRequest, tick_hz: int, tick: int) -> "Capture":
        """Starts right behind `tick`, at the fastest rate of the timer that is not above the one asked for."""
        period = -(-tick_hz // request.rate_hz)
        return cls(request, period, round(tick_hz / period), tick + period)

    @property
    def full(self) -> bool:
        return len(self._counts) >= self.request.total

    def take(self, before: int, now: int, sampler: Sampler) -> None:
        """Takes the samples that lie behind tick `before`, up to `now`."""
        self.displaced += 1
        first = self.start + len(self._counts) * self.period
        ticks = np.arange(first, now + 1, self.period)[: self.request.total - len(self._counts)]
        if len(ticks):
            counts, over = sampler(self.request.role, (ticks - before) / (now - before))
            self._counts += counts
            self._overrange |= over

    def pieces(self, boot_tick: int) -> Iterator[Burst]:
        """The frames that carry it; their tick counts from that of the boot."""
        for first in range(0, len(self._counts), PIECE):
            yield Burst(
                capture=self.request.capture,
                role=self.request.role,
                rate_hz=self.rate_hz,
                tick=(self.start - boot_tick) & 0xFFFFFFFF,
                total=len(self._counts),
                first=first,
                overrange=self._overrange,
                counts=tuple(self._counts[first : first + PIECE]),
            )
