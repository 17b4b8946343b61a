"""One quantity against another over travels of the valve in one direction: points in bins, a curve through these."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.measure.convert import Floats
from daq.measure.curve_monotone import Cubic, isotonic

NARROWEST = 0.03
"""Least width of a bin as a share of what was swept; so a valve at rest makes one bin, not many that differ by noise.
In the steep part of its travel a hand leaves a dozen points only: there each is a bin of its own."""
WIDEST_GAP = 0.45
"""Share of what was swept between two nodes beyond which nothing is said on what lies between them: a valve shut within
a second leaves 40 %."""
NEIGHBOURS = 4
"""Nodes to each side whose scatter counts at a place."""
APART = 2
"""Nodes are held against the next but one: beside each other they share what the flow wanders slowly."""


class Known(NamedTuple):
    """A place that is known from elsewhere, where the curve ends: `x` and `y`, with y's standard uncertainty there."""

    x: float
    y: float
    standard: float


class Place(NamedTuple):
    """What a branch says at one x.

    `value` and `slope` of the curve; `bend` is how far the curve leaves the straight line between its nodes there;
    `scatter` are the deviations of the nodes about from their neighbours, each scaled to that of a single point;
    `most` is what no point scatters by, since the nodes next to the place lie no further apart;
    `share` times a point's variance, and `ends` besides, is the value's. `n` is the number of points between which it
    lies. `carried` is what was to be read along: a mean over the same points.
    """

    value: float
    slope: float
    bend: float
    scatter: Floats
    most: float
    share: float
    ends: float
    n: int
    carried: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """A curve through nodes, made monotone from their `raw` values; node k is the mean of `counts[k]` points, of none
    where it is an end that is known with `variance`. `scatter` is by node (NaN where too few lie beside it), `carried`
    `[nodes, k]`, `swept` the width of it all."""

    cubic: Cubic
    raw: Floats
    counts: NDArray[np.int64]
    scatter: Floats
    variance: Floats
    carried: Floats
    swept: float

    def at(self, x: float) -> Place | None:
        """The branch at `x`; None outside of what was swept, in a gap that is too wide to say anything, and where
        nothing tells the scatter."""
        nodes = self.cubic.x
        if not nodes[0] <= x <= nodes[-1]:
            return None
        k = self.cubic.piece(x)
        width = float(nodes[k + 1] - nodes[k])
        scatter = self.scatter[max(k + 1 - NEIGHBOURS, 0) : k + 1 + NEIGHBOURS]
        scatter = scatter[np.isfinite(scatter)]
        if width > WIDEST_GAP * self.swept or scatter.size == 0:
            return None
        pair, near = slice(k, k + 2), slice(max(k - 1, 0), k + 3)
        weight, counts = np.array([nodes[k + 1] - x, x - nodes[k]]) / width, self.counts[pair]
        value, slope = self.cubic.at(x)
        return Place(
            value=value,
            slope=slope,
            bend=value - self.cubic.chord(x),
            scatter=scatter,
            most=float(np.ptp(self.raw[near])) * math.sqrt(max(int(self.counts[near].max()), 1)),
            # neighbours wander together: the two of them are no better known than one
            share=float((weight / np.sqrt(np.maximum(counts, 1)))[counts > 0].sum() ** 2),
            ends=float(weight**2 @ self.variance[pair]),
            n=int(counts.sum()),
            carried=weight @ self.carried[pair],
        )


def branch_of(x: Floats, y: Floats, carried: Floats, ends: tuple[Known, ...], rising: bool | None) -> Branch | None:
    """The curve of `y` over `x` (in any order), rising, falling, or whatever it does (None), between the known ends
    where there are such; `carried` is `[n, k]`. None where the points make less than two nodes."""
    reach = np.concatenate([x, [end.x for end in ends]])
    low, high = float(reach.min()), float(reach.max())
    narrowest = NARROWEST * (high - low)
    inner = np.ones(x.size, dtype=np.bool_)
    for end in ends:
        inner &= (x > end.x + narrowest) if end.x < 0.5 * (low + high) else (x < end.x - narrowest)
    order = np.argsort(x[inner], kind="stable")
    columns = np.column_stack([x, y, carried])[inner][order]
    first = _firsts(columns[:, 0], narrowest)
    if first.size == 0 or first.size + len(ends) < 2:
        return None
    counts = np.diff(np.append(first, columns.shape[0]))
    means = np.add.reduceat(columns, first) / counts[:, None]
    return _through(means, counts, ends, rising, high - low)


def _firsts(x: Floats, narrowest: float) -> NDArray[np.int64]:
    """The number of the first of the sorted `x` in each bin."""
    firsts: list[int] = []
    for k, at in enumerate(x.tolist()):
        if not firsts or at > x[firsts[-1]] + narrowest:
            firsts.append(k)
    return np.array(firsts, dtype=np.int64)


def _through(
    means: Floats, counts: NDArray[np.int64], ends: tuple[Known, ...], rising: bool | None, swept: float
) -> Branch:
    """The curve through the bins' means (`[bins, x, y, carried…]`) and the ends."""
    known = np.zeros((len(ends), means.shape[1]))
    known[:, :2] = [(end.x, end.y) for end in ends] or np.empty((0, 2))
    rows = np.concatenate([means, known])
    many = np.concatenate([counts, np.zeros(len(ends), dtype=np.int64)])
    variance = np.array([*(0.0 for _ in counts), *(end.standard**2 for end in ends)])
    order = np.argsort(rows[:, 0], kind="stable")
    rows, many, variance = rows[order], many[order], variance[order]
    x, y = rows[:, 0], rows[:, 1]
    # an end is better known than any bin
    smooth = y if rising is None else isotonic(y, np.where(many > 0, many, 10 * many.sum()).astype(np.float64), rising)
    return Branch(Cubic(x, smooth), y, many, _scatter(x, y, many), variance, rows[:, 2:], swept)


def _scatter(x: Floats, y: Floats, counts: NDArray[np.int64]) -> Floats:
    """How far each node lies off the straight line between the nodes APART to both sides, over what that is in standard
    deviations of a point (after T. Gasser, L. Sroka, C. Jennen-Steinmetz, Biometrika 73 (1986) 625; from memory)."""
    scatter = np.full(x.shape, np.nan)
    left, middle, right = slice(None, -2 * APART), slice(APART, -APART), slice(2 * APART, None)
    if x.size <= 2 * APART:
        return scatter
    share = (x[middle] - x[left]) / (x[right] - x[left])
    off = y[middle] - (1.0 - share) * y[left] - share * y[right]
    with np.errstate(divide="ignore"):
        inverse = 1.0 / counts
    scale = inverse[middle] + (1.0 - share) ** 2 * inverse[left] + share**2 * inverse[right]
    scatter[middle] = np.where(np.isfinite(scale), off / np.sqrt(scale), np.nan)
    return scatter
