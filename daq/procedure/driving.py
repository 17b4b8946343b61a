"""What a stand that drives itself does with switch and valve, step by step of a run."""

from collections.abc import Mapping
from dataclasses import replace

from daq.measure.steps import Step
from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive, Kind, Part
from daq.procedure.ramp import Ramp
from daq.procedure.stage_reading import DRY_ON_S
from daq.procedure.supply import MakeUp
from daq.procedure.table import RATED, TRAVELS, Valve, stage_of

DRY_RUN_S = 1.2
"""So long a dry check runs: what it is read over, and a little more."""
DRY_SPARE_S = 0.4
"""A dry check ends so long before the part's limit: switching off takes a block and a lease."""
RUN_DOWN_S = 1.0
"""Where the current cannot be believed, a motor that runs down passes for power for so long after power-off. Common
practice, no source."""
SLOWER = 1.1
"""An actuator may take so much longer than `travel`: what the ramp allows for is rougher than that."""
TOLD_S = 0.3
"""A command is on its way for so long, and so is what the device tells of it."""
ASTRAY_S = 3.0
"""The meter needs so long to show that nothing flows any more: its silence, its lag, and flow that dies away."""


def pauses_of(part: Part) -> tuple[float, ...]:
    """The pressures at which a driven run of this part holds the valve, in the order in which it comes to them."""
    rated = {r.at for r in part.requirements if r.stage == RATED and r.place == "pressure"}
    return tuple(sorted((at for at in rated if at is not None), reverse=part.kind is not Kind.PUMP))


def places_of(stages: tuple[str, ...], pauses: tuple[float, ...]) -> dict[str, float]:
    """The pressure of each stage that pauses."""
    return dict(zip((s for s in stages if stage_of(s).name == RATED), pauses, strict=True))


