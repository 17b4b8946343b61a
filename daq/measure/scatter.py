"""How far the mean of a short window may be from the true one, when its values resemble their neighbours.

All that counts of a window is how much the means of 1, 2, 4, … neighbouring values differ from those of as many that
follow (Haar's differences). They say nothing of the mean itself, hardly depend on each other, and add up over windows,
so that what was seen before of the same channel in the same state is pooled with the present window (JCGM 100:2008,
4.2.4).

A short window cannot show how slow its noise is, and everything hangs on that. So it is not estimated: each of many
kinds of noise counts by how well it explains all differences. The result is a mixture of Student's t: the root mean
square of its scales is the standard uncertainty, and its degrees of freedom are those of the one t that has the same
95 % interval then.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import zip_longest

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import fisher_above, student_density, student_dof, student_quantile

Floats = NDArray[np.float64]

LEVELS = 12
"""Means of up to 2^11 values are compared: two minutes of steps of 50 ms."""
TOO_LARGE = 0.01
"""Scatter which that seen before would reach in fewer cases than this counts alone."""
_UPPER = 0.975
_SLOWNESS = (0.3, 0.5, 0.65, 0.8, 0.9, 0.95, 0.99)
"""Autocorrelations of a wander from value to value …"""
_SHARES = (0.0, 0.35, 0.6, 0.8, 0.9)
"""… and shares of the variance that faster noise upon it may have."""
_EDGES = (-4.0, -2.0, 0.0, 2.0, 4.0, 6.0, 8.0)
"""Logarithms of the variance of edges over that of a wander."""
EDGES_DOUBT = 2.5
"""Of that logarithm: either standard deviation may be 2.4 times what is usual, or so small a part of it."""
_PRIOR, _PLAIN = 0.5, 0.4
"""Beforehand a wander counts by √(1 − φ), the slower the less, and all wanders together by 0.6 against noise without
any. Chosen by tests/studies/mean.py: wanders that count less make short intervals too narrow, more too wide."""


@dataclass(frozen=True, slots=True)
class Noise:
    """The family of noise that a channel may have. With `edges` its faster part is that of edges out of place, which
    the next interval gives back, instead of white noise; `edges` is the logarithm of that part's variance over the
    wander's, as far as one knows beforehand: `EDGES_DOUBT` is its standard deviation. `least` is an autocorrelation
    that a wander has in any case, such as that of a meter's lag."""

    edges: float | None = None
    least: float = 0.0


WHITE = Noise()


@dataclass(frozen=True, slots=True)
class Differences:
    """Sums of squares and numbers of the differences between neighbouring means of 2^level values, by level."""

    squares: tuple[float, ...] = ()
    counts: tuple[int, ...] = ()

    @classmethod
    def of(cls, values: Floats) -> "Differences":
        """Those of equally spaced values; of an odd number the oldest is left out."""
        squares: list[float] = []
        counts: list[int] = []
        while values.size >= 2 and len(squares) < LEVELS:
            even = values[values.size % 2 :]
            first, second = even[::2], even[1::2]
            off = second - first
            squares.append(float(off @ off))
            counts.append(int(off.size))
            values = 0.5 * (first + second)
        return cls(tuple(squares), tuple(counts))

    @property
    def dof(self) -> int:
        """How many there are."""
        return sum(self.counts)

    @property
    def flat(self) -> bool:
        """Whether nothing differs."""
        return not any(self.squares)

    def __add__(self, other: "Differences") -> "Differences":
        squares = zip_longest(self.squares, other.squares, fillvalue=0.0)
        counts = zip_longest(self.counts, other.counts, fillvalue=0)
        return Differences(tuple(a + b for a, b in squares), tuple(a + b for a, b in counts))

    def times(self, variance: float) -> "Differences":
        """The same with values whose variance is so many times as large."""
        return Differences(tuple(s * variance for s in self.squares), self.counts)


