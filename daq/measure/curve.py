"""The pressure–flow curve of a unit from travels of the valve: flow at a stated pressure, pressure at a stated flow.

Steady readings with the valve open and shut are the ends of the curve. What lies between is fitted to all flow steps of
the travels at once (`daq.measure.curve_fit`), each of which is a linear equation on the flow that left the unit
(`daq.measure.curve_points`). What a wrong time constant of the meter, a wrong compliance of the hose, or the rotor's
inertia does to one direction it does to the other with the opposite sign: so both together show it, and one alone
carries all of its doubt.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve_fit import Fit, Known, Told
from daq.measure.curve_monotone import isotonic
from daq.measure.curve_points import Means, Pieces, Sweep, electric_means, flow_means, metered, rough_flow
from daq.measure.curve_scale import scale_of
from daq.measure.errors import CurveError
from daq.measure.uncertainty import ROOT_3, Component, Shape, effective_dof

FEWEST_STEPS = 4
"""Flow steps without which there is no curve."""
ROTOR_S = 0.02
"""How far the rotor may lag behind its load (half-width; common practice, no source; simulated rotors are worth
0.01 s)."""
WARMS = {"flow": 0.01, "current": 0.01, "voltage": 0.002}
"""By what share a unit may change from one travel to the next as it warms up (standard deviation; common practice, no
source)."""
ALONE_S = 20.0
"""A travel is so far from the one that there was not."""
NEARBY = 0.02
"""A slope is that between places so far along the travel to both sides."""
PLACES = 400
"""Pressures at which a flow is looked for."""
LAG, HOSE, ROTOR, DIRECTION = "meter lag", "hose take-up", "rotor", "direction"


@dataclass(frozen=True, slots=True)
class End:
    """A steady reading at an end of the travels, `t` seconds into the run: the curve goes through it and ends there.

    Quantities by name (`pressure`, `flow`, `current`, `voltage`), each with its standard uncertainty of type A alone; a
    flow of which is only known that it lies in [0, a] is a/2 with a/√12. What is not known is left out, but for
    pressure and flow.
    """

    t: float
    known: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class At:
    """A quantity at a stated place of the curve, SI.

    `slope` is its derivative by what was stated. `components` hold its scatter and what lag, hose, rotor, direction and
    interpolation make doubtful; the channels' own doubts are not among them: that of the stated quantity counts |slope|
    times. `n` means shaped the curve there.
    """

    value: float
    slope: float
    components: tuple[Component, ...]
    n: int

    @property
    def standard(self) -> float:
        """The components' combined standard uncertainty."""
        return math.sqrt(sum(c.standard**2 for c in self.components))

    @property
    def dof(self) -> float:
        """Its effective degrees of freedom."""
        return effective_dof(self.components)


@dataclass(frozen=True, slots=True)
class Hose:
    """What lies between unit and meter: time constant of the meter (s), compliance of the hose (m³/Pa), and the shares
    within which both are known (half-widths)."""

    lag: float
    lag_doubt: float
    compliance: float = 0.0
    compliance_doubt: float = 0.0