class Driving:
    """Decides the outputs of one run. `outputs` is what they are to be now: power off and the valve open at first;
    `has_powered`: they were ever to have power.

    `places` are the pressures of stages that pause. `settable`: the supply can be set.
    """

    def __init__(
        self, drive: Drive, part: Part, stages: tuple[str, ...], places: Mapping[str, float], *, settable: bool = False
    ) -> None:
        self._supply = MakeUp(drive, part) if settable else None
        self.outputs = Outputs(power=False, valve=1.0, supply=part.test_voltage if settable else None)
        self.has_powered = False
        self._drive, self._stages, self._places = drive, stages, places
        self._dry_s = max(min(DRY_RUN_S, (part.dry_check_s or DRY_RUN_S) - DRY_SPARE_S), DRY_ON_S + 0.1)
        self._dried = self._came_on = False
        self._ramp = Ramp(drive, 1.0)
        self._t = self._differs_since = self._agreed_at = 0.0
        self._ended_since: float | None = None

    def step(self, step: Step, stage: str, on_for: float | None, *, reading: bool) -> Outputs | None:
        """The outputs after a step in `stage`, None where they stay as they are. `on_for` is seconds since power was
        seen to come on (None: off); while a window is open (`reading`) a valve that pauses is not touched."""
        self._t = step.t
        valve = self._valve(step, stage, on=on_for is not None, reading=reading)
        at_end = valve in (0.0, 1.0) and valve == self.outputs.valve
        self._ended_since = (self._ended_since or step.t) if at_end else None
        held = reading or stage == "dry_check"  # which is read as a whole
        supply = None if self._supply is None else self._supply.step(step, on_for, held=held)
        outputs = Outputs(self._power(stage, on_for), valve, supply)
        if outputs.power is (on_for is not None) or outputs.power is not self.outputs.power:
            self._differs_since = step.t
        self.has_powered |= outputs.power
        self._came_on = outputs.power and (self._came_on or on_for is not None)
        changed, self.outputs = outputs != self.outputs, outputs
        return outputs if changed else None

    def end(self) -> Outputs:
        """The outputs of a run that is over: power off, and nothing kept under pressure."""
        self.outputs = replace(self.outputs, power=False, valve=1.0)
        return self.outputs

    @property
    def supply_moves(self) -> bool:
        """Whether the supply is being set, so that nothing may be read yet."""
        return self._supply is not None and self._supply.moving

    @property
    def disobeyed(self) -> str:
        """What the switch did not do in its time, empty for nothing."""
        late = self._t - self._differs_since
        if self.outputs.power:
            why = "power failed" if self._came_on else "power did not come on"
            return why if late > self._drive.obeyed else ""
        return "power did not go off" if late > self._drive.obeyed + RUN_DOWN_S else ""

    def at_end_for(self) -> float:
        """Seconds for which the valve has been told to be where it is told now, one of its ends; 0 in between."""
        return 0.0 if self._ended_since is None else self._t - self._ended_since

    @property
    def overdue(self) -> bool:
        """Whether the valve has been told one of its ends for longer than the whole way may take: one that still moves
        has a slower actuator than `travel` says."""
        return self.at_end_for() > SLOWER * self._drive.travel + TOLD_S

    @property
    def told_open(self) -> bool | None:
        """Whether the valve has been told to be open for as long as its whole way may take; None while it may still be
        on its way there."""
        if self.outputs.valve != 1.0:
            return False
        return True if self.overdue else None

    def elsewhere(self, sensed: Valve | None) -> bool:
        """Whether a position sensor still shows the valve elsewhere than at the end that it was told."""
        told = Valve.OPEN if self.outputs.valve == 1.0 else Valve.SHUT
        return sensed is not None and self.overdue and sensed is not told

    def paused(self, stage: str) -> bool:
        """Whether a travel has come to the pressure that the next stage reads at, or as near as it can."""
        return self._place(stage) is not None and (self._ramp.settled or self.out_of_reach)

    @property
    def out_of_reach(self) -> bool:
        """Whether the valve is shut and pressure still too low to pause at."""
        return self.outputs.valve == 0.0 and self.at_end_for() > self._drive.travel

    def told_shut(self, step: Step) -> bool:
        """Whether the valve must be shut by now, and nothing in a step speaks against it: a unit that gives no pressure
        shows no valve."""
        return self.outputs.valve == 0.0 and self.at_end_for() > self._drive.travel and step.flow.silent

    def astray(self, by_signals: Valve | None, stage: str, *, flowing: bool) -> bool:
        """Whether the signals have shown the valve elsewhere than it was told for longer than it takes to get there."""
        if not self._contradicted(by_signals, stage, flowing=flowing):
            self._agreed_at = self._t
        return self._t - self._agreed_at > self._drive.travel + ASTRAY_S

    def _contradicted(self, by_signals: Valve | None, stage: str, *, flowing: bool) -> bool:
        """Whether the signals speak against the end that the valve was told. Without flow and pressure they say
        nothing."""
        judged = stage_of(stage).valve is not None or stage_of(stage).name in TRAVELS
        if not judged or by_signals is None or self._place(stage) is not None or self.at_end_for() == 0.0:
            return False
        if self.outputs.valve == 0.0:
            return flowing
        return by_signals is Valve.SHUT or (by_signals is Valve.BETWEEN and flowing)

    def _power(self, stage: str, on_for: float | None) -> bool:
        if stage == "dry_check":
            self._dried |= on_for is not None and on_for >= self._dry_s
            return not self._dried
        powered = stage_of(stage).power is True
        return powered and (self.outputs.power or self.at_end_for() >= self._drive.obeyed)

    def _valve(self, step: Step, stage: str, *, on: bool, reading: bool) -> float:
        at, name = self._place(stage), stage_of(stage).name
        if name in ("fill", "residual") or (reading and at is not None):
            return self._ramp.position
        closes = name in ("throttle", "shutoff")
        if not on:
            return self._ramp.go(step, 0.0 if closes else 1.0)
        if at is not None:
            return self._ramp.hold(step, at)
        return self._ramp.close(step) if closes else self._ramp.open(step)

    def _place(self, stage: str) -> float | None:
        """The pressure that the valve is to find or to hold."""
        after = self._stages[min(self._stages.index(stage) + 1, len(self._stages) - 1)]
        return self._places.get(stage, self._places.get(after))
