"""Pairs of pressure and flow from a travel of the valve, corrected for the meter's lag and for what the hose takes up.

A meter that follows with a time constant τ shows m where the line carries Q = m + τ·dm/dt. Averaged over a flow step
that needs no derivative of single samples: the mean of Q is the mean of m and τ times the difference of m at both ends,
over the step's length. What leaves the unit is that and the hose's share, compliance × dp/dt.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from daq.measure.convert import Floats

LONGEST_S = 0.5
"""A flow step that took longer says too little about one moment of a travel, or followed upon silence and has no honest
beginning."""
GAP = 1.5
"""Steps further apart than so many times their usual distance have lost scans between them."""


@dataclass(frozen=True, slots=True, eq=False)
class Sweep:
    """One travel of the valve, SI.

    `t` holds the ends of the steps over which `pressure`, `current` and `voltage` are means, in order (s). `flow_t` and
    `flow_steps` are the closed flow steps: the time of the last edge, and the mean flow since that of the step before
    (NaN below the meter's table or above it).
    """

    t: Floats
    pressure: Floats
    current: Floats
    voltage: Floats
    flow_t: Floats
    flow_steps: Floats
    closing: bool


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Means over flow steps: pressure, current and voltage over the same time, the flow that left the unit. `per_lag`
    and `per_compliance` are that flow's derivatives by the meter's time constant and by the hose's compliance."""

    pressure: Floats
    flow: Floats
    current: Floats
    voltage: Floats
    per_lag: Floats
    per_compliance: Floats


def points_of(sweep: Sweep, lag: float, compliance: float) -> Points:
    """The points of a sweep, in order of time; those are left out whose neighbours are not known, or whose pressure is
    not, so there may be none. `lag` in s, `compliance` in m³/Pa."""
    begin, end, mean = sweep.flow_t[:-1], sweep.flow_t[1:], sweep.flow_steps[1:]
    if mean.size < 3 or sweep.t.size < 3:
        return Points(*(np.empty(0) for _ in range(6)))
    length = end - begin
    known = np.isfinite(mean) & (length <= LONGEST_S)
    # the meter's flow between two steps: the slope there of a parabola through the volumes at three edges
    between = (mean[:-1] * length[1:] + mean[1:] * length[:-1]) / (length[1:] + length[:-1])
    per_lag = np.full(mean.shape, np.nan)
    per_lag[1:-1] = (between[1:] - between[:-1]) / length[1:-1]
    use = known & np.concatenate(([False], known[:-1])) & np.concatenate((known[1:], [False]))
    use &= _seen(sweep.t, begin, end)
    begin, end, mean, per_lag = begin[use], end[use], mean[use], per_lag[use]
    rise = (_at(sweep, end) - _at(sweep, begin)) / (end - begin)
    pressure, current, voltage = (
        _means(sweep.t, values, begin, end) for values in (sweep.pressure, sweep.current, sweep.voltage)
    )
    return Points(pressure, mean + lag * per_lag + compliance * rise, current, voltage, per_lag, rise)


def joined(parts: Sequence[Points]) -> Points:
    """The points of several sweeps together."""
    return Points(*(np.concatenate([np.empty(0), *(getattr(p, f.name) for p in parts)]) for f in fields(Points)))


def _step(t: Floats) -> float:
    return float(np.median(np.diff(t)))


def _seen(t: Floats, begin: Floats, end: Floats) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether steps without a gap reach over each [begin, end] and half a step beyond."""
    step = _step(t)
    inside = (begin - 0.5 * step >= t[0] - step) & (end <= t[-1] - 0.5 * step)
    after = np.flatnonzero(np.diff(t) > GAP * step)
    for gap in after:
        inside &= (end <= t[gap] - 0.5 * step) | (begin >= t[gap + 1] - 0.5 * step)
    return np.asarray(inside)


def _means(t: Floats, values: Floats, begin: Floats, end: Floats) -> Floats:
    """Means over each [begin, end] of straight lines between the steps' middles."""
    middle = t - 0.5 * _step(t)
    total = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(middle))))

    def until(moment: Floats) -> Floats:
        k = np.clip(np.searchsorted(middle, moment, side="right") - 1, 0, middle.size - 1)
        return np.asarray(total[k] + 0.5 * (values[k] + np.interp(moment, middle, values)) * (moment - middle[k]))

    return np.asarray((until(end) - until(begin)) / (end - begin))


def _at(sweep: Sweep, moments: Floats) -> Floats:
    """Pressure at moments, between the middles of steps."""
    return np.interp(moments, sweep.t - 0.5 * _step(sweep.t), sweep.pressure)
