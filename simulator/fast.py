"""A lean bench: one unit tested once, a block at a time, for studies that need thousands of runs.

Plant, meter, sensors, noise and the person are those of `simulator.bench`, which it agrees with in distribution though
not in bytes. What is left out is the line to the device, captures, ripple of the current, sensors that repeat values
or fail, and what can be changed in mid-run. The person looks at the bench once a block.
"""

from collections.abc import Mapping
from dataclasses import replace
from enum import IntEnum
from math import pi

import numpy as np
from numpy.typing import NDArray

from drivers.block import Block, Identity, Role
from simulator.design import Habits, Scenario, UnitDesign
from simulator.fast_noise import FastNoise
from simulator.fast_sensors import FastMeter, Misreading, Sensors
from simulator.mishaps import MISHAPS
from simulator.operator import Operator
from simulator.plant.gerotor import Gerotor
from simulator.plant.plant import STEP, Plant
from simulator.rig import Rig

Floats = NDArray[np.float64]
ROW = (Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT, Role.FLUID_TEMPERATURE, Role.LEVEL)
"""The order in which a scan's quantities are at hand. A scenario names its references behind them."""
QUIET = 1e-3
"""A plant whose pressure and speed change by less than this share in a block is followed in one stride a block."""


class Clean(IntEnum):
    """The columns of what really was: s, Pa, V, A, K, share of full, m³/s, K."""

    TIME = 0
    PRESSURE = 1
    VOLTS = 2
    CURRENT = 3
    FLUID = 4
    LEVEL = 5
    FLOW = 6
    WINDING = 7


def identity_of(scenario: Scenario) -> Identity:
    """What the scenario's device says it is, but that it gives no captures."""
    whole = Rig(scenario, next(iter(scenario.units))).firmware.identity
    return replace(whole, burst_max_hz=0, burst_max_total=0)


