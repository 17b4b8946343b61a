"""Whole runs whose every word and digit is kept, as text that a person can read.

Same samples, same bits: a change of the core that is meant to change nothing must leave these texts as they are. Write
them after a change that is meant, and read the difference: python -m tests.daq.procedure.whole_runs
"""

import math
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np

from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.judge.finding import Finding
from daq.procedure.effects import Alarm, CaptureWanted, Effect, Ended, Noted, Outcome, Outputs, StageNow, Taken
from daq.procedure.plan import Stand
from daq.procedure.run import ConfirmError, Run
from simulator.design import Habits, Scenario
from simulator.fast import FastBench, identity_of
from simulator.scenario import load_scenario
from tests.studies.single_faults.benches import Driven, Followed

CONFIG = Path(__file__).resolve().parents[3] / "config"
TEXTS = Path(__file__).parent / "whole_runs"
PARTS = {
    "good-pump": "MH-2101",
    "high-pressure": "MH-2140",
    "displacement": "MH-2207",
    "module": "MH-3310",
    "module-return": "MH-3325",
}
MODES = {"followed": ("stand.toml", "depot"), "driven": ("stand-driven.toml", "driven")}
QUICK = Habits(reaction=0.3, task=0.3, slow_travel=1.5, quick_travel=1.0, dry_run=1.1)
PATIENCE_S = 12.0
"""Limits on a stage and on an answer, where a run is to meet them."""
NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
CLOSE = 1e-5
"""Relative difference up to which numbers are the same: another numpy may sum in another order."""

MANY = 1e6
"""More degrees of freedom are shown as infinite."""


@dataclass(frozen=True, slots=True)
class Case:
    """One run. At `moment`, a stage and seconds into it, something `happens`: a mishap by name or one of EVENTS.

    `impatient` shortens the limits on stages and answers.
    """

    name: str
    mode: str
    unit: str
    part: str = ""
    moment: tuple[str, float] = ("", 0.0)
    happens: str = ""
    impatient: bool = False
    seed: int = 1


def _abort(run: Run, _bench: FastBench) -> list[Effect]:
    return run.halt("abort")


EVENTS: dict[str, Callable[[Run, FastBench], list[Effect]]] = {"abort": _abort}


def _followed(unit: str, happens: str = "", stage: str = "", after: float = 0.4, **more: object) -> Case:
    name = "-".join(n for n in ("followed", unit, happens.replace("_", "-"), stage.replace(".", "-")) if n)
    return Case(name, "followed", unit, moment=(stage, after), happens=happens, **more)  # type: ignore[arg-type]


def _driven(unit: str, happens: str = "", stage: str = "", after: float = 0.4, **more: object) -> Case:
    name = "-".join(n for n in ("driven", unit, happens.replace("_", "-"), stage.replace(".", "-")) if n)
    return Case(name, "driven", unit, moment=(stage, after), happens=happens, **more)  # type: ignore[arg-type]


CASES = {
    c.name: c
    for c in (
        *(_followed(unit) for unit in PARTS),
        *(_driven(unit) for unit in PARTS),
        *(
            _followed(unit, part=part)
            for unit, part in (
                ("weak-pump", "MH-2101"),
                ("weak-relief", "MH-2101"),
                ("seized", "MH-2101"),
                ("air", "MH-2101"),
                ("sagging-supply", "MH-2101"),
                ("leaking-check-valve", "MH-2140"),
                ("never-fills", "MH-3310"),
            )
        ),
        *(_driven(unit, part="MH-2101") for unit in ("weak-pump", "weak-relief")),
        _followed("good-pump", "unit_off", "shutoff"),
        _followed("good-pump", "hose_off", "throttle"),
        _followed("good-pump", "lead_off", "free_flow.2"),
        _followed("good-pump", "power_cut", "throttle"),
        _followed("good-pump", "valve_opened", "shutoff", impatient=True),
        _followed("good-pump", "valve_shut", "free_flow", impatient=True),
        _followed("good-pump", "abort", "reopen"),
        _followed("module", "out_of_fluid", "free_flow"),
        _followed("module", "power_cut", "fill"),
        _followed("module-return", "return_off", "free_flow"),
        _followed("high-pressure", "valve_opened", "residual"),
        _driven("good-pump", "power_cut", "free_flow", after=0.5),
        _driven("displacement", "abort", "free_flow.2", after=0.5),
        _driven("high-pressure", "hose_off", "rated", after=0.5),
        _driven("module", "unit_off", "reopen", after=0.5),
    )
}


