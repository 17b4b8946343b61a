"""How honest intervals are on stands that differ: coverage, errors in u, k, and units left undecided.

Each unit is new and on a stand of its own (`daq.study.stands`), whose errors are drawn from the distributions that its
configuration states. With `--history` so many units were tested on that stand before, and their scatter is known.

Run: python -m tests.studies.intervals [--units 300] [--history 0] [--seed 1]
"""

import argparse
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.requirement import Mode
from daq.measure.pooling import history_of
from daq.measure.reading import Reading
from daq.measure.scatter import Differences, Known
from daq.procedure.effects import Outcome
from daq.procedure.plan import Stand
from daq.procedure.run import Run
from daq.study.blind_errors import StandErrors, draw_errors
from daq.study.blind_population import Population
from daq.study.blind_run import TOLD, Truths, carry_out
from daq.study.blind_tally import Share
from daq.study.stands import DrawnStand, draw_stand
from simulator.scenario import load_scenario
from tests.studies.common import show

CONFIG = Path(__file__).resolve().parents[2] / "config"
PART, UNIT = "MH-2101", "good-pump"
MODES = (Mode.DECIDE, Mode.REPORT)
REPORT_S = 3.0
SUPPLY_V, FLUID_K, YEARS = 0.1, (291.15, 301.15), 1.0
QUANTITIES = ("flow", "current", "pressure", "peak_pressure")


@dataclass(frozen=True, slots=True)
class Held:
    """A reading beside its truth: error and U in u, k, and the shares that scatter has in u²."""

    quantity: str
    error: float
    factor: float
    scatter: float
    runs: int

    @property
    def held(self) -> bool:
        return abs(self.error) <= self.factor


@dataclass(slots=True)
class Tally:
    """Readings of one kind, and findings: `near` ones have their limit within U of the truth."""

    readings: list[Held] = field(default_factory=list)
    findings: int = 0
    near: int = 0
    undecided: int = 0

    def row(self) -> tuple[str, ...]:
        errors = np.array([r.error for r in self.readings])
        factors = np.array([r.factor for r in self.readings])
        held = Share(sum(r.held for r in self.readings), len(self.readings))
        low, high = held.bounds
        ratio = f"{self.undecided / self.near:.2f} ({self.undecided} of {self.near})" if self.near else ""
        return (
            str(len(errors)),
            f"{100 * held.count / held.of:.1f} % ({100 * low:.1f} to {100 * high:.1f})",
            f"{np.sqrt(np.mean(errors**2)):.2f}",
            " / ".join(f"{q:.2f}" for q in np.quantile(factors, (0.1, 0.5, 0.9, 1.0))),
            f"{100 * np.mean([r.scatter for r in self.readings]):.0f} %",
            ratio,
        )


@dataclass(frozen=True, slots=True)
class Bench:
    """A drawn stand with its errors, and what its configuration is told of their age."""

    stand: DrawnStand
    errors: StandErrors
    years: Mapping[str, float]
    fluid: float
    supply: float


@cache
def shipped() -> Stand:
    return load_stand(CONFIG).stand


@cache
def population(mode: Mode, seed: int) -> Population:
    part = load_catalogue(CONFIG, shipped()).part(PART)
    return Population(load_scenario("depot"), UNIT, part, mode, seed)


def drawn(seed: int, mode: Mode, number: int) -> Bench:
    """A stand, and how it errs."""
    draw = np.random.default_rng((seed, MODES.index(mode), number))
    stand = draw_stand(draw, shipped(), load_scenario("depot"))
    fluid, age = float(draw.uniform(*FLUID_K)), float(draw.uniform(0.0, YEARS))
    years = dict.fromkeys(("pressure", "current", "voltage", "flow"), age)
    errors = draw_errors(stand.stand.channels, years, fluid, draw)
    return Bench(stand, errors, years, fluid, float(draw.uniform(-SUPPLY_V, SUPPLY_V)))


