"""Units that fail, and a stand that sags and fails nobody."""

import math

import pytest

from daq.judge.finding import Result
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Taken
from daq.procedure.run import Run
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import PUMP_NEEDS, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, finding, findings, notes, stages

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
    assert reading.window[1] - reading.window[0] == pytest.approx(1.0, abs=0.1)  # no further look could decide it


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

    def recover(b: Bench, run: Run) -> None:
        """The unit's speed, and with it its flow, follows the voltage."""
        b.supply = 12.5 if run.stage == "free_flow" and b.t < 11 else 13.5
        b.unit.free_flow = 125 * LITRES_PER_HOUR * b.supply / 13.5

    bench.hook = recover
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
