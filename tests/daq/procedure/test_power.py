"""Whole runs of units whose motors hold the terminals up after power-off, on stands that sense before and behind the
switch: power counts while it is applied."""

import pytest

from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import StageNow
from daq.procedure.plan import Kind, Part
from daq.procedure.run import Run
from daq.procedure.table import Do
from tests.daq.procedure.bench import DT, PUMP_NEEDS, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, notes

HOLDS = Requirement("holds pressure", Quantity.RESIDUAL_PRESSURE, "residual", at_least=300e3, after=2.0)
PARTS = {
    "pump": pump(),
    "pump that must hold pressure": pump(*PUMP_NEEDS, HOLDS),
    "module": module(Kind.MODULE_RETURN),
}
ON_S = 1.9
"""Power is on for so long in a dry check here, of 2 s that it may."""


def begun(bench: Bench, stage: str) -> float:
    """When a stage began (s of the run)."""
    return next(e.since for e in bench.effects if isinstance(e, StageNow) and e.stage == stage)


def run_dry(bench: Bench, run: Run) -> None:
    """Switches on in the dry check, and off after `ON_S`, whatever is asked."""
    bench.leaves = frozenset({Do.POWER_OFF}) if run.stage == "dry_check" else frozenset()
    if run.stage == "dry_check" and bench.powered_s > ON_S - 0.5 * DT:
        bench.switch(False)


@pytest.mark.parametrize("part", PARTS.values(), ids=PARTS)
@pytest.mark.parametrize("upstream", [False, True], ids=["sensed behind the switch", "sensed before it"])
@pytest.mark.parametrize("plateau", [False, True])
@pytest.mark.parametrize("run_down", [0.1, 0.5, 1.6, 3.0])
def test_the_run_down_is_no_power(part: Part, run_down: float, plateau: bool, upstream: bool) -> None:
    bench = Bench(Unit(run_down=run_down, plateau=plateau), upstream=upstream)
    bench.hook = run_dry
    outcome = carry_out(part, bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert alarms(bench) == []
    assert outcome.pump_on_s == pytest.approx(bench.powered_s, abs=0.11)


@pytest.mark.parametrize("upstream", [False, True])
def test_too_long_in_the_air_is_found_to_a_step(upstream: bool) -> None:
    bench = Bench(Unit(run_down=3.0), upstream=upstream, leaves=frozenset({Do.POWER_OFF}))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "dry running too long")
    assert bench.powered_s == pytest.approx(2.05, abs=0.06)


def test_two_dry_checks_count_together_and_their_run_downs_do_not() -> None:
    bench, spells = Bench(Unit(run_down=3.0)), [0.6, 1.9]

    def in_two_parts(b: Bench, run: Run) -> None:
        b.leaves = frozenset({Do.POWER_OFF}) if run.stage == "dry_check" else frozenset()
        if run.stage == "dry_check" and b.power and b.powered_s > spells[0] - 0.5 * DT:
            b.switch(False)
            del spells[0]
        if run.stage == "dry_check" and not b.power and len(spells) == 1 and "dry check too short" not in notes(b):
            b.leaves |= {Do.DRY_CHECK}

    bench.hook = in_two_parts
    outcome = carry_out(pump(), bench)
    assert "dry check too short" in notes(bench)
    assert outcome.verdict == Verdict(Word.PASS)


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen", "free_flow.2"])
@pytest.mark.parametrize("run_down", [0.1, 3.0])
@pytest.mark.parametrize("gone_for", [0.1, 0.3, 0.7])
def test_power_that_is_cut_and_restored(stage: str, run_down: float, gone_for: float) -> None:
    """Nothing is read across the gap, and a sound unit passes; no alarm tells of a supply."""
    bench, cut_at = Bench(Unit(run_down=run_down)), []

    def cut(b: Bench, run: Run) -> None:
        if not cut_at and run.stage == stage and run.t > begun(b, stage) + 0.4:
            cut_at.append(b.t)
            b.leaves = frozenset({Do.POWER_ON})
            b.switch(False)
        elif cut_at and b.leaves and b.t > cut_at[0] + gone_for - 0.5 * DT:
            b.leaves = frozenset()
            b.switch(True)

    bench.hook = cut
    outcome = carry_out(pump(), bench)
    assert cut_at
    assert outcome.verdict == Verdict(Word.PASS)
    assert outcome.pump_on_s == pytest.approx(bench.powered_s, abs=0.26)
    assert [a for a in alarms(bench) if "supply" in a] == []


@pytest.mark.parametrize("upstream", [False, True])
def test_power_that_is_cut_for_good_is_no_low_supply(upstream: bool) -> None:
    """Somebody switches off in the middle of a reading: the run waits for power, and says nothing of the supply."""
    bench, run = Bench(Unit(run_down=3.0), upstream=upstream), begin(pump())
    while run.stage != "free_flow":
        drive(run, bench, DT)
    drive(run, bench, 1.5)
    bench.leaves = frozenset({Do.POWER_ON})
    bench.switch(False)
    drive(run, bench, 60.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "power off")
    assert alarms(bench) == []
