"""Flow that the device states itself, instead of counting pulses: means over steps, with the same words for what cannot
be said.

A flow below the channel's range is known to be small; nothing below `stall_flow` for long enough counts as silence, as
with a meter that gives no pulse. One that runs backwards, or is no number, says nothing.
"""

import math
from bisect import bisect_left, bisect_right

import numpy as np

from daq.measure.channels import FlowInput
from daq.measure.convert import Floats
from daq.measure.errors import NotFittedError
from daq.measure.flow import MIN_STEP_S, UNKNOWN, Flow, FlowMeter, FlowStep, KTable, Rates, driving
from drivers.block import Block, Identity, PulseRole, Role


class StatedFlow:
    """Follows one flow channel through blocks of one boot, with the face of `FlowMeter`. `end`s are seconds since the
    run's first scan."""

    fitted, contradicted = True, False

    def __init__(self, meter: FlowInput, channel: int) -> None:
        table = KTable.of(meter.k_table)
        self._low, self._high = table.lowest_flow, table.hertz[-1] / table.pulses[-1]
        self._rest = min(meter.stall_flow or self._low, self._low)
        self._at_rest = Flow(math.nan, 0.0, self._rest, silent=True)
        self._silence, self._lag, self._channel = meter.silence, meter.lag, channel
        self._begun: float | None = None
        self._quiet_since = 0.0
        self._before = math.nan, math.nan
        self._open: list[Floats] = []
        self._ends: list[float] = []
        self._totals: list[tuple[float, int, int]] = []
        self._told: list[tuple[float, float]] = []
        self._driving: list[tuple[float, float]] = []
        self.now = UNKNOWN
        self.edges = 0
        """Steps in which something flowed or might have: like a meter's pulses, their number stands still only while
        nothing does."""

    def feed(self, block: Block, end: float) -> FlowStep | None:
        """Takes the flow of a block that ends at `end`; gives the step that it closed, if it closed one."""
        values = block.values[:, self._channel].astype(np.float64)
        self._keep(values, end)
        if self._begun is None or block.missing:
            # What was missed may have flowed; a step needs all of its time.
            self._open, self._begun, self._quiet_since, self._before = [], end, end, (math.nan, math.nan)
            return None
        self._open.append(values)
        if end - self._begun < MIN_STEP_S - 1e-9:
            return None
        value = float(np.concatenate(self._open).mean())
        self._open, self._begun = [], end
        return self._step(value, end)

    def _keep(self, values: Floats, end: float) -> None:
        known = np.isfinite(values)
        total, n, unknown = self._totals[-1] if self._totals else (0.0, 0, 0)
        self._ends.append(end)
        self._totals.append((total + float(values[known].sum()), n + int(known.sum()), unknown + int((~known).sum())))

    def _step(self, value: float, end: float) -> FlowStep | None:
        if not abs(value) < self._rest:
            self._quiet_since = end
            self.edges += 1
        if end - self._quiet_since >= self._silence:
            self.now, self._before = self._at_rest, (math.nan, math.nan)
            self._told.append((end, math.nan))
            return None
        self.now = self._flow(value)
        self._told.append((end, self.now.value))
        (t, before), self._before = self._before, (end, self.now.value)
        step = FlowStep(end, self.now, driving(self._lag, end - t, before, self.now.value))
        self._driving.append((end, step.driving))
        return step

    def _flow(self, value: float) -> Flow:
        if math.isnan(value) or value <= -self._rest:
            return UNKNOWN
        if value < self._low:
            return Flow(math.nan, 0.0, self._low)
        return Flow(value, value, value) if value <= self._high else Flow(math.nan, value, math.inf)

    def held(self, t: Floats) -> Floats:
        """The newest closed step's flow at each time, NaN before the first and while there is only an interval."""
        if not self._told:
            return np.full(len(t), np.nan)
        times, flows = np.array(self._told).T
        newest = np.searchsorted(times, t, side="right") - 1
        return np.where(newest >= 0, flows[newest], np.nan)

    def rates(self, begin: float, end: float) -> Rates:
        """The flow that drove the meter in each step within (`begin`, `end`]."""
        return Rates(np.array([flow for t, flow in self._driving if begin + 1e-9 < t <= end + 1e-9]))

    def between_edges(self, begin: float, end: float) -> tuple[Floats, Floats]:
        """Ends of the steps that closed within [begin, end], and the flow in each: NaN where it is not known."""
        told = [(t, flow) for t, flow in self._told if begin <= t <= end]
        times, flows = np.array(told).reshape(-1, 2).T
        return times, flows

    def mean(self, begin: float, end: float) -> Flow:
        """Mean flow between two block ends; an interval, or nothing known, where it is below the range, or any value in
        between was no number."""
        i, j = bisect_left(self._ends, begin - 1e-9), bisect_right(self._ends, end + 1e-9) - 1
        if j <= i:
            return UNKNOWN
        (sum_i, n_i, bad_i), (sum_j, n_j, bad_j) = self._totals[i], self._totals[j]
        if bad_j > bad_i:
            return UNKNOWN
        value = (sum_j - sum_i) / (n_j - n_i)
        quiet = abs(value) < self._rest and self._ends[j] - self._ends[i] >= self._silence
        return self._at_rest if quiet else self._flow(value)


def flow_of(meter: FlowInput, identity: Identity, tick0: int) -> FlowMeter | StatedFlow:
    """What follows the flow of a device: pulses where it counts them, else what it states. Without either, a meter that
    is not fitted.

    Raises:
        NotFittedError: it counts pulses, and the configuration does not say how many make a volume.
    """
    stated = identity.analog_index(Role.FLOW)
    if identity.pulse_index(PulseRole.FLOW) is None and stated is not None:
        return StatedFlow(meter, stated)
    if meter.quantity and identity.pulse_index(PulseRole.FLOW) is not None:
        raise NotFittedError(
            f"device {identity.device_id}: channel flow: expected a quantity, as stand.toml has it, found a pulse "
            "counter; give [channel.flow] the meter's `table` in place of `low` and `high`"
        )
    return FlowMeter(meter, identity, tick0)
