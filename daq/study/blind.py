"""A blind population: simulated units tested by the real core from raw blocks, and its findings beside the truth.

Each unit's true values are drawn about the limits of its part, so that most are hard to judge. Each unit lies on a
stand of its own, drawn from the population of `daq.study.stands`; supply, fluid and the errors of the sensors are drawn
from what the stand's configuration states. Every draw depends on the seed and the unit's number alone, so the result
is the same with any number of processes.
"""

import functools
import os
import signal
import threading
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context, parent_process
from pathlib import Path

import numpy as np

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.requirement import Mode
from daq.procedure.plan import Stand
from daq.study.blind_errors import StandErrors, draw_errors
from daq.study.blind_manual import ByHand, Instruments, by_hand
from daq.study.blind_population import Population
from daq.study.blind_run import Examined, examine
from daq.study.stands import DrawnStand, as_configured, draw_stand
from simulator.design import Habits, Scenario, UnitDesign
from simulator.fast import FastBench
from simulator.plant.noise import Spikes
from simulator.scenario import load_scenario
from simulator.unit_faults import FAULTS, with_fault

FAMILIES = {
    "turbine": ("MH-2101", "good-pump"),
    "displacement": ("MH-2207", "displacement"),
    "module": ("MH-3310", "module"),
}
"""The part and the scenario's unit that a population is made of."""
ROUND = 20
OTHERS = {6: "displacement", 13: "displacement", 19: "module"}
"""Of every ROUND units those that are no turbine pumps, by their place in it."""
FAULTY_SHARE = 0.1
"""So many faulty units on top, as a share."""
GOOD_MARGIN = 1.06
"""A faulty unit would be so much better than its limits without its fault."""
SUPPLY_SPREAD_V = 0.1
FLUID = (291.15, 301.15)
"""Fluid temperature between units: 18 to 28 °C."""
MOST_YEARS = 1.0
"""A calibration is at most so old."""
SPIKES_PER_SAMPLE = (0.5e-3, 5e-3)
SPIKE_SIZE = (0.01, 0.04)
"""Spikes of pressure on single samples as real pump rigs show them: 0.5 to 5 of 1 000, 1 to 4 % of the reading."""
HABITS = Habits(reaction=0.3, task=0.3, slow_travel=1.0, quick_travel=1.0, dry_run=1.1)
"""A quick person at the configured stand, so that the study takes minutes."""
MODULE_FAULTS = frozenset({"never_fills"})
GUARDS = (1.0, 0.0)
GROUPS = ("decide", "faulty", "report")
CALIBRATED = ("pressure", "current", "voltage", "flow")
CHUNK = 4


@dataclass(frozen=True, slots=True)
class Plan:
    """The settings of a study. `settle`, `window` (s) and `looks` are the stand's own where they are None; a report is
    read over at most `report_window` seconds. Without `drawn` every unit lies on the configured stand."""

    config: Path
    scenario: str = "depot"
    seed: int = 1
    units: int = 10_000
    reports: int = 2_000
    report_window: float = 3.0
    settle: float | None = None
    window: float | None = None
    looks: int | None = None
    drawn: bool = True
    tools: Instruments = field(default_factory=Instruments)

    @property
    def cases(self) -> list["Case"]:
        """Every unit, in order."""
        decided = [Case("decide", n, OTHERS.get(n % ROUND, "turbine")) for n in range(self.units)]
        names = sorted(FAULTS)
        faulty = []
        for n in range(round(FAULTY_SHARE * self.units)):
            name = names[n % len(names)]
            faulty.append(Case("faulty", n, "module" if name in MODULE_FAULTS else "turbine", name))
        return [*decided, *faulty, *(Case("report", n, "turbine") for n in range(self.reports))]