class FastBench:
    """The bench. `block` moves time on by one block of the device; `person` hears what is to be done.

    `misread` is how the sensors err, by name, and `meter_gain` the meter's true K over that of its table. `leads` (Ω)
    lie between the point where the supply voltage is sensed and the unit's terminals; the supply's resistance holds
    them too. The same generator state and words give the same blocks. `clean()` is what really was.
    """

    def __init__(
        self,
        scenario: Scenario,
        design: UnitDesign,
        generator: np.random.Generator,
        *,
        misread: Mapping[str, Misreading],
        meter_gain: float = 1.0,
        habits: Habits | None = None,
        leads: float = 0.0,
    ) -> None:
        device = scenario.device
        self._leads = leads
        self.design = design
        self.plant = Plant(design.unit, scenario.line, design.supply, scenario.bath)
        self.tick = 0
        self._n = device.block_scans
        self._ticks = device.tick_hz // device.sample_hz
        self._hz, self._tick_hz = device.sample_hz, device.tick_hz
        self._per_scan = round(1.0 / device.sample_hz / STEP)
        self._boot = device.boot
        self._sensors = Sensors(scenario.sensors, misread)
        self._meter = FastMeter(scenario.meter, meter_gain, self._n, 1.0 / self._hz)
        wanders = (scenario.pressure_wander, scenario.meter_spread.wander)
        self._noise = FastNoise(generator, len(scenario.sensors), wanders, scenario.spikes, self._hz)
        pump = design.unit.pump
        self._teeth = pump.teeth if isinstance(pump, Gerotor) else 0
        self._angle = 0.0
        self._ramp = np.arange(1, self._n + 1)[:, None] / self._n
        self._aim = 1.0
        self._per_travel = 0.0
        self._quiet = False
        self._clean: list[tuple[float, ...]] = []
        self._constants = [s.constant for s in scenario.sensors if s.role not in ROW]
        self._order = [ROW.index(s.role) for s in scenario.sensors if s.role in ROW]
        sees_level = any(s.role == Role.LEVEL for s in scenario.sensors)
        self.person = Operator(self, habits or scenario.habits, sees_level=sees_level)

    # What the person can do and see.

    @property
    def time(self) -> float:
        """Seconds since the bench was made."""
        return self.tick / self._tick_hz

    @property
    def level(self) -> float | None:
        return None if self.design.unit.module is None else self.plant.level

    @property
    def powered(self) -> bool:
        return self.plant.powered

    def switch(self, on: bool) -> None:
        self.plant.powered = on
        self._quiet = False

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self._aim = min(1.0, max(0.0, travel))
        self._per_travel = 1.0 / full_travel / self._hz
        self._quiet = False

    def connect(self) -> None:
        self.plant.connected = True
        if self.design.unit.module is not None:
            self.plant.immersed = True

    def immerse(self) -> None:
        self.plant.immersed = True

    def hold_return(self) -> None:
        self.plant.return_held = True

    def remove(self) -> None:
        self.plant.take_off()
        self._quiet = False

    def pressurise(self) -> None:
        """There is no hand pump at this bench."""

    def befall(self, mishap: str) -> None:
        """Something happens to the unit, by its name in `MISHAPS`."""
        MISHAPS[mishap](self)
        self._quiet = False

    # Time.

    def block(self) -> Block:
        """The next block, as a driver would hand it over."""
        if self.time >= self.person.due:
            self.person.act()
        values, flow = self._move()
        if self._teeth:
            values[:, 0] += self._pulsation()
        if self._leads:
            values[:, 1] += self._leads * values[:, 2]
        white, share, unrest = self._noise.take(self._n)
        self._meter.advance(flow * (1.0 + unrest), self.tick, self._ticks)
        counts, overrange = self._sensors.counts(self._quantities(values), white, share)
        first = self.tick + self._ticks
        self.tick += self._n * self._ticks
        return Block(
            boot=self._boot,
            tick=first,
            index=first // self._ticks - 1,
            values=counts,
            edges=np.array([self._meter.edges]),
            last_edge=np.array([self._meter.last_tick]),
            overrange=overrange,
        )

    def _quantities(self, values: Floats) -> Floats:
        """What each sensor is given: references stand behind what the unit does."""
        return np.hstack((values[:, self._order], np.tile(self._constants, (self._n, 1))))

    def clean(self) -> Floats:
        """What really was at the end of each block, `[n, 8]` by `Clean`; time is that of the bench."""
        return np.array(self._clean)

    def _move(self) -> tuple[Floats, Floats]:
        """Quantities at each scan `[n, 5]` and the mean flow of each."""
        p = self.plant
        if self._quiet:
            before = np.array(self._row())
            mean = p.advance(self._n * self._per_scan, self._n * self._per_scan)
            values = before + (np.array(self._row()) - before) * self._ramp
            flow = np.full(self._n, mean)
        else:
            values, flow = self._scan_by_scan()
        self._note()
        return values, flow

    def _pulsation(self) -> Floats:
        """What a displacement pump's pressure swells and ebbs by, at each scan; the speed is taken as that now."""
        p = self.plant
        angle = self._angle + p.speed / self._hz * np.arange(1, self._n + 1)
        self._angle = float(angle[-1]) % (2.0 * pi)
        return np.asarray(p.pulsation() * np.cos(self._teeth * angle))

    def _scan_by_scan(self) -> tuple[Floats, Floats]:
        p, rows, flows = self.plant, [], []
        pressure, speed = p.pressure, p.speed
        for _ in range(self._n):
            if p.travel != self._aim:
                self._turn_valve()
            flows.append(p.advance(self._per_scan))
            rows.append(self._row())
        still = abs(p.pressure - pressure) <= QUIET * p.pressure and abs(p.speed - speed) <= QUIET * p.speed
        self._quiet = still and p.travel == self._aim
        return np.array(rows), np.array(flows)

    def _turn_valve(self) -> None:
        gap = self._aim - self.plant.travel
        step = min(abs(gap), self._per_travel)
        self.plant.set_travel(self._aim if step == abs(gap) else self.plant.travel + (step if gap > 0 else -step))

    def _row(self) -> tuple[float, float, float, float, float]:
        p = self.plant
        return p.pressure, p.terminal_volts, p.current, p.fluid, p.level

    def _note(self) -> None:
        p, end = self.plant, self.time + self._n / self._hz
        self._clean.append((end, *self._row(), p.flow, p.winding))
