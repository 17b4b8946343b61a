"""What a unit truly does once nothing changes any more: the plant's own balance of flow, pressure and torque, solved.

No noise, no sensor, no time: the terminals stand at an exact voltage, fluid and winding at stated temperatures. A pump
that draws air is taken at its mean share of it.
"""

from collections.abc import Callable
from dataclasses import dataclass

from simulator.plant.line import Line, through
from simulator.plant.unit import Pump, Unit

NEAR = 1e-12
"""A root counts as found when its bracket, or its last correction, is below this share of the whole span."""


@dataclass(frozen=True, slots=True)
class Steady:
    """A steady state, SI: `pressure` in the line, `flow` through the line back to the tank, `current`, `speed`
    (rad/s)."""

    pressure: float
    flow: float
    current: float
    speed: float


def steady(  # noqa: PLR0917  # all of it states the case, and none of it can be left out
    unit: Unit, line: Line, volts: float, travel: float, fluid: float, winding: float | None = None
) -> Steady:
    """The steady state with the valve at `travel` (1 open, 0 shut: the pressure that is held against it).

    `volts` stand at the unit's terminals; `fluid` and `winding` in K, the winding as warm as the fluid where it is
    None. A module's reservoir is full.
    """
    pump = unit.pump.at(fluid)
    resistance = line.resistance_at(travel)
    state = _State(unit, pump, unit.inlet.air)

    def held(speed: float) -> float:
        def net(pressure: float) -> float:
            out = state.out(pressure, speed)
            return out - through(pressure, resistance)[0] - state.spill(pressure) - line.leak * pressure

        return _falling_root(net, 0.0, pump.head_at(0.0, speed, state.wet, unit.nozzle))

    speed = _speed(state, volts, winding or fluid, held)
    pressure = held(speed)
    return Steady(pressure, through(pressure, resistance)[0], _current(state, volts, speed, winding or fluid), speed)


def flow_at(unit: Unit, pressure: float, volts: float, fluid: float, winding: float | None = None) -> Steady:
    """The steady state in which the line holds `pressure` (Pa), whatever must be done to the valve for it.

    A flow of 0 or less says that the unit cannot.
    """
    state = _State(unit, unit.pump.at(fluid), unit.inlet.air)
    speed = _speed(state, volts, winding or fluid, lambda _: pressure)
    flow = state.out(pressure, speed) - state.spill(pressure)
    return Steady(pressure, flow, _current(state, volts, speed, winding or fluid), speed)


class _State:
    """A unit with its pump at the temperature of the fluid."""

    def __init__(self, unit: Unit, pump: Pump, gas: float) -> None:
        self.unit, self.pump, self.gas, self.wet = unit, pump, gas, 1.0 - gas

    def out(self, pressure: float, speed: float) -> float:
        return self.unit.delivery(self.pump, pressure, speed, self.wet, self.gas)[0]

    def at_pump(self, pressure: float, speed: float) -> float:
        return self.unit.delivery(self.pump, pressure, speed, self.wet, self.gas)[2]

    def spill(self, pressure: float) -> float:
        return self.unit.module.spill(pressure)[0] if self.unit.module else 0.0

    def loop(self, winding: float) -> float:
        return self.unit.motor.resistance_at(winding) / self.unit.motor.carried


def _current(state: _State, volts: float, speed: float, winding: float) -> float:
    return state.unit.motor.current(volts, speed, state.loop(winding))


def _speed(state: _State, volts: float, winding: float, pressure_at: Callable[[float], float]) -> float:
    """The speed at which the motor's torque is what the pump takes; 0 where it is stuck or cannot start."""
    motor, pump = state.unit.motor, state.pump
    if state.unit.seized:
        return 0.0

    def over(speed: float) -> float:
        torque = motor.torque((volts - motor.back_emf(speed)) / state.loop(winding))
        load = pump.torque(state.at_pump(pressure_at(speed), speed), speed, state.wet)
        return torque - motor.friction - load

    return _falling_root(over, 0.0, volts / motor.constant)


def _falling_root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses 0 between `low` and `high`; an end where it does not. By the Illinois rule,
    which keeps a bracket."""
    at_low, at_high = function(low), function(high)
    if at_low <= 0.0:
        return low
    if at_high >= 0.0:
        return high
    span, last = high - low, 0
    for _ in range(200):
        middle = (low * at_high - high * at_low) / (at_high - at_low)
        at = function(middle)
        if at > 0.0:
            moved, low, at_low = middle - low, middle, at
            at_high *= 0.5 if last == 1 else 1.0
            last = 1
        else:
            moved, high, at_high = high - middle, middle, at
            at_low *= 0.5 if last == -1 else 1.0
            last = -1
        if at == 0.0 or high - low <= NEAR * span or (moved <= NEAR * span):
            return middle
    return middle
