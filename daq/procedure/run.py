"""One unit tested once: blocks and confirmations go in, effects come out. No I/O, no clock: time comes with samples."""

import math
from collections.abc import Mapping

import numpy as np

from daq.judge.hints import Hint, hints
from daq.judge.verdict import verdict
from daq.measure.convert import BITS, Column, Zero
from daq.measure.reading import NO_HISTORY
from daq.measure.scatter import Known
from daq.measure.steps import Measuring, Step
from daq.measure.zero import REST_S
from daq.procedure.asking import NEVER_SEEN, Standing, asks, must_confirm
from daq.procedure.awaited import Awaited
from daq.procedure.belief import Belief
from daq.procedure.consistency import Visits, contradicts
from daq.procedure.crosschecks import CONTRADICT, Balance, contradiction_alarm, faulty, reference_alarm
from daq.procedure.driving import Driving, pauses_of, places_of
from daq.procedure.effects import Alarm, Effect, Ended, Noted, Outcome, StageNow, Taken
from daq.procedure.filling import Filling
from daq.procedure.fitness import CONTRADICTIONS, FAULTY, SUPPLY_LOW, Fitness, Place
from daq.procedure.guards import Breach, Guards, Situation
from daq.procedure.held import Held, why_not_held
from daq.procedure.jumps import Jumps
from daq.procedure.line_zero import CONFIRMED, SENSED, TOLD, LineZero
from daq.procedure.loss import GONE, Loss
from daq.procedure.plan import Kind, Part, Stand
from daq.procedure.rests import Rests
from daq.procedure.signals import POWERED_V, Switch, pumps, valve_by_signals
from daq.procedure.stage_reading import StageReading
from daq.procedure.table import (
    BY_HAND,
    CONFIRMATIONS,
    MOVES,
    NOTED,
    RATED,
    TRAVELS,
    Event,
    Move,
    Valve,
    sequence,
    stage_of,
)
from daq.procedure.tripping import Tripping
from daq.procedure.valve_sensor import ValveSensor
from drivers.block import Block, Capture, Feature, Identity, Status

RESIDUAL_SPAN_S = 0.5
"""A residual pressure is a mean over so long about its time."""
FLOWED_S = 2.0
"""A flow that ended no longer ago than this ended with the power."""
DISOBEYED = {
    "power did not come on": "look at supply, fuse, relay and wiring, and whether the stop circuit cuts the power",
    "power failed": "look at supply, fuse, relay and wiring: it was on and went away, and nobody told it to",
    "power did not go off": "cut the power by hand NOW: its relay or transistor may be welded or shorted",
    "valve does not obey": "look at the valve's actuator, its supply and its coupling",
    "valve slower than stated": "time the actuator from end to end, and let `travel` in `[drive]` be no less",
}
"""What a driven stand did not do, and what a person does about it."""


class ConfirmError(Exception):
    """A confirmation that nobody asked for; the text says what the stage waits for."""


