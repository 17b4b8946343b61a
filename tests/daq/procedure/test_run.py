"""Whole runs on the paper bench: what passes, what fails, what is void, and what people are told."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from daq.judge.finding import Finding, Result
from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Alarm, Ended, Noted, Outcome, StageNow, Taken
from daq.procedure.plan import Kind
from daq.procedure.run import ConfirmError, Run
from daq.procedure.table import Do
from drivers.block import Input, Role, Status, Trip
from tests.daq.measure.blocks import CHANNELS, LITRES_PER_HOUR
from tests.daq.procedure.bench import (
    PUMP_NEEDS,
    STAND,
    Bench,
    Unit,
    begin,
    carry_out,
    drive,
    module,
    pump,
)


def findings(outcome: Outcome) -> dict[str, Result]:
    return {f"{f.stage}: {f.requirement.name}": f.result for f in outcome.findings}


def finding(outcome: Outcome, name: str) -> Finding:
    return next(f for f in outcome.findings if f.requirement.name == name)


def alarms(bench: Bench) -> list[str]:
    return [e.code for e in bench.effects if isinstance(e, Alarm)]


def notes(bench: Bench) -> list[str]:
    return [e.what for e in bench.effects if isinstance(e, Noted)]


def stages(outcome: Outcome) -> list[str]:
    return [name for name, _, _ in outcome.stages]


def tripped(trip: Trip) -> Status:
    return Status(1, 0, False, False, True, True, False, 0, 0, Input(0), trip, 0, 0, 0)


# Good units.


def test_a_good_pump() -> None:
    bench = Bench()
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert findings(outcome) == dict.fromkeys(
        [
            "dry_check: turns",
            "free_flow: free flow",
            "free_flow: current, free flow",
            "shutoff: shutoff pressure",
            "free_flow.2: free flow",
            "free_flow.2: current, free flow",
        ],
        Result.MET,
    )
    flow = finding(outcome, "free flow").reading
    assert flow is not None
    assert flow.value == pytest.approx(125 * LITRES_PER_HOUR, rel=1e-4)
    pressure = finding(outcome, "shutoff pressure").reading
    assert pressure is not None
    assert abs(pressure.value - 500e3) < pressure.combined.U
    assert alarms(bench) == []


def test_what_is_known_at_the_end_of_a_run() -> None:
    bench = Bench()
    outcome = carry_out(pump(), bench)
    assert stages(outcome) == list(begin(pump()).stages)
    times = [(begun, ended) for _, begun, ended in outcome.stages]
    assert all(a[1] == b[0] for a, b in pairwise(times))
    assert outcome.conditions.voltage == pytest.approx(13.5, abs=0.02)
    assert outcome.conditions.temperature == pytest.approx(295.15, abs=0.05)
    assert outcome.zero.taken
    assert outcome.overshoot == pytest.approx(500e3, rel=0.01)
    assert outcome.highest is not None
    assert outcome.highest > outcome.overshoot
    assert outcome.scans == round(outcome.duration_s * 500)
    assert outcome.scans_missing == 0
    on = [e.t for e in bench.effects if isinstance(e, Noted) and e.what == "power on"]
    assert len(on) == 2
    assert outcome.pump_on_s == pytest.approx(outcome.duration_s - 7.0, abs=2.0)


def test_every_reading_lies_in_its_stage() -> None:
    outcome = carry_out(pump(), Bench())
    spans = {name: (begun, ended) for name, begun, ended in outcome.stages}
    for reading in outcome.readings:
        begun, ended = spans[reading.stage]
        assert begun - 1e-6 <= reading.window[0] < reading.window[1] <= ended + 1e-6


@pytest.mark.parametrize("kind", [Kind.MODULE, Kind.MODULE_RETURN])
def test_a_good_module(kind: Kind) -> None:
    bench = Bench()
    outcome = carry_out(module(kind), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert list(findings(outcome)) == [
        "fill: fills",
        "free_flow: free flow",
        "shutoff.2: regulated pressure",
    ]
    assert ("hold_return" in stages(outcome)) is (kind is Kind.MODULE_RETURN)
    shut = [e for e in bench.effects if isinstance(e, StageNow) and e.do is Do.CLOSE_VALVE]
    on = [e for e in bench.effects if isinstance(e, StageNow) and e.do is Do.POWER_ON]
    assert shut[0].since < on[0].since  # the valve is shut before power comes
    reading = finding(outcome, "fills").reading
    assert reading is not None
    assert reading.value == pytest.approx(0.9 * 6.0, abs=0.2)


def test_the_same_samples_give_the_same_run() -> None:
    first, second = carry_out(pump(), Bench()), carry_out(pump(), Bench())
    assert [(r.name, r.value, r.combined.U) for r in first.readings] == [
        (r.name, r.value, r.combined.U) for r in second.readings
    ]


def test_the_zero_is_taken_off_what_is_read() -> None:
    outcome = carry_out(pump(), Bench(zero=3e3))
    assert outcome.zero.pressure == pytest.approx(3e3, abs=100)
    reading = finding(outcome, "shutoff pressure").reading
    assert reading is not None
    assert reading.value == pytest.approx(500e3, abs=2e3)


def test_a_hurried_operator_gets_a_wider_pressure() -> None:
    bench = Bench()
    run = begin(pump())
    bench.say(run, "connected")
    drive(run, bench, 120)
    assert run.outcome is not None
    assert not run.outcome.zero.taken
    reading = finding(run.outcome, "shutoff pressure").reading
    assert reading is not None
    assert "no_zero" in reading.flags
    assert reading.combined.U > 5e3
    assert run.outcome.verdict.word is Word.PASS


def test_a_shifted_zero_ends_the_run_at_once() -> None:
    bench = Bench(zero=7e3)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "zero shifted")
    assert alarms(bench) == ["zero_shift"]
    assert stages(outcome) == ["connect"]


# Units that fail.


def test_a_weak_pump_fails_by_its_flow() -> None:
    outcome = carry_out(pump(), Bench(Unit(free_flow=100 * LITRES_PER_HOUR)))
    assert outcome.verdict == Verdict(Word.FAIL, "free flow")
    assert findings(outcome)["shutoff: shutoff pressure"] is Result.MET  # the run goes on to its end


def test_on_the_limit_nobody_decides() -> None:
    outcome = carry_out(pump(), Bench(Unit(free_flow=110.05 * LITRES_PER_HOUR)))
    assert outcome.verdict == Verdict(Word.UNDECIDED, "free flow")
    reading = finding(outcome, "free flow").reading
    assert reading is not None
    assert reading.window[1] - reading.window[0] == pytest.approx(5.0, abs=0.1)  # five looks of one second


def test_a_seized_pump_fails_by_its_current() -> None:
    bench = Bench(Unit(free_flow=0.0, shutoff=0.0, current=19.0))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.FAIL, "turns")
    assert alarms(bench) == ["over_current"]
    reading = finding(outcome, "turns").reading
    assert reading is not None
    assert reading.low == pytest.approx(19.0, abs=0.1)
    assert "over_current" in reading.flags


def test_over_current_where_nothing_is_required_of_it_is_a_finding_too() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b.unit, "current", 19.0) if r.stage == "shutoff" else None
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.FAIL, "limit current")
    told = [e for e in bench.effects if isinstance(e, Taken) and e.findings]
    assert told[-1].findings[0].result is Result.NOT_MET


def test_over_pressure_fails() -> None:
    outcome = carry_out(pump(), Bench(Unit(shutoff=960e3)))
    assert outcome.verdict == Verdict(Word.FAIL, "limit pressure")


def test_a_pump_that_does_not_turn_fails_its_dry_check() -> None:
    outcome = carry_out(pump(), Bench(Unit(current=0.05)))
    assert outcome.verdict == Verdict(Word.FAIL, "turns")
    assert stages(outcome)[-1] == "dry_check"


def test_no_flow_fails() -> None:
    bench = Bench(Unit(free_flow=0.0, shutoff=0.0, current=3.0))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.FAIL, "free flow")
    reading = finding(outcome, "free flow").reading
    assert reading is not None
    assert (reading.low, reading.is_interval) == (0.0, True)


def test_no_flow_fails_although_nothing_else_holds_still() -> None:
    """A current that swings keeps every window shut; the time without flow is enough."""
    bench = Bench(Unit(free_flow=0.0, shutoff=0.0, current=3.0))
    bench.hook = lambda b, _: setattr(b.unit, "current", 3.0 + math.sin(b.t))
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.FAIL, "free flow")
    assert alarms(bench)[-1] == "no_flow"


def test_a_module_that_never_fills_fails() -> None:
    bench = Bench(Unit(fills_in=1e6))
    outcome = carry_out(module(), bench)
    assert outcome.verdict == Verdict(Word.FAIL, "fills")
    assert alarms(bench) == ["no_fill"]
    reading = finding(outcome, "fills").reading
    assert reading is not None
    assert reading.low == pytest.approx(10.0, abs=0.1)


# A stand that sags fails nobody.


def test_a_sagging_supply_is_void() -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR), supply=12.0)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "supply low")
    assert set(findings(outcome).values()) == {Result.VOID}
    assert "supply_low" in alarms(bench)


def test_too_much_current_counts_although_the_supply_sags() -> None:
    outcome = carry_out(pump(), Bench(Unit(free_flow=100 * LITRES_PER_HOUR, current=10.0), supply=12.0))
    assert outcome.verdict == Verdict(Word.FAIL, "turns")
    without = pump(*PUMP_NEEDS[1:], dry_check_s=None)
    outcome = carry_out(without, Bench(Unit(free_flow=100 * LITRES_PER_HOUR, current=10.0), supply=12.0))
    assert outcome.verdict == Verdict(Word.FAIL, "current, free flow")
    assert findings(outcome)["free_flow: free flow"] is Result.VOID


def test_a_dry_check_under_a_sagging_supply_says_nothing() -> None:
    outcome = carry_out(pump(), Bench(Unit(current=0.2), supply=7.0))
    assert outcome.verdict.word is Word.VOID
    assert findings(outcome)["dry_check: turns"] is Result.VOID


def test_a_dry_check_under_too_high_a_supply_is_not_read() -> None:
    bench = Bench(Unit(current=0.2), supply=15.0)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is Word.VOID
    assert "dry check not read" in notes(bench)


def test_a_module_that_a_low_supply_keeps_from_filling_is_void() -> None:
    part = module(requirements=(module().requirements[0],))
    bench = Bench(Unit(fills_in=1e6))
    bench.hook = lambda b, r: setattr(b, "supply", 11.0) if r.stage == "fill" else None
    outcome = carry_out(part, bench)
    assert outcome.verdict == Verdict(Word.VOID, "not filled, supply low")


def test_a_fill_time_under_too_high_a_supply_is_not_read() -> None:
    bench = Bench(Unit(fills_in=9.0))
    bench.hook = lambda b, r: setattr(b, "supply", 15.0 if r.stage == "fill" else 13.5)
    outcome = carry_out(module(), bench)
    assert findings(outcome)["fill: fills"] is Result.VOID
    assert outcome.verdict == Verdict(Word.VOID, "fills")
    assert "fill time not read" in notes(bench)


def test_a_supply_that_recovers_gives_a_clean_reading() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b, "supply", 12.5 if r.stage == "free_flow" and b.t < 11 else 13.5)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    reading = finding(outcome, "free flow").reading
    assert reading is not None
    assert reading.window[0] >= 11.0
    assert all("supply_low" not in r.flags for r in outcome.readings)


@pytest.mark.parametrize(
    ("change", "why"), [({"supply": 14.5}, "supply high"), ({"celsius": 42.0}, "fluid temperature")]
)
def test_conditions_outside_their_tolerance(change: dict[str, float], why: str) -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))
    run = begin(pump(*PUMP_NEEDS[1:], dry_check_s=None))
    for name, value in change.items():
        setattr(bench, name, value)
    drive(run, bench, 120)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, why)
    assert run.outcome.readings == ()


# Runs that count for nothing.


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
    bench = Bench()

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "shutoff" and b.valve == 0.0:
            b.supply = supply
            if r.last is not None and abs(r.last.voltage - supply) < 0.1:
                b.effects += r.status(tripped(trip))

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is word


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


# Evidence that is missing.


def test_scans_lost_in_a_window_spoil_it_and_the_run_ends_well() -> None:
    bench = Bench()
    lost: list[float] = []

    def hook(b: Bench, r: Run) -> None:
        b.lose = r.stage == "free_flow" and b.t > 8.0 and len(lost) < 2 and r.last is not None and r.last.flow.value > 0
        if b.lose:
            lost.append(b.t)

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert outcome.scans_missing == 50
    reading = finding(outcome, "free flow").reading
    assert reading is not None
    assert reading.window[0] > lost[-1]


def test_scans_lost_all_the_time_leave_nothing_to_read() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b, "lose", r.stage == "free_flow" and round(b.t / 0.05) % 10 == 0)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is Word.VOID
    assert findings(outcome)["free_flow: free flow"] is Result.VOID


def test_scans_lost_in_a_dry_check() -> None:
    """It is not read; a second check is one too many for a part that may run dry for two seconds."""
    bench = Bench()
    bench.hook = lambda b, r: setattr(b, "lose", r.stage == "dry_check" and b.power and round(b.t / 0.05) % 4 == 0)
    outcome = carry_out(pump(), bench)
    assert "dry check not read" in notes(bench)
    assert outcome.verdict == Verdict(Word.VOID, "dry running too long")


def test_scans_lost_while_filling_widen_the_fill_time() -> None:
    plain, bench = carry_out(module(), Bench()), Bench()
    bench.hook = lambda b, r: setattr(b, "lose", r.stage == "fill" and 9.0 < b.t < 9.52)
    outcome = carry_out(module(), bench)
    assert outcome.scans_missing > 0
    before, after = finding(plain, "fills").reading, finding(outcome, "fills").reading
    assert before is not None
    assert after is not None
    assert before.combined.U + 0.95 * outcome.scans_missing / 500 < after.combined.U


WIRES = [
    (Role.PRESSURE, -100e3, "pressure_faulty"),
    (Role.SUPPLY_VOLTAGE, -5.0, "voltage_faulty"),
    (Role.SHUNT, -4.0, "current_faulty"),
    (Role.FLUID_TEMPERATURE, 230.0, "temperature_faulty"),
]


@pytest.mark.parametrize(("role", "level", "code"), WIRES)
def test_a_broken_wire_gives_an_alarm_and_no_reading(role: Role, level: float, code: str) -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "free_flow" and b.power:
            b.silent_wires = {role: level}

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict.word is Word.VOID
    assert code in alarms(bench)
    assert [r.stage for r in outcome.readings] == ["dry_check"]


def test_a_broken_wire_that_is_mended() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(
        b, "silent_wires", {Role.PRESSURE: -100e3} if r.stage == "free_flow" and b.t < 11.0 else {}
    )
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert alarms(bench) == ["pressure_faulty"]


def test_a_level_sensor_that_shows_full_from_the_start_proves_nothing() -> None:
    """A module must have been seen less than full to be seen filling."""
    bench = Bench(silent_wires={Role.LEVEL: 0.95})
    outcome = carry_out(module(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "fills")
    assert "fill time not read" in notes(bench)


def test_a_broken_level_sensor_fails_no_module() -> None:
    bench = Bench(silent_wires={Role.LEVEL: 1.3})
    outcome = carry_out(module(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "not filled, level faulty")
    assert alarms(bench) == ["level_faulty", "no_fill"]


def test_a_person_may_say_what_a_broken_level_sensor_does_not() -> None:
    bench = Bench(silent_wires={Role.LEVEL: 1.3}, level_fitted=False)
    outcome = carry_out(module(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    reading = finding(outcome, "fills").reading
    assert reading is not None
    assert reading.flags == ("by_confirmation",)


def test_a_module_that_is_full_before_its_stage_is_timed_when_it_was() -> None:
    outcome = carry_out(module(), Bench(Unit(fills_in=1.0)))
    reading = finding(outcome, "fills").reading
    assert reading is not None
    assert reading.value == pytest.approx(0.95, abs=0.11)


# Where the valve is.


def test_a_meter_that_is_dead_is_told_from_a_unit_that_gives_nothing() -> None:
    """The valve is confirmed open, there is pressure, and no pulse comes."""
    bench = Bench(Unit(free_flow=150 * LITRES_PER_HOUR), meter_alive=False)
    outcome = carry_out(pump(shutoff_limit_s=30.0), bench)
    assert "confirm_needed" in alarms(bench)
    assert outcome.verdict == Verdict(Word.VOID, "pressure but no pulses")


def test_a_valve_that_is_confirmed_shut_and_leaks() -> None:
    bench = Bench()

    def hook(b: Bench, r: Run) -> None:
        if r.stage in ("throttle", "shutoff"):
            b.valve = max(b.valve, 0.4)
            if r.now.asked and r.stage in ("throttle", "shutoff"):
                b.say(r, "valve_shut")

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "flow with the valve shut")
    assert findings(outcome)["shutoff: shutoff pressure"] is Result.VOID


def test_a_valve_that_nobody_opens_is_asked_about() -> None:
    bench = Bench(leaves=frozenset({Do.OPEN_VALVE, Do.OPEN_VALVE_SLOWLY}))
    bench.valve = bench._goal = 0.4
    run = begin(pump(shutoff_limit_s=100.0))
    drive(run, bench, 60)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "no confirmation")
    asked = [e for e in bench.effects if isinstance(e, StageNow) and e.asked]
    assert [(e.stage, e.do) for e in asked] == [("free_flow", Do.OPEN_VALVE)]


def test_a_dead_unit_is_taken_to_its_end_by_confirmations() -> None:
    """No pressure shows that the valve is shut; the operator says it, and the pressure is read all the same."""
    part = pump(Requirement("shutoff pressure", Quantity.PEAK_PRESSURE, "shutoff", at_least=450e3), dry_check_s=None)
    outcome = carry_out(part, Bench(Unit(free_flow=0.0, shutoff=0.0, current=3.0)))
    assert outcome.verdict == Verdict(Word.FAIL, "shutoff pressure")
    reading = finding(outcome, "shutoff pressure").reading
    assert reading is not None
    assert reading.value == pytest.approx(0.0, abs=1e3)


# What people say.


def test_confirmations_that_nobody_asked_for_are_refused() -> None:
    run = begin(pump())
    with pytest.raises(ConfirmError, match="expected one of connected, in_fluid"):
        run.confirm("done")
    with pytest.raises(ConfirmError, match="stage connect did not ask for it; it asks: wait"):
        run.confirm("in_fluid")
    for word in ("filled", "removed", "return_held", "valve_open", "valve_shut"):
        with pytest.raises(ConfirmError, match=word):
            run.confirm(word)
    run.confirm("connected")
    assert run.stage == "dry_check"
    run.halt("aborted")
    with pytest.raises(ConfirmError, match="nothing, the run is over"):
        run.confirm("in_fluid")


def test_filled_is_refused_before_power_came() -> None:
    bench = Bench()
    run = begin(module())
    drive(run, bench, 5.3)
    assert run.stage == "shutoff"
    with pytest.raises(ConfirmError):
        run.confirm("filled")


def test_without_a_level_sensor_a_person_says_when_a_module_is_full() -> None:
    stand = replace(STAND, channels=replace(CHANNELS, level=None))
    outcome = carry_out(module(), Bench(level_fitted=False), stand)
    assert outcome.verdict == Verdict(Word.PASS)
    reading = finding(outcome, "fills").reading
    assert reading is not None
    assert reading.flags == ("by_confirmation",)
    assert reading.value == pytest.approx(6.0, abs=0.2)
    assert pytest.approx(0.95 * 2.0, rel=0.01) == reading.combined.U


def test_nobody_comes() -> None:
    bench = Bench(obeys=False)
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.VOID, "no confirmation")
    assert stages(outcome) == ["connect"]


def test_a_unit_left_running_at_the_end_changes_no_verdict() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b, "obeys", r.stage != "finish")
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert stages(outcome)[-1] == "finish"


def test_a_run_that_ends_before_its_first_scan() -> None:
    run = begin(pump())
    effects = run.halt("aborted")
    assert isinstance(effects[-1], Ended)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "aborted")
    assert (run.outcome.scans, run.outcome.highest, run.outcome.duration_s) == (0, None, 0.0)
    assert run.measuring.trace.times().shape == (0,)


def test_after_its_end_a_run_takes_nothing() -> None:
    bench = Bench()
    run = begin(pump())
    drive(run, bench, 3.0)
    run.halt("aborted")
    outcome, scans = run.outcome, run.measuring.trace.filled
    assert run.halt("again") == []
    assert run.status(tripped(Trip.LEASE)) == []
    assert run.feed(bench.block()) == []
    assert run.outcome is outcome
    assert scans == 1500


def test_the_end_is_said_once_and_last() -> None:
    bench = Bench()
    outcome = carry_out(pump(), bench)
    ended = [e for e in bench.effects if isinstance(e, Ended)]
    assert [e.outcome for e in ended] == [outcome]
    assert bench.effects[-1] is ended[0]


def test_what_is_asked_is_said_once() -> None:
    bench = Bench()
    carry_out(pump(), bench)
    said = [(e.stage, e.do, e.asked) for e in bench.effects if isinstance(e, StageNow)]
    assert all(a != b for a, b in pairwise(said))
    assert [stage for stage, do, _ in said if do is Do.POWER_OFF] == ["dry_check", "finish"]
