"""Whether the channels of one run agree with each other where the unit comes to the same state twice.

A channel whose sensitivity changes in mid-run shows a steady signal before and after, so nothing in one window gives it
away. But a run comes back: a bare pump to the open line, a module to the shut valve. Between two visits the stand's own
line is the same, so that pressure over the square of flow is (turbulent flow through hoses and an open valve); speed,
and with it flow, follows the voltage; the motor's current follows its load. A unit that is not what it was moves these
together. One channel alone is moved by the stand: then no reading of the run is evidence about the unit.

Systematic errors of a channel drop out of a ratio of two of its own readings, and only the scatter of both is left. The
tolerances are for what is not modelled; they are common practice and have no source.
"""

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from daq.measure.convert import Floats
from daq.measure.steps import Step
from daq.measure.uncertainty import combine, mean_of
from daq.procedure.effects import Alarm

LINE = 0.02
"""By so much the open line's resistance may differ between two visits: hands do not open a valve twice the same way."""
SUPPLY = 0.005, 0.01
"""By so much the voltage may differ that nothing else shows: with flow to compare, and without."""
LOAD = 0.03
"""By so much a motor's current may differ at the same load: brushes, and a winding that warms."""
HELD = 0.02
"""By so much a relief valve or a regulator may hold another pressure than before."""
FOLLOWS = 2.0
"""Current follows a change of flow, voltage or pressure by at most so many times its share."""
CAREFUL = 1.5
"""Expanded uncertainties (95 %) of a ratio beyond which it differs: several are looked at in every run."""

RESTS = 0.005
"""A line whose pressure certainly moves by no more than this, as a share of it, is at rest."""
SPAN = 20
"""A state is told by its last so many steps …"""
OPENING = 10
"""A valve that opens is told by so many steps."""
STEPS_A_SECOND = 20.0
WAIT_S = 4.0
"""… and a line that is still on its way is waited for so long, in seconds."""

_METERS = "pressure transducer, flowmeter and the valve's open stop"
_REASONS = {
    "pressure against flow": _METERS,
    "voltage against flow": "the sensing of the supply voltage",
    "current against load": "shunt and amplifier",
    "voltage not as before": "the supply and the sensing of its voltage",
    "pressure not as before": "the pressure transducer",
    **{f"{name} jumped alone": f"the {name} channel" for name in ("pressure", "voltage", "current", "flow")},
}
"""What makes a run void here, and where to look."""

AGAIN = (("free_flow", "free_flow.2"), ("shutoff", "shutoff.2"))
"""Stages in which a unit comes to the same state."""
LATER = ("free_flow.2",)
"""Those at whose end a hand may still be at the valve."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """The natural logarithm of a channel's second mean over its first, and its uncertainty (half-width)."""

    value: float
    half: float

    @property
    def moved(self) -> float:
        """By how much it certainly changed, 0 where nothing need have."""
        return max(abs(self.value) - self.half, 0.0)

    @property
    def most(self) -> float:
        """By how much it may have changed."""
        return abs(self.value) + self.half

    def less(self, other: "Ratio", times: float) -> "Ratio":
        """This one less `times` the other."""
        return Ratio(self.value - times * other.value, math.hypot(self.half, times * other.half))


Span = tuple[float, float]
"""The least and the greatest that a mean may be."""


@dataclass(frozen=True, slots=True)
class Visit:
    """A steady state as its channels show it, scatter included: Pa, V, A, m³/s."""

    pressure: Span
    voltage: Span
    current: Span
    flow: Span


def contradicts(why: str) -> list[Alarm]:
    """The alarm of a run that is void as its channels contradict each other; none for any other reason."""
    if why not in _REASONS:
        return []
    do = f"check {_REASONS[why]}: plug, wire, supply and reference, by a unit that is known; then test this one again"
    return [Alarm("channels_disagree", "stop", f"{why}: no unit does that, so nothing read in this run counts", do)]


