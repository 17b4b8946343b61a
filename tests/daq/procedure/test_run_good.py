"""Whole runs of good units on the paper bench, and what is known at their end."""

from itertools import pairwise

import pytest

from daq.judge.finding import Result
from daq.judge.requirement import Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Noted, StageNow
from daq.procedure.plan import Kind
from daq.procedure.run import Run
from daq.procedure.table import Do
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import DT, Bench, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, finding, findings, stages


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


def test_a_pressure_at_rest_is_read_as_soon_as_the_valve_counts_as_shut() -> None:
    """The meter's silence takes a second to show that the valve is shut; pressure stands still meanwhile."""
    outcome = carry_out(pump(), Bench())
    begun = next(begin for name, begin, _ in outcome.stages if name == "shutoff")
    peak = next(r for r in outcome.readings if r.stage == "shutoff")
    assert 0.0 <= peak.window[0] - begun < 0.2


@pytest.mark.parametrize("left", [0.995, 0.99])
def test_free_flow_is_read_again_once_the_valve_is_as_open_as_before(left: float) -> None:
    """A hand that pauses just before the valve's stop: by pressure alone the line already looks open."""

    def pause(bench: Bench, run: Run) -> None:
        if run.stage == "reopen" and bench.valve >= 0.9 and bench.t < state.setdefault("until", bench.t + 3.0):
            bench.valve = left - DT  # the bench turns it by so much before the next block

    state: dict[str, float] = {}
    outcome = carry_out(pump(), Bench(hook=pause))
    assert outcome.verdict == Verdict(Word.PASS)
    begun = next(begin for name, begin, _ in outcome.stages if name == "free_flow.2")
    assert begun >= state["until"] - DT


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


@pytest.mark.parametrize(
    "need",
    [
        Requirement("some pressure", Quantity.PEAK_PRESSURE, "shutoff", at_least=1e3),
        Requirement("some current", Quantity.CURRENT, "free_flow", at_least=0.01),
    ],
    ids=lambda need: need.name,
)
def test_a_limit_far_below_what_is_measured_asks_for_no_stillness_finer_than_the_channels_floor(
    need: Requirement,
) -> None:
    """The share of such a limit is less than the noise: nothing would ever hold still so well."""
    assert carry_out(pump(need), Bench()).verdict == Verdict(Word.PASS)
