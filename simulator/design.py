"""What a scenario says, in SI: the stand, the device, the units, the person at the bench."""

from dataclasses import dataclass, field
from pathlib import Path

from drivers.block import Feature, Input
from simulator.errors import unknown
from simulator.plant.line import Line
from simulator.plant.meter import MeterDesign
from simulator.plant.motor import Supply
from simulator.plant.noise import Spikes, Wander
from simulator.plant.plant import Bath
from simulator.plant.sensors import Sensor
from simulator.plant.unit import Unit

NO_INPUTS = Input(0)


@dataclass(frozen=True, slots=True)
class DeviceDesign:
    """The virtual microcontroller. `valve_travel` (s) is the time its actuator takes from end to end; `supply_limit`
    (mV) is the highest setpoint it takes; without `meter_fitted` it has no pulse counter."""

    device_id: bytes
    firmware: tuple[int, int, int] = (1, 0, 0)
    boot: int = 1
    tick_hz: int = 1_000_000
    sample_hz: int = 500
    block_scans: int = 20
    burst_max_hz: int = 0
    burst_max_total: int = 0
    features: Feature = Feature.SIMULATED
    inputs_fitted: Input = NO_INPUTS
    valve_travel: float = 4.0
    supply_limit: int = 16_000
    meter_fitted: bool = True


@dataclass(frozen=True, slots=True)
class Habits:
    """The person at the bench: time to react (s), time of a task of the hands (s), and of a valve's travel (s)."""

    reaction: float = 0.7
    task: float = 1.5
    slow_travel: float = 5.0
    quick_travel: float = 1.0
    dry_run: float = 1.3


@dataclass(frozen=True, slots=True)
class Cue:
    """A line of a time script: at `at` seconds from the first scan streamed, a word heard (`do`) or said
    (`confirm`)."""

    at: float
    do: str = ""
    confirm: str = ""


@dataclass(frozen=True, slots=True)
class MeterSpread:
    """`k_doubt`: standard uncertainty of a meter's K as a share; `wander`: unrest of the flow that it sees."""

    k_doubt: float = 0.0
    wander: Wander = field(default_factory=Wander)


@dataclass(frozen=True, slots=True)
class Later:
    """A fault that befalls a unit or a sensor `at` seconds after the unit was mounted."""

    at: float
    fault: str


@dataclass(frozen=True, slots=True)
class UnitDesign:
    """A unit that can be mounted, with the supply that it meets on the stand.

    `failed` names the faults of sensors that are there from the start, `later` what goes wrong afterwards. A `blank` is
    nothing but a plug in the line. `pump_up` (Pa) is where a person with a hand pump brings the line.
    """

    name: str
    part: str
    serial: str
    unit: Unit
    supply: Supply
    failed: tuple[str, ...] = ()
    later: tuple[Later, ...] = ()
    blank: bool = False
    pump_up: float = 5e5


@dataclass(frozen=True, slots=True)
class Scenario:
    """All of a scenario. Sensors stand in the order of the device's channels; the first is the pressure's."""

    path: Path
    title: str
    device: DeviceDesign
    line: Line
    bath: Bath
    sensors: tuple[Sensor, ...]
    pressure_wander: Wander
    spikes: Spikes
    meter: MeterDesign
    meter_spread: MeterSpread
    units: dict[str, UnitDesign]
    habits: Habits = field(default_factory=Habits)
    script: tuple[Cue, ...] = ()

    def unit(self, name: str) -> UnitDesign:
        """The unit of that name.

        Raises:
            UnknownNameError: the scenario has none.
        """
        found = self.units.get(name)
        if found is None:
            raise unknown(f"{self.path}: unit", name, list(self.units))
        return found
