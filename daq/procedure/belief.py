"""Whether a channel within its span can be believed, by how it behaves and by what the other channels show.

What runs always scatters: the pressure of pumps by 0.16 to 0.27 % of the reading on real rigs with a good transmitter,
current by its commutation. Counts that repeat themselves exactly come from a converter or a wire, not from a unit; so
does a signal whose scatter falls to a small part of what it was, down to that of the converter itself.
"""

from dataclasses import replace

import numpy as np

from daq.measure.channels import Channels
from daq.measure.convert import BITS, NEEDED, NEVER_STILL, Column, Floats
from daq.measure.steps import Measuring, Step
from daq.procedure.signals import pumps

STILL_S = 2.0
"""Counts that stay the same for so long while a unit runs are no signal …"""
RUN_UP_S = 1.0
"""… from so long after power-on. Common practice, no source, both."""
SCATTER = {Column.PRESSURE: 0.002, Column.CURRENT: 0.005}
"""The share of a reading that scatter moves it by within `STILL_S`: pressure from the rigs above, of whose standard
deviation this is about one; current by common practice, no source. A converter must be finer than that to tell."""
LIVELY, ACROSS = 0.5, 1.5
"""A channel whose samples have a standard deviation of so many converter steps, and go to and fro across more than two
counts, does not stand still by chance …"""
SOON_S, TIMES = 0.4, 10.0
"""… for so long, nor for so many times the longest standstill that was seen while it was watched."""
LEARN_S = 1.0
"""So long a running unit is watched for that, once its run-up is over."""
FADED = 0.3
"""A channel has faded whose samples scatter by less than this share of what they did at no more than this signal …"""
SEEN = 2.0
"""… where they did by so many converter steps at least, with the valve at rest, and changed …"""
CHANGES = 12
"""… so often in the time looked at. Common practice, no source, all three."""
LOOK_S, LOOKS = 1.0, 5
"""Scatter is that of so long, looked at every so many steps."""
NO_CURRENT_S = 1.0
"""No current for so long beside a unit that pumps is no unit's doing. Common practice, no source."""


