"""How a stage is read: its window, its looks, the readings and the findings that follow."""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from daq.judge.finding import Finding, Result, beyond_looks, judge
from daq.judge.requirement import Mode, Requirement
from daq.measure.convert import BITS, Column, Zero
from daq.measure.reading import (
    NO_HISTORY,
    REFERENCE_TEMPERATURE,
    Reader,
    Reading,
    Window,
    as_array,
    dithered,
    kelvins_of,
    seconds,
)
from daq.measure.scatter import Differences, Known
from daq.measure.steps import Measuring, Step
from daq.measure.uncertainty import LOOKS_AT_A_TARGET
from daq.measure.waveform import Waveform
from daq.procedure.calm import FAILS_S, FAILS_TWICE_S, Calm
from daq.procedure.effects import CaptureWanted, Conditions, Noted, Taken
from daq.procedure.filling import Filling
from daq.procedure.findings import LOW_FLAG, Book, supply_of
from daq.procedure.fitness import SUPPLY_LOW
from daq.procedure.further import Further, capture_for
from daq.procedure.guards import INRUSH_S
from daq.procedure.plan import Part, Stand
from daq.procedure.reopening import reopen_check
from daq.procedure.table import RATED, TRAVELS, stage_of, travels
from daq.procedure.watch import Watch
from drivers.block import Capture

DRY_READ_S = 0.5
DRY_ON_S = 0.9
"""A dry check is read over its last half second; shorter than this it has not left the inrush behind."""
DRY_SUPPLY_SHARE = 0.1
"""Highest supply at a dry check, as a share above the test voltage. A supply that is set for the current in fluid
stands higher at the small current of a dry pump, by the drop in the leads; the uncertainty of the reading holds what
that does to the current (common practice, no source)."""
FILL_DOUBT_S = {"sensor": 0.5, "confirmed": 2.0}
"""Half-widths of a fill time: a level sensor's threshold, a person's reaction. Common practice, no source."""

_DRY_CHANNELS = BITS[Column.CURRENT] | BITS[Column.VOLTAGE]
"""A dry check needs no other: to run a unit dry once more would not mend a broken pressure transducer."""

_BY_CAPTURE = frozenset({"speed"})
_NOT_PAUSED = _BY_CAPTURE | {"pressure"}
"""Where the valve pauses pressure is the place, and not what is read."""
_ONE_LOOK = frozenset({"peak_pressure"})
"""What is read over the first second of a window whatever its length."""
_COMPARED = ("flow", "pressure", "voltage", "current")
_MUST_HOLD_STILL = {"free_flow": ("flow",), "shutoff": ("pressure",), RATED: ("flow", "pressure")}

_COMES_AND_GOES = {"free_flow": ("flow", "pressure", "current"), "shutoff": ("pressure", "current")}
"""What air makes go up and down; while the valve pauses, the valve does."""
NOT_STEADY = "not_steady"
"""The flag of a reading that nothing is required of and whose channel did not hold still."""

_CHANNEL = {"peak_pressure": "pressure", "power": "current"}


