"""The bench: a unit on the stand, its sensors, and the person beside it. The firmware reads and drives it."""

from collections import deque
from dataclasses import dataclass
from math import cos

import numpy as np
from numpy.typing import NDArray

from drivers.block import Input, Role
from simulator.design import Scenario, UnitDesign
from simulator.operator import Operator
from simulator.plant.commutation import Commutation, draw_heights
from simulator.plant.gerotor import Gerotor
from simulator.plant.meter import Meter
from simulator.plant.noise import Noise
from simulator.plant.plant import STEP, Plant
from simulator.plant.sensors import Channel, Flaw, draw_flaw
from simulator.sensor_faults import ANALOG, METER, AnalogFault, PulseFault
from simulator.unit_faults import with_fault

Floats = NDArray[np.float64]
PUMPED_UP = 0.6
"""Time in which a person with a hand pump brings the line to its pressure, s."""
BY_ROLE = (Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT, Role.FLUID_TEMPERATURE, Role.LEVEL, Role.SHUNT_WIDE)
"""The order in which a scan's quantities are at hand."""
CURRENTS = (Role.SHUNT, Role.SHUNT_WIDE)


@dataclass(frozen=True, slots=True)
class Truth:
    """What really is, without any sensor: SI; `flow` is that through the line, `travel` that of the valve (1 open)."""

    time: float
    pressure: float
    flow: float
    current: float
    voltage: float
    fluid: float
    winding: float
    level: float
    speed: float
    travel: float