class Run:
    """A run of one part on one stand with one device. `years` since calibration by channel name; `history` is how
    channels scattered in earlier runs of that part there, see `Reader`. `ended_open`: the line was open at its end.

    `now` is what a run begins with; `feed`, `confirm`, `status` and `halt` give the effects from there, in order. After
    `Ended` nothing is taken any more and `outcome` is set.
    """

    def __init__(
        self,
        part: Part,
        stand: Stand,
        identity: Identity,
        years: Mapping[str, float],
        history: Mapping[str, Known] = NO_HISTORY,
    ) -> None:
        self._channels, self._limits = stand.channels, stand.limits
        self.years, self.history = years, history
        self.measuring = Measuring(stand.channels, identity)
        self._after_s = max((r.after for r in part.requirements if r.after is not None), default=None)
        pauses = pauses_of(part) if stand.driven else ()
        self.stages = sequence(part.kind, part.dry_check_s is not None, self._after_s is not None, len(pauses))
        places = places_of(self.stages, pauses)
        self._moving = False  # the valve, as the device told last
        self._driving = (
            None
            if stand.drive is None
            else Driving(stand.drive, part, self.stages, places, settable=Feature.SETTABLE_SUPPLY in identity.features)
        )
        self._reading = StageReading(part, stand, self.measuring, years, self.stages, places=places, history=history)
        self._line_zero = LineZero(stand.channels, self.measuring.converter.resolution())
        self._rests = Rests(stand.channels, self.measuring.converter.resolution())
        self._balance = Balance(stand.channels.pressure.rest, self.measuring.step_s)
        self._open_at_end = False
        self._sensor = ValveSensor(identity)
        self._confirmed_open: bool | None = None  # the valve before the first power-on
        self._switch = Switch(part.test_voltage, stand.reading.current_floor)
        self._guards = Guards(part, stand.limits)
        self._loss = Loss(stand.channels, stand.limits.no_flow_s, stand.reading.current_floor)
        self._tripping = Tripping(self._guards, stand.limits)
        floor = stand.reading.current_floor
        self._belief = Belief(self.measuring, stand.channels, floor, part.test_voltage / 2)
        self._fitness = Fitness(part, self._belief.wrong)
        resolution = self.measuring.converter.resolution()
        samples = self.measuring.per_step
        self._visits, self._jumps = Visits(resolution, samples), Jumps(resolution, samples)
        self._all_read = False  # of the stage
        self._filling = Filling(part, stand.channels.level, self.measuring.step_s, stand.reading.current_floor)
        self._module, self._current_floor = part.kind is not Kind.PUMP, stand.reading.current_floor
        self._effects: list[Effect] = []
        self._steps: list[Step] = []
        self._log: list[tuple[str, float, float]] = []
        self._said: StageNow | None = None
        self._valve: Valve | None = None
        self._by_signals: Valve | None = None
        self._settled_by_hand: Valve | None = None
        self._asked = False
        self._unfit = ""
        self._valve_wrong_since: float | None = None
        self._shut_before_power = self._in_fluid = False
        self._overshoot: float | None = None
        self._awaited = Awaited()
        self._cut_short = ""
        self._t = 0.0
        self.ended_open = False
        self.outcome: Outcome | None = None
        self._enter(0)
        self._effects.clear()

    @property
    def stage(self) -> str:
        """The stage under way, numbered; the last one once the run is over."""
        return self.stages[min(self._at, len(self.stages) - 1)]

    @property
    def now(self) -> StageNow:
        """The newest stage and what it asks."""
        assert self._said is not None
        return self._said

    @property
    def last(self) -> Step | None:
        """The newest step."""
        return self._steps[-1] if self._steps else None

    @property
    def t(self) -> float:
        """Seconds since the run's first scan."""
        return self._t

    def feed(self, block: Block) -> list[Effect]:
        """Takes a block; one of another boot than the run began in voids it."""
        if self.measuring.boot not in (None, block.boot):
            return self.halt("device reset")
        for step in self.measuring.feed(block):
            if self.outcome is None:
                self._step(step)
        return self._drain()

    def confirm(self, what: str) -> list[Effect]:
        """A person has done what was asked.

        Raises:
            ConfirmError: nobody asked, or there is no such word.
        """
        known = [c.value for c in CONFIRMATIONS]
        if what not in known:
            raise ConfirmError(f"confirm {what!r}: expected one of {', '.join(known)}")
        event, key = Event(what), (stage_of(self.stage).name, Event(what))
        early = event is Event.FILLED and self._filling.begun is None
        unasked = self._driving is not None and event not in BY_HAND
        if self.outcome is not None or early or unasked or not (key in MOVES or key in NOTED):
            asks = self.now.do.value if self.outcome is None else "nothing, the run is over"
            raise ConfirmError(f"confirm {what!r}: stage {self.stage} did not ask for it; it asks: {asks}")
        self._effects.append(Noted(self._t, "confirmed", what))
        self._confirmed(event)
        return self._drain()

    def status(self, status: Status) -> list[Effect]:
        """Takes what the device says of itself: a trip ends the run. One that was there before a driven run asked for
        power is not its own: its start cleared it."""
        self._moving = status.valve_moving
        self._sensor.take(status)
        of_this_run = self._driving is None or self._driving.has_powered
        if self.outcome is None and of_this_run:
            breach = self._tripping.take(status, self.measuring.moment(status.tick))
            if breach is not None:
                self._halt(breach)
        return self._drain()

    def captured(self, capture: Capture) -> list[Effect]:
        """Takes a fast capture of the device; one that no stage waits for is passed over, and so is one that began
        before it was asked for: it shows what was before."""
        begun = self.measuring.moment(capture.tick) + self.measuring.step_s
        stage = self._awaited.taken(begun) if self.outcome is None else None
        if stage is not None:
            if self._awaited.unfit:
                self._effects.append(Noted(self._t, "waveform not read", f"{stage}: {self._awaited.unfit}"))
            else:
                self._effects.extend(self._reading.captured(capture, stage, self._t))
            if self._awaited.holds:
                self._event(Event.READ)
                if self.outcome is None:
                    self._say()
        return self._drain()

    def halt(self, why: str) -> list[Effect]:
        """Ends the run as void: abort, device reset, lost line, kill."""
        if self.outcome is None:
            self._end(voided=why or "ended")
        return self._drain()

    # What a step does.

    def _step(self, step: Step) -> None:
        if self._steps and step.t <= self._steps[-1].t:
            self._end(voided="device clock went back")
            return
        self._t = step.t
        if self._reference_faulty():
            return
        step = self._as_believed(step)
        if not self._steps and self._runs_already(step):
            return
        self._steps.append(step)
        self._sensor.feed(step.t)
        if stage_of(self.stage).name == "connect":
            self._fitness.broken(step, self.stage)  # tells of it before anybody begins to work
        self._take_zero(step)
        self._look_back()
        switched = self._switch.feed(step)
        opened = self._sensor.position not in (None, Valve.SHUT)
        self._filling.feed(step, self._switch.on and self._switch.sure, opened=opened)
        self._locate_valve(step)
        needs_open = stage_of(self.stage).valve is Valve.OPEN
        lost = self._loss.feed(step, wet=self._switch.on and self._in_fluid, opened=needs_open)
        breach = lost or self._guards.feed(step, self._situation(step)) or self._tripping.feed(step, self._steps)
        if breach is not None and self.outcome is None:
            self._halt(self._welded() or breach)
        if switched and self.outcome is None:
            self._switched(step)
        if self.outcome is None:
            self._compare(step)
        if self.outcome is None:
            self._await_capture(step)
        if self.outcome is None:
            self._stage_step(step)
        self._effects.extend(self._fitness.alarms)
        self._fitness.alarms.clear()
        if self.outcome is None:
            self._check_time()
        if self.outcome is None and self._driving is not None:
            self._drive(self._driving, step)
        if self.outcome is None:
            self._say()

    def _runs_already(self, step: Step) -> bool:
        """Ends a run whose unit runs from its first scan on: it cannot be connected any more, and gives no zero."""
        running = step.voltage > POWERED_V and step.current > self._current_floor
        if not running or stage_of(self.stage).name != "connect":
            return False
        found = f"{step.voltage:.1f} V and {step.current:.1f} A"
        self._effects.append(Noted(self._t, "power was on", f"{found} in the first scans: switch off, then begin anew"))
        self._end(voided="power was on")
        return True

    def _reference_faulty(self) -> bool:
        """Ends a run whose measurements have lost what they are compared with: its limits cannot be believed either."""
        found = self.measuring.disagreement
        if found is None:
            return False
        by_hand = self._driving is None and self._switch.on
        self._effects.append(reference_alarm(found, self.stage, by_hand=by_hand))
        self._end(voided=faulty(found))
        return True

    def _compare(self, step: Step) -> None:
        """Looks whether channels agree with each other, and with themselves at rest."""
        moved, unequal = self._rests.feed(step, self._off_for), self._balance.feed(step, self._on_for)
        if moved:
            self._zero_shifted(moved, "the run's beginning")
        elif unequal:
            self._contradiction(unequal)

    def _contradiction(self, found: str) -> None:
        """Ends a run two of whose channels cannot both be right."""
        self._effects.append(contradiction_alarm(found, self.stage, by_hand=self._driving is None and self._switch.on))
        self._end(voided=CONTRADICT)

    def _drive(self, driving: Driving, step: Step) -> None:
        """Tells the stand where switch and valve are to be, and ends a run that they do not follow."""
        changed = driving.step(step, self.stage, self._on_for, reading=self._reading.window_open)
        if changed is not None:
            self._effects.append(changed)
        why = driving.disobeyed
        if not why and driving.astray(self._by_signals, self.stage, flowing=not step.flow.silent):
            why = "valve does not obey"
        if not why and self._moving and driving.overdue:
            why = "valve slower than stated"
        if not why and driving.elsewhere(self._sensor.position):
            why = "valve does not obey"
        if why:
            self._halt(Breach(why.replace(" ", "_"), why, DISOBEYED[why]))

    def _welded(self) -> Breach | None:
        """What is worse than any limit that a unit passes: that it has power although it was told to have none."""
        if self._driving is None or self._driving.outputs.power or not self._driving.has_powered:
            return None
        why = "power did not go off"
        powered = self._switch.on and self._switch.sure
        return Breach(why.replace(" ", "_"), why, DISOBEYED[why]) if powered else None

    @property
    def _on_for(self) -> float | None:
        """Seconds for which power has been applied, None while it is off."""
        return self._switch.on_for if self._switch.on else None

    def _as_believed(self, step: Step) -> Step:
        """The step with what was found out of its channels; each is told at once, whatever the stage reads."""
        known = len(self._belief.wrong)
        step = self._belief.feed(step, self.stage, self._t - self._switch.on_at if self._switch.on else None)
        for column in list(self._belief.wrong)[known:]:
            self._fitness.complain_of(column, self.stage)
        return step

    def _look_back(self) -> None:
        """A channel found out when nothing is read any more may have been wrong before the last reading was taken."""
        if stage_of(self.stage).name != "finish":
            return
        wrong = next((c for c, since in self._belief.since.items() if since < self._since), None)
        if wrong is not None:
            self._effects.extend(self._fitness.alarms)
            self._fitness.alarms.clear()
            self._end(voided=f"{wrong.name.lower()}{FAULTY}")

    def _take_zero(self, step: Step) -> None:
        """Until the first power-on a rest may give the zero; a first free flow may still show or contradict it."""
        line_zero, rested = self._line_zero, self._line_zero.rested
        if not self._switch.on:
            zero = line_zero.rest(step, *self._line_open())
            if line_zero.rested and not rested:
                self._belief.rest(REST_S)
                self.measuring.converter.references.settle()
            if line_zero.shifted is not None and self.stage == "connect":
                self._zero_shifted(line_zero.shifted, "calibration")
                return
        elif self.stage == "free_flow" and not self._module:
            zero = line_zero.first_free_flow(step, self._by_signals)
        else:
            return
        self._zero_in_force(zero)

    def _zero_in_force(self, zero: Zero | None) -> None:
        if zero is None:
            return
        self._reading.zero = zero
        detail = f"pressure {zero.pressure:.1f} Pa, current {zero.current * 1e3:.1f} mA, line {self._line_zero.shown}"
        dropped = "the valve was not open when it was confirmed: the calibrated zero stands"
        self._effects.append(Noted(self._t, *(("zero", detail) if zero.taken else ("zero dropped", dropped))))

    def _line_open(self) -> tuple[bool | None, str]:
        """Whether the line is open before the first power-on, None where nothing tells, and what tells it."""
        if self._sensor.position is not None:
            return self._sensor.position is Valve.OPEN, SENSED
        if self._driving is not None:
            told = self._driving.told_open
            return (None if told and self._moving else told), TOLD
        return self._confirmed_open, CONFIRMED

    def _zero_shifted(self, channel: str, since: str) -> None:
        text = f"the {channel} zero has shifted beyond its limit since {since}"
        do = "check the sensor and its supply, and that the line is open; else have it calibrated"
        self._effects.append(Alarm("zero_shift", "stop", text, do))
        self._end(voided="zero shifted")

    def _locate_valve(self, step: Step) -> None:
        stage, sensed = stage_of(self.stage), self._sensor.position
        if not self._switch.sure:
            return
        self._by_signals = None
        if self._switch.on and not step.faulty & BITS[Column.PRESSURE]:
            self._by_signals = valve_by_signals(step.pressure, step.flow, self._channels, sensed or stage.valve)
        self._valve = self._settled_by_hand if self._settled_by_hand and self._switch.on else self._by_signals
        if self._by_signals is not None and self._driving is not None and self._driving.told_shut(step):
            self._valve = Valve.SHUT
        self._valve = sensed or self._valve
        closing = stage.name == "throttle" or (stage.name == "shutoff" and not self._reading.window_open)
        if closing and not step.faulty & BITS[Column.PRESSURE]:
            self._overshoot = max(self._overshoot or 0.0, step.pressure)
        wrong = stage.valve is not None and self._switch.on and self._valve is not stage.valve
        self._valve_wrong_since = (self._valve_wrong_since or step.t) if wrong else None

    def _situation(self, step: Step) -> Situation:
        filling = self._filling
        return Situation(
            stage=self.stage,
            power=self._switch.on,
            on_for=self._switch.on_for,
            valve=self._by_signals,
            in_fluid=self._in_fluid,
            filling_for=0.0 if self._fills_unseen else filling.seen_for(self._t),
            fill_unfit=filling.unfit or ("level faulty" if filling.blind else self._gone(step)),
            pumps=pumps(step, self._channels),
            disbelieved=self._belief.bits,
            sure=self._switch.sure,
            worked=self._loss.worked(step),
        )

    def _gone(self, step: Step) -> str:
        """What says that a unit which has pumped no longer does; empty where it still does, or never did."""
        return GONE if self._loss.gone(step, opened=stage_of(self.stage).valve is Valve.OPEN) else ""

    def _switched(self, step: Step) -> None:
        if self._switch.on:
            self._effects.append(Noted(self._t, "power on"))
            self._zero_in_force(self._line_zero.powered())
            self.measuring.converter.references.settle_once()
            if self._in_fluid:
                self._filling.begin(self._switch.on_at)
            self._event(Event.POWER_ON)
            return
        self._effects.append(Noted(self._t, "power off"))
        if self._leaves_open():
            self._open_at_end = True  # the line's pressure is looked at before the run is over
        elif self.stage == "dry_check":
            self._dry_check()
        else:
            if self.stage == "residual":
                self._entered = self._t  # the wait is counted from here
            self._event(Event.POWER_OFF)

    def _leaves_open(self) -> bool:
        """Whether power went off for good past an open valve: what flowed until now leaves no pressure behind."""
        opened = stage_of(self.stage).name == "finish" and stage_of(self.stages[-2]).name == "free_flow"
        return opened and self._t - self._belief.flowed_at < FLOWED_S

    @property
    def _off_for(self) -> float | None:
        """Seconds since power went off, inf where it never was on; None while it is."""
        if self._switch.on:
            return None
        return self._t - self._switch.off_at if self._switch.on_s else math.inf

    def _compare_at_end(self) -> None:
        """The line is open and power off: pressure is what it was at the zero, or no pressure of the run is right."""
        most = self._reading.book.finest("pressure", self._channels.floor.pressure, self._channels.pressure.zero_limit)
        back = self._rests.pressure_at_end(self._t - self._switch.off_at, most)
        if back is False:
            self._zero_shifted("pressure", "the run's beginning")
        elif back:
            self.ended_open = not self._steps[-1].faulty & BITS[Column.PRESSURE]
            self._event(Event.POWER_OFF)

    def _dry_check(self) -> None:
        effect, read = self._reading.dry_check(self._steps, self._switch.on_at, self._switch.off_at)
        self._effects.append(effect)
        if read and self._reading.fails():
            self._cut_short = "dry check"
            self._end()
        elif read:
            self._event(Event.READ)
        elif self._driving is not None:
            self._cut_short = effect.what if isinstance(effect, Noted) else ""
            self._end()  # a second try would run it dry for longer than its limit

    def _stage_step(self, step: Step) -> None:
        name = stage_of(self.stage).name
        if name in TRAVELS:
            on_its_way = self._switch.sure and not self._visits.opening
            self._reading.travel(step, fit=not self._why_unfit(step) and on_its_way)
        if name in TRAVELS and self._driving is not None and self._driving.paused(self.stage):
            self._event(Event.PAUSED)
        elif name == RATED and self._driving is not None and self._driving.out_of_reach:
            self._effects.append(Noted(self._t, "rated not read", "the unit does not reach the pressure"))
            self._event(Event.UNSETTLED)
        elif name in ("free_flow", "shutoff", RATED):
            self._read(step)
        elif name == "residual":
            self._read_residual()
        elif name == "throttle" and self._valve is Valve.SHUT:
            self._event(Event.SEEN_SHUT)
        elif name == "reopen" and self._valve is Valve.OPEN and not step.flow.silent:
            # A valve that the stand moves itself is timed to its end; a hand shows its end by the line alone.
            if self._driving is not None or self._visits.as_open(step):
                self._event(Event.SEEN_OPEN)
        elif name == "fill":
            self._fill()
        elif name == "finish" and self._open_at_end and not self._switch.on:
            self._compare_at_end()

    def _read(self, step: Step) -> None:
        if self._awaited.holds:
            return
        unfit = self._why_unfit(step)
        self._visits.feed(step, self.stage, fit=unfit in ("", SUPPLY_LOW))
        turned = stage_of(self.stages[self._at - 1]).name in TRAVELS
        fit = unfit in ("", SUPPLY_LOW)
        jumped = self._jumps.feed(step, stage_of(self.stage).valve, fit=fit, turned=turned)
        if jumped:
            self._end(voided=f"{jumped} jumped alone")
        elif self._all_read or self._take_readings(step, unfit):
            self._go_on()

    def _take_readings(self, step: Step, unfit: str) -> bool:
        """Whether the stage has all that it needs."""
        by_hand = self._by_signals is not self._valve and self._sensor.position is None
        effects, self._all_read = self._reading.feed(step, unfit, by_hand, sure=self._switch.sure)
        self._effects.extend(effects)
        if not self._all_read:
            return False
        self._effects.extend(self._reading.reopened(self._t))
        wanted = self._reading.capture_wanted()
        if wanted is not None:
            self._awaited.ask(self.stage, self._t, holds=self._reading.speed_asked)
            self._effects.append(wanted)
        return True

    def _go_on(self) -> None:
        """A stage with all its readings ends, unless a capture is still to come or the line is still opening."""
        if not self._awaited.holds and not self._visits.waits(self.stage, self._t):
            self._event(Event.READ)

    def _await_capture(self, step: Step) -> None:
        """A capture that nobody requires holds no stage up; one that does not come is given up. What is judged must be
        as it should until the capture is there: a supply that sags slows every motor."""
        if self._awaited.holds:
            self._awaited.unfit = self._awaited.unfit or self._why_unfit(step)
        stage = self._awaited.given_up(self._t)
        if stage is None:
            return
        self._effects.append(Noted(self._t, "waveform not read", f"{stage}: the device gave no capture"))
        if self._awaited.holds:
            self._event(Event.READ)

    def _read_residual(self) -> None:
        """Power is off and the valve shut: pressure is watched for as long as the part states."""
        assert self._after_s is not None, "a run has this stage only for a requirement with a time"
        off = self._switch.off_at
        if self._switch.on or self._t < off + self._after_s + RESIDUAL_SPAN_S:
            return
        held = Held(self.stage, self._steps, self.measuring.step_s, off, self._sensor.unshut_at)
        why = why_not_held(held, self._fitness, self._channels.pressure)
        if why:
            self._effects.append(Noted(self._t, "residual pressure not read", why))
        else:
            self._effects.extend(self._reading.residual([s for s in self._steps if s.t > off], off))
        self._event(Event.READ)

    def _fill(self) -> None:
        if self._filling.blind:
            self._fitness.complain_of(Column.LEVEL, self.stage)
        if self._fills_unseen:
            if self._filling.seen_for(self._t) < self._guards.fill_limit:
                return
            detail = "no level sensor: its time to fill has passed, what flows then must be free of air"
            self._effects.append(Noted(self._t, "taken as full", detail))
        elif self._filling.full_at is not None:
            self._effects.append(self._reading.filled(self._filling, self._filling.full_at, "sensor"))
        elif self._filling.full:
            detail = "the level sensor showed full from power-on"
            self._effects.append(Noted(self._t, "fill time not read", detail))
        else:
            return
        self._event(Event.FULL)

    def _why_unfit(self, step: Step) -> str:
        """What keeps this step out of a window, kept as the reason should the stage's time run out."""
        needed = stage_of(self.stage).valve
        flowed, sure = self._belief.flowed_at > -math.inf, self._switch.sure
        moves = self._driving is not None and self._driving.supply_moves
        place = Place(self.stage, self._on_for, needed, self._valve, self._by_signals, sure, flowed, moves)
        self._unfit = self._fitness.why_not(step, place)
        self._unfit = self._unfit or self._gone(step)
        if not self._unfit and self._driving is not None and needed in (Valve.OPEN, Valve.SHUT):
            self._unfit = "" if self._driving.at_end_for() > 0.0 else "valve on its way"
        if moves and stage_of(self.stage).reads and not self._unfit:
            self._unfit = "supply on its way"
        return self._unfit

    @property
    def _fills_unseen(self) -> bool:
        """Whether nobody sees when a module is full: no sensor, and no person who watches."""
        return self._driving is not None and self._channels.level is None

    # Moving on.

    def _confirmed(self, event: Event) -> None:
        self._in_fluid |= event is Event.IN_FLUID
        if self._in_fluid and self._switch.on:
            self._filling.begin(self._t)
        self._shut_before_power |= event is Event.VALVE_SHUT and not self._switch.on
        if event in (Event.CONNECTED, Event.VALVE_OPEN, Event.VALVE_SHUT):
            self._confirmed_open = event is not Event.VALVE_SHUT
        if self._asked and event in (Event.VALVE_OPEN, Event.VALVE_SHUT):
            self._settled_by_hand = Valve.OPEN if event is Event.VALVE_OPEN else Valve.SHUT
            self._asked, self._entered = False, self._t
        if event is Event.FILLED:
            self._effects.append(self._reading.filled(self._filling, self._t, "confirmed"))
        self._event(event)
        if self.outcome is None:
            self._say()

    def _event(self, event: Event) -> None:
        move = MOVES.get((stage_of(self.stage).name, event))
        if move is Move.NEXT:
            self._next()
        elif move is Move.ASK and self._driving is not None:
            self._end(voided="valve does not obey")
        elif move is Move.ASK and self._settled_by_hand is not None and self._sensor.position is not None:
            self._end(voided="valve not as confirmed")
        elif move is Move.ASK and not self._asked:
            self._asked, self._entered = True, self._t
            text = f"stage {self.stage}: the signals do not show the valve as needed"
            self._effects.append(Alarm("confirm_needed", "warn", text, "set the valve, then confirm where it is"))
        elif move is Move.END:
            self._end(self._unanswered() if event is Event.UNANSWERED else self._contradicted())

    def _contradicted(self) -> str:
        """Signals that speak against where the valve was confirmed, or a channel that was found out within its span,
        until the stage's time ran out; empty for neither. What such a channel showed before may be in the findings."""
        return self._unfit if self._unfit in CONTRADICTIONS or self._unfit.endswith(FAULTY) else ""

    def _unanswered(self) -> str:
        if self._unfit.endswith(FAULTY):
            return self._unfit  # where nothing can be read, no answer would have helped
        waits = self._asked or stage_of(self.stage).handled
        return "no confirmation" if waits else "power off"

    def _next(self) -> None:
        self._log.append((self.stage, self._since, self._t))
        if self._at + 1 == len(self.stages):
            self._at += 1
            self._end()
            return
        # Where the valve was confirmed at the end of its travel, the next stage reads it there.
        travelled = stage_of(self.stage).name in TRAVELS
        by_hand = self._settled_by_hand if travelled else None
        if travelled:
            self._effects.extend(self._reading.travelled(self._t))
        self._enter(self._at + 1, by_hand)

    def _enter(self, at: int, by_hand: Valve | None = None) -> None:
        self._at, self._entered, self._since = at, self._t, self._t
        self._asked, self._settled_by_hand, self._unfit = False, by_hand, "not steady"
        self._by_signals = self._valve_wrong_since = None
        self._awaited.holds = self._all_read = False
        self._visits.enter()
        self._reading.enter(self.stage)
        if stage_of(self.stage).name == "finish" and not self._switch.on:
            self._next()
        else:
            self._say()

    def _check_time(self) -> None:
        stage, spent = stage_of(self.stage), self._t - self._entered
        by_hand = self._driving is None
        waits = self._asked or (stage.handled if by_hand else stage.do in NEVER_SEEN)
        waits |= stage.name == "residual" and self._switch.on and by_hand
        if stage.name == "residual" and not self._switch.on:
            return  # it ends by itself when its time has come
        filling = stage.name == "fill" and self._switch.on  # has a limit of its own, counted from power-on
        if filling or spent <= (self._limits.ask_s if waits else self._limits.stage_s):
            return
        if waits or not self._switch.on:
            self._event(Event.UNANSWERED)
        elif stage.valve is not None and self._valve is stage.valve:
            self._event(Event.UNREAD)
        else:
            self._event(Event.UNSETTLED)

    def _say(self) -> None:
        stage, now, said = stage_of(self.stage), self._standing(), self._said
        do = asks(stage, now)
        asked = must_confirm(stage, do, now, sees_level=self._channels.level is not None)
        if said is None or (said.stage, said.do, said.asked) != (self.stage, do, asked):
            self._said = StageNow(self.stage, do, self._t, asked)
            self._effects.append(self._said)

    def _standing(self) -> Standing:
        since = self._valve_wrong_since
        return Standing(
            t=self._t,
            on_for=self._on_for,
            valve_wrong_for=None if since is None else self._t - since,
            rested=self._line_zero.rested,
            shut_before_power=self._shut_before_power or self._sensor.position is Valve.SHUT,
            asked=self._asked,
            driven=self._driving is not None,
            sees_valve=self._sensor.position is not None,
            unopen_at=self._sensor.unopen_at,
        )

    # The end.

    def _halt(self, breach: Breach) -> None:
        do = breach.do_on(driven=self._driving is not None)
        self._effects.append(Alarm(breach.code, "stop", f"stage {self.stage}: {breach.why}", do))
        finding = self._reading.book.breach(breach, self.stage, self._t)
        if finding is not None and finding.reading is not None:
            self._effects.append(Taken(finding.reading, (finding,)))
        if breach.quantity is None:
            self._end(voided=breach.why)
        else:
            self._cut_short = breach.why
            self._end()

    def _end(self, voided: str = "") -> None:
        voided = voided or self._visits.contradiction()
        self._effects.extend(contradicts(voided))
        complete = self._at == len(self.stages)
        if not complete:
            self._log.append((self.stage, self._since, self._t))
            self._cut_short = self._cut_short or self._unfit or f"{self._reading.unsteady} not steady".strip()
        book, trace = self._reading.book, self.measuring.trace
        book.restless = self.stage if not complete and self._cut_short.endswith("not steady") else ""
        pressure = trace.values()[:, Column.PRESSURE]
        pressure = pressure[~np.isnan(pressure)]  # a device that speaks SI may say that it has none
        if self._overshoot is not None:
            detail = f"{self._overshoot / 1e3:.1f} kPa while the valve closed, {pressure.max() / 1e3:.1f} kPa at all"
            self._effects.append(Noted(self._t, "highest pressure", detail))
        self.outcome = Outcome(
            verdict=verdict(book.findings(), voided, "" if complete else self._cut_short),
            findings=book.findings(),
            readings=book.readings(),
            stages=tuple(self._log),
            conditions=self._reading.conditions(),
            zero=self._reading.zero,
            pump_on_s=self._switch.on_s,
            duration_s=self._t,
            overshoot=self._overshoot,
            highest=float(pressure.max()) if len(pressure) else None,
            scans=trace.filled,
            scans_missing=self.measuring.scans_missing,
            scans_displaced=self.measuring.scans_displaced,
            waveforms=self._reading.waveforms,
            hints=self._hints("" if voided else self._cut_short),
            scatter=self._reading.scatter,
        )
        if self._driving is not None:
            self._effects.append(self._driving.end())
        self._effects.append(Ended(self.outcome))

    def _hints(self, ended: str) -> tuple[Hint, ...]:
        """Possible causes; a run that somebody ended says nothing by where it stood."""
        book, waves = self._reading.book, self._reading.waveforms
        return hints(
            book.findings(),
            book.readings(),
            waves,
            module=self._module,
            ended=ended,
            current_floor=self._current_floor,
        )

    def _drain(self) -> list[Effect]:
        effects, self._effects = self._effects, []
        return effects
