"""The bench: a unit on the stand, its sensors, and the person beside it. The firmware reads and drives it."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.block import Feature, Input, Role
from simulator.design import NO_INPUTS, Scenario, UnitDesign
from simulator.mishaps import MISHAPS
from simulator.operator import Operator
from simulator.outputs import INPUT_FAULTS, OUTPUT_FAULTS, Actuator, Switch
from simulator.plant.meter import Meter
from simulator.plant.noise import Noise
from simulator.plant.plant import STEP, Plant
from simulator.plant.sensors import Flaw, draw_flaw
from simulator.readout import Readout
from simulator.sensor_faults import METER, PulseFault
from simulator.unit_faults import with_fault

Floats = NDArray[np.float64]
PUMPED_UP = 0.6
"""Time in which a person with a hand pump brings the line to its pressure, s."""


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
    readout: Readout
    _later: deque[tuple[float, str]]

    def __init__(self, scenario: Scenario, unit: str, seed: int = 1, *, script: bool = False) -> None:
        device = scenario.device
        self.scenario = scenario
        self.seed = seed
        self.tick = 0
        self.inputs = device.inputs_fitted
        self.supply_mv = 0
        self.flaws: dict[str, Flaw] = {}
        self._actuator = Actuator()
        self._opened = NO_INPUTS
        self._ticks = device.tick_hz // device.sample_hz
        self._seconds = 1.0 / device.sample_hz
        self._steps = round(self._seconds / STEP)
        self._mounted = 0
        sees_level = any(sensor.role == Role.LEVEL for sensor in scenario.sensors)
        self.operator = Operator(
            self,
            scenario.habits,
            scenario.script if script else None,
            sees_level=sees_level,
            switches=Feature.POWER_SWITCH not in device.features,
            turns=Feature.VALVE_ACTUATOR not in device.features,
        )
        self.mount(unit)

    def mount(self, name: str) -> None:
        """Puts a unit on the bench, not yet connected, power off; draws the sensors' errors anew.

        Raises:
            UnknownNameError: the scenario has no such unit.
        """
        self._put(self.scenario.unit(name))

    def add_fault(self, name: str) -> None:
        """Gives the mounted unit, or something of the stand, a fault from now on; what it did before stays as it is.

        Raises:
            UnknownNameError: there is no such fault.
        """
        supply = self.design.supply
        self.design = with_fault(self.design, name)
        self._fail(name)
        self.plant.unit = self.design.unit
        self.plant.supply = self.design.supply
        if self.design.supply != supply:
            self.plant.volts = self.design.supply.volts
        self.readout.look_at(self.design.unit)

    def befall(self, name: str, at: float) -> None:
        """The mounted unit, or something of the stand, gets a fault `at` seconds after it was mounted.

        Raises:
            UnknownNameError: there is no such fault.
        """
        with_fault(self.design, name)
        self._later = deque(sorted((*self._later, (self._mounted_at + at, name))))

    def _fail(self, name: str) -> None:
        """Something of the stand fails, if the name is that of a fault of its."""
        if name in METER:
            self.meter.fault = PulseFault(METER[name], np.random.default_rng((self.seed, self._mounted, 3)))
        self.readout.fail(name, self.time)
        self._actuator.stuck |= name == "valve_stuck"
        if name in OUTPUT_FAULTS:
            self._switch.failed.add(name)
        if name in INPUT_FAULTS:
            self._opened |= INPUT_FAULTS[name] & self.inputs
            self.open_input(INPUT_FAULTS[name])
        self._feed()
        if name in MISHAPS:
            MISHAPS[name](self)

    def _put(self, design: UnitDesign) -> None:
        scenario = self.scenario
        self.design = design
        self._mounted += 1
        self._mounted_at = self.time
        errors, noise, fine = (np.random.default_rng((self.seed, self._mounted, k)) for k in range(3))
        self.flaws = {sensor.name: draw_flaw(sensor, errors) for sensor in scenario.sensors}
        self.readout = Readout(scenario.sensors, self.flaws, design.unit, fine, self._seconds)
        spread = scenario.meter_spread
        k_error = spread.k_doubt * float(errors.standard_normal())
        self.flaws["flow"] = Flaw(0.0, k_error)
        if self._mounted == 1:
            self.meter = Meter(scenario.meter)
        self.meter.gain = 1.0 + k_error
        self.plant = Plant(design.unit, scenario.line, design.supply, scenario.bath)
        self.plant.set_travel(self.travel)
        wanders = (scenario.pressure_wander, spread.wander)
        self._noise = Noise(noise, len(scenario.sensors), wanders, scenario.spikes, scenario.device.sample_hz)
        self._hand_pump = 0.0
        self._later = deque((self.time + later.at, later.fault) for later in design.later)
        self.meter.fault = None
        self._switch = Switch()
        self._actuator.mend()
        self.close_input(self._opened)
        self._opened = NO_INPUTS
        for name in design.failed:
            self._fail(name)
        self.operator.forget()

    @property
    def time(self) -> float:
        """Seconds since the bench was made."""
        return self.tick / self.scenario.device.tick_hz

    @property
    def overrange(self) -> int:
        """A bit for each channel that met an end of its converter in the newest scan."""
        return self.readout.overrange

    @property
    def level(self) -> float | None:
        return None if self.design.unit.module is None else self.plant.level

    @property
    def powered(self) -> bool:
        """What the switch was told; whether the unit has power is the plant's affair."""
        return self._switch.told

    @property
    def travel(self) -> float:
        """Where the valve stands, 0 shut … 1 open."""
        return self._actuator.travel

    @property
    def moving(self) -> bool:
        """Whether the valve is on its way, as far as what drives it knows."""
        return self._actuator.moving

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
        self._switch.tell(on=on)
        self._feed()

    def _feed(self) -> None:
        """The unit has power or not."""
        stopped = bool(Input.STOP_CIRCUIT & self.scenario.device.inputs_fitted & ~self.inputs)
        self.plant.powered = self._switch.live(stopped=stopped)

    def set_supply(self, millivolts: int) -> None:
        """Sets the supply, where that can be done."""
        self.supply_mv = millivolts
        self.plant.volts = 1e-3 * millivolts

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self._actuator.turn(travel, self._seconds / full_travel)

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
        """Takes the unit off. Whoever has the switch in hand opens it before."""
        if Feature.POWER_SWITCH not in self.scenario.device.features:
            self._switch.tell(on=False)
        self.plant.take_off()
        self._feed()

    def trap(self, pressure: float) -> None:
        """The valve stands shut from now on, with a pressure (Pa) behind it that an earlier test has left."""
        self._actuator.put(0.0)
        self.plant.set_travel(0.0)
        self.plant.pressure = pressure

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
        if self._actuator.moving:
            self._actuator.advance()
            self.plant.set_travel(self._actuator.travel)
        if self._hand_pump:
            self._pump_by_hand()
        plant, row = self.plant, self._noise.row()
        self.readout.begin(plant)
        flow = plant.advance(self._steps)
        n = len(self.scenario.sensors)
        self.meter.advance(flow * (1.0 + row[n + 1]), self._seconds, self.tick, self._ticks)
        self.tick += self._ticks
        return self.readout.read(plant, row, row[n], self.time)

    def _pump_by_hand(self) -> None:
        goal = self._hand_pump
        self.plant.pressure = min(goal, self.plant.pressure + goal * self._seconds / PUMPED_UP)
        if self.plant.pressure >= goal:
            self._hand_pump = 0.0

    def burst(self, role: int, places: Floats) -> tuple[list[int], bool]:
        """Samples of one channel within the scan just passed, at `places` (0 its start … 1 its end): counts, and
        overrange."""
        return self.readout.burst(self.plant, role, places, self.time)

    def pins(self) -> dict[int, float]:
        """By role, the volts at the converter's pins in the newest scan."""
        return self.readout.pins()

    def fine_pins(self, places: Floats) -> list[float]:
        """Volts at the wide shunt's pin within the scan just passed, at `places` (0 its start … 1 its end)."""
        return self.readout.fine_pins(self.plant, places, self.time)

    def open_input(self, which: Input) -> None:
        """Opens a protective input: the stop circuit, the splash guard, or the fluid runs low."""
        self.inputs &= ~which
        self._feed()

    def close_input(self, which: Input) -> None:
        self.inputs |= which & self.scenario.device.inputs_fitted
        self._feed()