class Bench:
    """A stand with one unit mounted. `scan` moves time on by one scan.

    `tick` counts since the bench was made, whatever the device does. The same scenario, seed and calls give the same
    scans. `flaws` are the sensors' systematic errors, drawn anew for every unit mounted.
    """

    design: UnitDesign
    plant: Plant
    meter: Meter

    def __init__(self, scenario: Scenario, unit: str, seed: int = 1, *, script: bool = False) -> None:
        device = scenario.device
        self.scenario = scenario
        self.seed = seed
        self.tick = 0
        self.overrange = 0
        self.inputs = device.inputs_fitted
        self.supply_mv = 0
        self.flaws: dict[str, Flaw] = {}
        self.travel = 1.0
        self._aim = 1.0
        self._per_scan = 0.0
        self._ticks = device.tick_hz // device.sample_hz
        self._seconds = 1.0 / device.sample_hz
        self._steps = round(self._seconds / STEP)
        self._mounted = 0
        self._roles = [sensor.role for sensor in scenario.sensors]
        self._order = [BY_ROLE.index(role) for role in self._roles]
        self._ripple = max(sensor.ripple for sensor in scenario.sensors)
        self._angle = self._angle_before = 0.0
        sees_level = Role.LEVEL in self._roles
        self.operator = Operator(self, scenario.habits, scenario.script if script else None, sees_level=sees_level)
        self.mount(unit)

    def mount(self, name: str) -> None:
        """Puts a unit on the bench, not yet connected, power off; draws the sensors' errors anew.

        Raises:
            UnknownNameError: the scenario has no such unit.
        """
        self._put(self.scenario.unit(name))

    def add_fault(self, name: str) -> None:
        """Gives the mounted unit, or a sensor of the stand, a fault from now on; what it did before stays as it is.

        Raises:
            UnknownNameError: there is no such fault.
        """
        self.design = with_fault(self.design, name)
        self._fail(name)
        self.plant.unit = self.design.unit
        self.plant.supply = self.design.supply
        self.plant.volts = self.design.supply.volts
        self._commutation = Commutation(self.design.unit.motor, self._heights)

    def _fail(self, name: str) -> None:
        """A sensor fails, if the name is that of a sensor's fault and the sensor is fitted."""
        if name in METER:
            self.meter.fault = PulseFault(METER[name], np.random.default_rng((self.seed, self._mounted, 3)))
        elif name in ANALOG and ANALOG[name][0] in self._roles:
            k = self._roles.index(ANALOG[name][0])
            self._failed[k] = AnalogFault(name, self._channels[k].sensor, self.time)

    def _put(self, design: UnitDesign) -> None:
        scenario = self.scenario
        self.design = design
        self._mounted += 1
        errors, noise, self._fine = (np.random.default_rng((self.seed, self._mounted, k)) for k in range(3))
        self.flaws = {sensor.name: draw_flaw(sensor, errors) for sensor in scenario.sensors}
        self._channels = [Channel(sensor, self.flaws[sensor.name]) for sensor in scenario.sensors]
        spread = scenario.meter_spread
        k_error = spread.k_doubt * float(errors.standard_normal())
        self.flaws["flow"] = Flaw(0.0, k_error)
        if self._mounted == 1:
            self.meter = Meter(scenario.meter)
        self.meter.gain = 1.0 + k_error
        self.plant = Plant(design.unit, scenario.line, design.supply, scenario.bath)
        self.plant.set_travel(self.travel)
        wanders = (scenario.pressure_wander, spread.wander)
        self._noise = Noise(noise, len(self._channels), wanders, scenario.spikes, scenario.device.sample_hz)
        self._before = self._hand_pump = 0.0
        self._heights = draw_heights(design.unit.motor, self._fine)
        self._commutation = Commutation(design.unit.motor, self._heights)
        self._later = deque((self.time + later.at, later.fault) for later in design.later)
        self._failed: dict[int, AnalogFault] = {}
        self.meter.fault = None
        for name in design.failed:
            self._fail(name)
        self.operator.forget()

    @property
    def time(self) -> float:
        """Seconds since the bench was made."""
        return self.tick / self.scenario.device.tick_hz

    @property
    def level(self) -> float | None:
        return None if self.design.unit.module is None else self.plant.level

    @property
    def powered(self) -> bool:
        return self.plant.powered

    @property
    def moving(self) -> bool:
        """Whether the valve is on its way."""
        return self.travel != self._aim

    def truth(self) -> Truth:
        """What really is now."""
        p = self.plant
        return Truth(
            self.time,
            p.pressure,
            p.flow,
            p.current,
            p.terminal_volts,
            p.fluid,
            p.winding,
            p.level,
            p.speed,
            self.travel,
        )

    def switch(self, on: bool) -> None:
        self.plant.powered = on

    def set_supply(self, millivolts: int) -> None:
        """Sets the supply, where that can be done."""
        self.supply_mv = millivolts
        self.plant.volts = 1e-3 * millivolts

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self._aim = min(1.0, max(0.0, travel))
        self._per_scan = self._seconds / full_travel

    def connect(self) -> None:
        """Connects hose and plug. A module stands in the bath from then on; a bare pump lies beside it. A blanked-off
        line has nothing to connect."""
        self.plant.connected = not self.design.blank
        if self.design.unit.module is not None:
            self.plant.immersed = True

    def immerse(self) -> None:
        self.plant.immersed = True

    def hold_return(self) -> None:
        self.plant.return_held = True

    def remove(self) -> None:
        self.plant.take_off()

    def pressurise(self) -> None:
        """Somebody pumps the line up by hand, to where the scenario says."""
        self._hand_pump = self.design.pump_up

    def streaming(self) -> None:
        """The device streams scans; a time script counts from the first."""
        self.operator.begin()

    def scan(self) -> list[int]:
        """Moves on by one scan and reads every channel: counts in the order of the scenario's sensors."""
        if self.time >= self.operator.due:
            self.operator.act()
        if self._later and self.time >= self._later[0][0]:
            self.add_fault(self._later.popleft()[1])
        if self.travel != self._aim:
            self._move_valve()
        if self._hand_pump:
            self._pump_by_hand()
        plant, row = self.plant, self._noise.row()
        self._before, speed = plant.current, plant.speed
        flow = plant.advance(self._steps)
        self._angle_before = self._angle
        self._angle += 0.5 * (speed + plant.speed) * self._seconds
        n = len(self._channels)
        self.meter.advance(flow * (1.0 + row[n + 1]), self._seconds, self.tick, self._ticks)
        self.tick += self._ticks
        return self._read(row, row[n])

    def _read(self, row: list[float], share: float) -> list[int]:
        p = self.plant
        current = p.current
        if self._ripple:
            current *= 1.0 + self._ripple * (float(self._commutation.shape(np.array(self._angle))) - 1.0)
        quantities = (p.pressure + self._pulse(), p.terminal_volts, current, p.fluid, p.level, p.current)
        values = [quantities[k] for k in self._order]
        counts = []
        overrange = 0
        bit = 1
        for channel, value, normal in zip(self._channels, values, row, strict=False):
            count, over = channel.count(value, share, normal)
            share = 0.0
            counts.append(count)
            if over:
                overrange |= bit
            bit <<= 1
        self.overrange = overrange
        for k, fault in self._failed.items():
            counts[k], over = fault(counts[k], self.time)
            self.overrange = self.overrange & ~(1 << k) | over << k
        return counts

    def _pulse(self) -> float:
        """Pulsation of the pressure at this moment, Pa."""
        pump = self.plant.unit.pump
        return self.plant.pulsation() * cos(pump.teeth * self._angle) if isinstance(pump, Gerotor) else 0.0

    def _pump_by_hand(self) -> None:
        goal = self._hand_pump
        self.plant.pressure = min(goal, self.plant.pressure + goal * self._seconds / PUMPED_UP)
        if self.plant.pressure >= goal:
            self._hand_pump = 0.0

    def _move_valve(self) -> None:
        gap = self._aim - self.travel
        self.travel = self._aim if abs(gap) <= self._per_scan else self.travel + self._per_scan * (1 if gap > 0 else -1)
        self.plant.set_travel(self.travel)

    def burst(self, role: int, places: Floats) -> tuple[list[int], bool]:
        """Samples of one channel within the scan just passed, at `places` (0 its start … 1 its end): counts, overrange.

        A current shows its commutation and pressure a pump's pulsation; the other channels are taken as they stand.
        White noise is that of scans.
        """
        k = self._roles.index(role)
        channel = self._channels[k]
        angle = self._angle_before + (self._angle - self._angle_before) * places
        x = self._wave(role, places, angle) - channel.sensor.quantity_zero
        white = self._fine.standard_normal(len(places))
        x += x * channel.sensor.noise * white + channel.sensor.noise_floor * white
        pairs = [channel.convert(x) for x in x.tolist()]
        if k in self._failed:
            pairs = [self._failed[k](count, self.time) for count, _ in pairs]
        return [count for count, _ in pairs], any(over for _, over in pairs)

    def _wave(self, role: int, places: Floats, angle: Floats) -> Floats:
        """A quantity within the scan just passed, at places and angles of the rotor."""
        p = self.plant
        if role in CURRENTS:
            return (self._before + (p.current - self._before) * places) * self._commutation.shape(angle)
        if role == Role.PRESSURE and isinstance(p.unit.pump, Gerotor):
            return p.pressure + p.pulsation() * np.cos(p.unit.pump.teeth * angle)
        level = {Role.PRESSURE: p.pressure, Role.SUPPLY_VOLTAGE: p.terminal_volts, Role.FLUID_TEMPERATURE: p.fluid}
        return np.full(len(places), level.get(Role(role), p.level))

    def open_input(self, which: Input) -> None:
        """Opens a protective input: the stop circuit, the splash guard, or the fluid runs low."""
        self.inputs &= ~which

    def close_input(self, which: Input) -> None:
        self.inputs |= which & self.scenario.device.inputs_fitted
