"""Signals against each other and against their own rest: what no sound run shows is void, and never a fail."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.judge.verdict import Verdict, Word
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.crosschecks import Balance
from daq.procedure.effects import Alarm
from daq.procedure.run import Run
from drivers.block import Role
from tests.daq.procedure.bench import PUMP_NEEDS, Bench, carry_out, pump
from tests.daq.procedure.told import alarms

STEP_S = 0.05
WET = pump(*PUMP_NEEDS[1:], dry_check_s=None)
Hook = Callable[[Bench, Run], None]


def step(k: int, *, pressure: float, flow: float, amperes: float, faulty: int = 0) -> Step:
    return Step(
        number=k,
        t=STEP_S * (k + 1),
        pressure=pressure,
        voltage=13.5,
        current=amperes,
        temperature=296.0,
        level=0.0,
        flow=Flow(flow, flow, flow),
        flow_step=None,
        lost=False,
        faulty=faulty,
        above=0,
        top=pressure,
    )


def balanced(efficiency: float, *, seconds: float = 2.0, on_for: float = 2.0, faulty: int = 0) -> str:
    """What is said of so many seconds in which pressure × flow is a share of voltage × current."""
    balance, pressure, amperes = Balance(0.0, STEP_S), 400e3, 6.0
    flow = efficiency * 13.5 * amperes / pressure
    steps = [
        step(k, pressure=pressure, flow=flow, amperes=amperes, faulty=faulty) for k in range(round(seconds / STEP_S))
    ]
    return next((said for s in steps if (said := balance.feed(s, on_for))), "")


@given(st.floats(0.0, 0.59))
@settings(deadline=None)
def test_what_a_pump_can_give_is_left_alone(efficiency: float) -> None:
    assert not balanced(efficiency)


@given(st.floats(0.61, 50.0))
@settings(deadline=None)
def test_more_power_out_than_can_be_is_a_contradiction(efficiency: float) -> None:
    assert "expected at most 60% of that" in balanced(efficiency)


@pytest.mark.parametrize("column", [Column.PRESSURE, Column.VOLTAGE, Column.CURRENT])
def test_powers_are_compared_only_where_all_is_known(column: Column) -> None:
    assert not balanced(2.0, faulty=BITS[column])
    assert not balanced(2.0, on_for=0.5)
    assert not balanced(2.0, seconds=0.9)


def from_stage(stage: str, do: Callable[[Bench], None]) -> Hook:
    """Does something at every block from the first one in a stage on."""
    begun: list[str] = []

    def hook(b: Bench, r: Run) -> None:
        if r.stage == stage:
            begun.append(stage)
        if begun:
            do(b)

    return hook


def with_current(extra: float, factor: float = 1.0) -> Callable[[Bench], None]:
    def do(b: Bench) -> None:
        b.silent_wires = {Role.SHUNT: (factor * b.unit.current if b.power else 0.0) + extra}

    return do


def outcome_of(hook: Hook | None, bench: Bench | None = None) -> tuple[Verdict, Bench]:
    bench = bench or Bench()
    bench.hook = hook or bench.hook
    return carry_out(WET, bench).verdict, bench


@pytest.mark.parametrize("extra", [0.13, -0.13])
def test_a_current_that_is_not_none_without_power_voids(extra: float) -> None:
    """Small enough not to pass for power that is on, larger than any zero may be off."""
    verdict, bench = outcome_of(from_stage("throttle", with_current(extra)))
    assert verdict == Verdict(Word.VOID, "zero shifted")
    told = [a for a in bench.effects if isinstance(a, Alarm)][-1]
    assert "the current zero has shifted" in told.text


def test_a_current_at_rest_within_its_limit_is_none() -> None:
    assert outcome_of(from_stage("throttle", with_current(0.05)))[0] == Verdict(Word.PASS)


@pytest.mark.parametrize("shift", [6e3, -6e3, 12e3])
def test_a_pressure_that_is_not_back_at_zero_voids(shift: float) -> None:
    def lift(b: Bench) -> None:
        b.zero = shift

    verdict, _ = outcome_of(from_stage("finish", lift))
    assert verdict == Verdict(Word.VOID, "zero shifted")


def test_a_unit_off_its_current_by_a_factor_voids() -> None:
    """A shunt's amplifier with a twentieth of its gain: no pump gives so much for so little."""
    bench = Bench()
    bench.unit = replace(bench.unit, shutoff=800e3)
    verdict, bench = outcome_of(from_stage("throttle", with_current(0.0, 0.04)), bench)
    assert verdict.word is Word.VOID
    assert set(alarms(bench)) <= {"channels_disagree", "current_faulty"}


def test_a_sound_run_has_nothing_to_say() -> None:
    verdict, bench = outcome_of(None)
    assert verdict == Verdict(Word.PASS)
    assert alarms(bench) == []
