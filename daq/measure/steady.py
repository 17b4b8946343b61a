"""Has a channel come to rest? It starts as moving, and no window reaches back past the start or a reset.

A channel is steady when two conditions meet:

1. the 95 % interval of slope × window (least squares, scatter corrected for its autocorrelation) lies within
   ± tolerance, and
2. the R-statistic does not contradict: it is at most the 99.5 % quantile of a steady signal with the same
   autocorrelation.

The constants were chosen by simulation: `python -m tests.studies.steady` shows what comes of them.
"""

import math
from collections.abc import Iterable

from daq.measure.distributions import student_quantile
from daq.measure.line import Fit, SlidingLine
from daq.measure.ratio import Ratio
from daq.measure.tables import RATIO_LIMITS, RATIO_PHI_STEP
from daq.measure.uncertainty import HIGHEST_PHI, autoregressive_dof

FEWEST = 8
"""Points that a decision needs. Slower steps than 20 Hz get a longer window for it."""
HOLD_S = 0.25
"""A value that repeats is no new evidence until it was held so long: sensors slower than the logging repeat theirs."""
STAY = 1.5
"""A steady channel stays so while slope × window and R keep below so many times their limits; else it would flicker."""
CURVED = 0.8
"""Residuals with a higher autocorrelation are a bent signal, not noise: a longer window would only hold the bend."""
MISFIT = 2.5
"""An oldest point so many standard deviations off the line of a moving channel is the end of a jump; it is dropped."""
RATIO_POINTS = 30
"""R is worked out over the newest points: after so many its start counts for 4 %, and an older jump for nothing."""

_JITTER_S = 1e-6
_T = tuple(student_quantile(0.975, float(dof)) for dof in range(1, 200))


def tolerance(limits: Iterable[float], share: float, floor: float) -> float:
    """What a channel may move within the window: `share` of the smaller limit of a band, at least the `floor`."""
    return max(share * min((abs(limit) for limit in limits), default=0.0), floor)


class Detector:
    """The state of one channel: `feed` it steps in order of time.

    `tolerance` bounds slope × `window_s`; `lsb` is the resolution of a step; both are in the unit of the values. The
    line is laid through the last `window_s` seconds. Where scatter leaves condition 1 undecided the window grows, up to
    `max_window_s`; a long window that made the channel steady is kept while it stays so.
    """

    def __init__(self, tolerance: float, lsb: float = 0.0, window_s: float = 1.5, max_window_s: float = 6.0) -> None:
        self._tolerance, self._hidden = tolerance, lsb * lsb / 12.0
        self._window, self._longest = window_s, max(window_s, max_window_s)
        self._line = SlidingLine()
        self.reset()

    def reset(self) -> None:
        """Moving, with nothing known."""
        self.steady = False
        self._line.clear()
        self._length = self._window
        self._t, self._x = -math.inf, math.nan

    def feed(self, t: float, x: float) -> bool:
        """Takes the value `x` of the step at `t` seconds; whether the channel is steady now. NaN is a reset.

        Raises ValueError where time does not rise.
        """
        if not math.isfinite(x):
            self.reset()
            return False
        if x == self._x and t - self._t < HOLD_S:
            return self.steady
        if t <= self._t:
            raise ValueError(f"steps come in order of time: expected one after {self._t} s, got {t} s")
        self._t, self._x = t, x
        self._line.push(t, x)
        if self.steady:
            self._ratio.feed(x)
        self._trim()
        self.steady = self._line.span >= self._window - _JITTER_S and len(self._line) >= FEWEST and self._decide()
        return self.steady

    def _trim(self) -> None:
        line = self._line
        while line.span > self._longest + _JITTER_S or (len(line) > FEWEST and self._spare()):
            line.drop()
        while not self.steady and len(line) > FEWEST and _misfits(line.fit()):
            line.drop()

    def _spare(self) -> bool:
        """Whether the window covers its length without the oldest point."""
        return self._line.span_without_oldest >= self._length - _JITTER_S

    def _decide(self) -> bool:
        """Both conditions, on a window that is long enough; also how long the next one may be."""
        fit = self._line.fit()
        phi = autocorrelation(fit)
        moved = abs(fit.slope) * self._window
        half = self._half_width(fit, phi)
        limit = _ratio_limit(phi)
        if self.steady and moved <= STAY * self._tolerance and not self._ratio.exceeds(STAY * limit):
            return True
        if not self.steady and moved + half <= self._tolerance and not self._fresh_ratio().exceeds(limit):
            self._length = max(self._line.span, self._window)
            return True
        undecided = not self.steady and moved - half <= self._tolerance and phi <= CURVED
        self._length = self._longest if undecided else self._window
        return False

    def _half_width(self, fit: Fit, phi: float) -> float:
        """Half the 95 % interval of slope × window."""
        variance = (fit.residuals / (fit.n - 2) + self._hidden) * (1.0 + phi) / (1.0 - phi)
        t = _T[min(int(autoregressive_dof(fit.n, phi)), len(_T)) - 1]
        return t * math.sqrt(variance / fit.spread) * self._window

    def _fresh_ratio(self) -> Ratio:
        newest = self._line.newest(RATIO_POINTS)
        self._ratio = Ratio(newest[0], hidden=self._hidden)
        for x in newest[1:]:
            self._ratio.feed(x)
        return self._ratio


def autocorrelation(fit: Fit) -> float:
    """The lag-1 autocorrelation of a line's residuals in [0, 0.95], corrected for what laying a line took from it.

    The line takes away about (2 + 4φ)/n: the mean's (1 + 4φ)/n and once more 1/n for the slope.
    """
    return min(max(fit.lag1 + (2.0 + 4.0 * fit.lag1) / fit.n, 0.0), HIGHEST_PHI)


def _misfits(fit: Fit) -> bool:
    return fit.first * fit.first * fit.n > MISFIT * MISFIT * fit.residuals


def _ratio_limit(phi: float) -> float:
    place = phi / RATIO_PHI_STEP
    k = min(int(place), len(RATIO_LIMITS) - 2)
    return RATIO_LIMITS[k] + (place - k) * (RATIO_LIMITS[k + 1] - RATIO_LIMITS[k])
