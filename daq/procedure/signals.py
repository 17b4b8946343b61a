"""What the signals say of switch and valve, where nobody says it."""

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.table import Valve

POWERED_V = 3.0
"""More than this at the terminals is power that is on; less is the rest of a capacitor. Common practice, no source."""
OFF_S = 0.2
"""Time without current, in seconds, after which power counts as off. A brush that lifts takes the current away for
about half as long. Common practice, no source."""
FELL = 0.4
"""Share of the test voltage below which the terminals count as being without voltage."""
LEAST = 0.1
"""Share of the test voltage that a current needs to count as power: a seized unit drags a supply far down."""
DROP = 0.03
"""Share of the test voltage by which the terminals fall when the switch opens: what current and winding took of it.
Common practice, no source."""


class Switch:
    """Power at the unit's terminals. It is on while voltage is applied, not while a motor that runs down induces it.

    When the switch opens the current ends at once, and the voltage falls to the back-EMF, by more than `DROP`. A unit
    that goes open-circuit loses its current too, but the voltage stays. So power is applied while a current flows, or
    while the voltage stays where it was under current. After `OFF_S` without either, power is off since the later of
    the two ended: `off_at`. Until then nobody knows: `sure` is False, and the time counts only if power was on in it.

    A voltage that was there before power came says nothing: it is sensed on the supply's side of the switch, where only
    the current tells. A current that cannot be believed leaves the voltage alone to tell, at half the test voltage.
    """

    def __init__(self, test_voltage: float, floor: float) -> None:
        self._volts, self._floor = test_voltage, floor
        self.on = False
        self.on_at = self.off_at = 0.0
        self._until = self._past_s = self._t = 0.0
        self._fell = self._tells = False
        self._level = self._before = 0.0  # V under current, newest and the one before

    @property
    def on_s(self) -> float:
        """Seconds for which power was applied."""
        return self._past_s + self.on_for

    @property
    def on_for(self) -> float:
        """Seconds for which power has been applied since it came on; 0 while it is off."""
        return self._until - self.on_at if self.on else 0.0

    @property
    def sure(self) -> bool:
        """Whether the newest step shows power on or off."""
        return not self.on or self._until == self._t

    def feed(self, step: Step) -> bool:
        """Takes a step; True where power went on or off with it."""
        previous, self._t = self._t, step.t
        flows = self._flows(step)
        if step.voltage < FELL * self._volts and not flows:
            self._fell = self._tells = True
        if not self.on:
            return self._maybe_on(step, previous, flows)
        if flows:
            self._before, self._level = self._level, step.voltage
        if flows or self._held(step.voltage):
            self._until = step.t
        if step.t - self._until < OFF_S - 1e-9:
            return False
        self._past_s += self.on_for
        self.on, self.off_at = False, self._until
        return True

    def _flows(self, step: Step) -> bool:
        """Whether a current flows. Beyond its span a current is faulty too, and yet no sign that there is none."""
        if step.faulty & ~step.above & BITS[Column.CURRENT]:
            return step.voltage >= 0.5 * self._volts
        return abs(step.current) >= self._floor

    def _held(self, voltage: float) -> bool:
        """Whether a supply holds a voltage up, with no current. In the step in which the switch opens the voltage is
        on its way, so the step before counts as well."""
        least = max(0.5, max(self._level, self._before) / self._volts - DROP)
        return self._tells and voltage >= least * self._volts

    def _maybe_on(self, step: Step, previous: float, flows: bool) -> bool:
        """On by a voltage that was not there before, or by a current with some voltage to drive it."""
        if flows and step.voltage >= LEAST * self._volts:
            self._level = step.voltage
        elif self._fell and step.voltage >= 0.5 * self._volts:
            self._level = 0.0
        else:
            return False
        self.on, self.on_at, self._until = True, previous, step.t
        self._before, self._fell = 0.0, False
        return True


def pumps(step: Step, channels: Channels) -> bool:
    """Whether a unit is seen to work, whatever its current says: flow that is known, or pressure that no open line and
    no shift of the zero explains."""
    if step.flow.value == step.flow.value:
        return True
    p = channels.pressure
    return not step.faulty & BITS[Column.PRESSURE] and step.pressure > p.line_tolerance + p.zero_limit


def valve_by_signals(pressure: float, flow: Flow, channels: Channels, assumed: Valve | None) -> Valve:
    """Where the valve is, with power on.

    Open: no more pressure than the stand's own line takes at this flow. Shut: no flow, and more pressure than that.
    A unit that gives neither flow nor pressure looks like both: then what the stage asked for is `assumed`.
    """
    most = flow.high if flow.value != flow.value else flow.value
    line = channels.pressure.k_line * most**2 if most != float("inf") else 0.0
    if pressure <= line + channels.pressure.line_tolerance:
        if flow.silent and assumed is not Valve.OPEN:
            return Valve.BETWEEN
        return Valve.OPEN
    return Valve.SHUT if flow.silent else Valve.BETWEEN
