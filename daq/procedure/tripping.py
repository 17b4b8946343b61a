"""A device that switched off by itself: whose fault that was."""

from collections.abc import Sequence

from daq.judge.requirement import Quantity
from daq.measure.steps import Step
from daq.procedure.guards import Breach, Guards
from daq.procedure.plan import Limits
from drivers.block import Status, Trip

TOLD_WITHIN_S = 0.2
"""A device says so long after it tripped that it did, at the latest: STATUS goes out 20 times a second, in its turn."""
DO = "find the cause; the next start clears the trip if the cause is gone"
_CAUSES = {Trip.OVER_PRESSURE: Quantity.PRESSURE, Trip.OVER_CURRENT: Quantity.CURRENT}


class Tripping:
    """Waits for the samples that tell of a trip which the unit may have caused: a wire that breaks trips a device
    before any step shows it."""

    def __init__(self, guards: Guards, limits: Limits) -> None:
        self._guards = guards
        self._limits = {Quantity.PRESSURE: limits.pressure, Quantity.CURRENT: limits.current}
        self._trip = Trip.NONE
        self._at = 0.0

    def take(self, status: Status, moment: float) -> Breach | None:
        """Takes what the device says at `moment` of the run; the breach of a trip that no sample explains."""
        if status.trip is Trip.NONE or self._trip is not Trip.NONE:
            return None
        self._trip, self._at = status.trip, moment
        return None if status.trip in _CAUSES else self._breach(fair=False)

    def feed(self, step: Step, steps: Sequence[Step]) -> Breach | None:
        """The breach, once a step shows what was when the device tripped; `steps` are all so far."""
        if self._trip is Trip.NONE or step.t < self._at:
            return None
        seen = [s for s in steps if s.t > self._at - TOLD_WITHIN_S]
        return self._breach(fair=all(self._guards.fair(s) for s in seen))

    def _breach(self, *, fair: bool) -> Breach:
        name, cause = self._trip.name.lower(), _CAUSES.get(self._trip)
        code, why = f"trip_{name}", f"trip: {name.replace('_', ' ')}"
        return Breach(code, why, DO, cause, self._limits[cause]) if cause and fair else Breach(code, why, DO)
