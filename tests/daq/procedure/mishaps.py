"""Whole runs on the simulator's lean bench in which something happens to the unit in mid-run."""

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.procedure.effects import Effect, Outcome
from daq.procedure.plan import Part, Stand
from daq.procedure.run import ConfirmError, Run
from simulator.fast import FastBench, identity_of
from simulator.scenario import load_scenario

CONFIG = Path(__file__).resolve().parents[3] / "config"
DEPOT = load_scenario("depot")
IDENTITY = identity_of(DEPOT)
UNITS = {"good-pump": "MH-2101", "high-pressure": "MH-2140", "module": "MH-3310", "module-return": "MH-3325"}
"""Sound units, and the parts that they are."""
PATIENCE_S = 15.0
"""A stage's time and that for an answer are shortened to this, so that runs which come to nothing end soon."""


@dataclass(frozen=True, slots=True)
class Mishap:
    """`name` befalls the unit `after` seconds into `stage`, and `then` another so much `later`. The person goes on
    doing what is asked where he `obeys`, else he lets it be."""

    name: str
    stage: str
    after: float
    then: str = ""
    later: float = 2.0
    obeys: bool = True


@cache
def stand() -> Stand:
    shipped = load_stand(CONFIG).stand
    return replace(shipped, limits=replace(shipped.limits, stage_s=PATIENCE_S, ask_s=PATIENCE_S))


@cache
def catalogue() -> Catalogue:
    return load_catalogue(CONFIG, load_stand(CONFIG).stand)


def part(unit: str) -> Part:
    return catalogue().part(UNITS[unit])


def stages(unit: str) -> tuple[str, ...]:
    return Run(part(unit), stand(), IDENTITY, {}).stages


def mounted(unit: str, seed: int = 1) -> FastBench:
    return FastBench(DEPOT, DEPOT.unit(unit), np.random.default_rng(seed), misread={})


@dataclass(frozen=True, slots=True)
class Carried:
    """What came of a run, and when the mishap came (s of the run; None: the run never got there)."""

    outcome: Outcome
    effects: tuple[Effect, ...]
    at: float | None


def carry_out(run: Run, bench: FastBench, mishap: Mishap | None = None) -> Carried:
    """The run to its end."""
    effects: list[Effect] = []
    entered, at, again = None, None, None
    while run.outcome is None:
        if at is None or mishap is None or mishap.obeys:
            bench.person.hear(run.now.do.value)
        for word in bench.person.take_confirmations():
            with suppress(ConfirmError):  # a person who is disturbed may say something twice
                effects += run.confirm(word)
        if run.outcome is not None:
            break
        effects += run.feed(bench.block())
        if mishap is None or run.outcome is not None:
            continue
        if run.stage == mishap.stage and entered is None:
            entered = run.t
        if at is None and entered is not None and run.t >= entered + mishap.after:
            bench.befall(mishap.name)
            at = run.t
        if mishap.then and at is not None and again is None and run.t >= at + mishap.later:
            bench.befall(mishap.then)
            again = run.t
    return Carried(run.outcome, tuple(effects), at)
