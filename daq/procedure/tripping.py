"""A device that switched off by itself: whose fault that was."""

import math
from collections.abc import Sequence

from daq.judge.requirement import Quantity
from daq.measure.steps import Step
from daq.procedure.guards import Breach, Guards
from daq.procedure.plan import Limits
from drivers.block import Status, Trip

TOLD_WITHIN_S = 0.2
"""A device says so long after it tripped that it did, at the latest: STATUS goes out 20 times a second, in its turn."""
AGAIN = "; the next start clears the trip if the cause is gone"
DO = {
    Trip.LEASE: "find out why the daemon stood still or the line broke",
    Trip.OVER_PRESSURE: "look for what blocks the line, and at the pressure sensor, its plug and its supply",
    Trip.OVER_CURRENT: "look for a seized or shorted unit, and at shunt, amplifier and wires",
    Trip.STOP_CIRCUIT: "find out why it was stopped, and release it",
    Trip.SPLASH_GUARD: "close the guard, and find out why it opened",
    Trip.FLUID_LOW: "look for a leak, and fill up",
    Trip.POWER_TOO_LONG: "find out why the run took so long",
    Trip.SELF_TEST: "have the device looked at before anything else is tested with it",
    Trip.OTHER_LIMIT: "look at the fluid's temperature, at the supply and at their sensors",
}
"""What a person does about each."""
SHOWN = 0.9
"""A trip over pressure is the unit's where a scan about it shows this share of the limit: the device trips by the very
scans that it sends. A current may be over its limit for too short a time to show in a mean."""
_CAUSES = {Trip.OVER_PRESSURE: Quantity.PRESSURE, Trip.OVER_CURRENT: Quantity.CURRENT}


class Tripping:
    """Waits for the samples that tell of a trip which the unit may have caused: a wire that breaks trips a device
    before any step shows it."""

    def __init__(self, guards: Guards, limits: Limits) -> None:
        self._guards = guards
        self._limits = {Quantity.PRESSURE: limits.pressure, Quantity.CURRENT: limits.current}
        self._trip = Trip.NONE
        self._at = 0.0
        self._in_force: tuple[bool, int] | None = None
        self._told = True

    def take(self, status: Status, moment: float) -> Breach | None:
        """Takes what the device says at `moment` of the run; the breach of a trip that no sample explains.

        A trip by limits that were not in force is a damaged frame's word: it ends the run and says nothing of the unit.
        """
        before, self._in_force = self._in_force, (status.limits_set, status.limits_crc)
        if status.trip is Trip.NONE or self._trip is not Trip.NONE:
            return None
        self._trip, self._at = status.trip, moment
        self._told = before in {None, self._in_force}
        return None if status.trip in _CAUSES else self._breach(fair=False)

    def feed(self, step: Step, steps: Sequence[Step]) -> Breach | None:
        """The breach, once a step shows what was when the device tripped; `steps` are all so far."""
        if self._trip is Trip.NONE or step.t < self._at:
            return None
        seen = [s for s in steps if s.t > self._at - TOLD_WITHIN_S]
        return self._breach(fair=self._told and self._shows(seen) and all(self._guards.fair(s) for s in seen))

    def _shows(self, seen: Sequence[Step]) -> bool:
        """Whether the samples bear out what the device says; one damaged frame may say anything."""
        if self._trip is not Trip.OVER_PRESSURE:
            return True
        return max((s.top for s in seen), default=-math.inf) >= SHOWN * self._limits[Quantity.PRESSURE]

    def _breach(self, *, fair: bool) -> Breach:
        name, cause = self._trip.name.lower(), _CAUSES.get(self._trip)
        do = DO[self._trip] + AGAIN
        code, why = f"trip_{name}", f"trip: {name.replace('_', ' ')}"
        return Breach(code, why, do, cause, self._limits[cause]) if cause and fair else Breach(code, why, do)
