"""Has a channel come to rest? It starts as moving, and no window reaches back past the start or a reset.

A channel is steady when two conditions meet:

1. the 95 % interval of slope × window (least squares, scatter corrected for its autocorrelation) lies within
   ± tolerance, and
2. the R-statistic does not contradict: it is at most the 99.5 % quantile of a steady signal with the same
   autocorrelation.

Both are tried on the newest points, over the shortest window and over longer ones, which scatter needs: so a jump or a
run-up that has just ended spoils only the windows that reach back to it. A channel is not steady, too, when

3. it drifts: the line through a window has moved by the tolerance, its slope is proven and no less than the tolerance
   in `DRIFT_S`, and the shorter windows show that slope as well, so that it is no jump that is over; or
4. its level has become another since it was found steady: the newest points lie off the mean of those before.

Points are what the source measured, not what was logged (`daq.measure.source`). A slope is known the better by the
window to the power of 3/2 and by the root of the rate; so the longest window goes with the cube root of the source's
period. The constants were chosen by simulation:
`python -m tests.studies.steady` shows what comes of them.
"""

import math
from collections.abc import Iterable

from daq.measure.distributions import student_quantile
from daq.measure.line import Fit, SlidingLine
from daq.measure.ratio import Ratio
from daq.measure.source import SLOWEST_S, Source
from daq.measure.tables import RATIO_LIMITS, RATIO_PHI_STEP
from daq.measure.windows import Windows

FEWEST = 8
"""Points that a decision needs. A source that is slower than 10 Hz gets a longer window for it."""
LONGEST_S = 37.5
"""The longest window of a source that measures once a second."""
MOST = 1.52
"""Times `max_window_s` that a quick source's window may be long to prove rest beneath noise; in longer ones the gulps
of air would pass for it."""
DRIFT_S = 5.0
"""A drift that takes longer than this for the tolerance is let be: units warm up."""
MOVED = 1.25
"""Tolerances that a drift has moved a channel by."""
PROVEN = 0.999
"""One-sided probability that proves a drift or another level: each of many looks may be wrong."""
SHORT = 4
"""Windows that are too short to tell a drift from an approach that is nearly over."""
ALIKE = 2.0
"""Standard errors that the slope of a shorter window may lie off a drift's."""
LEVEL, LEVEL_S = 5, 0.25
"""Newest points, and seconds of them, that show a level."""
LOOK_S = 0.2
"""Drift and level are looked at so often at most."""
CALM = 3
"""Looks without a drift after which it is over."""
SAME = 0.008
"""A value so near to the one before, in tolerances, repeats it: edges at whole ticks make a held flow jitter."""
STAY = 1.5
"""A steady channel stays so while slope × window and R keep below so many times their limits; else it would flicker."""
LONGER = 1.5
"""Each window is so many times as long as the one before it."""
CAUTION = 3.0
"""Standard errors that the autocorrelation is taken higher than it is found. A short window says little about it, and
one that is found too low by chance would call a drift steady."""
HIGHEST_PHI = 0.95
"""No autocorrelation is taken for higher; so few points as a window has would say nothing at all. That is a wander of
1 s in steps of 50 ms …"""
WANDER_S = 0.3
"""… and a slower source shows less of it."""
RATIO_POINTS = 30
"""R is worked out over the newest points: after so many its start counts for 4 %, and an older jump for nothing."""

_PROOF = tuple(student_quantile(PROVEN, float(dof)) for dof in range(1, 100))
_T = tuple(student_quantile(0.975, float(dof)) for dof in range(1, 200))


def tolerance(limits: Iterable[float], share: float, floor: float) -> float:
    """What a channel may move within the window: `share` of the smaller limit of a band, at least the `floor`."""
    return max(share * min((abs(limit) for limit in limits), default=0.0), floor)


class Level:
    """The mean of the points from number `start` of a line on, up to its newest: where a channel was found steady."""

    def __init__(self, line: SlidingLine, start: int) -> None:
        self.start, self.n = start, line.oldest + len(line) - start
        self.mean = line.mean(start, self.n)


