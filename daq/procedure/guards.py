"""Limits that end a run whatever it was about to read: pressure, current, heat, dry running, shutoff, filling."""

import math
from dataclasses import dataclass

from daq.judge.requirement import Quantity
from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.plan import Limits, Part
from daq.procedure.table import Valve

INRUSH_S = 0.3
"""Current is not judged so long after power-on: a motor that starts draws its stall current. Common practice."""
DRY_LIMIT_S = 2.0
"""Longest dry running where the part states none. Common practice, no source."""
_SHUTTING = ("throttle", "shutoff")
_HEALTHY = BITS[Column.PRESSURE] | BITS[Column.VOLTAGE]


OFF, OFF_AND_OPEN, OPEN_OR_OFF = "switch off: ", "switch off and open the valve: ", "open the valve or switch off: "
"""What hands do first. A stand that drives itself has done it when it says so."""


@dataclass(frozen=True, slots=True)
class Breach:
    """A limit that was passed. With `quantity` and `limit` (SI) the unit caused it and a finding follows; without, the
    stand or the operator did, and the run is void. `reached` is what the samples show, `do` says what to do now."""

    code: str
    why: str
    do: str
    quantity: Quantity | None = None
    limit: float = math.nan
    reached: float = 0.0

    def do_on(self, *, driven: bool) -> str:
        """What is left for a person to do, on a stand that drives itself or one that follows hands."""
        left = self.do
        for hands in (OFF, OFF_AND_OPEN, OPEN_OR_OFF) if driven else ():
            left = left.removeprefix(hands)
        return left


@dataclass(frozen=True, slots=True)
class Situation:
    """Where a run stands when a step comes in: seconds since power-on, the valve by the signals, dry or in fluid.

    `sure` is False while nobody knows yet whether power has just been switched off.

    `filling_for` is seconds seen since the first power-on in fluid, with the module not full; `fill_unfit` says what
    was not as it must be to tell, empty for nothing. `pumps` says that the unit is seen to work, `worked` that it was
    before, bit c of `disbelieved` that what column c shows was found out to be untrue.
    """

    stage: str
    power: bool
    on_for: float
    valve: Valve | None
    in_fluid: bool
    filling_for: float = 0.0
    fill_unfit: str = ""
    pumps: bool = False
    disbelieved: int = 0
    sure: bool = True
    worked: bool = False


