"""The stands and units of the campaign, and whole runs at them, followed or driven, with one fault or none."""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.requirement import Mode
from daq.measure.convert import channel_maps
from daq.procedure.effects import Alarm, Effect, Noted, Outcome, Outputs
from daq.procedure.plan import Part, Stand
from daq.procedure.run import Run
from daq.procedure.table import Do
from daq.study.blind import FAMILIES, HABITS
from daq.study.blind_population import CARRIED, CURRENT, FLOW, LOADED, PEAK, REGULATED, Aim, Population
from daq.study.blind_run import Truths
from drivers.block import AnalogInput, Block, Identity, Role
from simulator.design import Scenario, UnitDesign
from simulator.fast import FastBench, identity_of
from simulator.scenario import load_scenario
from tests.studies.curve import CONFIG
from tests.studies.single_faults.faults import Fault, Scale, Spoiler

MODES = {"followed": ("stand.toml", "depot"), "driven": ("stand-driven.toml", "driven")}
"""The configuration and the scenario of each kind of stand."""
GOOD = 1.05
BAD = 0.95
"""A unit's true values are so many times as good as their limits; a bad one has one that is worse by as much."""
WORSE: dict[str, tuple[Aim, ...]] = {
    "pressure": (PEAK, REGULATED),
    "voltage": (FLOW, CARRIED),
    "current": (CURRENT, LOADED),
    "flow": (FLOW, CARRIED),
    "excitation": (PEAK, REGULATED),
    "ambient": (CURRENT, LOADED),
    "clock": (FLOW, CARRIED),
    "temperature": (PEAK, REGULATED),
    "level": (FLOW, CARRIED),
}
"""In which of its values a bad unit is bad, by the channel that could hide it."""
TYPICAL = {
    "pressure": 500e3,
    "voltage": 13.5,
    "current": 5.0,
    "temperature": 273.15 + 20.0,
    "level": 1.0,
}
EXCITATION_V, AMBIENT_V = 5.0, 0.75
"""What the references show at the converter: 5 V halved by nothing, and a sensor at 25 °C."""
LINE_S = 0.04
ACTUATOR_S = 2.0
HANDS_S = 8.0
LONGEST_S = 400.0


@dataclass(frozen=True, slots=True)
class Setting:
    """Where and what is tested: `mode` followed or driven, `family` of units, `channel` that decides in what a bad
    unit is bad, `good` or not, and the seed of all noise."""

    mode: str
    family: str
    channel: str
    good: bool
    seed: int


@dataclass(frozen=True, slots=True)
class Ran:
    """A whole run: its outcome, its effects, and the bench with what really was."""

    outcome: Outcome
    effects: tuple[Effect, ...]
    bench: FastBench
    test_voltage: float

    @property
    def alarms(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(e.code for e in self.effects if isinstance(e, Alarm)))

    def noted(self, what: str) -> float | None:
        """When something was noted first."""
        return next((e.t for e in self.effects if isinstance(e, Noted) and e.what == what), None)

    def truths(self) -> Truths:
        """What each reading should have been."""
        return Truths(self.bench, self.test_voltage)


class Laboratory:
    """One kind of stand with one family of units."""

    def __init__(self, mode: str, family: str, seed: int = 1) -> None:
        config, scenario = MODES[mode]
        number, base = FAMILIES[family]
        self.stand = _halved(load_stand(CONFIG / config).stand)
        self.scenario: Scenario = load_scenario(scenario)
        part: Part = load_catalogue(CONFIG / config, self.stand).part(number)
        self.population = Population(self.scenario, base, part, Mode.DECIDE, seed)
        self.part = self.population.part
        self.driven = mode == "driven"
        self.identity = _with_references(identity_of(self.scenario))
        self._units: dict[tuple[str, bool], UnitDesign] = {}

    def unit(self, channel: str, *, good: bool) -> UnitDesign:
        """The unit whose value is right or wrong where the channel could hide it."""
        if (channel, good) not in self._units:
            wanted = self.population.better(GOOD)
            for k, aim in enumerate(self.population.aims):
                if not good and aim in WORSE[channel]:
                    limit = float(self.population.limits[k])
                    wanted[k] = limit * BAD if aim.at_least else limit / BAD
            self._units[channel, good] = self.population.build(wanted, f"{channel}-{good}")
        return self._units[channel, good]

    @property
    def scales(self) -> dict[str, Scale]:
        """Of each channel, in counts of this stand's converters."""
        found = {}
        for column, line in channel_maps(self.stand.channels).items():
            name = column.name.lower()
            k = next(i for i, a in enumerate(self.identity.analog) if a.role == _ROLE[name])
            raw = self.identity.analog[k]
            per_unit = 1.0 / (line.slope * raw.volts_per_count)
            rest = raw.zero_count - line.offset * per_unit
            if name == "temperature":
                rest = raw.zero_count + (273.15 - line.offset) * per_unit
            found[name] = Scale(rest, (TYPICAL[name] - (273.15 if name == "temperature" else 0.0)) * per_unit)
        step = self.identity.analog[0].volts_per_count
        found["excitation"] = Scale(0.0, EXCITATION_V / 2.0 / step)
        found["ambient"] = Scale(0.5 / step, 0.25 / step)
        return found


