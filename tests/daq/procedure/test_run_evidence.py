"""Lost scans, broken wires, and signals that say something else than people."""

import pytest

from daq.judge.finding import Result
from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import StageNow
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Role
from tests.daq.measure.blocks import FLOW, LITRES_PER_HOUR, Line
from tests.daq.procedure.bench import Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, finding, findings, notes

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
    widened = after.combined.U - before.combined.U
    assert widened >= 0.95 * outcome.scans_missing / 500 - 1e-9


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
    bench.valve = bench.aim = 0.4
    run = begin(pump(shutoff_limit_s=100.0))
    drive(run, bench, 60)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "no confirmation")
    asked = [e for e in bench.effects if isinstance(e, StageNow) and e.asked]
    assert [(e.stage, e.do) for e in asked] == [
        *(("connect", Do.CONNECT), ("immerse", Do.IMMERSE)),  # what no signal ever shows
        ("free_flow", Do.OPEN_VALVE),
    ]


def test_a_unit_that_never_primes_fails_whatever_its_part_requires() -> None:
    """It has its time to prime; then a pump that gives nothing is none, also where no flow is required of it."""
    part = pump(Requirement("shutoff pressure", Quantity.PEAK_PRESSURE, "shutoff", at_least=450e3), dry_check_s=None)
    outcome = carry_out(part, Bench(Unit(free_flow=0.0, shutoff=0.0, current=3.0)))
    assert outcome.verdict == Verdict(Word.FAIL, "limit flow")
    reading = finding(outcome, "limit flow").reading
    assert reading is not None
    assert reading.low == 0.0
    assert "no_flow" in reading.flags


@pytest.mark.parametrize("dry_for", [1.0, 2.4])
def test_a_pump_that_primes_late_is_read_once_it_pumps(dry_for: float) -> None:
    bench, since = Bench(), []

    def prime(b: Bench, r: Run) -> None:
        if r.stage == "free_flow" and b.power and not since:
            since.append(b.t)
        b.unit.free_flow = 0.0 if not since or b.t - since[0] < dry_for else 125 * LITRES_PER_HOUR

    bench.hook = prime
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)


def test_a_flow_below_the_meters_table_fails_as_an_interval() -> None:
    weak = FLOW.k_table[0][0] / FLOW.k_table[0][1] * 0.6
    bench = Bench(Unit(free_flow=weak))
    found = finding(carry_out(pump(), bench), "free flow")
    assert found.result is Result.NOT_MET
    assert found.reading is not None
    assert found.reading.is_interval
    assert found.reading.high < 110 * LITRES_PER_HOUR


def test_the_step_in_which_the_switch_opens_is_no_part_of_a_dry_check() -> None:
    """Blocks that do not begin with a step: the switch opens in the middle of one."""
    outcome = carry_out(pump(), Bench(line=Line(scans=10)))
    reading = finding(outcome, "turns").reading
    assert reading is not None
    assert reading.value == pytest.approx(5.0, abs=0.02)
    assert outcome.verdict == Verdict(Word.PASS)