class Curve:
    """What the travels showed. Every method gives None outside of what was swept: nothing is extrapolated."""

    def __init__(self, sweeps: Sequence[Sweep], ends: Sequence[End], hose: Hose) -> None:
        self._sweeps, self._ends, self._hose = tuple(sweeps), tuple(ends), hose
        flow = [rough_flow(s, hose.lag) + hose.compliance * np.gradient(s.pressure, s.t) for s in sweeps]
        still = [(e.known["pressure"][0], e.known["flow"][0]) for e in ends]
        self._scale = scale_of((np.concatenate([s.pressure for s in sweeps]), np.concatenate(flow)), still)
        self._noise = max(s.noise for s in sweeps)

    def flow_at(self, pressure: float) -> At | None:
        """The flow at a pressure."""
        return self._at("flow", pressure)

    def current_at(self, pressure: float) -> At | None:
        """The current at a pressure."""
        return self._at("current", pressure)

    def voltage_at(self, pressure: float) -> At | None:
        """The voltage at a pressure."""
        return self._at("voltage", pressure)

    def pressure_at(self, flow: float) -> At | None:
        """The pressure at a flow."""
        pressures, flows = self._falling
        if not flows[-1] <= flow <= flows[0]:
            return None
        pressure = float(np.interp(-flow, -flows, pressures))
        at = self.flow_at(pressure)
        if at is None or at.standard == 0.0:
            return None
        # Beside a kink a tangent would not do: the pressures at which the flow is as far off as it may be.
        low, high = np.interp([-flow - at.standard, -flow + at.standard], -flows, pressures).tolist()
        slope = -0.5 * (high - low) / at.standard
        scatter = Component.normal("scatter, pressure", self._noise / math.sqrt(at.n))
        return At(pressure, slope, (*(c.scaled(slope) for c in at.components), scatter), at.n)

    @cached_property
    def _falling(self) -> tuple[Floats, Floats]:
        """The curve at many pressures, as it falls from end to end."""
        scale = self._scale
        between = np.unique(scale.at(np.linspace(scale.along[0], scale.along[-1], PLACES)))
        still, flow = np.array([[e.known[name][0] for e in self._ends] for name in ("pressure", "flow")])
        pressures = np.concatenate([between, still])
        flows = np.concatenate([self._flow.values(between), flow / scale.most])
        weights = np.concatenate([np.ones(between.size), np.full(still.size, float(PLACES))])
        order = np.argsort(pressures, kind="stable")
        return pressures[order], scale.most * isotonic(flows[order], weights[order], rising=False)

    def _at(self, name: str, pressure: float) -> At | None:
        if not self._scale.low <= pressure <= self._scale.high:
            return None
        fit, unit = self._fitted(name)
        told, beside = fit.at(pressure), self._beside(pressure)
        values = fit.values(beside)
        slope = unit * float(np.diff(values)[0] / np.diff(beside)[0])
        changed = 0.5 * WARMS[name] * abs(fit.common(DIRECTION) * told.value)
        at = At(unit * told.value, slope, _components(told, unit, changed), told.n)
        return replace(at, components=self._in_full(at, pressure)) if name == "flow" else at

    def _in_full(self, at: At, pressure: float) -> tuple[Component, ...]:
        """The components of a flow, with the whole doubt of the lag where there is one direction alone."""
        if len(self._otherwise) == 0:
            return at.components
        others = [float(curve.flow_values(np.array([pressure]))[0]) for curve in self._otherwise]
        kept = tuple(c for c in at.components if c.source != LAG)
        return (*kept, Component.rectangular(LAG, max(abs(other - at.value) for other in others)))

    @property
    def _one_way(self) -> bool:
        """Whether the valve travelled one way only. The shape of the curve would then seem to tell the lag, and nothing
        would bear that out."""
        return len({s.closing for s in self._sweeps}) == 1

    @cached_property
    def _otherwise(self) -> tuple["Curve", ...]:
        """Of travels in one direction, the curves with the longest and the shortest lag that the meter may have."""
        if not self._one_way or self._hose.lag_doubt == 0.0:
            return ()
        lags = [self._hose.lag * (1.0 + sign * self._hose.lag_doubt) for sign in (1.0, -1.0)]
        return tuple(Curve(self._sweeps, self._ends, replace(self._hose, lag=lag)) for lag in lags)

    def flow_values(self, pressure: Floats) -> Floats:
        """Flows at pressures within what was swept, m³/s, `[n]`."""
        return np.asarray(self._scale.most * self._flow.values(pressure))

    def _beside(self, pressure: float) -> Floats:
        """Two pressures, one below and one above."""
        scale, least = self._scale, 1e-3 * self._scale.span
        low, high = scale.at(scale.of(np.full(2, pressure)) + NEARBY * np.array([-1.0, 1.0])).tolist()
        return np.array([min(low, pressure - least), max(high, pressure + least)])

    # What the fits are made of.

    def _fitted(self, name: str) -> tuple[Fit, float]:
        """The fit of a quantity, and the unit in which it tells it."""
        if name == "flow":
            return self._flow, self._scale.most
        return self._current if name == "current" else self._voltage

    @cached_property
    def _flow(self) -> Fit:
        """What a wrong lag does hangs on the flow, so the fit is made twice."""
        pieces = [Pieces.of(s, self._scale.span) for s in self._sweeps]
        means = [flow_means(s, p, self._hose.lag) for s, p in zip(self._sweeps, pieces, strict=True)]
        first = self._flow_fit(pieces, means, self._scale.flow)
        return self._flow_fit(pieces, means, first.values)

    def _flow_fit(self, pieces: list[Pieces], means: list[Means], usual: Callable[[Floats], Floats]) -> Fit:
        hose, most = self._hose, self._scale.most
        sets: list[_Set] = []
        for p, m in zip(pieces, means, strict=True):
            flow = usual(p.pressure)
            longer, shorter = (metered(p, m.begin, m.end, share * hose.lag) for share in (1.05, 0.95))
            taken_up = hose.compliance / most * m.rows @ p.rate(p.pressure)
            common = {
                LAG: (longer - shorter) @ flow / 0.1 * (0.0 if self._one_way else hose.lag_doubt) / ROOT_3,
                HOSE: taken_up * hose.compliance_doubt / ROOT_3,
                ROTOR: m.rows @ p.rate(flow) * ROTOR_S / ROOT_3,
            }
            slope = self._scale.steepness(p.pressure, 2.0 * self._noise)
            blurred = m.rows**2 @ (slope * self._noise) ** 2 + (np.abs(m.rows) @ (slope * p.blur)) ** 2
            sets.append(_Set(p.pressure, p.t, replace(m, y=m.y / most + taken_up), blurred, common))
        return self._fit("flow", sets, most, bends=True)

    @cached_property
    def _current(self) -> tuple[Fit, float]:
        return self._electric("current", [s.current for s in self._sweeps])

    @cached_property
    def _voltage(self) -> tuple[Fit, float]:
        return self._electric("voltage", [s.voltage for s in self._sweeps])

    def _electric(self, name: str, values: list[Floats]) -> tuple[Fit, float]:
        along = [self._scale.of(s.pressure) for s in self._sweeps]
        unit = max(float(np.abs(np.concatenate(values)).max()), 1e-9)
        shape = np.polyfit(np.concatenate(along), np.concatenate(values) / unit, 3)
        sets: list[_Set] = []
        for s, v, a in zip(self._sweeps, values, along, strict=True):
            m = electric_means(s, v / unit, a / 2.0)
            rate = m.rows @ np.gradient(np.polyval(shape, a), s.t)
            sets.append(_Set(s.pressure, s.t, m, np.zeros(m.y.size), {ROTOR: rate * ROTOR_S / ROOT_3}))
        return self._fit(name, sets, unit, bends=False), unit

    def _fit(self, name: str, sets: list["_Set"], unit: float, *, bends: bool) -> Fit:
        """The fit of a quantity by its means and the ends, in `unit`s."""
        ends = [e for e in self._ends if name in e.known]
        y, u = (np.array([e.known[name][k] / unit for e in ends]) for k in range(2))
        still, blur = (np.array([e.known["pressure"][k] for e in ends]) for k in range(2))
        if name == "flow":
            u = np.hypot(u, blur * self._scale.steepness(still, 2.0 * self._noise))
        nothing = np.zeros(len(ends))
        t = np.concatenate([*(s.t for s in sets), [e.t for e in ends]])
        rows = _along_diagonal([*(s.means.rows for s in sets), np.eye(len(ends))])
        values = np.concatenate([*(s.means.y for s in sets), y])
        common = {key: np.concatenate([*(s.common[key] for s in sets), nothing]) for key in sets[0].common}
        common[DIRECTION] = WARMS[name] * (rows @ self._when(t)) * values
        known = Known(
            pressure=np.concatenate([*(s.pressure for s in sets), still]),
            t=t,
            rows=rows,
            y=values,
            length=np.concatenate([*(s.means.end - s.means.begin for s in sets), nothing]),
            variance=np.concatenate([*(s.variance for s in sets), u**2]),
            common=common,
        )
        return Fit(known, self._scale, bends=bends)

    def _when(self, t: Floats) -> Floats:
        """Time in travels: the middle of the first counts −½ and that of the last ½."""
        half = 0.5 * (self._scale.low + self._scale.high)
        middles = [float(s.t[np.argmin(np.abs(s.pressure - half))]) for s in self._sweeps]
        apart = max(max(middles) - min(middles), 1.0) if len(middles) > 1 else ALONE_S
        return np.asarray((t - 0.5 * (max(middles) + min(middles))) / apart)