class Guards:
    """Looks at every step of one run while power is on. Durations count the time in which it was applied."""

    def __init__(self, part: Part, limits: Limits) -> None:
        self._part, self._limits = part, limits
        self._dry_s = self._shut_s = self._open_s = self._quiet_s = 0.0
        self._previous_t = 0.0
        self._edges = 0
        self._ran = self._unfair = False

    def feed(self, step: Step, now: Situation) -> Breach | None:
        """The limit that this step passed, if it passed one."""
        if not now.power:
            self._previous_t = step.t
            self._shut_s = self._open_s = self._quiet_s = 0.0
            self._ran = False
            return None
        return self._electric(step, now) or self._fluid(step) or (self._durations(step, now) if now.sure else None)

    def _electric(self, step: Step, now: Situation) -> Breach | None:
        # A few samples at the converter's end are a disturbance; a current beyond it takes the mean along.
        off_scale = step.above & BITS[Column.CURRENT] and step.current > 0.5 * self._limits.current
        if now.on_for < INRUSH_S:
            return None
        if not (step.current > self._limits.current or off_scale):
            self._ran = True
            return None
        text = f"{OFF}the unit draws more current than the stand allows; a seized or shorted unit is possible"
        if now.disbelieved & BITS[Column.CURRENT] or (off_scale and self._unlikely(now)):
            text = f"{OFF}the current is beyond its channel's span; check shunt, amplifier and wires"
            return Breach("over_current", "current faulty", text)
        if self.fair(step):
            return Breach("over_current", "over-current", text, Quantity.CURRENT, self._limits.current, step.current)
        return Breach("over_current", "over-current", text)

    def _unlikely(self, now: Situation) -> bool:
        """Whether a current that nobody can measure is rather a broken channel: no seized unit pumps, and in the air,
        where no pressure can tell, it does not run first. One that seizes just then is void, and fails the next run."""
        return now.pumps or (not now.in_fluid and self._ran)

    def _supplied(self, step: Step) -> bool:
        """Whether what a unit does not do may be held against it: a supply that sags explains it too."""
        return self.fair(step) and step.voltage >= self._part.test_voltage - self._part.voltage_tolerance

    def fair(self, step: Step) -> bool:
        """Whether what a step shows may be held against the unit: channels healthy, supply not above its tolerance."""
        return not step.faulty & _HEALTHY and step.voltage <= self._part.test_voltage + self._part.voltage_tolerance

    def _fluid(self, step: Step) -> Breach | None:
        limit = self._limits.pressure
        if step.pressure > limit:
            # Beyond the transducer's span it counts as faulty; that must not hide the pressure that took it there.
            text = f"{OFF_AND_OPEN}pressure is above the stand's limit, or the transducer is broken"
            if self.fair(step):
                return Breach("over_pressure", "over-pressure", text, Quantity.PRESSURE, limit, step.pressure)
            if step.above & BITS[Column.PRESSURE]:
                return Breach("over_pressure", "pressure out of span", text)
            return Breach("over_pressure", "over-pressure", text)
        if step.temperature > self._limits.temperature and not step.faulty & BITS[Column.TEMPERATURE]:
            return Breach("fluid_hot", "fluid too warm", f"{OFF}let the test fluid cool down")
        return None

    def _durations(self, step: Step, now: Situation) -> Breach | None:
        dt, self._previous_t = step.t - self._previous_t, step.t
        self._dry_s += 0.0 if now.in_fluid else dt
        if self._dry_s > (self._part.dry_check_s or DRY_LIMIT_S) and not now.in_fluid:
            return Breach("dry_running", "dry running too long", f"{OFF}the unit runs dry and is being damaged")
        # A unit that gives no pressure either is not held shut; whether it pumps is told where flow is read.
        # Without a pressure to go by, no flow where the valve is being shut counts as well.
        blind = step.faulty & BITS[Column.PRESSURE] and step.flow.silent and now.stage.startswith(_SHUTTING)
        shut = (now.valve is Valve.SHUT or blind) and now.stage != "fill"
        self._shut_s = self._shut_s + dt if shut else 0.0
        if self._shut_s > self._part.shutoff_limit_s:
            return Breach("shutoff_long", "shutoff too long", f"{OPEN_OR_OFF}the unit heats up at shutoff")
        if now.stage == "fill" and now.filling_for > self.fill_limit:
            return self._no_fill(step, now)
        return self._no_flow(step, now, dt)

    def _no_flow(self, step: Step, now: Situation, dt: float) -> Breach | None:
        """Counted from the last pulse, not from when the meter counts as silent (in whose silence single pulses are no
        flow): a unit that runs dry is spoiled in seconds, whatever the supply. Held against the unit only where it was
        supplied all that time."""
        moved, self._edges = step.edges != self._edges and not step.flow.silent, step.edges
        blind = step.faulty & BITS[Column.PRESSURE]
        opened = now.stage.startswith("free_flow") and (now.valve is Valve.OPEN or blind)
        self._open_s = self._open_s + dt if opened else 0.0
        self._quiet_s = 0.0 if moved else self._quiet_s + dt
        idle_s = min(self._open_s, self._quiet_s)
        self._unfair = idle_s > 0.0 and (self._unfair or not self._supplied(step))
        if not step.flow.silent or idle_s <= self._limits.no_flow_s:
            return None
        text = f"{OFF}the unit pumps nothing with the valve open"
        if now.worked:  # what has worked may have lost its hose, plug or fluid: see `daq.procedure.loss`
            return Breach("flow_ended", "flow ended", text)
        if self._unfair:
            return Breach("no_flow", "no flow, stand not fit", text)
        return Breach("no_flow", "no flow", text, Quantity.FLOW, step.flow.high)

    def _no_fill(self, step: Step, now: Situation) -> Breach:
        text = f"{OFF}the module did not fill in its time"
        why = now.fill_unfit or ("" if self.fair(step) else "stand not fit")
        if why:
            return Breach("no_fill", f"not filled, {why}", text)
        return Breach("no_fill", "not filled in time", text, Quantity.FILL_TIME, self.fill_limit, now.filling_for)

    @property
    def fill_limit(self) -> float:
        """Seconds from power-on: the part's limit on filling, else the stand's."""
        return self._part.fill_limit_s or self._limits.fill_s