@dataclass(frozen=True, slots=True)
class Known:
    """What was seen of a channel's scatter before: `differences`, and the degrees of freedom `dof` with which they tell
    the variance of the present window. These are fewer than the differences where the variance itself changes from run
    to run. `runs` is the number of earlier runs among them."""

    differences: Differences
    dof: float
    runs: int = 0


@dataclass(frozen=True, slots=True)
class Scatter:
    """Of a mean: its standard uncertainty, the degrees of freedom of that, and how many times `longer` than one of
    independent values a window has to be for such a mean. `pooled` is what it rests on besides its own window."""

    standard: float
    dof: float
    longer: float
    pooled: tuple[Known, ...] = ()

    @property
    def half(self) -> float:
        """Half the 95 % interval."""
        return self.standard * student_quantile(_UPPER, self.dof)


def scatter_of(
    values: Floats, known: Sequence[Known] = (), noise: Noise = WHITE, *, independent: bool = False
) -> Scatter:
    """The scatter of the mean of at least two equally spaced values.

    Of `known` each counts whose variance is not significantly exceeded by that of `values`. Without any the interval is
    never narrower than that of independent values: those that swing to and fro may make a better mean, but a short
    window cannot show it. Values known to be `independent` have s/√n with n − 1 degrees of freedom (JCGM 100:2008,
    4.2). Values that are all equal have no scatter.
    """
    n = int(values.size)
    plain = Scatter(math.sqrt(float(values.var(ddof=1)) / n), float(n - 1), 1.0)
    if plain.standard <= 1e-12 * np.abs(values).max():
        return Scatter(0.0, math.inf, 1.0)
    if independent:
        return plain
    own = Differences.of(values)
    if own.flat:  # of three values the oldest alone may differ
        return plain
    kept = tuple(k for k in known if k.dof > 0.0 and not k.differences.flat and not _exceeds(own, k, noise))
    found = _found(own, n, kept, noise)
    return found if kept else max(found, plain, key=lambda s: s.half)


def variance_of(seen: Differences, noise: Noise = WHITE) -> float:
    """The variance of a value by the kind of noise that explains the differences best."""
    return float(scales_of([seen], noise)[0]) / seen.dof


def scales_of(seen: Sequence[Differences], noise: Noise = WHITE) -> Floats:
    """Variances times degrees of freedom, by the kind of noise that explains all of `seen` together best."""
    best = int(np.argmax(_explained(sum(seen, start=Differences()), noise)))
    return np.array([float(_scales(one, noise)[best]) for one in seen])


def _exceeds(own: Differences, known: Known, noise: Noise) -> bool:
    """Whether the present window scatters significantly more than what is known (Fisher's F)."""
    best = int(np.argmax(_explained(known.differences, noise)))
    before = float(_scales(known.differences, noise)[best]) / known.differences.dof
    now = float(_scales(own, noise)[best]) / own.dof
    return fisher_above(now / before, float(own.dof), known.dof) < TOO_LARGE


def _found(own: Differences, n: int, known: Sequence[Known], noise: Noise) -> Scatter:
    """Conjugate: what is known is a scaled inverse χ² of the variance under each kind of noise."""
    logs = _kinds(noise)[2] + _fit(own, noise)
    squares, dof = _scales(own, noise), float(own.dof)
    for k in known:
        scales = _scales(k.differences, noise)
        logs = logs + _fit(k.differences, noise) - 0.5 * (k.differences.dof - k.dof) * np.log(scales)
        squares = squares + scales * (k.dof / k.differences.dof)
        dof += k.dof
    logs = logs - 0.5 * dof * np.log(squares)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    of_mean = _of_mean(n, noise)
    variances = squares / dof * of_mean
    standard = math.sqrt(float(weights @ variances))
    half = _half_width(weights, np.sqrt(variances), max(round(dof), 1))
    longer = math.exp(float(weights @ np.log(of_mean * n)))
    return Scatter(standard, student_dof(_UPPER, half / standard), longer, tuple(known))


