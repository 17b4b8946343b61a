"""Runs that count for nothing, whatever they found."""

from dataclasses import replace
from typing import Any

import pytest

from daq.judge.finding import Result
from daq.judge.verdict import Verdict, Word
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Trip
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import LIMITS, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, finding, findings, notes, tripped


@pytest.mark.parametrize("why", ["aborted", "device reset", "link down", ""])
def test_a_halted_run_is_void_although_a_finding_fails(why: str) -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))
    bench.hook = lambda b, r: b.effects.extend(r.halt(why)) if r.stage == "shutoff" else None
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is Word.VOID
    assert outcome.verdict.why == (why or "ended")
    assert findings(outcome)["free_flow: free flow"] is Result.NOT_MET


@pytest.mark.parametrize("trip", [Trip.LEASE, Trip.STOP_CIRCUIT, Trip.SPLASH_GUARD, Trip.FLUID_LOW, Trip.SELF_TEST])
def test_a_trip_of_the_stand_is_void_although_a_finding_fails(trip: Trip) -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))
    bench.hook = lambda b, r: b.effects.extend(r.status(tripped(trip))) if r.stage == "shutoff" else None
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is Word.VOID
    assert outcome.verdict.why.startswith("trip: ")
    assert findings(outcome)["free_flow: free flow"] is Result.NOT_MET


@pytest.mark.parametrize(
    ("trip", "supply", "word"),
    [
        (Trip.OVER_CURRENT, 13.5, Word.FAIL),
        (Trip.OVER_PRESSURE, 13.5, Word.FAIL),
        (Trip.OVER_PRESSURE, 14.5, Word.VOID),
    ],
)
def test_a_trip_by_the_unit_fails_it(trip: Trip, supply: float, word: Word) -> None:
    bench = Bench(Unit(shutoff=0.95 * LIMITS.pressure if trip is Trip.OVER_PRESSURE else 500e3))

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "shutoff" and b.valve == 0.0:
            b.supply = supply
            if r.last is not None and abs(r.last.voltage - supply) < 0.1:
                b.effects += r.status(tripped(trip))

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is word


@pytest.mark.parametrize("trip", [Trip.OVER_CURRENT, Trip.OVER_PRESSURE])
@pytest.mark.parametrize("change", [{"limits_set": False}, {"limits_crc": 1}])
def test_a_trip_by_limits_that_were_not_in_force_is_void(trip: Trip, change: dict[str, Any]) -> None:
    """One damaged STATUS in 65 536 has a right check sum."""
    bench, run = Bench(), begin(pump())
    drive(run, bench, 9.0)
    run.status(tripped(Trip.NONE))
    run.status(replace(tripped(trip), **change))
    drive(run, bench, 0.2)
    assert run.outcome is not None
    assert run.outcome.verdict.word is Word.VOID


def test_no_trip_is_no_news() -> None:
    run = begin(pump())
    assert run.status(tripped(Trip.NONE)) == []


def test_blocks_of_another_boot_void_the_run() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b.line, "boot", 2) if r.stage == "throttle" else None
    assert carry_out(pump(), bench).verdict == Verdict(Word.VOID, "device reset")


def test_dry_running_by_the_operator_is_void() -> None:
    bench = Bench(leaves=frozenset({Do.POWER_OFF}))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "dry running too long")
    assert alarms(bench) == ["dry_running"]


def test_too_long_at_shutoff_is_void_although_a_finding_fails() -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR), leaves=frozenset({Do.OPEN_VALVE_SLOWLY, Do.OPEN_VALVE}))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "shutoff too long")
    assert findings(outcome)["free_flow: free flow"] is Result.NOT_MET


def test_power_off_in_mid_run_is_void() -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "shutoff":
            b.obeys, b.power = False, False

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "power off")


def test_power_off_while_a_module_fills_ends_the_run_too() -> None:
    bench = Bench(Unit(fills_in=20.0))

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "fill":
            b.obeys, b.power = False, False

    bench.hook = hook
    assert carry_out(module(), bench).verdict == Verdict(Word.VOID, "power off")


def test_power_that_comes_back_is_no_end() -> None:
    bench = Bench()
    off: list[float] = []

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "free_flow" and r.last is not None and r.last.flow.value > 0 and not off:
            b.power = False
            off.append(b.t)

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    reading = finding(outcome, "free flow").reading
    assert reading is not None
    assert reading.window[0] > off[0]


@pytest.mark.parametrize(("on", "current", "why"), [(True, 5.0, "power was on"), (True, 0.05, ""), (False, 5.0, "")])
def test_a_pump_that_runs_before_anything_was_asked_is_void(on: bool, current: float, why: str) -> None:
    """Else the run would take the switch for the dry check's, and blame the person for what comes of it."""
    bench, run = Bench(Unit(current=current), power=on, leaves=frozenset(Do)), begin(pump())
    drive(run, bench, 0.3)
    assert (run.outcome.verdict.why if run.outcome else "") == why
    assert ("power was on" in notes(bench)) is bool(why)
