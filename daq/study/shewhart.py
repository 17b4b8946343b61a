"""Constants and limits of control charts (Shewhart), worked out instead of looked up.

The range of `n` independent normal values with standard deviation 1 has mean d2 and standard deviation d3; their
standard deviation s has mean c4 (ASTM E2587 and ISO 7870-2, definitions from memory). Charts have limits three
standard deviations away.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import normal_cdf

Floats = NDArray[np.float64]

LARGEST = 100
"""The largest group: beyond it a range says little, and the integrals below were not checked."""
_WIDEST = 14.0
"""No range of so few normal values is wider, in standard deviations; the share beyond is below 1e-18."""
_SIDE = 9.0
_cdf = np.vectorize(normal_cdf, otypes=[np.float64])


def c4(n: int) -> float:
    """The mean of the standard deviation of `n` ≥ 2 values, as a share of the true one."""
    _group(n)
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(0.5 * n) - math.lgamma(0.5 * (n - 1)))


def d2(n: int) -> float:
    """The mean of the range of `n` values, in standard deviations."""
    return _range_moments(n)[0]


def d3(n: int) -> float:
    """The standard deviation of the range of `n` values, in standard deviations."""
    mean, square = _range_moments(n)
    return math.sqrt(square - mean * mean)


@dataclass(frozen=True, slots=True)
class Factors:
    """Factors of charts for groups of `n`: of means from the mean range (A2) or mean s (A3), of ranges (D3, D4), and of
    standard deviations (B3, B4)."""

    n: int
    A2: float
    A3: float
    D3: float
    D4: float
    B3: float
    B4: float


@lru_cache(maxsize=128)
def factors(n: int) -> Factors:
    """The factors for groups of 2 … 100; a lower limit below zero is 0.

    Raises:
        ValueError: any other group.
    """
    middle, spread, share = d2(n), d3(n), c4(n)
    of_range, of_s = 3.0 * spread / middle, 3.0 * math.sqrt(1.0 - share * share) / share
    return Factors(
        n,
        A2=3.0 / (middle * math.sqrt(n)),
        A3=3.0 / (share * math.sqrt(n)),
        D3=max(1.0 - of_range, 0.0),
        D4=1.0 + of_range,
        B3=max(1.0 - of_s, 0.0),
        B4=1.0 + of_s,
    )


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart's centre and limits, for values or means of `group` values, and the places of points outside of them.

    `spread` is the mean range that the limits come from: of the groups, or for single values the mean difference of
    neighbours; `highest_spread` its own upper limit, `unruly` the places of the ranges above it.
    """

    group: int
    centre: float
    low: float
    high: float
    outside: tuple[int, ...]
    spread: float
    highest_spread: float
    unruly: tuple[int, ...]


def chart(values: Floats, group: int = 1) -> Chart:
    """The chart of values in order of time: of single values (moving range of two), or of means of `group` following
    ones; what does not fill the last group is left out. At least two points are needed.

    Raises:
        ValueError: fewer than two points, or a group above 100.
    """
    if values.size < 2 * group or group < 1:
        raise ValueError(f"a chart of groups of {group} needs at least two groups, got {values.size} values")
    if group == 1:
        points, ranges, used = values, np.abs(np.diff(values)), factors(2)
        reach = 3.0 * float(ranges.mean()) / d2(2)
    else:
        groups = values[: values.size // group * group].reshape(-1, group)
        points, ranges, used = groups.mean(axis=1), np.ptp(groups, axis=1), factors(group)
        reach = used.A2 * float(ranges.mean())
    centre, spread = float(points.mean()), float(ranges.mean())
    low, high, top = centre - reach, centre + reach, used.D4 * spread
    out = np.flatnonzero((points < low) | (points > high))
    return Chart(group, centre, low, high, _places(out), spread, top, _places(np.flatnonzero(ranges > top)))


def _places(found: NDArray[np.intp]) -> tuple[int, ...]:
    return tuple(int(k) for k in found)


@lru_cache(maxsize=128)
def _range_moments(n: int) -> tuple[float, float]:
    """The means of the range of `n` values and of its square, from P(range ≤ r) = n ∫ φ(x)(Φ(x + r) − Φ(x))ⁿ⁻¹ dx."""
    _group(n)
    nodes, weights = np.polynomial.legendre.leggauss(60)
    r, share_of_r = 0.5 * _WIDEST * (nodes + 1.0), 0.5 * _WIDEST * weights
    x = np.linspace(-_SIDE, _SIDE, 361)  # equal steps are enough where all derivatives vanish at both ends
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi) * (x[1] - x[0])
    within = np.clip(_cdf(x[None, :] + r[:, None]) - _cdf(x)[None, :], 0.0, 1.0)
    beyond = 1.0 - n * (within ** (n - 1)) @ density
    return float(share_of_r @ beyond), float(share_of_r @ (2.0 * r * beyond))


def _group(n: int) -> None:
    if not 2 <= n <= LARGEST:
        raise ValueError(f"a group of a control chart has 2 … {LARGEST} values, got {n}")
