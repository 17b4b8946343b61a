"""The pressure–flow curve of a unit from travels of the valve: flow at a stated pressure, pressure at a stated flow.

Each direction has a curve of its own, monotone through binned points. The value lies between closing and opening, where
nothing would change: what a wrong time constant of the meter, a wrong compliance of the hose, or the rotor's inertia
does to one direction it does to the other with the opposite sign, in proportion to the rate of change.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve_branch import Branch, Known, Place, branch_of
from daq.measure.curve_points import Points, Sweep, joined, points_of
from daq.measure.errors import CurveError
from daq.measure.uncertainty import Component, Shape, effective_dof

FEWEST_POINTS = 4
"""Two bins of two; a direction with fewer points has no curve."""
LEAST_SHARE = 0.1
"""However slowly the valve moved one way, the other way keeps this weight."""
UNCANCELLED = 0.1
"""The share of the difference between closing and opening that may be left in their weighted mean; with a lag wrong by
30 % simulated runs show less than a twentieth (tests/studies/curve.py)."""
ROTOR_S = 0.02
"""In one direction alone nothing shows how far the rotor lags behind its load; a doubt of so much of the meter's time
constant stands for it (common practice, no source; simulated rotors are worth 0.01 s)."""
MEDIAN_TO_DEVIATION = 1.4826
"""Standard deviation of a normal variable over the median of its size."""
NODES_PER_DOF = 3.0
"""A median of deviations that share their neighbours: of 15 it scatters by 30 % from run to run (simulated), as a
standard deviation with 5 degrees of freedom does."""
RANGE_DOF = 3.0
"""A range of four nodes; it is twice their standard deviation on the average, so this is on the safe side."""

_SOURCES = ("meter lag", "hose take-up", "direction")

OfFlow = Callable[[Place], float]
"""What an error of the flow of 1 m³/s does to a place's value."""


@dataclass(frozen=True, slots=True)
class End:
    """A steady reading at an end of the travel: the curve goes through it and ends there. `u_…` are standard
    uncertainties of type A alone; a flow of which is only known that it lies in [0, a] is a/2 with u_flow = a/√12."""

    pressure: float
    flow: float
    u_pressure: float = 0.0
    u_flow: float = 0.0


@dataclass(frozen=True, slots=True)
class At:
    """A quantity at a stated place of the curve, SI.

    `slope` is its derivative by what was stated. `components` hold its scatter and what lag, hose, direction and
    interpolation make doubtful; the channels' own doubts are not among them: that of the stated quantity counts |slope|
    times. `n` points shaped the curve there. `hysteresis` is closing minus opening, NaN where only one of them reached
    this place.
    """

    value: float
    slope: float
    components: tuple[Component, ...]
    n: int
    hysteresis: float

    @property
    def standard(self) -> float:
        """The components' combined standard uncertainty."""
        return math.sqrt(sum(c.standard**2 for c in self.components))

    @property
    def dof(self) -> float:
        """Its effective degrees of freedom."""
        return effective_dof(self.components)


class Curve:
    """What the travels showed. Every method gives None outside of what was swept: nothing is extrapolated.

    `closing` and `opening` are the points of both directions, `steady` those readings at rest that end the curve.
    """

    def __init__(
        self, closing: Points, opening: Points, steady: tuple[End, ...], lag_doubt: float, hose_doubt: float
    ) -> None:
        self.closing, self.opening, self.steady = closing, opening, steady
        self._doubts = np.array([lag_doubt, hose_doubt])
        flows = tuple(Known(e.pressure, e.flow, e.u_flow) for e in steady)
        pressures = tuple(Known(e.flow, e.pressure, e.u_pressure) for e in steady)
        sides = (closing, opening)
        self._flow = [_branch(s, "pressure", "flow", flows, rising=False) for s in sides]
        self._pressure = [_branch(s, "flow", "pressure", pressures, rising=False) for s in sides]
        self._electric = {
            (x, y): [_branch(s, x, y) for s in sides] for x in ("pressure", "flow") for y in ("current", "voltage")
        }

    def flow_at(self, pressure: float) -> At | None:
        """The flow at a pressure."""
        return self._read(self._flow, pressure, _as_it_is)

    def pressure_at(self, flow: float) -> At | None:
        """The pressure at a flow."""
        return self._read(self._pressure, flow, _by_slope)

    def current_at(self, pressure: float) -> At | None:
        """The current at a pressure; None where only one direction reached it, as with all that is electric: nothing
        would show what the rotor's inertia does to it."""
        return self._read(self._electric["pressure", "current"], pressure, _not_at_all, alone=False)

    def voltage_at(self, pressure: float) -> At | None:
        """The voltage at a pressure."""
        return self._read(self._electric["pressure", "voltage"], pressure, _not_at_all, alone=False)

    def current_at_flow(self, flow: float) -> At | None:
        """The current at a flow."""
        return self._read(self._electric["flow", "current"], flow, _by_slope, alone=False)

    def voltage_at_flow(self, flow: float) -> At | None:
        """The voltage at a flow."""
        return self._read(self._electric["flow", "voltage"], flow, _by_slope, alone=False)

    def _read(self, branches: Sequence[Branch | None], x: float, of_flow: OfFlow, *, alone: bool = True) -> At | None:
        """Between the directions that reach `x`; where one reaches it `alone`, in that one, if that will do."""
        closing, opening = (branch.at(x) if branch else None for branch in branches)
        if closing and opening:
            return _between(closing, opening, of_flow, self._doubts)
        one = closing or opening
        return _alone(one, of_flow, self._doubts) if one and alone else None


