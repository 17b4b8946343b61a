"""What the signals say of switch and valve, where nobody says it."""

from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.table import Valve

OFF_S = 0.2
"""The current must stay under its floor for so long before power counts as off (a brush that lifts is no switch)."""


class Switch:
    """Power at the unit's terminals.

    On: at least half the test voltage. Off: no current for `OFF_S` and the terminals below half the test voltage, which
    a running-down motor holds up for a while; `off_at` is when the current ended, which is when the switch opened. With
    the voltage still there and no current, power is on and the unit is open-circuit: then the voltage tells both ends,
    as it does where the current cannot be believed.
    """

    def __init__(self, test_voltage: float, floor: float) -> None:
        self._half, self._floor = test_voltage / 2, floor
        self.on = False
        self.on_at = self.off_at = 0.0
        self._no_current_since: float | None = None
        self._no_voltage_since = 0.0
        self.on_s = 0.0
        self._t = 0.0

    def feed(self, step: Step) -> bool:
        """Takes a step; True where power went on or off with it."""
        previous, self._t = self._t, step.t
        # Beyond its span a current is faulty too, and yet no sign that there is none.
        unknown = step.faulty & ~step.above & BITS[Column.CURRENT]
        if abs(step.current) >= self._floor and not unknown:
            self._no_current_since = None
        elif self._no_current_since is None:
            self._no_current_since = previous
        if step.voltage >= self._half:
            self._no_voltage_since = step.t
        if not self.on:
            return self._maybe_on(step, previous)
        self.on_s += step.t - previous
        return self._maybe_off(step)

    def _maybe_on(self, step: Step, previous: float) -> bool:
        if step.voltage < self._half:
            return False
        self.on, self.on_at = True, previous
        self.on_s += step.t - previous
        return True

    def _maybe_off(self, step: Step) -> bool:
        since = self._no_current_since
        if since is None or step.t - since < OFF_S or step.voltage >= self._half:
            return False
        self.on, self.off_at = False, since if since > self.on_at else self._no_voltage_since
        self.on_s -= step.t - self.off_at
        return True


def pumps(step: Step, channels: Channels) -> bool:
    """Whether a unit is seen to work, whatever its current says: flow that is known, or pressure that no open line and
    no shift of the zero explains."""
    if step.flow.value == step.flow.value:
        return True
    p = channels.pressure
    return not step.faulty & BITS[Column.PRESSURE] and step.pressure > p.line_tolerance + p.zero_limit


def back_at_zero(step: Step, channels: Channels) -> bool:
    """Whether pressure is back at its zero once power is off with the valve open: what still flows, as the meter shows
    it late, may hold it up."""
    p = channels.pressure
    return abs(step.pressure) <= p.k_line * step.flow.high**2 + p.zero_limit


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