@dataclass(frozen=True, slots=True, eq=False)
class _Set:
    """The means of one travel: over pieces or steps at `t` with `pressure`; `variance` is what is known of theirs, and
    `common` what one standard deviation of something common adds to them."""

    pressure: Floats
    t: Floats
    means: Means
    variance: Floats
    common: Mapping[str, Floats]


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
    that of the hose, each known within a share, its half-width. `ends` are steady readings with the valve open or shut.

    Raises:
        CurveError: too few flow steps for a curve.
    """
    usable = [s for s in sweeps if s.t.size > 2]
    steps = sum(flow_means(s, Pieces.of(s, 1e9), lag).y.size for s in usable)
    if steps < FEWEST_STEPS:
        raise CurveError(
            f"valve moved too quickly: {steps} flow steps that can be used, needed {FEWEST_STEPS}; move it more "
            "slowly, and see that no scans are lost meanwhile"
        )
    return Curve(usable, ends, Hose(lag, lag_doubt, compliance, compliance_doubt))


def _along_diagonal(parts: Sequence[Floats]) -> Floats:
    """A matrix with these along its diagonal."""
    whole = np.zeros((sum(p.shape[0] for p in parts), sum(p.shape[1] for p in parts)))
    i = j = 0
    for part in parts:
        whole[i : i + part.shape[0], j : j + part.shape[1]] = part
        i, j = i + part.shape[0], j + part.shape[1]
    return whole


def _components(told: Told, unit: float, changed: float) -> tuple[Component, ...]:
    common = dict(told.common)
    common[DIRECTION] = math.hypot(common[DIRECTION], changed / ROOT_3)
    parts = (
        Component("scatter", Shape.STUDENT, unit * told.scatter, told.dof, values=told.n),
        Component.normal("between points", unit * told.bend),
        *(Component.rectangular(name, unit * ROOT_3 * of) for name, of in common.items()),
    )
    return tuple(c for c in parts if c.standard > 0.0)
