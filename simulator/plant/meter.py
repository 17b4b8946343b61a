"""A pulse flowmeter: it follows the flow with a lag and gives edges at exact ticks."""

from bisect import bisect_left
from dataclasses import dataclass, field
from math import exp
from typing import Protocol


@dataclass(frozen=True, slots=True)
class MeterDesign:
    """`k_table` holds (hertz, pulses per m³), rising in hertz; beyond its ends K stays what it is there. `lag` (s) is
    the time constant; below `stall_flow` (m³/s) the rotor stands."""

    k_table: tuple[tuple[float, float], ...]
    lag: float = 0.15
    stall_flow: float = 2.8e-7

    def k_at(self, hertz: float) -> float:
        """Pulses per m³ at a pulse rate, by linear interpolation."""
        table = self.k_table
        place = bisect_left(table, (hertz, 0.0))
        if place == 0:
            return table[0][1]
        if place == len(table):
            return table[-1][1]
        (f0, k0), (f1, k1) = table[place - 1], table[place]
        return k0 + (k1 - k0) * (hertz - f0) / (f1 - f0)


class Miscount(Protocol):
    """What is wrong with a meter's pulses."""

    def count(self, new: int, seconds: float) -> tuple[int, int]:
        """Of `new` edges in so many seconds, how many are counted, and how many come besides."""
        ...


@dataclass(slots=True)
class Meter:
    """A meter counting rising `edges`; `last_tick` is the tick of the newest one, −1 before any. `gain` is this
    meter's true K over that of its table; `flow` (m³/s) is what its rotor follows. With a `fault` it miscounts."""

    design: MeterDesign
    gain: float = 1.0
    flow: float = 0.0
    hertz: float = 0.0
    edges: int = 0
    last_tick: int = -1
    phase: float = 0.0
    fault: Miscount | None = None
    _spot: float = field(default=0.0, init=False)
    _turned: float = field(default=0.0, init=False)
    _new: int = field(default=0, init=False)
    _kept: int = field(default=0, init=False)
    _besides: int = field(default=0, init=False)
    _keep: float = field(default=0.0, init=False)
    _for_seconds: float = field(default=0.0, init=False)

    def advance(self, flow: float, seconds: float, tick: int, ticks: int) -> None:
        """Follows `flow` (m³/s, its mean over this time) for `seconds`, which is `ticks` from `tick` on."""
        if seconds != self._for_seconds:
            self._for_seconds, self._keep = seconds, exp(-seconds / self.design.lag)
        before = self.flow
        self._new = self._kept = self._besides = 0
        self.flow = flow + (before - flow) * self._keep
        mean = flow + (before - self.flow) * self.design.lag / seconds
        if mean < self.design.stall_flow:
            self.hertz = 0.0
            if self.fault is not None:
                self._miscount(self.fault, 0, seconds, tick, tick + ticks)
            return
        self.hertz = mean * self.design.k_at(self.hertz) * self.gain
        turned = self.hertz * seconds
        phase = self.phase + turned
        new = int(phase)
        last = tick + int((new - self.phase) / turned * ticks) if new else tick
        self._spot, self._turned, self._new, self._kept = self.phase, turned, new, new
        if self.fault is not None:
            self._miscount(self.fault, new, seconds, last, tick + ticks)
        elif new:
            self.edges += new
            self.last_tick = last
        self.phase = phase - new

    def _miscount(self, fault: Miscount, new: int, seconds: float, last: int, end: int) -> None:
        """Counts what a faulty meter gives of `new` edges, the newest at tick `last`, until tick `end`."""
        kept, besides = self._kept, self._besides = fault.count(new, seconds)
        if besides:
            self.last_tick = end - 1
        elif kept:
            self.last_tick = last
        self.edges += kept + besides

    def places(self) -> list[float]:
        """Where the edges of the newest `advance` lie in its time, 0 its start … 1 its end, ascending. Of those that a
        fault loses the first are gone; what comes besides is spread, the last just before the end."""
        first = self._new - self._kept + 1
        places = [(k - self._spot) / self._turned for k in range(first, self._new + 1)]
        if self._besides:
            places += [(k + 1) / self._besides - 5e-4 for k in range(self._besides)]
            places.sort()
        return places
