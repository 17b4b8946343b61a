"""A monotone curve through points: isotonic regression, and a cubic that never leaves the range of its neighbours.

R. E. Barlow et al., Statistical Inference under Order Restrictions (1972): pool adjacent violators. F. N. Fritsch and
J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300: slopes by a weighted harmonic mean. Both titles from memory;
scipy's functions of the same purpose stand witness in the tests.
"""

from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np

from daq.measure.convert import Floats


def isotonic(values: Floats, weights: Floats, rising: bool) -> Floats:
    """The rising (or falling) sequence nearest to `values` by weighted least squares. Weights are positive."""
    sign = 1.0 if rising else -1.0
    pools: list[tuple[float, float, int]] = []
    for value, weight in zip((sign * values).tolist(), weights.tolist(), strict=True):
        mean, heavy, many = value, weight, 1
        while pools and pools[-1][0] > mean:
            before, weight_before, many_before = pools.pop()
            total = heavy + weight_before
            mean, heavy, many = (mean * heavy + before * weight_before) / total, total, many + many_before
        pools.append((mean, heavy, many))
    return sign * np.repeat([mean for mean, _, _ in pools], [many for _, _, many in pools])


@dataclass(frozen=True, slots=True, eq=False)
class Cubic:
    """A piecewise cubic through (`x`, `y`), x strictly rising, two points at least: between two nodes it stays between
    their values, so it rises and falls only where they do."""

    x: Floats
    y: Floats
    slopes: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.x.size < 2 or self.x.shape != self.y.shape or not (np.diff(self.x) > 0.0).all():
            raise ValueError(f"a curve needs two points or more, x strictly rising, got x = {self.x.tolist()}")
        object.__setattr__(self, "slopes", _slopes(self.x, self.y))

    def piece(self, x: float) -> int:
        """The number of the piece that holds `x`, which lies within the curve."""
        return min(max(bisect_right(self.x.tolist(), x) - 1, 0), self.x.size - 2)

    def at(self, x: float) -> tuple[float, float]:
        """Value and slope at `x`, which lies within the curve."""
        k = self.piece(x)
        width = float(self.x[k + 1] - self.x[k])
        u = (x - float(self.x[k])) / width
        y0, y1, m0, m1 = (float(v) for v in (*self.y[k : k + 2], *(self.slopes[k : k + 2] * width)))
        bend, twist = 3.0 * (y1 - y0) - 2.0 * m0 - m1, m0 + m1 - 2.0 * (y1 - y0)
        return y0 + u * (m0 + u * (bend + u * twist)), (m0 + u * (2.0 * bend + 3.0 * u * twist)) / width

    def chord(self, x: float) -> float:
        """The straight line between the nodes about `x`."""
        return float(np.interp(x, self.x, self.y))


def _slopes(x: Floats, y: Floats) -> Floats:
    width, secant = np.diff(x), np.diff(y) / np.diff(x)
    if secant.size == 1:
        return np.repeat(secant, 2)
    before, after = width[:-1], width[1:]
    heavy, light = 2.0 * after + before, after + 2.0 * before
    same = secant[:-1] * secant[1:] > 0.0
    left, right = np.where(same, secant[:-1], 1.0), np.where(same, secant[1:], 1.0)
    steeper = np.where(np.abs(left) > np.abs(right), left, right)
    left, right = left / steeper, right / steeper  # the weighted harmonic mean, without a quotient that overflows
    inner = np.where(same, steeper * (heavy + light) * left * right / (heavy * right + light * left), 0.0)
    first = _end_slope(width[0], width[1], secant[0], secant[1])
    last = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return np.concatenate(([first], inner, [last]))


def _end_slope(width: float, next_width: float, secant: float, next_secant: float) -> float:
    """The slope at an end by a parabola through three nodes, held back where the curve would turn."""
    slope = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    if slope * secant <= 0.0:
        return 0.0
    turns = secant * next_secant <= 0.0 and abs(slope) > 3.0 * abs(secant)
    return 3.0 * secant if turns else slope
