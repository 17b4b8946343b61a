"""A straight line through a sliding window of points, kept up to date point by point with sums."""

from collections import deque
from typing import NamedTuple

_REFRESH = 512
"""Points between two summings from scratch, so that rounding cannot pile up over an hour."""
_ROUNDING = 1e-11
"""Residuals smaller than this share of the scatter are rounding, not scatter."""


class Fit(NamedTuple):
    """Least squares through `n` points: the slope, the sum of squared times about their mean, the sum of squared
    residuals, the residuals' lag-1 autocorrelation as it is, and the residual of the oldest point. Residuals that are
    nothing but rounding are 0."""

    n: int
    slope: float
    spread: float
    residuals: float
    lag1: float
    first: float


class SlidingLine:
    """Points (t, x) in order of time; `push` at the new end, `drop` at the old one, `fit` in constant time."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque()
        self._pushed = 0
        self._origin(0.0, 0.0)

    def __len__(self) -> int:
        return len(self._points)

    @property
    def span(self) -> float:
        """The time from the oldest to the newest point; there must be one."""
        return self._points[-1][0] - self._points[0][0]

    @property
    def span_without_oldest(self) -> float:
        """What `span` would be after a `drop`; there must be two points."""
        return self._points[-1][0] - self._points[1][0]

    def newest(self, count: int) -> list[float]:
        """The values of the last `count` points, oldest first."""
        points = self._points
        return [points[k][1] for k in range(max(len(points) - count, 0), len(points))]

    def clear(self) -> None:
        self._points.clear()
        self._pushed = 0

    def push(self, t: float, x: float) -> None:
        if not self._points:
            self._origin(t, x)
        self._points.append((t, x))
        self._pushed += 1
        if self._pushed % _REFRESH:
            self._add(len(self._points) - 1, 1.0)
        else:
            self._origin(t, x)
            for k in range(len(self._points)):
                self._add(k, 1.0)

    def drop(self) -> None:
        """Takes the oldest point away."""
        t, x = self._points.popleft()
        u, y = t - self._t0, x - self._x0
        self._u -= u
        self._y -= y
        self._uu -= u * u
        self._uy -= u * y
        self._yy -= y * y
        if self._points:
            t, x = self._points[0]
            self._step(t - self._t0 - u, x - self._x0 - y, -1.0)

    def fit(self) -> Fit:
        """The line through the window's points, at least three of them at different times."""
        n = len(self._points)
        spread = self._uu - self._u * self._u / n
        covariance = self._uy - self._u * self._y / n
        scatter = self._yy - self._y * self._y / n
        slope = covariance / spread
        residuals = scatter - slope * covariance
        if residuals <= _ROUNDING * scatter:
            return Fit(n, slope, spread, 0.0, 0.0, 0.0)
        # Σ e(i)·e(i+1) from the squared differences, which hold no large numbers that cancel
        first, last = (self._residual(k, slope, n) for k in (0, -1))
        differences = self._dd - 2.0 * slope * self._cd + slope * slope * self._cc
        lag1 = 1.0 - (differences + first * first + last * last) / (2.0 * residuals)
        return Fit(n, slope, spread, residuals, lag1, first)

    def _residual(self, k: int, slope: float, n: int) -> float:
        t, x = self._points[k]
        return (x - self._x0 - self._y / n) - slope * (t - self._t0 - self._u / n)

    def _origin(self, t: float, x: float) -> None:
        """Starts the sums anew, counted from (t, x) against cancellation."""
        self._t0, self._x0 = t, x
        self._u = self._y = self._uu = self._uy = self._yy = 0.0
        self._cc = self._cd = self._dd = 0.0  # squares and products of differences between neighbours

    def _add(self, k: int, sign: float) -> None:
        t, x = self._points[k]
        u, y = t - self._t0, x - self._x0
        self._u += u
        self._y += y
        self._uu += u * u
        self._uy += u * y
        self._yy += y * y
        if k > 0:
            t, x = self._points[k - 1]
            self._step(u + self._t0 - t, y + self._x0 - x, sign)

    def _step(self, c: float, d: float, sign: float) -> None:
        self._cc += sign * c * c
        self._cd += sign * c * d
        self._dd += sign * d * d