@cache
def stand_of(mode: str, *, impatient: bool) -> Stand:
    stand = load_stand(CONFIG / MODES[mode][0]).stand
    if not impatient:
        return stand
    return replace(stand, limits=replace(stand.limits, stage_s=PATIENCE_S, ask_s=PATIENCE_S))


@cache
def catalogue_of(mode: str) -> Catalogue:
    return load_catalogue(CONFIG / MODES[mode][0], stand_of(mode, impatient=False))


@cache
def scenario_of(mode: str) -> Scenario:
    return load_scenario(MODES[mode][1])


def carry_out(case: Case) -> tuple[Run, list[Effect]]:
    """The run to its end."""
    scenario, stand = scenario_of(case.mode), stand_of(case.mode, impatient=case.impatient)
    generator = np.random.default_rng((case.seed, 77))
    bench = FastBench(scenario, scenario.unit(case.unit), generator, misread={}, habits=QUICK)
    part = catalogue_of(case.mode).part(case.part or PARTS[case.unit])
    run = Run(part, stand, identity_of(scenario), {})
    attend = Driven(bench) if case.mode == "driven" else Followed(bench)
    effects: list[Effect] = []
    happened = not case.happens
    while run.outcome is None:
        with suppress(ConfirmError):  # a person who is disturbed may say something twice
            attend.before(run, effects)
        if run.outcome is None:
            seen = run.feed(bench.block())
            effects += seen
            attend.told(seen)
        stage, after = case.moment
        if not happened and run.stage == stage and run.outcome is None and run.t >= run.now.since + after:
            happened = True
            effects += _happen(case.happens, run, bench)
    assert happened, f"{case.name}: the run never came to {case.moment[0]}"
    return run, effects


def _happen(name: str, run: Run, bench: FastBench) -> list[Effect]:
    if name in EVENTS:
        return EVENTS[name](run, bench)
    bench.befall(name)
    return []


def text_of(case: Case) -> str:
    """What the run told, a line an effect, and what came of it."""
    run, effects = carry_out(case)
    return "\n".join([", ".join(run.stages), *(line for some in _gathered(effects) for line in _lines_of(some))]) + "\n"


def _gathered(effects: list[Effect]) -> Iterator[list[Effect]]:
    """Effects one by one, but outputs that differ only in where the valve is to be as one list."""
    for outputs, some in groupby(effects, lambda e: (e.power, e.supply) if isinstance(e, Outputs) else None):
        together = list(some)
        yield from ([e] for e in together) if outputs is None else [together]


def _lines_of(some: list[Effect]) -> Iterator[str]:
    valves = [e.valve for e in some if isinstance(e, Outputs)]
    yield from _lines(some[0])
    if len(valves) > 1:
        mean = _digits(math.fsum(valves) / len(valves))
        yield f"          … {len(valves)} times, to {_digits(valves[-1])}, mean {mean}"


