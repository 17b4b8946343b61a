"""How far the mean of a short window may be from the true one, when its values resemble their neighbours.

Nobody can tell from 20 values how much each resembles the one before it, and everything hangs on that. So it is not
estimated: every autocorrelation counts by how well it explains the window (JCGM 101:2008, 6.4.9, takes scatter that
way for independent values). What comes out is a mixture of Student's t, which is given as the one t that has the same
95 % interval.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import student_density, student_quantile

Floats = NDArray[np.float64]

HIGHEST_PHI = 0.99
_PHIS = np.array([*np.arange(0.0, 0.951, 0.05), 0.975, HIGHEST_PHI])
_PRIOR = 0.5
"""Beforehand an autocorrelation φ counts by (1 − φ)^0.5: less the nearer to 1, where a window has hardly two values of
its own. Chosen by tests/studies/mean.py: 0 makes intervals of short windows twice too wide, 1 too narrow at 0.6."""
_ROOTS = 3.5
"""Values are averaged in pairs, and pairs again, while so many times √n of them are left. What the first-order model
does not know, such as noise upon a wander, is gone from means over longer times; a number of groups that grows with √n
is common practice with means of batches (no source), the factor comes from tests/studies/mean.py."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Of a mean: its standard uncertainty, the degrees of freedom of that, and how many times `longer` than one of
    independent values a window has to be for such a mean."""

    standard: float
    dof: float
    longer: float

    @property
    def half(self) -> float:
        """Half the 95 % interval."""
        return self.standard * student_quantile(0.975, self.dof)


def scatter_of(values: Floats, highest: float = HIGHEST_PHI) -> Scatter:
    """The scatter of the mean of at least two equally spaced values, a first-order autoregressive process.

    `highest` is the highest autocorrelation thought possible, 0 for values that are known to be independent: then it is
    s/√n with n − 1 degrees of freedom (JCGM 100:2008, 4.2). The interval is never narrower: values that swing to and
    fro may make a better mean, but a short window cannot show it. Values that are all equal have none.
    """
    n = int(values.size)
    independent = Scatter(math.sqrt(float(values.var(ddof=1)) / n), float(n - 1), 1.0)
    if independent.standard <= 1e-12 * np.abs(values).max():
        return Scatter(0.0, math.inf, 1.0)
    if highest <= 0.0:
        return independent
    fewest = _ROOTS * math.sqrt(n)
    while values.size // 2 >= fewest:
        values = _in_pairs(values)
    return max(_found(values, highest), independent, key=lambda s: s.half)


def _found(values: Floats, highest: float) -> Scatter:
    n = int(values.size)
    deviations = values - values.mean()
    if not deviations.any():
        return Scatter(0.0, float(n - 1), 1.0)
    phis, told, of_mean, before = _by_phi(n, highest)
    squares = _squares(deviations, phis, told)
    logs = before - 0.5 * (n - 1) * np.log(squares * (1.0 - phis * phis))
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    variances = squares / (n - 1) * of_mean
    log_variances = np.log(variances)
    doubt = float(weights @ (log_variances - weights @ log_variances) ** 2)
    # ν degrees of freedom stand for a variance of 2/ν of the logarithm of a variance.
    dof = max(1.0 / (1.0 / (n - 1) + 0.5 * doubt), 1.0)
    half = _half_width(weights, np.sqrt(variances), n - 1)
    longer = math.exp(float(weights @ np.log(of_mean * n)))
    return Scatter(half / student_quantile(0.975, dof), dof, longer)


@lru_cache(maxsize=256)
def _by_phi(n: int, highest: float) -> tuple[Floats, Floats, Floats, Floats]:
    """What follows from `n` alone, by φ: the φs; what n values tell of the mean, 1ᵀR⁻¹1; the variance of the plain mean
    in that of a value; and the logarithm of the weight that each φ has before its squares are looked at.

    R, with φ^|i−j|, is the values' correlation matrix; |R| = (1 − φ²)^(n−1) is left to meet the squares.
    """
    phis = _PHIS[highest >= _PHIS]
    told = (n - (n - 2) * phis) / (1.0 + phis)
    lags = np.arange(1, n)
    of_mean = np.array([(1.0 + 2.0 * np.sum((1.0 - lags / n) * phi**lags)) / n for phi in phis])
    return phis, told, of_mean, _PRIOR * np.log(1.0 - phis) - 0.5 * np.log(told)


def _squares(d: Floats, phis: Floats, told: Floats) -> Floats:
    """The generalised sum of squares about the generalised mean, by φ, of deviations `d` from the plain one."""
    inner = float(d[1:-1] @ d[1:-1])
    plain = (float(d @ d) + phis**2 * inner - 2.0 * phis * float(d[1:] @ d[:-1])) / (1.0 - phis**2)
    ends = phis * (d[0] + d[-1]) / (1.0 + phis)
    return np.asarray(plain - ends * ends / told)


def _half_width(weights: Floats, scales: Floats, dof: int) -> float:
    """Half the 95 % interval of a mixture of Student's t, good to 1e-6, by Newton's method from below, where it cannot
    overshoot."""
    angles, below = _student(dof)
    root = math.sqrt(dof)
    half: float = student_quantile(0.975, dof) * float(scales.min())
    for _ in range(100):
        t = half / scales
        missing = 0.975 - float(weights @ np.interp(np.arctan(t / root), angles, below))
        if missing <= 1e-8:
            break
        half += missing / float(
            (weights / scales) @ (student_density(0.0, dof) * (1 + t * t / dof) ** (-0.5 * (dof + 1)))
        )
    return half


@lru_cache(maxsize=256)
def _student(dof: int) -> tuple[Floats, Floats]:
    """Student's t as a table: with t = √ν·tan θ its density is in proportion to cos(θ)^(ν − 1), θ up to a right angle.
    One table serves a whole mixture; `student_cdf` would be asked a hundred times."""
    angles = np.linspace(0.0, 0.5 * math.pi, 4001)
    heights = np.cos(angles) ** (dof - 1)
    sums = np.concatenate(([0.0], np.cumsum(0.5 * (heights[1:] + heights[:-1]))))
    return angles, 0.5 + 0.5 * sums / sums[-1]


def _in_pairs(values: Floats) -> Floats:
    """Means of neighbours; of an odd number the oldest is left out."""
    even = values[values.size % 2 :]
    return np.asarray(0.5 * (even[::2] + even[1::2]))