class Visits:
    """Follows one run's steady states. `lsb` is the converter's step by channel, `samples` go into a step."""

    def __init__(self, lsb: Mapping[str, float], samples: int) -> None:
        self._lsb, self._samples = lsb, samples
        self._newest = deque[Step](maxlen=SPAN)
        self._opening = deque[Step](maxlen=OPENING)
        self._states: dict[str, tuple[Step, ...]] = {}
        self._waits_since: float | None = None

    def feed(self, step: Step, stage: str, *, fit: bool) -> None:
        """Takes a step of a stage that reads; one that is not `fit` begins anew."""
        if not fit:
            self._newest.clear()
            return
        self._newest.append(step)
        if len(self._newest) == SPAN:
            self._states[stage] = tuple(self._newest)

    def enter(self) -> None:
        """Another stage begins."""
        self._newest.clear()
        self._opening.clear()
        self._waits_since = None

    def waits(self, stage: str, t: float) -> bool:
        """Whether a stage that has all its readings should go on, as the line is still on its way to where it was: the
        hand that opens the valve has not come to its end. It goes on for a while and no longer."""
        if stage not in LATER or len(self._newest) < SPAN or _drift(_values(self._newest, "pressure")) >= -RESTS:
            return False
        self._waits_since = t if self._waits_since is None else self._waits_since
        return t - self._waits_since < WAIT_S

    @property
    def opening(self) -> bool:
        """Whether the line looks open in a stage that waits for it to be as open as before."""
        return bool(self._opening)

    def as_open(self, step: Step) -> bool:
        """Whether the line, seen open, holds back no more than at the first free flow, as far as `OPENING` steps show.

        A valve that is nearly open looks open by its pressure. What is read there would differ from the first free flow
        by the hand and not by the unit.
        """
        self._opening.append(step)
        first = self._states.get("free_flow")
        if first is None:
            return True
        if len(self._opening) < OPENING:
            return False
        (now, doubt_now), (before, doubt_before) = (_resistance(steps, self._lsb) for steps in (self._opening, first))
        return not now - before > 0.5 * LINE + 2.0 * math.hypot(doubt_now, doubt_before)

    def contradiction(self) -> str:
        """What in the run cannot be the unit's doing, in at most 24 characters; empty for nothing."""
        for first, second in AGAIN:
            if first in self._states and second in self._states:
                before, after = self._visit(self._states[first]), self._visit(self._states[second])
                why = _at_free_flow(before, after) if first == "free_flow" else _at_shutoff(before, after)
                if why:
                    return why
        return ""

    def _visit(self, steps: Sequence[Step]) -> Visit:
        newest = steps[-1].flow
        pressure, voltage, current = (self._about(steps, name) for name in ("pressure", "voltage", "current"))
        flow = self._about(steps, "flow") if math.isfinite(newest.value) else (newest.low, newest.high)
        return Visit(pressure, voltage, current, flow)

    def _about(self, steps: Sequence[Step], name: str) -> Span:
        values, step = _values(steps, name), self._lsb.get(name, 0.0)
        if not np.isfinite(values).all():
            return 0.0, math.inf
        mean = mean_of(values, lsb=step)
        half = CAREFUL * combine([mean.component()]).U + hidden(values, step, self._samples)
        if name == "pressure":  # of a line that a hand still opens: where it will be by the time it is open
            half += WAIT_S * STEPS_A_SECOND / SPAN * abs(mean.value * _drift(values))
        return mean.value - half, mean.value + half


def _resistance(steps: Iterable[Step], lsb: Mapping[str, float]) -> tuple[float, float]:
    """The logarithm of pressure over the square of flow, NaN where it has none, and its standard error."""
    steps = list(steps)
    pressure, flow = (_values(steps, name) for name in ("pressure", "flow"))
    p, q, root = float(pressure.mean()), float(flow.mean()), math.sqrt(len(steps))
    if not (p > 0.0 and q > 0.0):
        return math.nan, math.inf
    hidden_step = 0.5 * lsb.get("pressure", 0.0)
    return math.log(p / q**2), math.hypot((float(pressure.std()) / root + hidden_step) / p, 2.0 * float(flow.std()) / q)


def _values(steps: Iterable[Step], name: str) -> Floats:
    return np.array([s.flow.value if name == "flow" else getattr(s, name) for s in steps])


def _drift(values: Floats) -> float:
    """By what share of its mean a channel certainly rose from the first to the second half of its newest steps."""
    first, second = values[: SPAN // 2], values[SPAN // 2 :]
    scatter = float(np.diff(values).std()) / math.sqrt(2.0)  # by neighbours, so that no drift counts as scatter
    noise = 4.0 * scatter * math.sqrt(2.0 / (SPAN / 2))
    rise = float(second.mean() - first.mean())
    return math.copysign(max(abs(rise) - noise, 0.0), rise) / max(abs(float(values.mean())), 1e-99)


def hidden(means: Floats, step: float, samples: float) -> float:
    """How far the mean of a coarse converter may be off, each value being one of so many samples.

    Scatter of σ steps makes up for the steps: a mean is off by exp(−2π²σ²)/π of one at most (the first term of the
    quantiser's Fourier series).
    """
    if step <= 0.0:
        return 0.0
    sigma = float(means.std()) * math.sqrt(samples) / step
    return step * math.exp(-2.0 * (math.pi * sigma) ** 2) / math.pi


def _at_free_flow(before: Visit, after: Visit) -> str:
    p, v, i, q = (_ratio(before, after, name) for name in ("pressure", "voltage", "current", "flow"))
    if p.less(q, 2.0).moved > LINE:
        return "pressure against flow"
    if v.moved > SUPPLY[0] and q.most < 0.5 * v.moved:
        return "voltage against flow"
    return "current against load" if i.moved > LOAD + FOLLOWS * max(v.most, q.most) else ""


def _at_shutoff(before: Visit, after: Visit) -> str:
    p, v, i = (_ratio(before, after, name) for name in ("pressure", "voltage", "current"))
    if v.moved > SUPPLY[1]:
        return "voltage not as before"
    if p.moved > HELD + FOLLOWS * v.moved:
        return "pressure not as before"
    return "current against load" if i.moved > LOAD + FOLLOWS * max(v.moved, p.moved) else ""


def _ratio(before: Visit, after: Visit, name: str) -> Ratio:
    first, second = _log(getattr(before, name)), _log(getattr(after, name))
    return Ratio(second.value - first.value, math.hypot(first.half, second.half))


def _log(span: Span) -> Ratio:
    """Of what may be nothing or beyond any table: finite, so that differences stay numbers."""
    low, high = (math.log(min(max(x, 1e-99), 1e99)) for x in span)
    return Ratio(0.5 * (low + high), 0.5 * (high - low))
