"""The trace of a run and its steps: blocks go in, 50 ms means come out, every sample is kept.

Everything that a reading may want later lies in two growing arrays, so a window is a slice.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from daq.measure.channels import Channels
from daq.measure.clock import TickWatch
from daq.measure.convert import N_COLUMNS, NEEDED, NEVER_STILL, Column, Converter, Floats
from daq.measure.errors import TooSlowError
from daq.measure.flow import Flow, FlowMeter, FlowStep
from daq.measure.flow_stated import StatedFlow, flow_of
from daq.measure.references import Disagreement
from drivers.block import Block, Identity

STEP_S = 0.05
SLOWEST_HZ = 40


@dataclass(frozen=True, slots=True)
class Step:
    """Means over 50 ms that end at `t` seconds after the run's first scan (NaN: not fitted).

    `flow` is what the meter says at the end of the block that closed the step; `flow_step` is there where that block
    closed one. `number` counts steps; scans are lost before a step with `lost`. Bits of `faulty` and `above` by Column.
    `top` is the highest single pressure sample, `edges` the meter's count since boot, `still` the seconds by Column for
    which the raw counts have not changed at all (0 where that is not looked at).
    """

    number: int
    t: float
    pressure: float
    voltage: float
    current: float
    temperature: float
    level: float
    flow: Flow
    flow_step: FlowStep | None
    lost: bool
    faulty: int
    above: int
    top: float
    edges: int = 0
    still: tuple[float, ...] = NEVER_STILL


class Trace:
    """All samples of a run: `values[:filled]` by Column, `t(i)` seconds of scan i. Grows by doubling."""

    def __init__(self, sample_hz: int) -> None:
        self.sample_hz = sample_hz
        self._values = np.empty((16 * sample_hz, N_COLUMNS))
        self.filled = 0
        self._segments: list[tuple[int, float]] = []

    def append(self, values: Floats, t: float, contiguous: bool) -> int:
        """Adds a block that starts at `t`; gives the number of its first scan in the trace."""
        n = values.shape[0]
        while self.filled + n > self._values.shape[0]:
            self._values = np.concatenate([self._values, np.empty_like(self._values)])
        first = self.filled
        self._values[first : first + n] = values
        self.filled += n
        if not contiguous or not self._segments:
            self._segments.append((first, t))
        return first

    def between(self, first: int, last: int) -> Floats:
        """Scans [first, last) as a view."""
        return self._values[first:last]

    def values(self) -> Floats:
        return self._values[: self.filled]

    def times(self) -> Floats:
        """Seconds of every scan; a lost scan leaves a gap in them."""
        t = np.empty(self.filled)
        bounds = [*(first for first, _ in self._segments), self.filled]
        for (begin, at), end in zip(self._segments, bounds[1:], strict=True):
            t[begin:end] = at + np.arange(end - begin) / self.sample_hz
        return t


class Measuring:
    """One run's way from blocks to steps.

    Raises:
        TooSlowError: the device has less than two scans in a step.
        NotFittedError: a channel that is `needed` is not there, or not as the configuration has it; what else looks at
            a recording may need less.
    """

    def __init__(self, channels: Channels, identity: Identity, needed: Collection[Column] = NEEDED) -> None:
        if identity.sample_hz < SLOWEST_HZ:
            raise TooSlowError(
                f"device {identity.device_id}: {identity.sample_hz} scans a second; expected at least {SLOWEST_HZ}, "
                "two in each 50 ms step; raise the rate in the firmware"
            )
        self.converter = Converter(channels, identity, needed)
        self.identity = identity
        self._ticks = TickWatch(identity, channels.clock_tolerance)
        self.trace = Trace(identity.sample_hz)
        self._channels = channels
        self.per_step = max(1, round(STEP_S * identity.sample_hz))
        self.step_s = self.per_step / identity.sample_hz
        self.meter: FlowMeter | StatedFlow | None = None
        flow_of(channels.flow, identity, 0)  # refuses what does not fit before there are blocks
        self._tick0 = 0
        self.boot: int | None = None
        self._open_at = 0
        self._anchor = (0, 0.0)
        self._number = 0
        self._lost = False
        self._faulty = self._above = 0
        self._still: tuple[float, ...] = NEVER_STILL
        self._flow_step: FlowStep | None = None
        self.scans_missing = self.scans_displaced = 0
        self.first_of: list[int] = []

    @property
    def disagreement(self) -> Disagreement | None:
        """The first reference that cannot be believed, the device's clock among them; None while all agree."""
        return self.converter.references.found or self._ticks.found

    def moment(self, tick: int) -> float:
        """Seconds of the run at a tick of the device, unwrapped; before the first block nothing is known of it."""
        return (tick - self._tick0) / self.identity.tick_hz

    def _scan_at(self, scan: int) -> float:
        """Seconds of a scan of the trace, counted from the last gap."""
        first, begin = self._anchor
        return begin + (scan - first) / self.identity.sample_hz

    def _on_tick(self, scan: int) -> float:
        """The same to the tick: then it does not depend on where that gap lies."""
        hertz = self.identity.tick_hz
        return round(self._scan_at(scan) * hertz) / hertz

    def feed(self, block: Block) -> list[Step]:
        """The steps that this block closed. Blocks of one boot only, in order."""
        if self.meter is None:
            self._tick0, self.boot = block.tick, block.boot
            self.meter = flow_of(self._channels.flow, self.identity, block.tick)
        elif block.missing:
            self._lost = True
            self.scans_missing += block.missing - block.displaced
            self.scans_displaced += block.displaced
        begin = (block.tick - self._tick0) / self.identity.tick_hz
        samples = self.converter.convert(block)
        self._ticks.feed(block)
        contiguous = block.missing == 0 and self.trace.filled > 0
        on_time = abs(begin - self._scan_at(self.trace.filled)) <= 0.5 / self.identity.sample_hz
        first = self.trace.append(samples.values, begin, contiguous and on_time)
        if not contiguous:
            # Steps begin at multiples of the scan's number, so that runs over the same scans share their steps.
            self._open_at = first + -block.index % self.per_step
        if not (contiguous and on_time):
            # A board that only prints scans at a rate that is no whole number, and not evenly: its ticks are right.
            self._anchor = first, begin
        self._faulty |= samples.faulty
        self._above |= samples.above
        self._still = samples.still
        end = begin + (block.n - 1) / self.identity.sample_hz
        self._flow_step = self.meter.feed(block, end) or self._flow_step
        self._lost = self._lost or self.meter.contradicted  # what flowed meanwhile is not known
        return self._close()

    def _close(self) -> list[Step]:
        steps: list[Step] = []
        while (left := self.trace.filled - self._open_at) >= self.per_step:
            # A flow step ends with the block that closed it, so with the last analog step in that block.
            steps.append(self._step(self._flow_step if left < 2 * self.per_step else None))
        if steps:
            self._lost, self._faulty, self._above, self._flow_step = False, 0, 0, None
        return steps

    def _step(self, flow_step: FlowStep | None) -> Step:
        assert self.meter is not None
        piece = self.trace.between(self._open_at, self._open_at + self.per_step)
        pressure, voltage, current, temperature, level = (piece.sum(axis=0) / self.per_step).tolist()
        self.first_of.append(self._open_at)
        self._open_at += self.per_step
        self._number += 1
        return Step(
            number=self._number - 1,
            t=self._on_tick(self._open_at),
            pressure=pressure,
            voltage=voltage,
            current=current,
            temperature=temperature,
            level=level,
            flow=self.meter.now,
            flow_step=flow_step,
            lost=self._lost,
            faulty=self._faulty,
            above=self._above,
            top=float(piece[:, 0].max()),
            edges=self.meter.edges,
            still=self._still
            if self._still is NEVER_STILL
            else tuple(n / self.identity.sample_hz for n in self._still),
        )
