"""One unit on the stand: motor, pump, line and reservoir integrated together."""

from dataclasses import dataclass, field
from math import exp, hypot, inf, sqrt

from simulator.plant.gerotor import Gerotor
from simulator.plant.line import LAMINAR, Line, through
from simulator.plant.module import Module
from simulator.plant.motor import Supply
from simulator.plant.unit import Pump, Unit

STEP = 1e-3
"""Length of an integration step, s. Speed and pressure are advanced implicitly, so it bounds accuracy, not
stability."""

PRIMING = 0.15
"""Time constant (s) in which the impeller fills or loses its liquid; an assumption, no source."""

HOSE_TIME = 90.0
"""Time constant (s) in which the fluid in the line takes the temperature of that in the tank; an assumption, no
source."""

SOLVED = 0.5
"""The pressure balance counts as solved when its last correction is below this, Pa."""

TURNED = 1e-7
"""The speed of a long step counts as solved when its last correction is below this share."""


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

    The inputs are `powered`, `volts`, `travel` (through `set_travel`), `connected`, `immersed`, `return_held`,
    `hose_off` (the unit pumps beside an open line) and `lead_off` (its circuit is open); `advance` moves time on.
    `level` is the share of the reservoir that is full, 0 for a bare pump. `pumped`, `delivered`, `spilled`, `leaked`
    (m³) are what has left the pump, flowed back to the tank, been spilled by the regulator and lost by the line since
    the start. `hose` (K) is the temperature of the fluid in the line.
    """

    unit: Unit
    line: Line
    supply: Supply
    bath: Bath
    powered: bool = False
    connected: bool = False
    immersed: bool = False
    return_held: bool = False
    hose_off: bool = False
    lead_off: bool = False
    travel: float = 1.0
    volts: float = field(init=False)
    time: float = 0.0
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
    hose: float = field(init=False)
    pumped: float = 0.0
    delivered: float = 0.0
    spilled: float = 0.0
    leaked: float = 0.0
    _resistance: float = field(init=False)
    _pump: Pump = field(init=False)
    _gas: float = 0.0
    _swelling: float = 0.0

    def __post_init__(self) -> None:
        self.volts = self.supply.volts
        self.winding = self.fluid = self.hose = self.bath.temperature
        self._resistance = self.line.resistance_at(self.travel)
        self._pump = self.unit.pump.at(self.fluid)

    def set_travel(self, travel: float) -> None:
        """Puts the needle valve at a travel, 0 shut … 1 open."""
        self.travel = min(1.0, max(0.0, travel))
        self._resistance = self.line.resistance_at(self.travel)

    def advance(self, steps: int, stride: int = 1) -> float:
        """Moves on by `steps` × STEP seconds and gives the mean flow (m³/s) back to the tank in that time.

        With a `stride` it goes in steps of so many STEP, in which speed and pressure are solved together: where nothing
        changes quickly this comes to the same and costs a fraction.
        """
        before = self.delivered
        self._pump = self.unit.pump.at(self.fluid)
        self._gas = self.unit.inlet.gas(self.time)
        motor = self.unit.motor
        loop = (motor.resistance_at(self.winding) + self.supply.resistance) / motor.carried
        if stride == 1:
            self._short_steps(loop, steps)
        else:
            for k in range(0, steps, stride):
                self._stride(loop, min(stride, steps - k) * STEP)
        self._warm(steps * STEP)
        self.time += steps * STEP
        return (self.delivered - before) / (steps * STEP)

    def take_off(self) -> None:
        """The unit is off the stand, at rest and empty, and the hose is open."""
        self.connected = self.immersed = self.return_held = self.powered = False
        self.hose_off = self.lead_off = False
        self.pressure = self.pump_pressure = self.level = self.wet = self.speed = self._swelling = 0.0

    @property
    def _driven(self) -> bool:
        """Whether current can flow."""
        return self.powered and self.connected and not self.lead_off

    def pulsation(self) -> float:
        """Amplitude (Pa) of the pressure's pulsation at teeth × speed; 0 for a pump that has none. What the pump's flow
        swells by goes through the line, or the hose nearby takes it up; a relief valve is too slow for it."""
        pump = self._pump
        if not isinstance(pump, Gerotor) or self.speed <= 0.0:
            return 0.0
        swell = pump.pulsation * pump.displacement * self.speed * self.wet
        _, slope = through(self.pressure, self._resistance)
        return swell / hypot(slope + pump.leak, pump.teeth * self.speed * self.line.quick_compliance)

    def _prime(self, share: float) -> None:
        module = self.unit.module
        fed = self.immersed if module is None else self.level > module.inlet_level
        self.wet += ((1.0 - self._gas if fed else 0.0) - self.wet) * share

    def _short_steps(self, loop: float, steps: int) -> None:
        """Steps of STEP, the speed first, implicit in back-EMF and drag; `loop` is the resistance of the circuit."""
        motor, pump, turns = self.unit.motor, self._pump, not self.unit.seized
        on = self._driven
        stiff = motor.inertia / STEP
        drive = motor.constant * self.volts / loop if on else 0.0
        damping = motor.constant**2 / loop if on else 0.0
        for _ in range(steps):
            self._prime(STEP / PRIMING)
            if turns:
                load = motor.friction + pump.torque_factor * self.pump_pressure
                speed = (stiff * self.speed + drive - load) / (stiff + damping + pump.damping(self.speed, self.wet))
                self.speed = speed if speed > 0.0 else 0.0
            self._push(STEP)
        self._wire(loop)

    def _wire(self, loop: float) -> None:
        """Current and terminal voltage at the speed."""
        motor = self.unit.motor
        on = self._driven
        self.current = motor.current(self.volts, self.speed, loop) if on else 0.0
        self.terminal_volts = self.volts - self.current * self.supply.resistance if on else motor.back_emf(self.speed)
        if self.lead_off:  # sensed on the supply's side
            self.terminal_volts = self.volts if self.powered else 0.0

    def _push(self, seconds: float) -> None:
        """Pressure after a step: what the hose takes up is what comes in less what goes out, all at the new
        pressure."""
        new, out, back, spill, self.pump_pressure = self._balance(self.speed, seconds)
        self.pressure, self.flow = new, back
        self.pumped += out * seconds
        self.delivered += back * seconds
        self.spilled += spill * seconds
        self.leaked += self.line.leak * new * seconds
        module = self.unit.module
        if module is not None:
            self._fill(module, out, back, spill, seconds)

    def _balance(self, speed: float, seconds: float) -> tuple[float, float, float, float, float]:
        """Pressure after `seconds` at a speed, flows out of the pump, back to the tank and through the regulator, and
        pressure at the pump."""
        unit, pump, wet, gas, resistance = self.unit, self._pump, self.wet, self._gas, self._resistance
        if self.hose_off:
            out, _, at_pump = unit.delivery(pump, 0.0, speed, wet, gas)
            return 0.0, out, 0.0, 0.0, at_pump
        gain, module, leak, swelling = seconds / self.line.compliance, unit.module, self.line.leak, self._swelling
        old = new = self.pressure
        low, high = 0.0, inf
        spill = spill_slope = 0.0
        for _ in range(40):
            out, slope, at_pump = unit.delivery(pump, new, speed, wet, gas)
            back, back_slope = through(new, resistance)
            if module is not None:
                spill, spill_slope = module.spill(new)
            error = new - old - gain * (out - back - spill - leak * new + swelling)
            change = error / (1.0 - gain * (slope - back_slope - spill_slope - leak))
            if -SOLVED < change < SOLVED:
                new = new - change if new > change else 0.0
                break
            # A valve that opens or shuts bends the balance: what leads back beyond what is known is halved instead.
            if error > 0.0:
                high = new
            else:
                low = new
            new -= change
            if not low < new < high:
                new = 0.5 * (low + high)
        return new, out, back, spill, at_pump

    def _stride(self, loop: float, seconds: float) -> None:
        """A long step, implicit in all that is quick: speed and pressure are solved together."""
        self._prime(1.0 - exp(-seconds / PRIMING))
        if not self.unit.seized:
            self.speed = self._speed_after(loop, seconds)
        self._wire(loop)
        self._push(seconds)

    def _speed_after(self, loop: float, seconds: float) -> float:
        """Speed after `seconds`, by secants from the speed as it is."""
        motor, pump, wet = self.unit.motor, self._pump, self.wet
        on = self._driven
        stiff = motor.inertia / seconds
        drive = stiff * self.speed - motor.friction + (motor.constant * self.volts / loop if on else 0.0)
        damping = stiff + (motor.constant**2 / loop if on else 0.0)

        def missing(speed: float) -> float:
            return drive - damping * speed - pump.torque(self._balance(speed, seconds)[4], speed, wet)

        here, short = self.speed, missing(self.speed)
        there = max(0.0, here + short / (damping + pump.damping(here, wet)))
        for _ in range(12):
            if abs(there - here) <= TURNED * here:
                break
            now = missing(there)
            slope = (now - short) / (there - here)
            here, short = there, now
            there = max(0.0, here - now / (slope if slope < 0.0 else -damping))
        return there

    def _fill(self, module: Module, out: float, back: float, spill: float, seconds: float) -> None:
        drawn = module.drawn_in(self.level, sqrt(self.pump_pressure) * self.wet) if self.immersed else 0.0
        net = drawn + spill - out + (back if self.return_held else 0.0)
        self.level = min(1.0, max(0.0, self.level + net * seconds / module.volume))

    def _warm(self, seconds: float) -> None:
        motor, bath = self.unit.motor, self.bath
        lost = self.current * self.current * motor.resistance_at(self.winding)
        given = (self.winding - self.fluid) / motor.thermal_resistance
        self.winding += (lost - given) * seconds / motor.heat_capacity
        heat = self.terminal_volts * self.current - lost + given
        self.fluid += seconds * (heat / bath.heat_capacity - (self.fluid - bath.temperature) / bath.cooling_time)
        warmer = (self.fluid - self.hose) * seconds / HOSE_TIME
        self.hose += warmer
        shut = self._resistance == inf and self.pressure > LAMINAR  # a slack hose takes up what swells
        self._swelling = self.line.thermal * self.line.compliance * warmer / seconds if shut else 0.0