class Detector:
    """The state of one channel: `feed` it steps in order of time.

    `tolerance` bounds slope × `window_s`; `lsb` is the resolution of a step; both are in the unit of the values. Lines
    are laid through the last `window_s` seconds and through longer windows, up to `max_window_s` or what `LONGEST_S`
    gives the source. The window that made the channel steady decides whether it stays so. `lowest_phi` is the lowest
    autocorrelation thought possible: 0, or −0.5 for steps that share their ends, as those of a meter with unequal vanes
    do.
    """

    def __init__(
        self,
        tolerance: float,
        lsb: float = 0.0,
        window_s: float = 0.8,
        max_window_s: float = 6.0,
        lowest_phi: float = 0.0,
    ) -> None:
        self._tolerance, self._hidden = tolerance, lsb * lsb / 12.0
        self._window, self._longest = window_s, max(window_s, max_window_s)
        self._lowest_phi = lowest_phi
        self._windows = Windows(_lengths(window_s, max(self._longest, longest_of(SLOWEST_S))), FEWEST)
        self._source = Source(SAME * tolerance)
        self._period, self._most_seconds, self._highest = 0.0, self._longest, HIGHEST_PHI
        self.reset()

    def reset(self) -> None:
        """Moving, with nothing known but how often the source measures."""
        self.steady = False
        self._windows.clear()
        self._source.clear()
        self._used = self._since = 0  # no window begins before `since`
        self._calm = CALM
        self._t = self._looked_at = -math.inf

    def feed(self, t: float, x: float) -> bool:
        """Takes the value `x` of the step at `t` seconds; whether the channel is steady now. NaN is a reset.

        Raises ValueError where time does not rise.
        """
        if not math.isfinite(x):
            self.reset()
            return False
        if t <= self._t:
            raise ValueError(f"steps come in order of time: expected one after {self._t} s, got {t} s")
        self._t = t
        point = self._source.feed(t, x)
        if point is None:
            return self.steady
        if self._source.period != self._period:
            self._period = self._source.period
            self._most_seconds = max(self._longest, longest_of(self._period))
            self._highest = HIGHEST_PHI * min(1.0, math.exp((0.05 - self._period) / WANDER_S))
        windows = self._windows
        windows.push(*point, self._most_seconds)
        if self.steady:
            self._ratio.feed(point[1])
        if t - self._looked_at >= LOOK_S - 1e-6:
            self._looked_at = t
            self._calm = 0 if self._drifts() else self._calm + 1
            if self.steady and self._is_elsewhere():
                self.steady, self._since = False, windows.newest(LEVEL, LEVEL_S)
                return False
        self.steady = self._calm >= CALM and (self._stays() if self.steady else self._found())
        return self.steady

    def _found(self) -> bool:
        """Whether a window that is long enough, and not too long, meets both conditions."""
        windows, most = self._windows, max(MOST * self._longest, LONGEST_S * self._period)
        for k, start in enumerate(windows.starts):
            if not windows.spans(k, most) or start < self._since:
                return False
            if abs(windows.slope(k)) * self._window <= self._tolerance and self._holds(k):
                self._used, self._level = k, Level(windows.line, start)
                return True
        return False

    def _holds(self, k: int) -> bool:
        fit = self._windows.fit(k)
        half = _T[min(fit.n - 2, len(_T)) - 1] * self._error(fit)
        if (abs(fit.slope) + half) * self._window > self._tolerance:
            return False
        return not self._fresh_ratio(fit.n).exceeds(_ratio_limit(self._phi(fit)))

    def _stays(self) -> bool:
        fit = self._windows.fit(self._used)
        if abs(fit.slope) * self._window > STAY * self._tolerance:
            return False
        return not self._ratio.exceeds(STAY * _ratio_limit(self._phi(fit)))

    def _is_elsewhere(self) -> bool:
        """Whether the newest points lie off the level since the channel was found steady."""
        windows, level = self._windows, self._level
        for start in (windows.newest(LEVEL, LEVEL_S), *windows.starts[::2]):
            if start < level.start:
                break
            n = windows.end - start
            off = abs(windows.line.mean(start, n) - level.mean)
            if off <= STAY * self._tolerance:
                continue
            fit = windows.fit(self._used)
            if off > _proof(level.n) * math.sqrt(self._variance(fit) * (1.0 / level.n + 1.0 / n)):
                return True
        return False

    def _drifts(self) -> bool:
        """Whether the line through a longer window has moved by the tolerance, steadily."""
        windows, most, least = self._windows, self._most_seconds, self._tolerance / DRIFT_S
        for k in range(len(windows.lengths) - 1, SHORT - 1, -1):
            if not windows.spans(k, most):
                continue
            slope = abs(windows.slope(k))
            span = windows.line.span_from(windows.starts[k])
            if slope >= least and slope * span >= MOVED * self._tolerance and self._is_drift(k):
                return True
        return False

    def _is_drift(self, k: int) -> bool:
        """Whether the slope of window k is proven and goes on: its newest points lie on the line through the others,
        and slope as it does."""
        windows = self._windows
        whole, start = windows.fit(k), windows.starts[k]
        if abs(whole.slope) < _proof(whole.n) * self._error(whole):
            return False
        variance = ALIKE * ALIKE * self._variance(windows.fit(k - 1), caution=0.0)
        for j in range(k):
            part = windows.fit(j)
            if abs(part.slope - whole.slope) > ALIKE * self._error(part):
                return False
            if windows.starts[j] - start >= FEWEST:
                off, factor = windows.line.continued(start, windows.starts[j])
                if off * off > variance * factor:
                    return False
        return True

    def _error(self, fit: Fit) -> float:
        """The standard error of a slope."""
        return math.sqrt(self._variance(fit) / fit.spread)

    def _variance(self, fit: Fit, caution: float = CAUTION) -> float:
        """The variance of independent points that would scatter a mean or a slope as these do."""
        phi = self._phi(fit, caution)
        return (fit.residuals / (fit.n - 2) + self._hidden) * (1.0 + phi) / (1.0 - phi)

    def _phi(self, fit: Fit, caution: float = CAUTION) -> float:
        return autocorrelation(fit, self._lowest_phi, self._highest, caution)

    def _fresh_ratio(self, points: int) -> Ratio:
        newest = self._windows.line.newest(min(points, RATIO_POINTS))
        self._ratio = Ratio(newest[0], hidden=self._hidden)
        for x in newest[1:]:
            self._ratio.feed(x)
        return self._ratio