def _lines(effect: Effect) -> Iterator[str]:
    match effect:
        case StageNow(stage, do, since, asked):
            yield f"{since:9.3f} {stage}: {do.value}{', asked' if asked else ''}"
        case Noted(t, what, detail):
            yield f"{t:9.3f} {what}: {detail}"
        case Alarm(code, severity, text, do):
            yield f"          alarm {code}, {severity}: {text}; {do}"
        case Outputs(power, valve, supply):
            yield f"          outputs: power {'on' if power else 'off'}, valve {valve:.9g}, supply {supply}"
        case CaptureWanted(role, rate_hz, total):
            yield f"          capture wanted: role {role}, {rate_hz} Hz, {total}"
        case Taken(reading, findings):
            c = reading.combined
            at = "" if reading.at is None else f" at {_digits(reading.at)}"
            span = f"{reading.window[0]:.3f} to {reading.window[1]:.3f} s"
            yield f"          read {reading.name}{at}, {span}: {_digits(reading.value)}{_interval(reading)}"
            dof = _digits(c.dof if c.dof < MANY else math.inf)
            yield f"            u {_digits(c.u)}, k {_digits(c.k)}, dof {dof}, flags {', '.join(reading.flags)}"
            yield from (f"            {_finding(f)}" for f in findings)
        case Ended(outcome):
            yield from _outcome(outcome)


def _interval(reading: object) -> str:
    low, high = getattr(reading, "low", None), getattr(reading, "high", None)
    return "" if low is None or high is None or low == high else f" [{_digits(low)}, {_digits(high)}]"


def _finding(found: Finding) -> str:
    shown = {f.name: getattr(found, f.name) for f in fields(found) if f.name not in ("requirement", "reading")}
    return f"{found.requirement.name}: " + ", ".join(f"{name} {_digits(value)}" for name, value in shown.items())


def _outcome(outcome: Outcome) -> Iterator[str]:
    yield f"verdict {outcome.verdict.word.value}: {outcome.verdict.why}"
    yield from (f"  {name} from {begin:.3f} to {end:.3f} s" for name, begin, end in outcome.stages)
    yield from (f"  {_finding(f)}" for f in outcome.findings)
    yield "  readings " + ", ".join(f"{r.stage}.{r.quantity}" for r in outcome.readings)
    c, z = outcome.conditions, outcome.zero
    yield f"  conditions: {_digits(c.voltage)} V, {_digits(c.temperature)} K, {c.fluid}"
    yield "  zero: " + ", ".join(f"{f.name} {_digits(getattr(z, f.name))}" for f in fields(z))
    yield f"  pump on {outcome.pump_on_s:.3f} s of {outcome.duration_s:.3f} s"
    yield f"  overshoot {_digits(outcome.overshoot)}, highest {_digits(outcome.highest)} Pa"
    yield f"  scans {outcome.scans}, missing {outcome.scans_missing}, displaced {outcome.scans_displaced}"
    yield from (f"  hint {h.cause}: {h}" for h in outcome.hints)
    yield from (f"  scatter {name}: {_digits(d)}" for name, d in sorted(outcome.scatter.items()))


def _digits(value: object) -> str:
    if isinstance(value, float):
        return "inf" if math.isinf(value) else f"{value:.9g}"
    return str(value)


def differences(found: str, kept: str) -> list[str]:
    """The first lines that are not the same; numbers may differ by rounding."""
    ours, theirs = found.splitlines(), kept.splitlines()
    other = [f"found {a!r}\nkept  {b!r}" for a, b in zip(ours, theirs, strict=False) if not _same(a, b)]
    if len(ours) != len(theirs):
        other.append(f"found {len(ours)} lines, kept {len(theirs)}")
    return other[:3]


def _same(a: str, b: str) -> bool:
    if a == b:
        return True
    if NUMBER.sub("#", a) != NUMBER.sub("#", b):
        return False
    pairs = zip(NUMBER.findall(a), NUMBER.findall(b), strict=True)
    return all(math.isclose(float(x), float(y), rel_tol=CLOSE, abs_tol=1e-9) for x, y in pairs)


def main() -> None:
    TEXTS.mkdir(exist_ok=True)
    for old in TEXTS.glob("*.txt"):
        if old.stem not in CASES:
            old.unlink()
    for case in CASES.values():
        (TEXTS / f"{case.name}.txt").write_text(text_of(case), "utf-8")


if __name__ == "__main__":
    main()
