"""One unit on the stand: motor, pump, line and reservoir integrated together."""

from dataclasses import dataclass, field
from math import sqrt

from simulator.plant.line import Line, through
from simulator.plant.module import Module
from simulator.plant.motor import Motor, Supply
from simulator.plant.turbine import Outlet, Turbine

STEP = 1e-3
"""Length of an integration step, s. Speed and pressure are advanced implicitly, so it bounds accuracy, not
stability."""

PRIMING = 0.15
"""Time constant (s) in which the impeller fills or loses its liquid; an assumption, no source."""

SOLVED = 0.5
"""The pressure balance counts as solved when its last correction is below this, Pa."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A pump or module as it is built. `seized` holds its rotor fast."""

    motor: Motor
    turbine: Turbine
    outlet: Outlet
    module: Module | None = None
    seized: bool = False


@dataclass(frozen=True, slots=True)
class Bath:
    """The tank: `temperature` (K) at the start, `heat_capacity` (J/K) of what is in it, and the time (s) in which it
    follows the room."""

    temperature: float = 296.15
    heat_capacity: float = 2.4e4
    cooling_time: float = 3.0e3


@dataclass(slots=True)
class Plant:
    """The state of a unit on the stand, all in SI; pressures are gauge.

    The inputs are `powered`, `volts`, `travel` (through `set_travel`), `connected`, `immersed` and `return_held`;
    `advance` moves time on. `level` is the share of the reservoir that is full, 0 for a bare pump. `pumped`,
    `delivered`, `spilled` (m³) are what has left the pump, flowed back to the tank and been spilled by the regulator
    since the start.
    """

    unit: Unit
    line: Line
    supply: Supply
    bath: Bath
    powered: bool = False
    connected: bool = False
    immersed: bool = False
    return_held: bool = False
    travel: float = 1.0
    volts: float = field(init=False)
    speed: float = 0.0
    current: float = 0.0
    terminal_volts: float = 0.0
    pressure: float = 0.0
    pump_pressure: float = 0.0
    flow: float = 0.0
    wet: float = 0.0
    level: float = 0.0
    winding: float = field(init=False)
    fluid: float = field(init=False)
    pumped: float = 0.0
    delivered: float = 0.0
    spilled: float = 0.0
    _resistance: float = field(init=False)
    _nozzle: float = field(init=False)

    def __post_init__(self) -> None:
        self.volts = self.supply.volts
        self.winding = self.fluid = self.bath.temperature
        self._resistance = self.line.resistance_at(self.travel)
        self._nozzle = self.unit.module.nozzle if self.unit.module else 0.0

    def set_travel(self, travel: float) -> None:
        """Puts the needle valve at a travel, 0 shut … 1 open."""
        self.travel = min(1.0, max(0.0, travel))
        self._resistance = self.line.resistance_at(self.travel)

    def advance(self, steps: int) -> float:
        """Moves on by `steps` × STEP seconds and gives the mean flow (m³/s) back to the tank in that time."""
        before = self.delivered
        loop = self.unit.motor.resistance_at(self.winding) + self.supply.resistance
        for _ in range(steps):
            self._prime()
            self._turn(loop)
            self._push()
        self._warm(steps * STEP)
        return (self.delivered - before) / (steps * STEP)

    def take_off(self) -> None:
        """The unit is off the stand, at rest and empty, and the hose is open."""
        self.connected = self.immersed = self.return_held = self.powered = False
        self.pressure = self.pump_pressure = self.level = self.wet = self.speed = 0.0

    def _prime(self) -> None:
        module = self.unit.module
        fed = self.immersed if module is None else self.level > module.inlet_level
        self.wet += ((1.0 if fed else 0.0) - self.wet) * (STEP / PRIMING)

    def _turn(self, loop: float) -> None:
        """Speed after a step, implicit in back-EMF and drag; `loop` is the resistance of the whole circuit."""
        motor, turbine = self.unit.motor, self.unit.turbine
        on = self.powered and self.connected
        if not self.unit.seized:
            stiff = motor.inertia / STEP
            load = motor.friction + turbine.torque_factor * self.pump_pressure
            drive = motor.constant * self.volts / loop if on else 0.0
            damping = motor.constant**2 / loop if on else 0.0
            speed = (stiff * self.speed + drive - load) / (stiff + damping + turbine.drag_at(self.wet) * self.speed)
            self.speed = max(0.0, speed)
        self.current = motor.current(self.volts, self.speed, loop) if on else 0.0
        self.terminal_volts = self.volts - self.current * self.supply.resistance if on else motor.back_emf(self.speed)

    def _push(self) -> None:
        """Pressure after a step: what the hose takes up is what comes in less what goes out, all at the new
        pressure."""
        gain = STEP / self.line.compliance
        old = new = self.pressure
        module = self.unit.module
        spill = spill_slope = 0.0
        for _ in range(8):
            out, out_slope = self._delivery(new)
            back, back_slope = through(new, self._resistance)
            if module is not None:
                spill, spill_slope = module.spill(new)
            error = new - old - gain * (out - back - spill)
            change = error / (1.0 - gain * (out_slope - back_slope - spill_slope))
            new = max(0.0, new - change)
            if -SOLVED < change < SOLVED:
                break
        self.pressure, self.flow = new, back
        self.pumped += out * STEP
        self.delivered += back * STEP
        self.spilled += spill * STEP
        if module is not None:
            self._fill(module, out, back, spill)

    def _delivery(self, pressure: float) -> tuple[float, float]:
        """Flow through the check valve into the line, and its slope; remembers the pressure at the pump."""
        unit, outlet = self.unit, self.unit.outlet
        at_pump = pressure + outlet.check_cracking
        out, slope = unit.turbine.delivery(at_pump, self.speed, self.wet, self._nozzle)
        over = at_pump - outlet.relief
        if over > 0.0:
            out -= outlet.relief_gradient * over
            slope -= outlet.relief_gradient
        shut = -outlet.check_leak * pressure
        if out > shut:
            self.pump_pressure = at_pump
            return out, slope
        self.pump_pressure = min(at_pump, unit.turbine.head_at(0.0, self.speed, self.wet, self._nozzle))
        return shut, -outlet.check_leak

    def _fill(self, module: Module, out: float, back: float, spill: float) -> None:
        drawn = module.drawn_in(self.level, sqrt(self.pump_pressure) * self.wet) if self.immersed else 0.0
        net = drawn + spill - out + (back if self.return_held else 0.0)
        self.level = min(1.0, max(0.0, self.level + net * STEP / module.volume))

    def _warm(self, seconds: float) -> None:
        motor, bath = self.unit.motor, self.bath
        lost = self.current * self.current * motor.resistance_at(self.winding)
        given = (self.winding - self.fluid) / motor.thermal_resistance
        self.winding += (lost - given) * seconds / motor.heat_capacity
        heat = self.terminal_volts * self.current - lost + given
        self.fluid += seconds * (heat / bath.heat_capacity - (self.fluid - bath.temperature) / bath.cooling_time)
