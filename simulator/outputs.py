"""Switch and valve of the stand: what they were told, what they do, and what may keep them from it."""

from dataclasses import dataclass, field

from drivers.block import Input

INPUT_FAULTS = {
    "stop_open": Input.STOP_CIRCUIT,
    "guard_open": Input.SPLASH_GUARD,
    "fluid_low": Input.FLUID_LEVEL,
}
"""What opens a protective input, by name. The stop circuit takes the pump's power away by itself, too."""

OUTPUT_FAULTS = ("supply_off", "switch_stuck", "valve_stuck")
"""No supply any more; a contact that welds and stays closed; an actuator that no longer moves."""

STAND_FAULTS = (*INPUT_FAULTS, *OUTPUT_FAULTS)
"""The names of all of them."""


@dataclass(slots=True)
class Switch:
    """The pump's power: supply, stop circuit and switch, one behind the other. `told` is what the switch was told last.

    A welded contact is closed from the moment when it is first told to be.
    """

    told: bool = False
    failed: set[str] = field(default_factory=set)
    _closed: bool = False

    def tell(self, *, on: bool) -> None:
        self.told = on
        self._closed = on or (self._closed and "switch_stuck" in self.failed)

    def live(self, *, stopped: bool) -> bool:
        """Whether there is power behind it; `stopped` where the stop circuit is open."""
        return self._closed and not stopped and "supply_off" not in self.failed


@dataclass(slots=True)
class Actuator:
    """What turns the valve, by hand or by motor: `travel` (0 shut … 1 open) follows `aim` at its speed, unless `stuck`.

    What drives it counts on its way alone and does not see that it is stuck: `moving` ends when it should be there.
    """

    travel: float = 1.0
    aim: float = 1.0
    stuck: bool = False
    _believed: float = 1.0
    _per_scan: float = 0.0

    @property
    def moving(self) -> bool:
        return self._believed != self.aim

    def turn(self, aim: float, per_scan: float) -> None:
        """Moves on towards `aim` by `per_scan` a scan."""
        self.aim, self._per_scan = min(1.0, max(0.0, aim)), per_scan

    def put(self, travel: float) -> None:
        """Stands at a travel, and was not on its way."""
        self.travel = self.aim = self._believed = travel

    def advance(self) -> None:
        """A scan passes while it moves."""
        gap = self.aim - self._believed
        arrives = abs(gap) <= self._per_scan
        self._believed = self.aim if arrives else self._believed + self._per_scan * (1 if gap > 0 else -1)
        if not self.stuck:
            self.travel = self._believed

    def mend(self) -> None:
        """It moves again, from where it stands."""
        self.stuck, self._believed = False, self.travel