class StageReading:
    """Reads the stages of one run, one after the other. `places` are the pressures at which stages pause."""

    def __init__(
        self,
        part: Part,
        stand: Stand,
        measuring: Measuring,
        years: Mapping[str, float],
        stages: tuple[str, ...],
        *,
        places: Mapping[str, float],
        history: Mapping[str, Known] = NO_HISTORY,
    ) -> None:
        self._part, self._channels, self._settings = part, stand.channels, stand.reading
        self._measuring = measuring
        lsb, references = measuring.converter.lsb, measuring.converter.references
        self._reader = Reader(stand.channels, lsb, years, supply_of(part), history, references=references)
        self._further = Further(part, stand.channels, measuring, self._reader)
        self.book = Book(part, stages)
        self._stage, self._stages = stages[0], stages
        self._prepared: Watch | None = None
        self._resolutions = measuring.converter.resolution()
        self._calm, self._turning = Calm((), {}), ""
        self._watch = Watch({}, stand.reading, {})
        self._settled = set[str]()
        self._sagging = self._told_sagging = self._by_hand = self._supplied = False
        self._places, self._travels = places, travels(stages)
        self._rated = False
        self._volts = part.test_voltage
        self._voltages: list[float] = []
        self._temperatures: list[float] = []

    @property
    def zero(self) -> Zero:
        return self._reader.zero

    @zero.setter
    def zero(self, zero: Zero) -> None:
        self._reader.zero = self._measuring.converter.zero = zero

    @property
    def scatter(self) -> dict[str, Differences]:
        """How channels scattered in this run, by kind of stage and channel."""
        return self._reader.seen

    @property
    def waveforms(self) -> dict[str, Waveform]:
        """What captures showed, by stage."""
        return self._further.waveforms

    @property
    def window_open(self) -> bool:
        """Whether everything that the stage names holds still at the moment."""
        return self._watch.begun

    @property
    def unsteady(self) -> str:
        """A channel that does not hold still, or comes and goes; empty where all are calm."""
        return self._watch.unsteady or self._turning

    def enter(self, stage: str) -> None:
        """A new stage begins, with a window of its own.

        While the valve travels, the detectors of the stage at its end already listen. A channel that has come to rest
        before the stage begins, as pressure has once the flow is silent, need not prove it again.
        """
        prepared, self._prepared = self._prepared, None
        self._stage = stage
        self._sagging = self._told_sagging = self._by_hand = False
        self._settled = set[str]()
        self._watch = prepared or self._watch_for(stage)
        self._calm, self._turning = Calm(_COMES_AND_GOES.get(stage_of(stage).name, ()), self._resolutions), ""
        if stage_of(stage).name in TRAVELS:
            self._prepared = self._watch_for(self._stages[self._stages.index(stage) + 1])

    def _watch_for(self, stage: str) -> Watch:
        tolerances, lsb = self._tolerances(stage), self._measuring.converter.resolution()
        return Watch(tolerances, self._settings, lsb, tolerances.keys() - self._needed(stage))

    def _needed(self, stage: str) -> set[str]:
        """The channels that something is required of in a stage. Where the valve pauses that is the place too."""
        asked = [r.quantity for r in self._asked_in(stage) if r.quantity not in _BY_CAPTURE]
        named = {_CHANNEL.get(q, q.value) for q in asked}
        if "efficiency" in asked:
            named |= {"flow", "current"}
        return named | {"flow", "pressure"} if stage_of(stage).name == RATED else named

    def _tolerances(self, stage: str) -> dict[str, float]:
        """The channels that must hold still in a stage, each with the slope over a window that counts as still.

        A share of the limit (of the smaller one of a band), but never less than the channel's floor.
        """
        name = stage_of(stage).name
        if name not in _MUST_HOLD_STILL:
            return {}
        named = dict.fromkeys(_MUST_HOLD_STILL[name], math.inf)
        for requirement in self._asked_in(stage):
            if requirement.quantity in _BY_CAPTURE:
                continue
            if requirement.quantity == "efficiency":
                named.setdefault("current", math.inf)
                continue
            channel = _CHANNEL.get(requirement.quantity, requirement.quantity.value)
            limits = [abs(x) for x in (requirement.at_least, requirement.at_most) if x is not None]
            scale = 1 / self._part.test_voltage if requirement.quantity == "power" else 1.0
            tolerance = self._channels.steady_share * min(limits) * scale
            named[channel] = min(named.get(channel, math.inf), tolerance)
        floor = self._channels.floor
        return {n: getattr(floor, n) if math.isinf(t) else max(t, getattr(floor, n)) for n, t in named.items()}

    def _asked(self) -> list[Requirement]:
        """What is required in this stage, at this pressure where it pauses at one."""
        return self._asked_in(self._stage)

    def _asked_in(self, stage: str) -> list[Requirement]:
        at = self._places.get(stage)
        if at is None:
            return self.book.asked(stage)
        return [r for r in self.book.asked(RATED) if r.at == at and r.place == "pressure"]

    def _found(self, quantity: str | None = None) -> list[Finding]:
        """The findings of this stage as they stand now, those on one quantity where it is named."""
        asked = self._asked()
        found = self.book.of_stage(self._stage if self._at is None else RATED)
        return [f for f in found if f.requirement in asked and quantity in (None, f.requirement.quantity)]

    @property
    def _at(self) -> float | None:
        return self._places.get(self._stage)

    def feed(self, step: Step, unfit: str, by_hand: bool, *, sure: bool = True) -> tuple[list[Taken], bool]:
        """Takes a step of a reading stage; `unfit` says what keeps it out of a window, empty for nothing, and `by_hand`
        that the valve stands where a person confirmed it and the signals do not show it. While it is not `sure` that
        power is still on no look is taken.

        Gives the readings that a look made, and whether the stage has all that it needs. Under a supply that is low
        windows go on, for too much current would still be seen, but such a stage is never complete.
        """
        self._by_hand = by_hand
        sagging = unfit == SUPPLY_LOW
        self._supplied |= not unfit
        if sagging is not self._sagging:
            self._sagging = sagging
            self._watch.restart()
        self._calm.feed(step, unfit)
        if not self._watch.feed(step, fit=not unfit or sagging, look=sure):
            return [], False
        steps = self._watch.window()
        self._turning = "" if sagging else self._calm.turns(steps)
        if self._turning:
            self._watch.looks -= 1  # no look: the window grows until it has outlasted what comes and goes
            return [], False
        window = self._window(steps)
        missing_s = 0.0 if sagging else self._calm_needed(steps) - self._calm.lasts(steps)
        if missing_s > 1e-6 and self._fails_by_flow(window):
            self._watch.ask(step.t + missing_s)  # no need to wait for a whole window more
            return [], False
        return self._look(window)

    def _calm_needed(self, window: list[Step]) -> float:
        """Seconds for which too little flow must have been seen before it is held against a unit: air lets the flow of
        a sound one stand still for some seconds. It takes as long as no flow at all, less where nothing came and went
        and too little must be found in another stage too."""
        here, asked = self._stages.index(self._stage), [r for r in self._asked() if r.quantity == "flow"]
        later = [r for s in self._stages[here + 1 :] for r in self.book.asked(s)]
        before = [
            f.requirement for s in self._stages[:here] for f in self.book.of_stage(s) if f.result is Result.NOT_MET
        ]
        twice = all(r in later or r in before for r in asked) and self._calm.unbroken(window)
        return FAILS_TWICE_S if twice else FAILS_S

    def _fails_by_flow(self, window: Window) -> bool:
        """Whether this window would show too little flow or too much."""
        asked = [r for r in self._asked() if r.quantity == "flow" and "flow" not in self._settled]
        if not asked:
            return False
        reading = self._reader.read("flow", window, self._looks("flow"))
        return any(judge(r, reading, self._stage).result is Result.NOT_MET for r in asked)

    def _look(self, window: Window) -> tuple[list[Taken], bool]:
        asked = self._asked()
        passed_over = _BY_CAPTURE if self._at is None else _NOT_PAUSED
        reads = [q for q in stage_of(self._stage).reads if q not in passed_over]
        needed = [q for q in reads if any(r.quantity == q for r in asked)]
        if self._sagging:
            self._watch.looks -= 1
            counts = "current" in needed and not self._supplied
            return self._under_low_supply(window) if counts else [], False
        # What is settled is kept as it is: to look again would be to look until one likes what one sees.
        taken = [self._take(q, window, self._looks(q)) for q in needed if q not in self._settled]
        self._settled |= {q for q in needed if q not in self._settled and self._is_settled(q)}
        if not self._settled.issuperset(needed):
            return taken, False
        taken += [self._take(q, self._flagged(window, q)) for q in reads if q not in needed]
        if self._at is None and not self._watch.restless:
            self._further.rested(window)
        self._volts = float(window.voltage.mean())
        self._voltages.append(self._volts)
        if self._channels.temperature is not None:
            self._temperatures.append(window.kelvins + REFERENCE_TEMPERATURE)
        return taken, True

    def _flagged(self, window: Window, quantity: str) -> Window:
        """The window of a reading that nothing is required of, which says so where its channel did not hold still."""
        channels = {"flow", "current"} if quantity == "efficiency" else {_CHANNEL.get(quantity, quantity)}
        return replace(window, flags=(*window.flags, NOT_STEADY)) if channels & self._watch.restless else window

    def _looks(self, quantity: str) -> int:
        """How many looks may end the reading of a quantity here, so that its uncertainty can pay for them."""
        if quantity in _ONE_LOOK:
            return 1
        mine = [r for r in self._asked() if r.quantity == quantity]
        if any(r.mode is not Mode.REPORT for r in mine):
            return self._settings.looks
        return 1 if all(r.target is None for r in mine) else min(LOOKS_AT_A_TARGET, self._settings.looks)

    def _is_settled(self, quantity: str) -> bool:
        """Whether a quantity needs no further look: each finding on it is clear or cannot become so, and each report
        has reached its target, as far as windows may go."""
        findings = self._found(quantity)
        if quantity in _ONE_LOOK or self._watch.at_longest:
            return True
        return all(self._report_done(f) if f.requirement.mode is Mode.REPORT else self._decided(f) for f in findings)

    def _decided(self, finding: Finding) -> bool:
        return finding.clear or self._watch.exhausted or beyond_looks(finding)

    @staticmethod
    def _report_done(finding: Finding) -> bool:
        target, reading = finding.requirement.target, finding.reading
        return target is not None and reading is not None and not reading.is_interval and target >= reading.combined.U

    def _under_low_supply(self, window: Window) -> list[Taken]:
        """Too much current counts although the supply sags, for it may be what pulls it down; anything else is told
        once and kept as void. A supply that was right before in this run was pulled down by something else."""
        taken = self._take("current", window)
        fails = any(f.result is Result.NOT_MET for f in taken.findings)
        if not fails and self._told_sagging:
            return []
        self._told_sagging = True
        return [taken]

    def dry_check(self, steps: list[Step], on_at: float, off_at: float) -> tuple[Taken | Noted, bool]:
        """The mean current of the last half second: it says that the motor turns and nothing more. `True` where there
        is a reading now."""
        if off_at - on_at < DRY_ON_S - 1e-6:
            return Noted(off_at, "dry check too short", f"{off_at - on_at:.1f} s"), False
        # The step in which the switch opened is only in part under power.
        end = off_at - self._measuring.step_s
        last = [s for s in steps if end - DRY_READ_S - 1e-6 < s.t <= end + 1e-6]
        whole = len(last) >= int(DRY_READ_S / self._measuring.step_s + 1e-6)
        if not whole or any(s.lost or s.faulty & _DRY_CHANNELS for s in last):
            return Noted(off_at, "dry check not read", "scans lost, or current or voltage faulty"), False
        floor = self._settings.current_floor
        ran = any(s.current >= floor for s in steps if on_at + INRUSH_S < s.t <= end)
        if ran and any(abs(s.current) < floor for s in last):
            return Noted(off_at, "dry check not read", "the current ended before the power: is a lead off?"), False
        volts = float(np.mean([s.voltage for s in last])) - self._part.test_voltage
        if volts > max(self._part.voltage_tolerance, DRY_SUPPLY_SHARE * self._part.test_voltage):
            return Noted(off_at, "dry check not read", "supply high"), False
        self._sagging = volts < -self._part.voltage_tolerance
        return self._take("current", self._window(last)), True

    def filled(self, filling: Filling, t: float, how: str) -> Taken | Noted:
        """A module is full at `t`, by `how`: `sensor` or `confirmed`. Scans lost meanwhile may hide either end."""
        if filling.begun is None or filling.unfit:
            return Noted(t, "fill time not read", filling.unfit)
        flags = () if how == "sensor" else ("by_confirmation",)
        doubt = FILL_DOUBT_S[how] + filling.lost_s + (filling.blind_s if how == "sensor" else 0.0)
        doubt += self._channels.clock_tolerance * (t - filling.begun)
        return self._kept(seconds(self._stage, "fill_time", (filling.begun, t), doubt, flags=flags))

    def reopened(self, t: float) -> list[Noted]:
        """Whether the flow found after reopening is that from before, and if not, what else is not as it was."""
        if self._stage != "free_flow.2":
            return []
        moved = [r for s in ("free_flow", self._stage) if (r := self.book.reading(s, "flow")) and NOT_STEADY in r.flags]
        if moved:
            return []
        pairs = {q: (self.book.reading("free_flow", q), self.book.reading(self._stage, q)) for q in _COMPARED}
        return reopen_check(pairs, t)

    def travel(self, step: Step, fit: bool) -> None:
        """Takes a step of a travel of the valve; the first travel each way gives points of the curve."""
        if self._prepared is not None:
            self._prepared.listen(step)
        if self._stage in self._travels:
            self._further.travel(step, self._travels[self._stage], fit)

    def travelled(self, t: float) -> list[Taken | Noted]:
        """The valve has come to the end of a travel; what both travels give, once they are over."""
        if self._stage != list(self._travels)[-1] or self._rated:
            return []
        self._rated = True
        missing = [f.requirement for f in self.book.of_stage(RATED) if f.reading is None]
        return self._kept_all(self._further.rated(missing, t)) if missing else []

    def capture_wanted(self) -> CaptureWanted | None:
        """The capture that this stage could use once it has been read: in the first one with flow, and wherever a speed
        is required."""
        return capture_for(self._measuring.identity) if self.speed_asked or self._stage == "free_flow" else None

    @property
    def speed_asked(self) -> bool:
        """Whether the part requires a speed in this stage."""
        return any(r.quantity == "speed" for r in self._asked())

    def captured(self, capture: Capture, stage: str, t: float) -> list[Taken | Noted]:
        """What a capture of the current shows that `stage` asked for."""
        return self._kept_all(self._further.speed(capture, stage, t, self._volts))

    def residual(self, steps: list[Step], off_at: float) -> list[Taken | Noted]:
        """What pressure is left with the valve shut, `steps` being those since power went off at `off_at`."""
        return self._kept_all(self._further.residual(self.book.asked(self._stage), steps, off_at))

    def _kept_all(self, made: list[Reading | Noted]) -> list[Taken | Noted]:
        return [self._kept(m) if isinstance(m, Reading) else m for m in made]

    def fails(self) -> bool:
        """Whether something in this stage is already known not to be met."""
        return any(f.result is Result.NOT_MET for f in self._found())

    def conditions(self) -> Conditions:
        return Conditions(
            voltage=float(np.mean(self._voltages)) if self._voltages else None,
            temperature=float(np.mean(self._temperatures)) if self._temperatures else None,
            fluid=self._part.fluid,
        )

    def _take(self, quantity: str, window: Window, looks: int = 1) -> Taken:
        at = self._at
        paused = None if at is None else self._further.paused(quantity, at, window, looks)
        return self._kept(paused or replace(self._reader.read(quantity, window, looks), at=at))

    def _kept(self, reading: Reading) -> Taken:
        return Taken(reading, self.book.take(reading))

    def _window(self, steps: list[Step]) -> Window:
        meter, trace = self._measuring.meter, self._measuring.trace
        assert meter is not None, "a window needs blocks"
        begin, end = steps[0].t - self._measuring.step_s, steps[-1].t
        first = self._measuring.first_of[steps[0].number]
        last = self._measuring.first_of[steps[-1].number] + self._measuring.per_step
        rates = meter.rates(begin, end)
        flags = (
            *((LOW_FLAG,) if self._sagging else ()),
            *(("valve_confirmed",) if self._by_hand else ()),
            *self._reader.flags,
        )
        return Window(
            stage=self._stage if self._at is None else RATED,
            span=(begin, end),
            pressure=as_array([s.pressure for s in steps]),
            voltage=as_array([s.voltage for s in steps]),
            current=as_array([s.current for s in steps]),
            flow=meter.mean(begin, end),
            flow_steps=rates.values,
            peak=trace.between(first, first + round(self._settings.peak_window * trace.sample_hz))[:, 0],
            sample_hz=trace.sample_hz,
            kelvins=kelvins_of([s.temperature for s in steps]),
            flags=flags,
            flow_noise=rates.noise,
            flow_usual=rates.usual,
            dithered=dithered(trace.between(first, last), self._measuring.converter.lsb),
        )