@dataclass(frozen=True, slots=True)
class Case:
    """One unit to test: its group (`decide`, `faulty` or `report`), its number there, its family, its fault if any."""

    group: str
    number: int
    family: str
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The results on one unit, by guard factor and by hand; `traits` names the kinds of its stand."""

    case: Case
    tested: Mapping[float, Examined]
    by_hand: tuple[ByHand, ...]
    traits: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Trial:
    """A unit on a stand, as drawn: `volts` at its terminals at its mean current, `fluid` temperature (K), `years` since
    each channel's calibration, which the core receives, and the sensors' errors, which it does not."""

    design: UnitDesign
    bench: DrawnStand
    scenario: Scenario
    volts: float
    fluid: float
    years: Mapping[str, float]
    errors: StandErrors


class Laboratory:
    """Everything that the units of a plan share; one a process."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.scenario = load_scenario(plan.scenario)
        shipped = load_stand(plan.config).stand
        self.stand = self._settings(shipped)
        catalogue = load_catalogue(plan.config, shipped)
        self._parts = {family: catalogue.part(number) for family, (number, _) in FAMILIES.items()}
        self._populations: dict[tuple[str, Mode], Population] = {}

    def _settings(self, stand: Stand) -> Stand:
        plan, reading = self.plan, stand.reading
        changed = replace(
            reading,
            settle=reading.settle if plan.settle is None else plan.settle,
            window=reading.window if plan.window is None else plan.window,
            looks=reading.looks if plan.looks is None else plan.looks,
        )
        return replace(stand, reading=changed)

    def population(self, family: str, mode: Mode) -> Population:
        """The population that a family's units come from."""
        if (family, mode) not in self._populations:
            base, part = FAMILIES[family][1], self._parts[family]
            self._populations[family, mode] = Population(self.scenario, base, part, mode, self.plan.seed)
        return self._populations[family, mode]

    def try_out(self, case: Case) -> Outcome:
        """Tests one unit."""
        group = GROUPS.index(case.group)
        reports = case.group == "report"
        population = self.population(case.family, Mode.REPORT if reports else Mode.DECIDE)
        draw, noise, of_stand = (
            functools.partial(np.random.default_rng, (self.plan.seed, group, case.number, k)) for k in (1, 2, 3)
        )
        drawing = draw()
        trial = self._trial(case, population, self._bench(of_stand()), drawing)
        bench, wrong = trial.bench, trial.errors

        def mount() -> FastBench:
            return bench.mount(
                trial.design,
                noise(),
                misread=wrong.misread,
                meter_gain=wrong.meter_gain,
                scenario=trial.scenario,
            )

        stand, guards = (self._reporting(bench.stand), GUARDS[:1]) if reports else (bench.stand, GUARDS)
        tested = examine(population.part, stand, bench.identity, years=trial.years, mount=mount, guards=guards)
        manual = self._by_hand(population, trial, drawing) if case.group == "decide" else ()
        return Outcome(case, tested, manual, bench.traits)

    def _bench(self, generator: np.random.Generator) -> DrawnStand:
        """The stand for one unit."""
        if self.plan.drawn:
            return draw_stand(generator, self.stand, self.scenario)
        return as_configured(self.stand, self.scenario, HABITS)

    def _reporting(self, stand: Stand) -> Stand:
        return replace(stand, reading=replace(stand.reading, max_window=self.plan.report_window))

    def _trial(self, case: Case, population: Population, bench: DrawnStand, draw: np.random.Generator) -> Trial:
        wanted = population.better(GOOD_MARGIN) if case.fault else population.draw(draw)
        fluid, age = float(draw.uniform(*FLUID)), float(draw.uniform(0.0, MOST_YEARS))
        unit = population.build(wanted, f"{case.group}-{case.number}", fluid)
        years = dict.fromkeys(CALIBRATED, age)
        volts = population.part.test_voltage + float(draw.uniform(-SUPPLY_SPREAD_V, SUPPLY_SPREAD_V))
        design = bench.supplied(unit, volts, population.usual_current)
        return Trial(
            design=with_fault(design, case.fault) if case.fault else design,
            bench=bench,
            scenario=_surroundings(bench.scenario, fluid, draw),
            volts=volts,
            fluid=fluid,
            years=years,
            errors=draw_errors(bench.stand.channels, years, fluid, draw),
        )

    def _by_hand(self, population: Population, trial: Trial, draw: np.random.Generator) -> tuple[ByHand, ...]:
        unit, line, tools = trial.design.unit, trial.scenario.line, self.plan.tools
        return by_hand(population.part, unit, line, draw, volts=trial.volts, fluid=trial.fluid, tools=tools)


def _surroundings(scenario: Scenario, fluid: float, draw: np.random.Generator) -> Scenario:
    """The scenario with fluid of that temperature (K) and spikes as real rigs show them."""
    low, high = SPIKE_SIZE
    return replace(
        scenario,
        bath=replace(scenario.bath, temperature=fluid),
        spikes=Spikes(float(draw.uniform(*SPIKES_PER_SAMPLE)), low, high),
    )


_here: Laboratory | None = None


def _begin(plan: Plan) -> None:
    global _here  # noqa: PLW0603 - what a worker process keeps between units
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's affair
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _here = Laboratory(plan)


def _end_with_parent() -> None:
    """A parent that was killed would leave its workers waiting for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _one(case: Case) -> Outcome:
    assert _here is not None
    return _here.try_out(case)


def carry_out(plan: Plan, jobs: int = 1) -> Iterator[Outcome]:
    """Tests every unit of a plan in `jobs` processes; outcomes come in the order of `plan.cases`."""
    if jobs <= 1:
        laboratory = Laboratory(plan)
        yield from map(laboratory.try_out, plan.cases)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn"), _begin, (plan,)) as pool:
        yield from pool.map(_one, plan.cases, chunksize=CHUNK)
