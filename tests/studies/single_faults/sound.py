"""Sound units on stands drawn at random, without any fault: what the checks cost."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.requirement import Mode
from daq.procedure.effects import Alarm, Effect
from daq.procedure.plan import Stand
from daq.procedure.run import Run
from daq.study.blind import FAMILIES, FLUID, SUPPLY_SPREAD_V
from daq.study.blind_errors import draw_errors
from daq.study.blind_population import Population
from daq.study.stands import draw_stand
from simulator.design import Scenario
from simulator.scenario import load_scenario
from tests.studies.curve import CONFIG
from tests.studies.single_faults.benches import LONGEST_S, Followed

MIX = ("turbine", "turbine", "module", "displacement")
MARGIN = 1.06


@dataclass(frozen=True, slots=True)
class Sound:
    """What was said of a sound unit: the verdict's word and reason, alarms, and the stand's traits."""

    number: int
    family: str
    word: str
    why: str
    alarms: tuple[str, ...]
    traits: tuple[str, ...]


@cache
def _place(family: str) -> tuple[Stand, Scenario, Population]:
    stand, scenario = load_stand(CONFIG / "stand.toml").stand, load_scenario("depot")
    number, base = FAMILIES[family]
    part = load_catalogue(CONFIG / "stand.toml", stand).part(number)
    return stand, scenario, Population(scenario, base, part, Mode.DECIDE, 1)


def sound(numbers: int, seed: int) -> Iterator[Sound]:
    """A unit on each of so many stands."""
    for number in range(numbers):
        yield _one(number, seed)


def _one(number: int, seed: int) -> Sound:
    family = MIX[number % len(MIX)]
    stand, scenario, population = _place(family)
    draw = np.random.default_rng((seed, 95, number))
    drawn = draw_stand(draw, stand, scenario)
    fluid = float(draw.uniform(*FLUID))
    errors = draw_errors(drawn.stand.channels, {}, fluid, draw)
    unit = population.build(population.better(MARGIN), str(number), fluid)
    volts = population.part.test_voltage + float(draw.uniform(-SUPPLY_SPREAD_V, SUPPLY_SPREAD_V))
    bench = drawn.mount(
        drawn.supplied(unit, volts, population.usual_current),
        np.random.default_rng((seed, 96, number)),
        misread=errors.misread,
        meter_gain=errors.meter_gain,
        scenario=replace(drawn.scenario, bath=replace(drawn.scenario.bath, temperature=fluid)),
    )
    run, attend = Run(population.part, drawn.stand, drawn.identity, {}), Followed(bench)
    effects: list[Effect] = []
    while run.outcome is None:
        attend.before(run, effects)
        effects += run.halt("endless") if bench.time > LONGEST_S else run.feed(bench.block())
    alarms = tuple(dict.fromkeys(e.code for e in effects if isinstance(e, Alarm)))
    said = run.outcome.verdict
    return Sound(number, family, said.word.value, said.why, alarms, drawn.traits)