class Belief:
    """Watches the steps of one run. `wrong` says what is wrong with each channel that was found out; it stays so,
    and `since` when that began, in seconds of the run.

    `current_floor` (A) is what a unit draws at least, `half` (V) what its terminals have at least under power.
    `flowed_at` is when a flow was known last (s, −∞: never).
    """

    def __init__(self, measuring: Measuring, channels: Channels, current_floor: float, half: float) -> None:
        self._measuring, self._channels = measuring, channels
        self._current_floor, self._half = current_floor, half
        # A converter coarser than the slope that counts as steady cannot tell.
        self._floors = {Column.PRESSURE: channels.floor.pressure, Column.CURRENT: channels.floor.current}
        self._at_rest: dict[Column, float] = {}
        self._running: dict[Column, float] = {}
        self._ran_with: dict[Column, float] = {}  # at least so much each shows where it is lively
        self._steps: Floats = np.zeros(len(Column))  # how channels scatter in steps of their converter
        self._longest = [0.0] * len(Column)
        self._before: tuple[float, ...] = NEVER_STILL
        self._learnt = False
        self.flowed_at = -np.inf
        self._no_current_since: float | None = None
        self._beyond_since: float | None = None
        self._ran_at = -np.inf
        self._usual: dict[Column, tuple[float, float]] = {}
        self._stage, self._entered = "", 0.0
        self.wrong: dict[Column, str] = {}
        self.since: dict[Column, float] = {}

    @property
    def bits(self) -> int:
        """The channels that were found out."""
        return sum(BITS[c] for c in self.wrong)

    def rest(self, seconds: float) -> None:
        """The last `seconds` were rest with all that is needed connected: what scatters then, scatters always."""
        self._at_rest = self._lively(seconds, (Column.PRESSURE, Column.CURRENT))

    def feed(self, step: Step, stage: str, on_for: float | None) -> Step:
        """Takes a step, `on_for` seconds after power-on (None: power is off); gives it with what was found out so far
        in its `faulty`."""
        if step.flow.value == step.flow.value:
            self.flowed_at = step.t
        if on_for is not None and abs(step.current) >= self._current_floor:
            self._ran_at = step.t
        if not self._learnt:
            self._learn(step, on_for)
        self._find_beyond(step, on_for)
        self._find_no_current(step, on_for)
        self._find_faded(step, stage, on_for)
        if on_for is not None:
            for column in NEEDED:
                if column not in self.wrong and self._is_stuck(column, step, stage, on_for):
                    text = "has stopped moving at all, which no signal of a running unit does"
                    self._found(column, text, step.t - step.still[column])
        return replace(step, faulty=step.faulty | self.bits) if self.wrong else step

    def _found(self, column: Column, text: str, since: float) -> None:
        if column not in self.wrong:
            self.wrong[column], self.since[column] = text, since

    # Learning.

    def _learn(self, step: Step, on_for: float | None) -> None:
        # Only standstills that have ended: one that goes on may be the fault.
        ended = [was if now < was else 0.0 for was, now in zip(self._before, step.still, strict=True)]
        self._before = step.still
        if on_for is not None and on_for < RUN_UP_S:
            self._longest = [0.0] * len(Column)  # what was at rest says nothing of a unit that runs
            return
        self._longest = [max(pair) for pair in zip(self._longest, ended, strict=True)]
        if on_for is not None and on_for >= RUN_UP_S + LEARN_S and abs(step.current) >= self._current_floor:
            self._running = self._lively(LEARN_S, NEEDED)
            self._ran_with = {c: abs(_level(step, c)) * LIVELY / self._steps[c] for c in self._running}
            self._learnt = True

    def _lively(self, seconds: float, columns: tuple[Column, ...]) -> dict[Column, float]:
        """Of each channel that does not stand still by chance, how long it may.

        What counts are changes from sample to sample, of what was sensed: a level that drifts on, or lies between two
        counts, scatters no more than it does elsewhere, and what the leads take moves with the current.
        """
        trace, lsb = self._measuring.trace, self._measuring.converter.lsb
        sensed = trace.values()[-round(seconds * trace.sample_hz) :].copy()
        sensed[:, Column.VOLTAGE] += self._channels.voltage.lead_resistance * sensed[:, Column.CURRENT]
        changes = np.diff(sensed, axis=0) / lsb[: sensed.shape[1]]
        self._steps, most = changes.std(axis=0) / np.sqrt(2.0), np.quantile(np.abs(changes), 0.98, axis=0)
        lively = (self._steps >= LIVELY) & (most >= ACROSS)
        return {c: max(SOON_S, TIMES * self._longest[c]) for c in columns if lively[c]}

    # Finding out.

    def _is_stuck(self, column: Column, step: Step, stage: str, on_for: float) -> bool:
        still = step.still[column]
        if still < SOON_S or step.above & BITS[column]:
            return False  # at the end of its span a signal has no scatter
        if still > self._at_rest.get(column, np.inf):
            return True
        if abs(step.current) < self._current_floor:
            # Nothing runs any more: no voltage is the same with and without its load.
            return column is Column.VOLTAGE and still > step.t - self._ran_at + SOON_S
        if min(still, on_for) > self._running.get(column, np.inf) and self._lively_at(column, step):
            return True
        return min(still, on_for - RUN_UP_S) >= STILL_S and self._should_move(column, step, stage)

    def _lively_at(self, column: Column, step: Step) -> bool:
        """Whether a channel that was lively still is at this level: what pumps make scatters in proportion to it."""
        return abs(_level(step, column)) >= self._ran_with[column]

    def _should_move(self, column: Column, step: Step, stage: str) -> bool:
        """Whether the channel's scatter must show in its counts, or pressure stayed although the valve shut."""
        lsb = self._measuring.converter.lsb[column]
        if column not in self._floors or lsb >= self._floors[column]:
            return False
        value = step.pressure if column is Column.PRESSURE else step.current
        if SCATTER[column] * abs(value) >= lsb:
            return True
        shutting = stage.startswith(("throttle", "shutoff")) and step.flow.silent
        return column is Column.PRESSURE and shutting and step.still[column] > step.t - self.flowed_at + SOON_S

    def _find_faded(self, step: Step, stage: str, on_for: float | None) -> None:
        """A channel whose scatter has gone, as that of a converter goes on which nothing stands any more."""
        if stage != self._stage:
            self._stage, self._entered = stage, step.t
        rests = stage.startswith(("free_flow", "shutoff")) and step.t - self._entered >= LOOK_S + RUN_UP_S
        if step.number % LOOKS or on_for is None or on_for < RUN_UP_S + LOOK_S or not self._runs(step):
            return
        trace, lsb = self._measuring.trace, self._measuring.converter.lsb
        newest = trace.values()[-round(LOOK_S * trace.sample_hz) :]
        for column in (Column.PRESSURE, Column.CURRENT):
            changes = np.diff(newest[:, column])
            scatter, level = _scatter(changes), abs(float(newest[:, column].mean()))
            if rests and np.count_nonzero(changes) >= CHANGES and scatter >= SEEN * lsb[column] and level > 0.0:
                self._usual[column] = min((scatter, level), self._usual.get(column, (np.inf, level)))
                continue
            usual, at = self._usual.get(column, (0.0, level))
            expected = usual * min(level / at, 1.0) if level > 0.0 else 0.0
            if expected >= SEEN * lsb[column] and scatter < FADED * expected and not step.above & BITS[column]:
                self._found(column, "scatters far less than it did, as nothing that runs does", step.t - LOOK_S)

    def _runs(self, step: Step) -> bool:
        return abs(step.current) >= self._current_floor

    def _find_no_current(self, step: Step, on_for: float | None) -> None:
        powered = on_for is not None and step.voltage >= self._half and Column.VOLTAGE not in self.wrong
        none = powered and abs(step.current) < self._current_floor and pumps(step, self._channels)
        self._no_current_since = (self._no_current_since or step.t) if none else None
        if self._no_current_since is not None and step.t - self._no_current_since >= NO_CURRENT_S:
            self._found(Column.CURRENT, "shows none although the unit pumps", self._no_current_since)

    def _find_beyond(self, step: Step, on_for: float | None) -> None:
        """A current beyond its span where there is no voltage to drive it."""
        beyond = on_for is None and step.voltage < self._half and step.above & BITS[Column.CURRENT]
        self._beyond_since = (self._beyond_since or step.t) if beyond else None
        if self._beyond_since is not None and step.t - self._beyond_since >= NO_CURRENT_S:
            self._found(Column.CURRENT, "is beyond its span although power is off", self._beyond_since)


def _level(step: Step, column: Column) -> float:
    return {Column.PRESSURE: step.pressure, Column.VOLTAGE: step.voltage, Column.CURRENT: step.current}[column]


def _scatter(changes: Floats) -> float:
    """The standard deviation of single samples by their changes, whatever the signal does meanwhile: three quarters of
    the changes of normal noise lie within 1.15 standard deviations of their middle."""
    return float(np.quantile(np.abs(changes - np.median(changes)), 0.75) / 1.1503 / np.sqrt(2.0))
