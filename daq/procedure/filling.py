"""A module's filling: from the first power-on in fluid to a full reservoir, and what spoils the time that it took."""

import math

from daq.measure.channels import LevelInput
from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.plan import Part

DISTURBED_S = 0.5
"""Hands are never as quick as a step: less than this is no disturbance. Common practice, no source."""
FELL = 0.2
"""A level that falls by this share of the reservoir is no wave: fluid went another way. Common practice, no source."""


class Disturbance:
    """What keeps a module from filling without being its fault, as long as it fills: `seconds` in which the unit had no
    power or no current, or fluid went out past the valve; infinite where the level fell. `why` says in a few words what
    it was last. `floor` (A) is what a unit draws at least."""

    def __init__(self, floor: float) -> None:
        self._floor, self._top = floor, 0.0
        self.seconds = 0.0
        self.why = ""

    def feed(self, step: Step, dt: float, *, power: bool, opened: bool) -> None:
        """Takes a step of `dt` seconds; `opened`: a position sensor shows the valve not shut."""
        flows = not step.flow.silent and math.isfinite(step.flow.high)
        why = "valve not shut" if flows or opened else ""
        if not power:
            why = "power off"
        elif abs(step.current) < self._floor:
            why = "current ended"
        self.seconds += dt if why else 0.0
        self.why = why or self.why

    def level(self, level: float) -> None:
        """Takes a level, as a share of full."""
        self._top = max(self._top, level)
        if level < self._top - FELL:
            self.why, self.seconds = "level fell", math.inf


class Filling:
    """Follows a run's steps from `begin` on, in whatever stage they fall: a module may be full before `fill` begins.

    `full_at` is when the level sensor first showed full after it had shown less. A sensor that shows full from the
    start tells nothing: then `full` is true and `full_at` stays None. Times are seconds of the run; `lost_s` of them no
    scan tells of, in `blind_s` of them the sensor was faulty (`blind`: it is now). `current_floor` (A) is what a unit
    draws at least.
    """

    def __init__(self, part: Part, level: LevelInput | None, step_s: float, current_floor: float = 0.0) -> None:
        self._part, self._level, self._step_s = part, level, step_s
        self.begun: float | None = None
        self.full = False
        self.full_at: float | None = None
        self.blind = False
        self.lost_s = self.blind_s = 0.0
        self._disturbance = Disturbance(current_floor)
        self._seen_below = False
        self._previous = 0.0
        self._powered_s = self._volts = self._kelvins = 0.0

    def begin(self, t: float) -> None:
        """Power came on in fluid; only the first time counts."""
        if self.begun is None:
            self.begun = self._previous = t

    def feed(self, step: Step, power: bool, *, opened: bool = False) -> None:
        """Takes a step of the run; `opened`: a position sensor shows the valve not shut."""
        if self.begun is None:
            return
        dt, self._previous = step.t - self._previous, step.t
        if step.lost:
            self.lost_s += max(dt - self._step_s, 0.0)
        if power:
            self._powered_s += dt
            self._volts += step.voltage * dt
            self._kelvins += step.temperature * dt
        if not self.full:
            self._disturbance.feed(step, dt, power=power, opened=opened)
        self.blind = bool(step.faulty & BITS[Column.LEVEL])
        if self.blind:
            self.blind_s += dt
        elif self._level is not None:
            self._watch(step, self._level.full_at)

    def _watch(self, step: Step, full_at: float) -> None:
        if not self.full:
            self._disturbance.level(step.level)
        self.full = step.level >= full_at
        self._seen_below |= not self.full
        if self.full and self._seen_below and self.full_at is None:
            self.full_at = step.t

    def seen_for(self, t: float) -> float:
        """Seconds from power-on to `t` that scans tell of, 0 before it and once the sensor shows full."""
        return 0.0 if self.begun is None or self.full else t - self.begun - self.lost_s

    @property
    def unfit(self) -> str:
        """Which mean condition was outside its tolerance while power was on, or what hands did meanwhile; empty for
        nothing."""
        if self._powered_s == 0.0:
            return "power off"
        if self._disturbance.seconds > DISTURBED_S:
            return self._disturbance.why
        part, volts = self._part, self._volts / self._powered_s
        if abs(volts - part.test_voltage) > part.voltage_tolerance:
            return "supply low" if volts < part.test_voltage else "supply high"
        kelvins = self._kelvins / self._powered_s
        return "fluid temperature" if kelvins < part.temperature_low or kelvins > part.temperature_high else ""
