"""Flow by reciprocal counting: edges divided by the time between edges, never by a gate.

With N edges between two edge times the quotient carries no ±1 count; what is left is the clock's resolution and the
meter itself. No pulses are not zero flow: they are an interval that reaches from zero to what the meter cannot show.
"""

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import FlowInput
from daq.measure.scatter import WHITE, Differences, Known, Noise
from drivers.block import Block, Identity, PulseRole

MIN_STEP_S = 0.05
"""A flow step is at least as long as an analog one …"""
MIN_STEP_EDGES = 4
"""… and holds at least four edges, so that one irregular vane is a quarter of it at most."""

OUT_OF_PLACE = 0.02
"""Standard deviation of an edge's place, in intervals between edges (common practice, no source) …"""
UNREST = 0.002
"""… and of a stretch's flow, as a share of it (common practice, no source): what is known of a meter before it was
seen. It counts like `SEEN_BEFORE` differences between stretches, hence little beside a window of its own."""
SEEN_BEFORE = 2
SLOWEST_LAG = 0.95
"""The most that a meter's lag may make neighbouring stretches resemble each other."""

UNEVEN = 2.0
"""Vanes are not evenly spaced: an edge is late, and the flow less than it was, after so many times its interval."""


@dataclass(frozen=True, slots=True)
class KTable:
    """Pulses per m³ against hertz: linear between points, never extrapolated."""

    hertz: tuple[float, ...]
    pulses: tuple[float, ...]

    @classmethod
    def of(cls, points: tuple[tuple[float, float], ...]) -> "KTable":
        return cls(tuple(h for h, _ in points), tuple(k for _, k in points))

    @property
    def lowest_flow(self) -> float:
        """The flow in m³/s below which the table says nothing."""
        return self.hertz[0] / self.pulses[0]

    def factor(self, hertz: float) -> float:
        """K at a frequency inside the table; at its ends the end's."""
        i = min(max(bisect_right(self.hertz, hertz), 1), len(self.hertz) - 1)
        if len(self.hertz) == 1:
            return self.pulses[0]
        h0, h1, k0, k1 = self.hertz[i - 1], self.hertz[i], self.pulses[i - 1], self.pulses[i]
        share = min(max((hertz - h0) / (h1 - h0), 0.0), 1.0)
        return k0 + share * (k1 - k0)

    def flow(self, hertz: float) -> "Flow":
        """Flow at a frequency: a value inside the table, an interval below it, not believable above it."""
        value = hertz / self.factor(hertz)
        if hertz < self.hertz[0]:
            return Flow(math.nan, 0.0, self.lowest_flow)
        if hertz > self.hertz[-1]:
            return Flow(math.nan, value, math.inf)
        return Flow(value, value, value)


@dataclass(frozen=True, slots=True)
class Flow:
    """A flow in m³/s: `value`, or NaN where only `low` ≤ flow ≤ `high` is known. `silent`: no edge for so long that the
    valve counts as shut. `out_of_range`: above the meter's table."""

    value: float
    low: float
    high: float
    silent: bool = False

    @property
    def out_of_range(self) -> bool:
        return math.isinf(self.high)


@dataclass(frozen=True, slots=True, eq=False)
class Rates:
    """Flows (m³/s) of the stretches that a window falls into, one after the other, for its scatter alone. `noise` is
    the family of noise that they have; `usual` is what is known beforehand of how they scatter."""

    values: NDArray[np.float64]
    noise: Noise = WHITE
    usual: tuple[Known, ...] = ()


