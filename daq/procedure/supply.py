"""How a driven stand whose supply can be set makes up what the leads drop: by what stands at the unit's terminals."""

from daq.measure.convert import BITS, Column
from daq.measure.steps import STEP_S, Step
from daq.procedure.plan import Drive, Part

BEGINS_S = 0.5
"""So long after power-on the inrush is over."""
ROUND = 6
"""Steps between two settings, of which the first TOO_EARLY may be from before the last one came to the supply."""
TOO_EARLY = 3
NEAR = 0.1
"""The voltage is right within this share of the part's tolerance …"""
LEAST_V = 0.02
"""… or within so much, where that is more: a supply's step, a converter's noise."""
ROUNDS = 15
"""After so many settings in a row a supply that does not come to rest is left alone: a converter may be coarse."""
SHARE = 0.1
"""No setpoint is further above the test voltage than this share of it, for the device's own limit lies at 15 %."""
_NEEDED = BITS[Column.VOLTAGE] | BITS[Column.CURRENT]


class MakeUp:
    """The setpoint of one run's supply, in volts: the part's test voltage, and above it what the leads drop.

    It rises by `drive.make_up` at most and changes by `drive.make_up_rate` (V/s) at most, on what the stand itself
    measures, leads taken off. It is never below the test voltage. `moving` says that the terminals are on their way to
    the test voltage, so that no window may open.
    """

    def __init__(self, drive: Drive, part: Part) -> None:
        self._test = self.setpoint = part.test_voltage
        self._most = part.test_voltage + min(drive.make_up, SHARE * part.test_voltage)
        self._step = drive.make_up_rate * ROUND * STEP_S
        self._near = max(NEAR * part.voltage_tolerance, LEAST_V)
        self._seen: list[float] = []
        self._rounds = 0
        self.moving = False

    def step(self, step: Step, on_for: float | None, *, held: bool) -> float:
        """The setpoint after a step, `on_for` seconds after power came on (None: off). Where it is `held`, because a
        window is open, it stays."""
        if on_for is None:
            self.setpoint, self.moving = self._test, False
            self._anew()
        elif held:
            self.moving = False
            self._anew()
        elif on_for < BEGINS_S or step.lost or step.faulty & _NEEDED:
            self.moving = on_for < BEGINS_S
            self._seen.clear()
        else:
            self._look(step.voltage)
        return self.setpoint

    def _anew(self) -> None:
        self._seen.clear()
        self._rounds = 0

    def _look(self, volts: float) -> None:
        self._seen.append(volts)
        if len(self._seen) < ROUND:
            return
        late = self._seen[TOO_EARLY:]
        self._seen.clear()
        missing = self._test - sum(late) / len(late)
        change = min(max(missing, -self._step), self._step)
        goal = min(max(self.setpoint + change, self._test), self._most)
        self.moving = abs(missing) > self._near and goal != self.setpoint and self._rounds < ROUNDS
        if self.moving:
            self.setpoint = goal
            self._rounds += 1
