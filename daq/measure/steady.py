"""Has a channel come to rest? It starts as moving, and no window reaches back past the start or a reset.

A channel is steady when two conditions meet:

1. the 95 % interval of slope × window (least squares, scatter corrected for its autocorrelation) lies within
   ± tolerance, and
2. the R-statistic does not contradict: it is at most the 99.5 % quantile of a steady signal with the same
   autocorrelation.

Both are tried on the newest points, over the shortest window and over longer ones, which scatter needs: so a jump or a
run-up that has just ended spoils only the windows that reach back to it. The constants were chosen by simulation:
`python -m tests.studies.steady` shows what comes of them.
"""

import math
from collections.abc import Iterable

from daq.measure.distributions import student_quantile
from daq.measure.line import Fit, SlidingLine
from daq.measure.ratio import Ratio
from daq.measure.tables import RATIO_LIMITS, RATIO_PHI_STEP

FEWEST = 8
"""Points that a decision needs. Slower steps than 10 Hz get a longer window for it."""
HOLD_S = 0.25
"""A value that repeats is no new evidence until it was held so long: sensors slower than the logging repeat theirs."""
SAME = 0.005
"""A value so near to the one before, in tolerances, repeats it: edges at whole ticks make a held flow jitter."""
STAY = 1.5
"""A steady channel stays so while slope × window and R keep below so many times their limits; else it would flicker."""
LONGER = 1.5
"""Each window is so many times as long as the one before it."""
CAUTION = 3.0
"""Standard errors that the autocorrelation is taken higher than it is found. A short window says little about it, and
one that is found too low by chance would call a drift steady."""
HIGHEST_PHI = 0.95
"""No autocorrelation is taken for higher; so few points as a window has would say nothing at all."""
RATIO_POINTS = 30
"""R is worked out over the newest points: after so many its start counts for 4 %, and an older jump for nothing."""

_JITTER_S = 1e-6
_T = tuple(student_quantile(0.975, float(dof)) for dof in range(1, 200))


def tolerance(limits: Iterable[float], share: float, floor: float) -> float:
    """What a channel may move within the window: `share` of the smaller limit of a band, at least the `floor`."""
    return max(share * min((abs(limit) for limit in limits), default=0.0), floor)


class Detector:
    """The state of one channel: `feed` it steps in order of time.

    `tolerance` bounds slope × `window_s`; `lsb` is the resolution of a step; both are in the unit of the values. Lines
    are laid through the last `window_s` seconds and through longer windows, up to `max_window_s`. The window that made
    the channel steady decides whether it stays so. `lowest_phi` is the lowest autocorrelation thought possible: 0, or
    −0.5 for steps that share their ends, as those of a meter with unequal vanes do.
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
        self._lengths = _lengths(window_s, self._longest)
        self._lowest_phi = lowest_phi
        self._line = SlidingLine()
        self.reset()

    def reset(self) -> None:
        """Moving, with nothing known."""
        self.steady = False
        self._line.clear()
        self._starts = [0] * len(self._lengths)
        self._used = 0
        self._t, self._x = -math.inf, math.nan

    def feed(self, t: float, x: float) -> bool:
        """Takes the value `x` of the step at `t` seconds; whether the channel is steady now. NaN is a reset.

        Raises ValueError where time does not rise.
        """
        if not math.isfinite(x):
            self.reset()
            return False
        if t - self._t < HOLD_S and abs(x - self._x) <= SAME * self._tolerance:
            return self.steady
        if t <= self._t:
            raise ValueError(f"steps come in order of time: expected one after {self._t} s, got {t} s")
        self._t, self._x = t, x
        self._line.push(t, x)
        if self.steady:
            self._ratio.feed(x)
        self._advance()
        self.steady = self._stays() if self.steady else self._found()
        return self.steady

    def _advance(self) -> None:
        """Moves the beginning of each window on as far as it still covers its length with points enough."""
        line = self._line
        newest = line.oldest + len(line) - 1
        for k, length in enumerate(self._lengths):
            while self._starts[k] < newest + 1 - FEWEST and line.span_from(self._starts[k] + 1) >= length - _JITTER_S:
                self._starts[k] += 1
        while line.oldest < self._starts[-1]:
            line.drop()

    def _found(self) -> bool:
        """Whether a window that is long enough, and not too long, meets both conditions."""
        for k, start in enumerate(self._starts):
            span = self._line.span_from(start)
            if len(self._line) < FEWEST or span < self._lengths[k] - _JITTER_S or span > self._longest + _JITTER_S:
                return False
            if abs(self._line.slope(start)) * self._window <= self._tolerance and self._holds(start):
                self._used = k
                return True
        return False

    def _holds(self, start: int) -> bool:
        fit = self._line.fit(start)
        phi = autocorrelation(fit, self._lowest_phi)
        variance = (fit.residuals / (fit.n - 2) + self._hidden) * (1.0 + phi) / (1.0 - phi)
        half = _T[min(fit.n - 2, len(_T)) - 1] * math.sqrt(variance / fit.spread)
        if (abs(fit.slope) + half) * self._window > self._tolerance:
            return False
        return not self._fresh_ratio(fit.n).exceeds(_ratio_limit(phi))

    def _stays(self) -> bool:
        fit = self._line.fit(self._starts[self._used])
        moved = abs(fit.slope) * self._window
        return moved <= STAY * self._tolerance and not self._ratio.exceeds(STAY * _ratio_limit(autocorrelation(fit)))

    def _fresh_ratio(self, points: int) -> Ratio:
        newest = self._line.newest(min(points, RATIO_POINTS))
        self._ratio = Ratio(newest[0], hidden=self._hidden)
        for x in newest[1:]:
            self._ratio.feed(x)
        return self._ratio


def autocorrelation(fit: Fit, lowest: float = 0.0) -> float:
    """The lag-1 autocorrelation of a line's residuals in [0, 0.95], on the safe side.

    It is taken as at least `lowest` before the caution is added, and as at least 0 after it.

    The line takes away about (2 + 4φ)/n: the mean's (1 + 4φ)/n and once more 1/n for the slope. That is put back, and
    `CAUTION` standard errors √((1 − φ²)/n) are added.
    """
    phi = min(max(fit.lag1 + (2.0 + 4.0 * fit.lag1) / fit.n, lowest), HIGHEST_PHI)
    return min(max(phi + CAUTION * math.sqrt((1.0 - phi * phi) / fit.n), 0.0), HIGHEST_PHI)


def _lengths(shortest: float, longest: float) -> tuple[float, ...]:
    """The windows' lengths in seconds, rising."""
    more = int(math.log(longest / shortest, LONGER) + 1e-9)
    return tuple(shortest * LONGER**k for k in range(more + 1))


def _ratio_limit(phi: float) -> float:
    place = phi / RATIO_PHI_STEP
    k = min(int(place), len(RATIO_LIMITS) - 2)
    return RATIO_LIMITS[k] + (place - k) * (RATIO_LIMITS[k + 1] - RATIO_LIMITS[k])