NO_RATES = Rates(np.empty(0))


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One closed flow step that ends at `t` (time of its last edge, s).

    `driving` is the flow that drove the meter meanwhile, its lag taken out: NaN where the step before is not known.
    Neighbouring steps of a lagging meter resemble each other, so that their scatter says little of their mean; those of
    what drove it do not.
    """

    t: float
    flow: Flow
    driving: float = math.nan


UNKNOWN = Flow(math.nan, 0.0, math.inf)


def driving(lag: float, seconds: float, before: float, value: float) -> float:
    """What a first-order meter with the time constant `lag` (s) followed for some seconds, if that was the same all the
    time and it showed `before` and `value` at both ends."""
    if lag <= 0.0:
        return value
    keep = math.exp(-seconds / lag)
    return (value - keep * before) / (1.0 - keep)


class FlowMeter:
    """Follows one pulse counter through blocks of one boot; times are seconds since `tick0`."""

    def __init__(self, meter: FlowInput, identity: Identity, tick0: int) -> None:
        self.table = KTable.of(meter.k_table)
        self._silence, self._lag = meter.silence, meter.lag
        self._before = math.nan, math.nan
        self._at_rest = Flow(
            math.nan, 0.0, max(1 / (meter.silence * self.table.pulses[0]), meter.stall_flow), silent=True
        )
        self._index = identity.pulse_index(PulseRole.FLOW)
        self._hz, self._tick0 = identity.tick_hz, tick0
        self._start: tuple[float, float, int] | None = None
        self._seen: int | None = None
        self._quiet_since = 0.0
        self._times: list[float] = []
        self._edges: list[int] = []
        self._edge_times: list[float] = []
        self._newest_edge = -math.inf
        self.now = UNKNOWN
        self.contradicted = False
        """Whether the newest block's counter cannot follow the one before: fewer edges, or new ones at no new time."""
        self._told: list[tuple[float, float]] = []

    @property
    def edges(self) -> int:
        """Edges since boot, as far as blocks told."""
        return self._seen or 0

    @property
    def fitted(self) -> bool:
        return self._index is not None

    def feed(self, block: Block, end: float) -> FlowStep | None:
        """Takes the counter as it stood at a block's `end` (s); gives the step that it closed, if it closed one."""
        if self._index is None:
            return None
        edges = int(block.edges[self._index])
        last = (int(block.last_edge[self._index]) - self._tick0) / self._hz
        if self._seen is None:
            self._seen, self._quiet_since, self._newest_edge = edges, end, last
            return None
        self.contradicted = edges < self._seen or (edges > self._seen and last <= self._newest_edge)
        if self.contradicted:
            self._seen, self._quiet_since, self._newest_edge = edges, end, min(last, end)
            self._start, self._before, self.now = None, (math.nan, math.nan), UNKNOWN
            for kept in (self._times, self._edges, self._edge_times):
                kept.clear()  # no mean may reach across it
            return None
        self._times.append(end)
        self._edges.append(edges)
        self._edge_times.append(last if edges > self._seen else self._newest_edge)
        if edges == self._seen:
            self._without_edge(end)
            return None
        self._seen, self._quiet_since, self._newest_edge = edges, last, last
        return self._with_edge(end, last, edges)

    def _with_edge(self, end: float, last: float, edges: int) -> FlowStep | None:
        if self._start is None:
            # The interval that ends a silence has no honest beginning: it only starts the next step.
            self._start = (end, last, edges)
            return None
        begun, first, first_edges = self._start
        if end - begun < MIN_STEP_S - 1e-9 or edges - first_edges < MIN_STEP_EDGES:
            return None
        self._start = (end, last, edges)
        self.now = self.table.flow((edges - first_edges) / (last - first))
        self._told.append((last, self.now.value))
        return FlowStep(last, self.now, self._driving(last, self.now.value))

    def _driving(self, t: float, value: float) -> float:
        """What a first-order meter followed since the step before, if that was the same all the time."""
        (t_before, before), self._before = self._before, (t, value)
        return driving(self._lag, t - t_before, before, value)

    def _without_edge(self, end: float) -> None:
        quiet = end - self._quiet_since
        if quiet >= self._silence:
            self._start, self._before = None, (math.nan, math.nan)
            if not self.now.silent:
                self._told.append((self._quiet_since, math.nan))
            self.now = self._at_rest
        elif quiet > 0:
            most = 1 / (quiet * self.table.pulses[0])
            known = self.now.high if math.isnan(self.now.value) else self.now.value / UNEVEN
            if most < known:
                self.now = Flow(math.nan, 0.0, most)

    def held(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """The newest closed step's flow at each time, NaN before the first and while there is only an interval."""
        if not self._told:
            return np.full(len(t), np.nan)
        times, flows = np.array(self._told).T
        newest = np.searchsorted(times, t, side="right") - 1
        return np.where(newest >= 0, flows[newest], np.nan)

    def rates(self, begin: float, end: float) -> Rates:
        """The flows between blocks with new edges, at least 50 ms apart, within [`begin`, `end`].

        Unlike flow steps they may hold a single edge: an edge that is out of place moves two of them, one to either
        side, and their mean by its own share of the window only. Their lag is not taken out, but is said.
        """
        i, j = bisect_left(self._times, begin - 1e-9), bisect_right(self._times, end + 1e-9)
        places = [i] if i < j else []
        for k in range(i + 1, j):
            apart = self._times[k] - self._times[places[-1]]
            if self._edges[k] > self._edges[places[-1]] and apart >= MIN_STEP_S - 1e-9:
                places.append(k)
        if len(places) < 2:
            return NO_RATES
        edges = np.diff([self._edges[k] for k in places])
        seconds = np.diff([self._edge_times[k] for k in places])
        hertz = float(edges.sum() / seconds.sum())
        values = edges / seconds / self.table.factor(hertz)
        each = float(seconds.mean())
        alike = math.exp(-each / self._lag) if self._lag > 0.0 else 0.0
        uneven = math.sqrt(2.0) * OUT_OF_PLACE / (hertz * each)
        # In rounded steps, so that what follows from them need not be worked out for each window anew.
        noise = Noise(round(2.0 * math.log(uneven / UNREST)), min(round(20.0 * alike) / 20.0, SLOWEST_LAG))
        of_step = (float(values.mean()) * math.hypot(uneven, UNREST)) ** 2
        usual = Known(Differences((2.0 * SEEN_BEFORE * of_step,), (SEEN_BEFORE,)), float(SEEN_BEFORE))
        return Rates(values, noise, (usual,))

    def between_edges(self, begin: float, end: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times of the newest edge in each block that ends within [begin, end] and had one, and the mean flow since the
        one before: NaN at the first, and where the table says nothing."""
        i, j = bisect_left(self._times, begin), bisect_right(self._times, end)
        edges, times = np.array(self._edges[i:j]), np.array(self._edge_times[i:j])
        new = np.flatnonzero(np.diff(edges)) + 1
        edges, times = edges[new], times[new]
        flows = [self.table.flow(hertz).value for hertz in (np.diff(edges) / np.diff(times)).tolist()]
        return times, np.array([math.nan, *flows][: times.size])

    def mean(self, begin: float, end: float) -> Flow:
        """Mean flow between two block ends: edges over the time between the newest edges at both.

        An interval where no edge, or too few for a statement, fell between them.
        """
        i, j = bisect_left(self._times, begin - 1e-9), bisect_right(self._times, end + 1e-9) - 1
        if j <= i:
            return UNKNOWN
        edges, seconds = self._edges[j] - self._edges[i], self._edge_times[j] - self._edge_times[i]
        if edges >= MIN_STEP_EDGES:
            return self.table.flow(edges / seconds)
        span = self._times[j] - self._times[i]
        if edges == 0 and span >= self._silence:
            return self._at_rest
        return Flow(math.nan, 0.0, max((edges + 1) / (span * self.table.pulses[0]), self._at_rest.high))
