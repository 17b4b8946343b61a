"""Means over flow steps of a travel of the valve, and how each follows from the flow that left the unit.

A meter that follows with a time constant τ has counted, between two edges, the integral of what it showed, and that is
linear in the flow of each step of the line before and meanwhile. So nothing is undone: a flow step, however long, is
one linear equation on the flows of the steps of the travel. Less flows through the meter than leaves the unit by what
the hose takes up, compliance × dp/dt.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from daq.measure.convert import Floats

SHORTEST_S = 0.06
"""Flow steps are joined until they last so long; less says nothing that the next does not …"""
LONGEST_S = 0.5
"""… and until pressure or flow has moved, but for no longer than this. A single flow step may last longer …"""
REST_S = 1.0
MOST = 32
BEND = 0.125
MOST_CUTS = 6
TOO_LONG_S = 1.0
"""… up to this: one that took longer followed upon silence and has no honest beginning."""
MOVED = 0.03
"""The share of what was swept that counts as having moved."""
GAP = 1.5
"""Steps further apart than so many times their usual distance have lost scans between them …"""
FORGETS = 4.0
"""… and so many time constants later the meter shows nothing any more of what flowed there."""
MEDIAN_TO_DEVIATION = 1.4826
"""Standard deviation of a normal variable over the median of its size."""
_SHORTEST_LAG = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """One travel of the valve, SI.

    `t` holds the ends of the steps over which `pressure`, `current` and `voltage` are means, in order (s). `flow_t` and
    `flow_steps` are the flow steps: the time of the last edge, and the mean flow since that of the step before (NaN
    below the meter's table or above it).
    """

    t: Floats
    pressure: Floats
    current: Floats
    voltage: Floats
    flow_t: Floats
    flow_steps: Floats
    closing: bool

    @property
    def step(self) -> float:
        """The length of a step, s."""
        return float(np.median(np.diff(self.t)))

    @property
    def noise(self) -> float:
        """How much the pressure of a step scatters (Pa), by how far it lies off the line between its neighbours."""
        return float(np.median(np.abs(np.diff(self.pressure, 2))) * MEDIAN_TO_DEVIATION / math.sqrt(6.0))


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """A travel in pieces of time from `left` to `right` (s), so short that `pressure` hardly moves within one.

    It is known there but for its scatter, and for `blur` (Pa), by how it bends from step to step."""

    left: Floats
    right: Floats
    pressure: Floats
    blur: Floats

    @classmethod
    def of(cls, sweep: Sweep, span: float) -> "Pieces":
        """The steps of a sweep, those cut up in which pressure moves by more than MOVED of `span`; their mean stays."""
        middle, step = sweep.t - 0.5 * sweep.step, sweep.step
        moves = np.abs(np.gradient(sweep.pressure)) / (MOVED * span)
        cuts = np.clip(np.ceil(moves), 1, MOST_CUTS).astype(np.int64)
        of = np.repeat(np.arange(cuts.size), cuts)
        k = np.arange(of.size) - np.repeat(np.cumsum(cuts) - cuts, cuts)
        left = sweep.t[of] - step + k * step / cuts[of]
        right = left + step / cuts[of]
        within = np.interp(0.5 * (left + right), middle, sweep.pressure)
        shift = sweep.pressure - np.bincount(of, within) / cuts
        bend = np.abs(np.diff(sweep.pressure, 2, prepend=sweep.pressure[0], append=sweep.pressure[-1]))
        return cls(left, right, within + shift[of], BEND * bend[of])

    @property
    def t(self) -> Floats:
        """The middle of each piece, s."""
        return np.asarray(0.5 * (self.left + self.right))

    def rate(self, values: Floats) -> Floats:
        """The rate of change of something that has `values` in the pieces, per second."""
        return np.asarray(np.gradient(values, self.t))


@dataclass(frozen=True, slots=True, eq=False)
class Means:
    """Means `y` over [`begin`, `end`] (s): `rows` `[k, n]` are how its n pieces or steps weigh in them."""

    y: Floats
    begin: Floats
    end: Floats
    rows: Floats


def flow_means(sweep: Sweep, pieces: Pieces, lag: float) -> Means:
    """The flow steps of a sweep, short ones joined, with a meter of the time constant `lag` (s)."""
    begin, end, mean = _joined(sweep)
    use = np.isfinite(mean) & _seen(sweep, begin, end, lag)
    begin, end, mean = begin[use], end[use], mean[use]
    return Means(mean, begin, end, metered(pieces, begin, end, lag))


def electric_means(sweep: Sweep, values: Floats, moved: Floats) -> Means:
    """Means of `values` over steps, joined while `moved`, which grows along the travel from 0 to 1 or back, does not
    change by more than MOVED."""
    share = MOVED
    while len(first := _moves(sweep, moved, share)) > MOST and share < 1.0:
        share *= 1.25
    bounds = np.array([*first, sweep.t.size])
    rows = np.zeros((len(first), sweep.t.size))
    for row, (i, j) in enumerate(pairwise(bounds.tolist())):
        rows[row, i:j] = 1.0 / (j - i)
    return Means(rows @ values, sweep.t[bounds[:-1]] - sweep.step, sweep.t[bounds[1:] - 1], rows)


def _moves(sweep: Sweep, moved: Floats, share: float) -> list[int]:
    first = [0]
    for k in range(1, sweep.t.size):
        long = sweep.t[k - 1] - sweep.t[first[-1]] + sweep.step >= REST_S * share / MOVED
        if long or abs(moved[k] - moved[first[-1]]) > share or sweep.t[k] - sweep.t[k - 1] > GAP * sweep.step:
            first.append(k)
    return first


def metered(pieces: Pieces, begin: Floats, end: Floats, lag: float) -> Floats:
    """How much a flow of 1 in each piece adds to the mean that the meter shows over each [begin, end]. Before the first
    flowed what flowed in it."""
    lag = max(lag, _SHORTEST_LAG)
    right = pieces.right
    left = np.concatenate(([pieces.left[0] - 50.0 * lag], right[:-1]))  # so a gap holds what flowed after it

    def volume(moment: Floats) -> Floats:
        t = moment[:, None]
        stored = np.exp(np.minimum(right - t, 0.0) / lag) - np.exp(np.minimum(left - t, 0.0) / lag)
        return np.asarray(np.clip(t, left, right) - left - lag * stored)

    return np.asarray((volume(end) - volume(begin)) / (end - begin)[:, None])


def rough_flow(sweep: Sweep, lag: float) -> Floats:
    """The flow in each step as a meter would show it that is late by `lag` and else follows at once; NaN where no flow
    step tells it."""
    known = np.isfinite(sweep.flow_steps[1:])
    middle = 0.5 * (sweep.flow_t[1:] + sweep.flow_t[:-1])[known]
    if middle.size == 0:
        return np.full(sweep.t.shape, np.nan)
    at = sweep.t - 0.5 * sweep.step + lag
    return np.interp(at, middle, sweep.flow_steps[1:][known], left=np.nan, right=np.nan)


def _joined(sweep: Sweep) -> tuple[Floats, Floats, Floats]:
    """Begin, end and mean flow of steps, short ones that follow upon each other joined, and more of them where there
    are more than MOST."""
    share = MOVED
    while np.isfinite((found := _joined_by(sweep, share))[2]).sum() > MOST and share < 1.0:
        share *= 1.25
    return found


def _joined_by(sweep: Sweep, share: float) -> tuple[Floats, Floats, Floats]:
    t = sweep.flow_t
    flow = np.where(np.diff(t, prepend=-np.inf) > TOO_LONG_S, np.nan, sweep.flow_steps)
    pressure = np.interp(t, sweep.t - 0.5 * sweep.step, sweep.pressure)
    span, most = np.ptp(sweep.pressure), np.nanmax(flow, initial=0.0)
    found: list[tuple[float, float, float]] = []
    k = 0
    while k + 1 < t.size:
        j = k + 1
        while j + 1 < t.size and np.isfinite(flow[k + 1 : j + 2]).all():
            moved = abs(pressure[j] - pressure[k]) > share * span or abs(flow[j] - flow[k + 1]) > share * most
            if t[j] - t[k] >= SHORTEST_S and (moved or t[j + 1] - t[k] > LONGEST_S * share / MOVED):
                break
            j += 1
        volume = flow[k + 1 : j + 1] @ np.diff(t[k : j + 1])
        found.append((t[k], t[j], volume / (t[j] - t[k])))
        k = j
    begin, end, mean = np.array(found).reshape(-1, 3).T
    return begin, end, mean


def _seen(sweep: Sweep, begin: Floats, end: Floats, lag: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether steps without a gap reach over each [begin, end], and over what the meter then still shows of before. A
    sweep begins at rest."""
    t, step = sweep.t, sweep.step
    inside = (begin >= t[0] - step) & (end <= t[-1])
    for gap in np.flatnonzero(np.diff(t) > GAP * step):
        inside &= (end <= t[gap]) | (begin >= t[gap + 1] - step + FORGETS * lag)
    return np.asarray(inside)