def _proof(points: int) -> float:
    return _PROOF[min(points - 2, len(_PROOF)) - 1]


def autocorrelation(fit: Fit, lowest: float = 0.0, highest: float = HIGHEST_PHI, caution: float = CAUTION) -> float:
    """The lag-1 autocorrelation of a line's residuals in [0, `highest`], on the safe side.

    It is taken as at least `lowest` before the caution is added, and as at least 0 after it.

    The line takes away about (2 + 4φ)/n: the mean's (1 + 4φ)/n and once more 1/n for the slope. That is put back, and
    `CAUTION` standard errors √((1 − φ²)/n) are added.
    """
    phi = min(max(fit.lag1 + (2.0 + 4.0 * fit.lag1) / fit.n, lowest), highest)
    return min(max(phi + caution * math.sqrt((1.0 - phi * phi) / fit.n), 0.0), highest)


def longest_of(period: float) -> float:
    """The longest window, in seconds, for a source that measures every `period` seconds."""
    return LONGEST_S * math.cbrt(period)


def _lengths(shortest: float, longest: float) -> tuple[float, ...]:
    """The windows' lengths in seconds, rising."""
    more = int(math.log(longest / shortest, LONGER) + 1e-9)
    return tuple(shortest * LONGER**k for k in range(more + 1))


def _ratio_limit(phi: float) -> float:
    place = phi / RATIO_PHI_STEP
    k = min(int(place), len(RATIO_LIMITS) - 2)
    return RATIO_LIMITS[k] + (place - k) * (RATIO_LIMITS[k + 1] - RATIO_LIMITS[k])
