"""What a run is made of: the part's side and the stand's side, in SI."""

from dataclasses import dataclass, field
from enum import StrEnum

from daq.judge.requirement import Requirement
from daq.measure.channels import Channels
from drivers.block import Input


class Kind(StrEnum):
    """The kinds of unit."""

    PUMP = "pump"
    MODULE = "module"
    MODULE_RETURN = "module_return"


class Principle(StrEnum):
    """How a pump moves fluid; the affinity laws hold for a turbine only."""

    TURBINE = "turbine"
    DISPLACEMENT = "displacement"


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How a quantity follows the terminal voltage: SI unit per volt, with the standard uncertainty of that number."""

    per_volt: float
    doubt: float = 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part and its requirements, as in force: `digest` names the exact text it was read from.

    `dry_check_s` is how long a bare pump may run before immersion (None: no dry check, as for most modules);
    `fill_limit_s` is the part's limit on filling, None where the stand's counts. `sensitivity` is by quantity name.
    `segments` are those of the commutator (None: unknown, so no speed can be told), `poles` those of the magnets.
    """

    number: str
    revision: int
    digest: str
    description: str
    kind: Kind
    principle: Principle
    test_voltage: float
    voltage_tolerance: float
    requirements: tuple[Requirement, ...]
    dry_check_s: float | None = 2.0
    shutoff_limit_s: float = 15.0
    fill_limit_s: float | None = None
    fluid: str = ""
    temperature_low: float = 283.15
    temperature_high: float = 313.15
    sensitivity: dict[str, Sensitivity] = field(default_factory=dict)
    segments: int | None = None
    poles: int = 2


@dataclass(frozen=True, slots=True)
class Limits:
    """What ends a run, whatever the part: seconds and SI. In followed mode an alarm and the end of the run."""

    pressure: float = 950e3
    current: float = 18.0
    temperature: float = 318.15
    stage_s: float = 60.0
    ask_s: float = 120.0
    fill_s: float = 60.0
    no_flow_s: float = 5.0


@dataclass(frozen=True, slots=True)
class Reading:
    """How a stage is read: `window` is the shortest window and the step between looks, `looks` at most that many.

    `max_window` bounds a window in either mode; None: as long as all looks together.
    """

    settle: float = 0.8
    window: float = 1.0
    looks: int = 5
    peak_window: float = 1.0
    current_floor: float = 0.15
    max_window: float | None = None

    @property
    def longest(self) -> float:
        """The longest window in seconds."""
        return self.looks * self.window if self.max_window is None else self.max_window


@dataclass(frozen=True, slots=True)
class Drive:
    """How a stand that drives itself moves switch and valve. What switches off in hardware depends on none of it.

    `requires` are the inputs that must be fitted and closed before there is power. A lease of `lease` seconds keeps
    power on and is renewed while blocks are handled; `obeyed` is how long switch and valve may take to follow. The
    valve moves from end to end in `travel` seconds at the fastest, which its actuator must be able to, and, while it
    closes on a running unit, so slowly that pressure rises by `pressure_rate` (Pa/s) at most. `overshoot` (Pa) is how
    far pressure may rise above what it then settles to. A supply that can be set makes up what the leads drop, by
    `make_up` (V) at most and no quicker than `make_up_rate` (V/s).
    """

    requires: Input = Input.STOP_CIRCUIT
    lease: float = 0.5
    obeyed: float = 1.0
    travel: float = 4.0
    pressure_rate: float = 150e3
    overshoot: float = 20e3
    make_up: float = 1.0
    make_up_rate: float = 0.5


@dataclass(frozen=True, slots=True)
class Stand:
    """A stand as the procedure needs it. `drive` is None where a person moves switch and valve."""

    site: str
    name: str
    channels: Channels
    limits: Limits = field(default_factory=Limits)
    reading: Reading = field(default_factory=Reading)
    drive: Drive | None = None

    @property
    def driven(self) -> bool:
        """Whether the stand moves switch and valve itself."""
        return self.drive is not None