@lru_cache(maxsize=64)
def _kinds(noise: Noise) -> tuple[Floats, Floats, Floats, Floats]:
    """By kind of noise: φ, the share of faster noise, the logarithm of its weight beforehand, and the variance of each
    level's differences `[kinds, LEVELS]` where that of a value is 1."""
    slow = noise.least + (1.0 - noise.least) * np.array([*((0.0,) if noise.least else ()), *_SLOWNESS])
    phis, shares, before = _of_edges(noise.edges, slow) if noise.edges is not None else _of_white(slow)
    lengths = 2.0 ** np.arange(LEVELS + 1)
    means = np.array([_variance_of_mean(phis, shares, m, noise) for m in lengths]).T
    # D² = 2(V − C) of neighbouring means whose common one has V₂ = (V + C)/2.
    return phis, shares, np.log(before), 4.0 * (means[:, :-1] - means[:, 1:])


def _of_white(slow: Floats) -> tuple[Floats, Floats, Floats]:
    """φ, share of the faster noise, and weight: white noise alone first."""
    phis = np.array([0.0, *np.repeat(slow, len(_SHARES))])
    before = (1.0 - phis) ** _PRIOR
    before[1:] *= (1.0 - _PLAIN) / _PLAIN / before[1:].sum()
    return phis, np.array([1.0, *np.tile(_SHARES, len(slow))]), before


def _of_edges(usual: float, slow: Floats) -> tuple[Floats, Floats, Floats]:
    phis, ratios = np.repeat(slow, len(_EDGES)), np.tile(_EDGES, len(slow))
    before = (1.0 - phis) ** _PRIOR * np.exp(-0.5 * ((ratios - usual) / EDGES_DOUBT) ** 2)
    return phis, 1.0 / (1.0 + np.exp(-ratios)), before


def _variance_of_mean(phis: Floats, shares: Floats, n: float, noise: Noise) -> Floats:
    """The variance of a mean of `n` values in that of a value."""
    wander = ((1.0 + phis) / (1.0 - phis) - 2.0 * phis * (1.0 - phis**n) / (n * (1.0 - phis) ** 2)) / n
    return np.asarray(shares * (1.0 / n if noise.edges is None else n**-2) + (1.0 - shares) * wander)


@lru_cache(maxsize=1024)
def _of_mean(n: int, noise: Noise) -> Floats:
    phis, shares, _, _ = _kinds(noise)
    return _variance_of_mean(phis, shares, float(n), noise)


def _scales(seen: Differences, noise: Noise) -> Floats:
    """Squares in units of what each kind of noise lets expect, added up."""
    of_levels = _kinds(noise)[3][:, : len(seen.squares)]
    return np.asarray((np.array(seen.squares) / of_levels).sum(axis=1))


def _fit(seen: Differences, noise: Noise) -> Floats:
    """The logarithm of the density that the differences have by kind of noise, without its scale."""
    of_levels = _kinds(noise)[3][:, : len(seen.counts)]
    return np.asarray(-0.5 * (np.log(of_levels) * np.array(seen.counts)).sum(axis=1))


def _explained(seen: Differences, noise: Noise) -> Floats:
    return np.asarray(
        _kinds(noise)[2] + _fit(seen, noise) - 0.5 * seen.dof * np.log(np.maximum(_scales(seen, noise), 1e-300))
    )


def _half_width(weights: Floats, scales: Floats, dof: int) -> float:
    """Half the 95 % interval of a mixture of Student's t, good to 1e-6, by Newton's method from below, where it cannot
    overshoot."""
    angles, below = _student(dof)
    root = math.sqrt(dof)
    half: float = student_quantile(_UPPER, dof) * float(scales.min())
    for _ in range(100):
        t = half / scales
        missing = _UPPER - float(weights @ np.interp(np.arctan(t / root), angles, below))
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
