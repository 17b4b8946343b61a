"""New values told from repeats: how often does a source really measure?

A channel is logged at a rate of its own, and a sensor that measures more slowly repeats its value in between. A repeat
is no new evidence, however many of them are logged. The source's own period is therefore taken from the times between
values that differ; a value that stays the same for longer than that was measured again, and counts again.
"""

from collections import deque

HOLD_S = 0.25
"""A value that repeats is no new evidence until it was held so long, however fast its source: digits repeat by
chance."""
SLOWEST_S = 1.1
"""No source is taken for slower than one value in so many seconds. One whose resolution hides its scatter seems slower
than it is."""
INTERVALS = 8
"""Times between new values that the period is taken from, as their lower quartile: two equal values leave one out."""
HELD = 3
"""After a value was logged so often, the first of a new one may be a mean of both: the next one tells."""

Point = tuple[float, float]


class Source:
    """Picks the points of a series that are evidence. Values within `same` of each other are one value.

    `period` is the time between measured values, in seconds; 0 while nothing is known of it.
    """

    def __init__(self, same: float) -> None:
        self._same = same
        self._intervals = deque[float](maxlen=INTERVALS)
        self.period = 0.0
        self.clear()

    def clear(self) -> None:
        """Forgets the series; what is known of the source stays."""
        self._last: Point | None = None
        self._changed_at: float | None = None
        self._mixed: Point | None = None
        self._logged = 0

    def feed(self, t: float, x: float) -> Point | None:
        """Takes the value `x` logged at `t` seconds; the point that is new evidence with it, if any is."""
        if self._last is None:
            self._last, self._logged = (t, x), 1
            return self._last
        mixed, self._mixed = self._mixed, None
        if mixed is not None:
            return self._take(mixed[0], x)
        if abs(x - self._last[1]) > self._same:
            if self._logged >= HELD:
                self._mixed = t, x
                return None
            return self._take(t, x)
        self._logged += 1
        if t - self._last[0] < max(HOLD_S, self.period) - 1e-6:
            return None
        self._last = t, x
        return self._last

    def _take(self, t: float, x: float) -> Point:
        """A new value, which began at `t`."""
        if self._changed_at is not None:
            self._intervals.append(t - self._changed_at)
            self.period = min(sorted(self._intervals)[len(self._intervals) // 4], SLOWEST_S)
        self._changed_at, self._last, self._logged = t, (t, x), 1
        return self._last
