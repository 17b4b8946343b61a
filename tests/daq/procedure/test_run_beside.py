"""Whole runs in which a channel moves that nothing is required of: it must not end them."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from daq.judge.finding import Result
from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.procedure.run import Run
from daq.procedure.stage_reading import NOT_STEADY
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import DT, LIMITS, STAND, Bench, carry_out, module, pump
from tests.daq.procedure.told import finding

PATIENT = replace(STAND, limits=replace(LIMITS, stage_s=15.0))
DRAWN = tuple(
    Requirement(f"current, {stage}", Quantity.CURRENT, stage, at_most=7.0) for stage in ("free_flow", "shutoff")
)


def emptying(bench: Bench, run: Run) -> None:
    """A module without return: the flow falls as it runs empty, by some 2 % a second."""
    if run.stage.startswith("free_flow"):
        bench.unit.free_flow -= 2.5 * LITRES_PER_HOUR * DT


def slipping(bench: Bench, run: Run) -> None:
    """A relief valve that warms up: pressure behind the shut valve falls by 2 % a second."""
    since = run.t - run.now.since if run.stage.startswith("shutoff") else 0.0
    bench.unit.shutoff = 500e3 - 10e3 * since


@pytest.mark.parametrize(("moves", "quantity"), [(emptying, "flow"), (slipping, "pressure")])
def test_a_channel_that_nothing_is_required_of_ends_no_run(moves: Callable[[Bench, Run], None], quantity: str) -> None:
    bench = Bench(hook=moves)
    outcome = carry_out(module(requirements=DRAWN), bench, PATIENT)
    assert outcome.verdict == Verdict(Word.PASS)
    told = {r.name: r for r in outcome.readings}
    stage = "free_flow" if quantity == "flow" else "shutoff"
    assert NOT_STEADY in told[f"{stage}.{quantity}"].flags
    assert NOT_STEADY not in told[f"{stage}.current"].flags


@pytest.mark.parametrize(
    ("moves", "need"),
    [
        (emptying, Requirement("flow", Quantity.FLOW, "free_flow", at_least=60 * LITRES_PER_HOUR)),
        (emptying, Requirement("efficiency", Quantity.EFFICIENCY, "free_flow", at_least=0.001)),
        (slipping, Requirement("pressure", Quantity.PRESSURE, "shutoff", at_least=300e3)),
        (slipping, Requirement("peak", Quantity.PEAK_PRESSURE, "shutoff", at_least=300e3)),
    ],
    ids=["flow", "efficiency", "pressure", "peak pressure"],
)
def test_one_that_is_required_still_does(moves: Callable[[Bench, Run], None], need: Requirement) -> None:
    outcome = carry_out(module(requirements=(*DRAWN, need)), Bench(hook=moves), PATIENT)
    assert finding(outcome, need.name).result is Result.VOID
    assert outcome.verdict.word is Word.VOID


def test_a_transient_is_waited_for() -> None:
    """Pressure still rises for two seconds after the valve is shut, and with it what a motor draws: the current is
    read when that is over."""
    bench = Bench()

    def rising(b: Bench, run: Run) -> None:
        since = run.t - run.now.since
        b.unit.shutoff = 500e3 - (max(60e3 - 30e3 * since, 0.0) if run.stage == "shutoff" else 0.0)

    bench.hook = rising
    outcome = carry_out(pump(*DRAWN), bench, PATIENT)
    assert outcome.verdict == Verdict(Word.PASS)
    begun = next(begin for name, begin, _ in outcome.stages if name == "shutoff")
    read = next(r for r in outcome.readings if r.name == "shutoff.current")
    assert read.window[0] - begun >= 2.0
    assert all(NOT_STEADY not in r.flags for r in outcome.readings)
