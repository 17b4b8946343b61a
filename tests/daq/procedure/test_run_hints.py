"""What a run hints at, and that its verdict does not know of it."""

import pytest

from daq.procedure import run as run_module
from daq.procedure.effects import Outcome
from daq.procedure.plan import Part
from daq.procedure.run import Run
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import Bench, Unit, begin, carry_out, drive, module, pump

UNITS = {
    "good": Unit(),
    "gives little": Unit(free_flow=100 * LITRES_PER_HOUR),
    "holds nothing back": Unit(shutoff=300e3),
    "seized": Unit(free_flow=0.0, shutoff=0.0, current=19.0),
    "dead": Unit(current=0.05),
}


def outcome_of(unit: str) -> Outcome:
    return carry_out(pump(), Bench(UNITS[unit]))


@pytest.mark.parametrize(
    ("unit", "cause"),
    [
        ("gives little", "strainer"),
        ("holds nothing back", "relief valve opens too early"),
        ("seized", "rotor seized"),
        ("dead", "open circuit"),
    ],
)
def test_an_outcome_carries_its_hints(unit: str, cause: str) -> None:
    assert outcome_of(unit).hints[0].cause.startswith(cause)


def test_a_good_unit_has_none() -> None:
    assert outcome_of("good").hints == ()


@pytest.mark.parametrize("unit", UNITS)
def test_the_verdict_is_the_same_without_hints(unit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with_hints = outcome_of(unit)
    monkeypatch.setattr(run_module, "hints", lambda *_, **__: ())
    without = outcome_of(unit)
    assert without.hints == ()
    assert without.verdict == with_hints.verdict
    assert [(f.stage, f.result) for f in without.findings] == [(f.stage, f.result) for f in with_hints.findings]


def aborted(part: Part) -> Outcome:
    """A run that somebody ends while it waits for stillness."""
    run, bench = begin(part), Bench()

    def abort(b: Bench, r: Run) -> None:
        if r.stage == "free_flow" and b.power and b.t - r.now.since > 1.0:
            r.halt("aborted")

    bench.hook = abort
    drive(run, bench, 60)
    assert run.outcome is not None
    assert run.outcome.verdict.why == "aborted"
    return run.outcome


def test_a_run_that_was_aborted_before_anything_held_still_hints_at_no_air() -> None:
    assert aborted(pump()).hints == ()


def test_a_module_that_never_fills() -> None:
    [hint] = carry_out(module(), Bench(Unit(fills_in=1e6))).hints
    assert hint.cause.startswith("the jet")
    assert any(said.startswith("shutoff: ") for said in hint.for_)
