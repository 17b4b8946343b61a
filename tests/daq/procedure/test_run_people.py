"""What people say to a run, and what it says to them."""

from dataclasses import replace
from itertools import pairwise

import pytest

from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Ended, StageNow
from daq.procedure.run import ConfirmError
from daq.procedure.table import Do
from drivers.block import Trip
from tests.daq.measure.blocks import CHANNELS
from tests.daq.procedure.bench import STAND, Bench, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import finding, stages, tripped


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
    bench = Bench(level_fitted=False)
    outcome = carry_out(module(), bench, stand)
    assert ("fill", Do.WAIT) in [(e.stage, e.do) for e in bench.effects if isinstance(e, StageNow) and e.asked]
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


def test_a_valve_that_stands_wrong_is_told_before_anybody_is_asked() -> None:
    """After a second of patience: a valve that still moves looks wrong for less."""
    bench = Bench()
    bench.valve = bench.aim = 0.4
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    told = [e for e in bench.effects if isinstance(e, StageNow) and e.stage == "free_flow"]
    assert [(e.do, e.asked) for e in told] == [
        (Do.POWER_ON, False),
        (Do.WAIT, False),
        (Do.OPEN_VALVE, False),
        (Do.WAIT, False),
    ]
    assert told[2].since - told[1].since == pytest.approx(1.0, abs=0.06)