def curve_of(
    sweeps: Sequence[Sweep],
    *,
    lag: float,
    lag_doubt: float,
    compliance: float = 0.0,
    compliance_doubt: float = 0.0,
    ends: Sequence[End] = (),
) -> Curve:
    """The curve from travels in one direction or both. `lag` (s) is the meter's time constant and `compliance` (m³/Pa)
    that of the hose, each known within a share, its half-width. `ends` are steady readings, at most one at each end.

    Raises:
        CurveError: too few points for a curve in either direction.
    """
    closing, opening = (
        joined([points_of(s, lag, compliance) for s in sweeps if s.closing is way]) for way in (True, False)
    )
    most = max(closing.pressure.size, opening.pressure.size)
    if most < FEWEST_POINTS:
        raise CurveError(
            f"pressure–flow curve: expected at least {FEWEST_POINTS} flow steps while the valve moves one way, found "
            f"{most} that could be used; move the valve more slowly, and see that no scans are lost meanwhile"
        )
    return Curve(closing, opening, tuple(ends), lag * lag_doubt, compliance * compliance_doubt)


def _branch(points: Points, x: str, y: str, ends: tuple[Known, ...] = (), rising: bool | None = None) -> Branch | None:
    if points.pressure.size < FEWEST_POINTS:
        return None
    columns = {name: getattr(points, name) for name in ("pressure", "flow", "current", "voltage")}
    carried = np.column_stack([points.per_lag, points.per_compliance])
    return branch_of(columns[x], columns[y], carried, ends, rising)


def _as_it_is(_: Place) -> float:
    return 1.0


def _by_slope(place: Place) -> float:
    return -place.slope


def _not_at_all(_: Place) -> float:
    return 0.0


def _between(closing: Place, opening: Place, of_flow: OfFlow, doubts: Floats) -> At:
    """The value at no rate of change: the directions are weighed so that an error of the meter's time constant drops
    out, and with it most of what goes with the rate."""
    share = _share_of_closing(float(closing.carried[0]), float(opening.carried[0]))
    places, weights = (closing, opening), np.array([share, 1.0 - share])
    per_doubt = np.array([of_flow(p) * p.carried * doubts for p in places])
    lag, hose = weights @ per_doubt
    hysteresis = closing.value - opening.value
    explained = float(np.abs(per_doubt[0] - per_doubt[1]).sum())
    left = UNCANCELLED * abs(hysteresis) + max(abs(hysteresis) - explained, 0.0) * 0.5
    return _told(places, weights, (lag, hose, left), hysteresis)


def _alone(place: Place, of_flow: OfFlow, doubts: Floats) -> At:
    per_second, _ = of_flow(place) * place.carried
    lag, hose = of_flow(place) * place.carried * doubts
    return _told((place,), np.ones(1), (lag, hose, ROTOR_S * float(per_second)), math.nan)


def _share_of_closing(closing: float, opening: float) -> float:
    """The weight of closing, from the rates at which the flow changed both times."""
    if not closing < 0.0 < opening:
        return 0.5  # at rest
    return min(max(opening / (opening - closing), LEAST_SHARE), 1.0 - LEAST_SHARE)


def _told(places: tuple[Place, ...], weights: Floats, doubts: tuple[float, float, float], hysteresis: float) -> At:
    """The places' weighted mean; `doubts` are the half-widths by lag, hose and direction."""
    value, slope, bend = (float(weights @ [p[k] for p in places]) for k in range(3))
    components = (
        _scatter(places, weights),
        Component.rectangular("between points", bend),
        *(Component.rectangular(source, half_width) for source, half_width in zip(_SOURCES, doubts, strict=True)),
    )
    return At(value, slope, tuple(c for c in components if c.standard > 0.0), sum(p.n for p in places), hysteresis)


def _scatter(places: tuple[Place, ...], weights: Floats) -> Component:
    """From the median deviation of the nodes about: a kink of the curve among them is not scatter. Where the curve
    is so flat that nodes lie closer together than that, it was a kink all the same, and their range is taken."""
    off = np.abs(np.concatenate([p.scatter for p in places]))
    deviation, dof = MEDIAN_TO_DEVIATION * float(np.median(off)), max(off.size / NODES_PER_DOF, 1.0)
    most = max(p.most for p in places)
    if deviation > most:
        deviation, dof = most, max(dof, RANGE_DOF)
    of_value = sum(
        w * w * (p.share * deviation * deviation + p.ends) for w, p in zip(weights.tolist(), places, strict=True)
    )
    return Component("scatter", Shape.STUDENT, math.sqrt(of_value), dof)
