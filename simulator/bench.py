"""The bench: a unit on the stand, its sensors, and the person beside it. The firmware reads and drives it."""

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from drivers.block import Input, Role
from simulator.design import Scenario, UnitDesign
from simulator.operator import Operator
from simulator.plant.meter import Meter
from simulator.plant.noise import Noise
from simulator.plant.plant import STEP, Plant
from simulator.plant.sensors import Channel, Flaw, draw_flaw
from simulator.unit_faults import with_fault

RIPPLE = 0.12
"""Ripple of the current from commutation, peak to peak, as a share of it; an assumption, no source."""


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
        self._angle = 0.0
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
        """Gives the mounted unit a fault from now on; what it did before stays as it is.

        Raises:
            UnknownNameError: there is no such fault.
        """
        self.design = with_fault(self.design, name)
        self.plant.unit = self.design.unit
        self.plant.supply = self.design.supply
        self.plant.volts = self.design.supply.volts

    def _put(self, design: UnitDesign) -> None:
        scenario = self.scenario
        self.design = design
        self._mounted += 1
        errors, noise = (np.random.default_rng((self.seed, self._mounted, k)) for k in range(2))
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
        self._before = 0.0
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
        """Connects hose and plug. A module stands in the bath from then on; a bare pump lies beside it."""
        self.plant.connected = True
        if self.design.unit.module is not None:
            self.plant.immersed = True

    def immerse(self) -> None:
        self.plant.immersed = True

    def hold_return(self) -> None:
        self.plant.return_held = True

    def remove(self) -> None:
        self.plant.take_off()

    def streaming(self) -> None:
        """The device streams scans; a time script counts from the first."""
        self.operator.begin()

    def scan(self) -> list[int]:
        """Moves on by one scan and reads every channel: counts in the order of the scenario's sensors."""
        if self.time >= self.operator.due:
            self.operator.act()
        if self.travel != self._aim:
            self._move_valve()
        plant, row = self.plant, self._noise.row()
        self._before = plant.current
        flow = plant.advance(self._steps)
        n = len(self._channels)
        self.meter.advance(flow * (1.0 + row[n + 1]), self._seconds, self.tick, self._ticks)
        self.tick += self._ticks
        return self._read(row, row[n])

    def _read(self, row: list[float], share: float) -> list[int]:
        p = self.plant
        values = (p.pressure, p.terminal_volts, p.current, p.fluid, p.level)
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
        return counts

    def _move_valve(self) -> None:
        gap = self._aim - self.travel
        self.travel = self._aim if abs(gap) <= self._per_scan else self.travel + self._per_scan * (1 if gap > 0 else -1)
        self.plant.set_travel(self.travel)

    def burst(self, role: int, places: NDArray[np.float64]) -> tuple[list[int], bool]:
        """Samples of one channel within the scan just passed, at `places` (0 its start … 1 its end): counts, overrange.

        The shunt shows the ripple of commutation; the other channels are taken as they stand.
        """
        channel = self._channels[self._roles.index(role)]
        p = self.plant
        if role != Role.SHUNT:
            values = {1: p.pressure, 2: p.terminal_volts, 4: p.fluid, 5: p.level}
            reading = values[role] - channel.sensor.quantity_zero
            pairs = [channel.convert(reading) for _ in places]
        else:
            angle = self._angle + p.speed * self._seconds * places
            hump = np.abs(np.cos(0.5 * p.unit.motor.ripple_per_revolution() * angle)) - 2.0 / pi
            mean = self._before + (p.current - self._before) * places
            self._angle += p.speed * self._seconds
            pairs = [channel.convert(x) for x in (mean * (1.0 + RIPPLE * hump)).tolist()]
        return [count for count, _ in pairs], any(over for _, over in pairs)

    def open_input(self, which: Input) -> None:
        """Opens a protective input: the stop circuit, the splash guard, or the fluid runs low."""
        self.inputs &= ~which

    def close_input(self, which: Input) -> None:
        self.inputs |= which & self.scenario.device.inputs_fitted