_ROLE = {
    "pressure": Role.PRESSURE,
    "voltage": Role.SUPPLY_VOLTAGE,
    "current": Role.SHUNT,
    "temperature": Role.FLUID_TEMPERATURE,
    "level": Role.LEVEL,
}


@cache
def laboratory(mode: str, family: str) -> Laboratory:
    """One a process."""
    return Laboratory(mode, family)


def _halved(stand: Stand) -> Stand:
    """The stand whose converter sees half of the transducer's excitation."""
    pressure = replace(stand.channels.pressure, excitation_gain=0.5)
    return replace(stand, channels=replace(stand.channels, pressure=pressure))


def _with_references(identity: Identity) -> Identity:
    """The device with two more channels: the transducer's excitation, halved, and the temperature of the shunt."""
    first = identity.analog[0]
    more = tuple(
        AnalogInput(int(role), first.bits, 0, first.volts_per_count)
        for role in (Role.EXCITATION, Role.AMBIENT_TEMPERATURE)
    )
    return replace(identity, analog=(*identity.analog, *more))


class References:
    """Adds the references' channels to blocks, with half a count of noise."""

    def __init__(self, identity: Identity, generator: np.random.Generator) -> None:
        step = identity.analog[-1].volts_per_count
        self._levels = np.array([EXCITATION_V / 2.0 / step, AMBIENT_V / step])
        self._draw = generator

    def __call__(self, block: Block) -> Block:
        noise = 0.5 * self._draw.standard_normal((block.n, 2))
        counts = np.floor(self._levels + noise + 0.5).astype(np.int16)
        return replace(block, values=np.concatenate((block.values, counts), axis=1))


def run_at(laboratory: Laboratory, unit: UnitDesign, seed: int, spoil: Callable[[Block], Block]) -> Ran:
    """A unit tested once; `spoil` changes each block on its way to the core."""
    habits = HABITS
    bench = FastBench(laboratory.scenario, unit, np.random.default_rng((seed, 91)), misread={}, habits=habits)
    run = Run(laboratory.part, laboratory.stand, laboratory.identity, {})
    references = References(laboratory.identity, np.random.default_rng((seed, 92)))
    attend = Driven(bench) if laboratory.driven else Followed(bench)
    effects: list[Effect] = []
    while run.outcome is None:
        attend.before(run, effects)
        if run.outcome is None:
            seen = run.feed(spoil(references(bench.block())))
            effects += seen
            attend.told(seen)
        if bench.time > LONGEST_S and run.outcome is None:
            effects += run.halt("endless")
    return Ran(run.outcome, tuple(effects), bench, laboratory.part.test_voltage)


class Followed:
    """A person who does all that is asked."""

    def __init__(self, bench: FastBench) -> None:
        self._bench = bench

    def before(self, run: Run, effects: list[Effect]) -> None:
        """What is done and said before the next block."""
        person = self._bench.person
        person.hear(run.now.do.value)
        for word in person.take_confirmations():
            if run.outcome is None:
                effects += run.confirm(word)

    def told(self, effects: list[Effect]) -> None:
        """Followed stands have no outputs."""


class Driven:
    """A device that obeys the run's outputs a block later, and a person for what only hands can do."""

    _HANDS: dict[Do, tuple[str, Callable[[FastBench], None]]] = {  # noqa: RUF012
        Do.CONNECT: ("connected", FastBench.connect),
        Do.IMMERSE: ("in_fluid", FastBench.immerse),
        Do.HOLD_RETURN: ("return_held", FastBench.hold_return),
    }

    def __init__(self, bench: FastBench) -> None:
        self._bench = bench
        self._on_the_way = deque[tuple[float, Outputs]]()
        self._asked: Do | None = None
        self._due = math.inf

    def before(self, run: Run, effects: list[Effect]) -> None:
        """Obeys what was told, and does what was asked long enough ago."""
        bench = self._bench
        while self._on_the_way and self._on_the_way[0][0] <= bench.time + 1e-9:
            outputs = self._on_the_way.popleft()[1]
            bench.aim_valve(outputs.valve, ACTUATOR_S)
            if outputs.power is not bench.powered:
                bench.switch(outputs.power)
        do = run.now.do
        if do is not self._asked:
            self._asked, self._due = do, bench.time + HANDS_S
        if do in self._HANDS and bench.time >= self._due:
            said, act = self._HANDS[do]
            self._due = math.inf
            act(bench)
            effects += run.confirm(said)

    def told(self, effects: list[Effect]) -> None:
        """Takes the outputs that the run wants."""
        self._on_the_way.extend((self._bench.time + LINE_S, e) for e in effects if isinstance(e, Outputs))


def spoiler(laboratory: Laboratory, fault: Fault, at: float, seed: int) -> Spoiler:
    """The fault at a stand, with chance of its own."""
    return Spoiler(fault, at, laboratory.identity, laboratory.scales, np.random.default_rng((seed, 93)))


def unspoilt(block: Block) -> Block:
    """The block as it is."""
    return block
