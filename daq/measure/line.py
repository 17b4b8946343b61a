"""Straight lines through the newest points of a series, each in constant time, from sums kept up point by point."""

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


class _Sums(NamedTuple):
    """Of times u and values y, counted from the origin, and of steps c and d between neighbours up to a point."""

    u: float = 0.0
    y: float = 0.0
    uu: float = 0.0
    uy: float = 0.0
    yy: float = 0.0
    cc: float = 0.0
    cd: float = 0.0
    dd: float = 0.0


class SlidingLine:
    """Points (t, x) in order of time, numbered as they come since the last `clear`: `push` at the new end, `drop` at
    the old one. `oldest` is the number of the oldest point that is kept."""

    def __init__(self) -> None:
        self.clear()

    def __len__(self) -> int:
        return len(self._points) - self._gone

    @property
    def oldest(self) -> int:
        return self._first + self._gone

    @property
    def span(self) -> float:
        """The time from the oldest to the newest point; there must be one."""
        return self.span_from(self.oldest)

    def span_from(self, number: int) -> float:
        """The time from a point that is kept to the newest."""
        return self._points[-1][0] - self._points[number - self._first][0]

    def covering(self, number: int, last: int, seconds: float) -> int:
        """The newest point, from `number` to `last`, from which on there are still so many seconds; else `number`."""
        points, k, stop = self._points, number - self._first, last - self._first
        begin = points[-1][0] - seconds
        while k < stop and points[k + 1][0] <= begin:
            k += 1
        return k + self._first

    def newest(self, count: int) -> list[float]:
        """The values of the last `count` points, oldest first."""
        return [x for _, x in self._points[max(len(self._points) - count, self._gone) :]]

    def continued(self, first: int, split: int) -> tuple[float, float]:
        """How far the mean of the points from number `split` on lies off the line through those from `first` to there,
        at least three; and the variance of that, in variances of an independent point."""
        s, middle, b = self._sums, self._before[split - self._first], self._before[first - self._first]
        before, after = split - first, len(self._points) - (split - self._first)
        u, y = (middle.u - b.u) / before, (middle.y - b.y) / before
        spread = middle.uu - b.uu - before * u * u
        slope = (middle.uy - b.uy - before * u * y) / spread
        ahead = (s.u - middle.u) / after - u
        return (s.y - middle.y) / after - y - slope * ahead, 1.0 / before + 1.0 / after + ahead * ahead / spread

    def mean(self, first: int, count: int) -> float:
        """The mean value of `count` points from number `first` on."""
        k = first - self._first
        end = self._before[k + count].y if k + count < len(self._before) else self._sums.y
        return self._x0 + (end - self._before[k].y) / count

    def clear(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._before: list[_Sums] = []  # what each point found when it came, but for its own step, which is in
        self._sums = _Sums()
        self._first = self._gone = 0

    def push(self, t: float, x: float) -> None:
        if self._gone >= _REFRESH:
            self._refresh()
        if not self._points:
            self._t0, self._x0 = t, x
        self._add(t, x)

    def drop(self) -> None:
        """Takes the oldest point away."""
        self._gone += 1

    def drop_to(self, number: int) -> None:
        """Takes all points before a number away."""
        self._gone = max(self._gone, number - self._first)

    def fit(self, first: int | None = None) -> Fit:
        """The line through the points from number `first` (all) on, at least three of them at different times."""
        k = self._gone if first is None else first - self._first
        n = len(self._points) - k
        u, y, uu, uy, yy, cc, cd, dd = map(float.__sub__, self._sums, self._before[k])
        spread = uu - u * u / n
        covariance = uy - u * y / n
        scatter = yy - y * y / n
        slope = covariance / spread
        residuals = scatter - slope * covariance
        if residuals <= _ROUNDING * scatter:
            return Fit(n, slope, spread, 0.0, 0.0, 0.0)
        # Σ e(i)·e(i+1) from the squared differences, which hold no large numbers that cancel
        about = (self._t0 + u / n, self._x0 + y / n)
        oldest, newest = (_residual(self._points[end], about, slope) for end in (k, -1))
        differences = dd - 2.0 * slope * cd + slope * slope * cc
        lag1 = 1.0 - (differences + oldest * oldest + newest * newest) / (2.0 * residuals)
        return Fit(n, slope, spread, residuals, lag1, oldest)

    def slope(self, first: int) -> float:
        """The slope alone of the line through the points from number `first` on."""
        s, b = self._sums, self._before[first - self._first]
        n, u = len(self._points) - (first - self._first), s.u - b.u
        return (s.uy - b.uy - u * (s.y - b.y) / n) / (s.uu - b.uu - u * u / n)

    def _refresh(self) -> None:
        """Counts the sums anew from the oldest point that is kept, against cancellation."""
        kept, first = self._points[self._gone :], self.oldest
        self.clear()
        self._first = first
        for t, x in kept:
            if not self._points:
                self._t0, self._x0 = t, x
            self._add(t, x)

    def _add(self, t: float, x: float) -> None:
        s, (u, y) = self._sums, (t - self._t0, x - self._x0)
        c, d = (t - self._points[-1][0], x - self._points[-1][1]) if self._points else (0.0, 0.0)
        steps = (s.cc + c * c, s.cd + c * d, s.dd + d * d)
        self._before.append(_Sums(s.u, s.y, s.uu, s.uy, s.yy, *steps))
        self._sums = _Sums(s.u + u, s.y + y, s.uu + u * u, s.uy + u * y, s.yy + y * y, *steps)
        self._points.append((t, x))


def _residual(point: tuple[float, float], about: tuple[float, float], slope: float) -> float:
    return point[1] - about[1] - slope * (point[0] - about[0])