def tested(
    bench: Bench, mode: Mode, seed: int, key: tuple[int, ...], history: Mapping[str, Known]
) -> tuple[Outcome, Truths]:
    """A unit of the population on a stand."""
    units = population(mode, seed)
    draw = np.random.default_rng((seed, MODES.index(mode), *key))
    unit = units.build(units.draw(draw), "unit", bench.fluid)
    terminals = units.part.test_voltage + bench.supply
    stand = bench.stand
    device = stand.mount(
        stand.supplied(unit, terminals, units.usual_current),
        draw,
        misread=bench.errors.misread,
        meter_gain=bench.errors.meter_gain,
        scenario=replace(stand.scenario, bath=replace(stand.scenario.bath, temperature=bench.fluid)),
    )
    settings = stand.stand
    if mode is Mode.REPORT:
        settings = replace(settings, reading=replace(settings.reading, max_window=REPORT_S))
    run = Run(units.part, settings, stand.identity, bench.years, history)
    carried = carry_out(run, device)
    return carried.outcome, Truths(device, units.part.test_voltage)


def examined(seed: int, mode: Mode, number: int, earlier: int) -> tuple[Bench, Outcome, Truths]:
    """One unit on a stand of its own, after so many others."""
    bench = drawn(seed, mode, number)
    before: list[Mapping[str, Differences]] = []
    for k in range(earlier):
        outcome, _ = tested(bench, mode, seed, (number, k + 1), {})
        before.append(outcome.scatter)
    outcome, truths = tested(bench, mode, seed, (number, 0), history_of(before))
    return bench, outcome, truths


def readings(outcome: Outcome, truths: Truths) -> Iterator[tuple[Reading, Held]]:
    for r in outcome.readings:
        opened = r.stage.startswith("free_flow")
        if r.quantity not in TOLD or r.stage == "dry_check" or r.is_interval or (opened and r.quantity == "pressure"):
            continue
        c, truth = r.combined, truths.of(r.quantity, r.stage, r.window)
        scatter = sum(p.standard**2 for p in c.components if p.values)
        runs = max((k.runs for p in c.components for k in p.pooled), default=0)
        yield r, Held(r.quantity, (r.value - truth) / c.u, c.k, scatter / c.u**2, runs)


def count(seed: int, units: int, earlier: int) -> dict[tuple[str, str, str], Tally]:
    """Tallies by mode, quantity and kind of stand ("all" for either)."""
    told: dict[tuple[str, str, str], Tally] = defaultdict(Tally)
    for mode in MODES:
        for number in range(units):
            bench, outcome, truths = examined(seed, mode, number, earlier)
            for reading, held in readings(outcome, truths):
                for key in keys(mode, reading.quantity, bench.stand.traits):
                    told[key].readings.append(held)
            for finding in outcome.findings:
                need, r = finding.requirement, finding.reading
                if mode is Mode.DECIDE and r is not None and not r.is_interval and need.quantity.value in TOLD:
                    if finding.stage == "dry_check":
                        continue
                    truth = truths.of(need.quantity.value, finding.stage, r.window)
                    limits = [x for x in (need.at_least, need.at_most) if x is not None]
                    near = min(abs(truth - x) for x in limits) < r.combined.U
                    for key in keys(mode, need.quantity.value, bench.stand.traits):
                        told[key].findings += 1
                        told[key].near += near
                        told[key].undecided += finding.result.value == "undecided"
    return told


def keys(mode: Mode, quantity: str, traits: Sequence[str]) -> list[tuple[str, str, str]]:
    return [(mode.value, q, t) for q in (quantity, "all") for t in ("all", *traits) if q == "all" or t == "all"]


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=300)
    parser.add_argument("--history", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(argv)
    told = count(given.seed, given.units, given.history)
    head = ("mode", "quantity", "stands", "readings", "U holds", "rms error/u", "k: 10 / 50 / 90 / 100 %")
    show(
        (*head, "scatter in u²", "undecided / limit within U"),
        ((*key, *tally.row()) for key, tally in sorted(told.items()) if tally.readings),
    )


if __name__ == "__main__":
    main()
