"""Whole runs whose part asks for more than steady windows give: a place on the curve, a speed, a residual pressure."""

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from daq.judge.finding import Result
from daq.judge.requirement import Mode, Quantity, Requirement
from daq.judge.verdict import Verdict, Word
from daq.measure.channels import Leak
from daq.procedure.effects import CaptureWanted, Noted
from daq.procedure.plan import Kind, Stand
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Capture, Role
from tests.daq.measure.blocks import CHANNELS, FLOW, LITRES_PER_HOUR, PRESSURE, identity
from tests.daq.procedure.bench import (
    LIMITS,
    MODULE_NEEDS,
    PUMP_NEEDS,
    SETTINGS,
    STAND,
    Bench,
    Unit,
    begin,
    carry_out,
    drive,
    module,
    pump,
)
from tests.daq.procedure.told import alarms, finding, stages

ELECTRIC = (Quantity.CURRENT, Quantity.POWER, Quantity.EFFICIENCY)
HELD = Requirement("holds", Quantity.RESIDUAL_PRESSURE, "residual", at_least=300e3, after=5.0)
RATED = Requirement("rated flow", Quantity.FLOW, "rated", at_least=60 * LITRES_PER_HOUR, at=200e3)


def notes(bench: Bench, what: str) -> list[str]:
    return [e.detail for e in bench.effects if isinstance(e, Noted) and e.what == what]


# What pressure is left.


@pytest.mark.parametrize(("holds", "result"), [(60.0, Result.MET), (5.0, Result.NOT_MET)])
def test_what_pressure_is_left(holds: float, result: Result) -> None:
    bench = Bench(Unit(holds=holds))
    outcome = carry_out(pump(*PUMP_NEEDS, HELD), bench)
    found = finding(outcome, "holds")
    assert found.result is result
    assert stages(outcome)[-4:] == ["throttle.2", "shutoff.2", "residual", "finish"]
    assert found.reading is not None
    assert abs(found.reading.value - 500e3 * math.exp(-5.0 / holds)) < found.reading.combined.U
    assert found.reading.at == 5.0
    assert "stand_leak_unknown" in found.reading.flags
    assert alarms(bench) == []


def test_of_a_module_too_whose_valve_is_shut_already() -> None:
    part = module(requirements=(*MODULE_NEEDS, HELD))
    outcome = carry_out(part, Bench())
    assert stages(outcome)[-3:] == ["shutoff.2", "residual", "finish"]
    assert outcome.verdict == Verdict(Word.PASS)


def test_what_the_stand_itself_loses_is_not_the_units() -> None:
    """All of the fall is the stand's: with its leak known, the unit holds."""
    leak = Leak(table=((100e3, 10e3), (600e3, 60e3)), doubt=200.0)
    stand = Stand("marrow-hill", "bench-1", replace(CHANNELS, pressure=replace(PRESSURE, leak=leak)), LIMITS, SETTINGS)
    part = pump(*PUMP_NEEDS, HELD)
    without, known = (carry_out(part, Bench(Unit(holds=10.0)), s) for s in (STAND, stand))
    assert finding(without, "holds").result is Result.UNDECIDED or finding(without, "holds").result is Result.NOT_MET
    found = finding(known, "holds")
    assert found.result is Result.MET
    assert found.reading is not None
    assert found.reading.value == pytest.approx(500e3, rel=0.01)
    assert dict(found.reading.corrections)["stand's leak"] > 150e3


def test_what_is_left_is_told_at_the_units_outlet() -> None:
    """As any pressure: half a metre below the transducer there is more."""
    stand = replace(STAND, channels=replace(CHANNELS, pressure=replace(PRESSURE, height=3.7e3)))
    outcomes = [carry_out(pump(*PUMP_NEEDS, HELD), Bench(), s) for s in (STAND, stand)]
    plain, higher = (finding(o, "holds").reading for o in outcomes)
    assert plain is not None
    assert higher is not None
    assert dict(higher.corrections) == {"height": 3.7e3}
    assert higher.value - plain.value == pytest.approx(3.7e3)


def test_scans_lost_about_its_time_leave_no_reading() -> None:
    bench = Bench()

    def cut(b: Bench, run: Run) -> None:
        off = [e.t for e in b.effects if isinstance(e, Noted) and e.what == "power off"]
        b.lose = run.stage == "residual" and not b.power and 4.5 < b.t - off[-1] < 5.5

    bench.hook = cut
    outcome = carry_out(pump(*PUMP_NEEDS, HELD), bench)
    assert finding(outcome, "holds").result is Result.VOID
    assert outcome.verdict == Verdict(Word.VOID, "holds")
    assert notes(bench, "residual pressure not read")


def _opened_early(b: Bench, r: Run, since: float) -> None:
    if since > 2.0:
        b.valve = b.aim = 1.0
        b.line.edges += 2 if since < 2.5 else 0  # what the hose had stored goes through the meter
        b.line.last_edge = b.line.tick0 + b.line.last_tick


def _sagging(b: Bench, r: Run, since: float) -> None:
    b.supply = 12.0
    b.unit.shutoff = 330e3
    b.leaves = frozenset({Do.POWER_OFF} if b.t < 60.0 and since < 0.0 and r.t - r.now.since < 1.0 else ())


@pytest.mark.parametrize(
    ("change", "why"),
    [(_opened_early, "flow after power-off: was the valve opened?"), (_sagging, "supply low")],
    ids=["opened early", "sagging"],
)
def test_a_stand_that_let_pressure_go_fails_nobody(change, why: str) -> None:  # type: ignore[no-untyped-def]
    bench = Bench()

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "residual":
            off = [e.t for e in b.effects if isinstance(e, Noted) and e.what == "power off"]
            change(b, r, -1.0 if b.power else b.t - off[-1] if len(off) > 1 else 0.0)

    bench.hook = hook
    outcome = carry_out(pump(*PUMP_NEEDS, HELD), bench)
    assert finding(outcome, "holds").result is Result.VOID
    assert outcome.verdict == Verdict(Word.VOID, "holds")
    assert notes(bench, "residual pressure not read") == [why]


def test_a_pump_that_is_not_switched_off_is_held_at_shutoff_too_long() -> None:
    bench = Bench()
    bench.hook = lambda b, r: setattr(b, "leaves", frozenset({Do.POWER_OFF} if r.stage == "residual" else ()))
    outcome = carry_out(pump(*PUMP_NEEDS, HELD), bench)
    assert outcome.verdict.word is Word.VOID
    assert "shutoff_long" in alarms(bench)


# At a place of the curve.


def expected_flow(pressure: float, unit: Unit) -> float:
    """What the bench gives: p = shutoff·(1 − v) + k·Q², Q = free flow·v."""
    a, b, c = PRESSURE.k_line * unit.free_flow**2, -unit.shutoff, unit.shutoff - pressure
    v = (-b - math.sqrt(b * b - 4 * a * c)) / (2 * a) if a else -c / b
    return unit.free_flow * v


@pytest.mark.parametrize(("at_least", "result"), [(60, Result.MET), (90, Result.NOT_MET)])
def test_flow_at_a_pressure(at_least: float, result: Result) -> None:
    bench = Bench()
    part = pump(*PUMP_NEEDS, replace(RATED, at_least=at_least * LITRES_PER_HOUR))
    found = finding(carry_out(part, bench), "rated flow")
    assert found.result is result
    assert found.reading is not None
    assert found.reading.name == "rated.flow@200000"
    assert abs(found.reading.value - expected_flow(200e3, bench.unit)) < found.reading.combined.U
    assert 0.08 * found.reading.value > found.reading.combined.U  # a hand that closes within a second


def test_other_quantities_at_a_place() -> None:
    flow = 75 * LITRES_PER_HOUR
    needs = (
        Requirement("pressure at 75 L/h", Quantity.PRESSURE, "rated", at_least=1e3, at=flow),
        Requirement("current at 200 kPa", Quantity.CURRENT, "rated", at_most=7.0, at=200e3),
        Requirement("power at 200 kPa", Quantity.POWER, "rated", at_most=90.0, at=200e3),
        Requirement("efficiency at 200 kPa", Quantity.EFFICIENCY, "rated", at_least=0.01, at=200e3),
    )
    bench = Bench()
    outcome = carry_out(pump(*needs), bench)
    pressure, current, power, efficiency = (finding(outcome, n.name).reading for n in needs)
    assert pressure is not None
    assert current is not None
    assert power is not None
    assert efficiency is not None
    assert abs(expected_flow(pressure.value, bench.unit) - flow) < 0.05 * flow
    assert current.value == pytest.approx(5.0, rel=0.02)
    assert power.value == pytest.approx(67.5, rel=0.02)
    real = 200e3 * expected_flow(200e3, bench.unit) / 67.5
    assert abs(efficiency.value - real) < efficiency.combined.U < 0.1 * real


@pytest.mark.parametrize(
    ("quantity", "most", "real"),
    [
        (Quantity.CURRENT, 7.0, lambda p, q: 5.0),
        (Quantity.POWER, 90.0, lambda p, q: 67.5),
        (Quantity.EFFICIENCY, 1.0, lambda p, q: p * q / 67.5),
    ],
)
def test_what_is_required_at_a_flow(quantity: Quantity, most: float, real: Callable[[float, float], float]) -> None:
    """Where the bench gives 75 L/h its pressure is p = shutoff·(1 − v) + k·Q²."""
    bench = Bench()
    flow = 75 * LITRES_PER_HOUR
    need = Requirement("at 75 L/h", quantity, "rated", at_most=most, at=flow, at_flow=True)
    found = finding(carry_out(pump(*PUMP_NEEDS, need), bench), "at 75 L/h")
    assert found.result is Result.MET
    assert found.reading is not None
    assert found.reading.at_flow
    pressure = bench.unit.shutoff * (1.0 - flow / bench.unit.free_flow) + PRESSURE.k_line * flow**2
    assert abs(found.reading.value - real(pressure, flow)) < found.reading.combined.U
    assert 0.1 * found.reading.value > found.reading.combined.U


def pulses(per_litre: float) -> Stand:
    """The stand with another meter."""
    table = tuple((hertz * per_litre / 4600, k * per_litre / 4600) for hertz, k in FLOW.k_table)
    return replace(STAND, channels=replace(CHANNELS, flow=replace(FLOW, k_table=table)))


@pytest.mark.parametrize("per_litre", [500.0, 1_000.0, 4_600.0])
def test_a_coarse_meter_reads_the_curve_too(per_litre: float) -> None:
    """The hand takes a second, in which a meter of 500 pulses/L gives some eight edges."""
    bench = Bench(pulses_per_litre=per_litre)
    found = finding(carry_out(pump(*PUMP_NEEDS, RATED), bench, pulses(per_litre)), "rated flow")
    assert found.reading is not None
    off = found.reading.value - expected_flow(200e3, bench.unit)
    assert abs(off) < found.reading.combined.U < 0.1 * found.reading.value
    assert found.result is Result.MET


@pytest.mark.parametrize("travel", ["throttle", "reopen"])
def test_what_one_travel_alone_reached_counts(travel: str) -> None:
    """The other one went by under a supply out of its tolerance: its steps are not used."""
    bench, whole = Bench(), Bench()
    bench.hook = lambda b, r: setattr(b, "supply", 12.0 if r.stage == travel else 13.5)
    needs = (RATED, *(Requirement(q.value, q, "rated", at_least=0.0, at=200e3) for q in ELECTRIC))
    one, both = carry_out(pump(*PUMP_NEEDS, *needs), bench), carry_out(pump(*PUMP_NEEDS, *needs), whole)
    for need in needs:
        alone, together = finding(one, need.name), finding(both, need.name)
        assert alone.result is Result.MET
        assert alone.reading is not None
        assert together.reading is not None
        assert alone.reading.combined.u >= together.reading.combined.u
        assert abs(alone.reading.value - together.reading.value) < alone.reading.combined.U


def test_a_valve_that_jumps_says_how_many_flow_steps_there_were() -> None:
    """Shut and opened within a block: no flow step lies on the way."""
    bench = Bench(jumps=True)
    outcome = carry_out(pump(RATED), bench)
    assert finding(outcome, "rated flow").result is Result.VOID
    (said,) = notes(bench, "curve not drawn")
    assert said.startswith("valve moved too quickly: 0 flow steps that can be used, needed 4; move it more slowly")


def test_a_place_that_the_valve_never_came_to_is_void() -> None:
    part = pump(*PUMP_NEEDS, replace(RATED, at=700e3))
    bench = Bench()
    outcome = carry_out(part, bench)
    assert finding(outcome, "rated flow").result is Result.VOID
    assert outcome.verdict == Verdict(Word.VOID, "rated flow")
    assert notes(bench, "rated not read")


@pytest.mark.parametrize(("name", "odd"), [("supply", 12.0), ("supply", 15.0), ("celsius", 60.0)])
def test_a_stand_out_of_its_tolerance_while_the_valve_moves_fails_nobody(name: str, odd: float) -> None:
    bench = Bench(Unit(free_flow=70 * LITRES_PER_HOUR))
    part = pump(replace(RATED, at_least=60 * LITRES_PER_HOUR), temperature_high=313.15)
    stand = replace(STAND, limits=replace(LIMITS, temperature=373.15))
    right = getattr(bench, name)
    bench.hook = lambda b, r: setattr(b, name, odd if r.stage in ("throttle", "reopen") else right)
    outcome = carry_out(part, bench, stand)
    assert finding(outcome, "rated flow").result is Result.VOID
    assert outcome.verdict.word is Word.VOID
    assert notes(bench, "curve not drawn")


def test_a_run_that_ends_early_has_no_rated_flow() -> None:
    bench = Bench()
    bench.hook = lambda b, r: b.effects.extend(r.halt("aborted") if r.stage == "shutoff" else ())
    outcome = carry_out(pump(RATED), bench)
    assert finding(outcome, "rated flow").result is Result.VOID
    assert outcome.verdict == Verdict(Word.VOID, "aborted")


def test_a_module_opens_first_and_closes_then() -> None:
    part = module(Kind.MODULE_RETURN, requirements=(*MODULE_NEEDS, RATED))
    outcome = carry_out(part, Bench())
    assert finding(outcome, "rated flow").result is Result.MET


# Speed.


def captured(turns: float, bench: Bench) -> Capture:
    """A capture of a motor with eight segments at `turns` a second."""
    import numpy as np

    rate, n = 20_000, 4_000
    amperes = 5.0 * (1.0 + 0.12 * (np.abs(np.sin(np.pi * 8 * turns * np.arange(n) / rate)) - 0.64))
    device = capturing()
    raw = device.analog[device.analog_index(Role.SHUNT) or 0]
    shunt = CHANNELS.shunt
    volts = amperes * shunt.gain * shunt.r20 * (1 + shunt.alpha * (shunt.assumed_temperature - 293.15))
    counts = np.rint(volts / raw.volts_per_count + raw.zero_count).astype(int).tolist()
    return Capture(int(Role.SHUNT), rate, int(bench.t * 1e6), counts, overrange=False)


def capturing():  # type: ignore[no-untyped-def]
    return replace(identity(), burst_max_hz=20_000, burst_max_total=4_000)


def with_captures(part, turns: float) -> tuple[Run, Bench]:  # type: ignore[no-untyped-def]
    run, bench = begin(part, STAND, capturing()), Bench()

    def answer(b: Bench, r: Run) -> None:
        wanted = [e for e in b.effects if isinstance(e, CaptureWanted)]
        if len(wanted) > b.captures:
            b.captures += 1
            b.effects += r.captured(captured(turns, b))

    bench.hook = answer
    drive(run, bench, 120.0)
    return run, bench


SPEED = Requirement("speed", Quantity.SPEED, "free_flow", at_least=90.0)


@pytest.mark.parametrize(("turns", "result"), [(100.0, Result.MET), (80.0, Result.NOT_MET)])
def test_speed_from_a_capture(turns: float, result: Result) -> None:
    run, bench = with_captures(pump(*PUMP_NEEDS, SPEED, segments=8), turns)
    assert run.outcome is not None
    found = [f for f in run.outcome.findings if f.requirement.name == "speed"]
    assert [f.stage for f in found] == ["free_flow", "free_flow.2"]
    assert {f.result for f in found} == {result}
    for f in found:
        assert f.reading is not None
        assert abs(f.reading.value - turns) < f.reading.combined.U < 0.02 * turns
    assert set(run.outcome.waveforms) == {"free_flow", "free_flow.2"}
    assert len(notes(bench, "waveform")) == 2


def test_a_device_that_answers_no_capture_holds_up_no_run_and_gives_no_speed() -> None:
    run, bench = begin(pump(*PUMP_NEEDS, SPEED, segments=8), STAND, capturing()), Bench()
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "speed")
    assert len(notes(bench, "waveform not read")) == 2


def test_a_supply_that_sags_before_the_capture_came_fails_nobody() -> None:
    run, bench = begin(pump(SPEED, segments=8), STAND, capturing()), Bench()

    def sag(b: Bench, r: Run) -> None:
        waits = len([e for e in b.effects if isinstance(e, CaptureWanted)]) > b.captures
        b.supply = 12.0 if waits else 13.5
        if waits and r.last is not None and r.last.voltage < 12.5:
            b.captures += 1
            b.effects += r.captured(captured(80.0, b))

    bench.hook = sag
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "speed")
    assert notes(bench, "waveform not read")[0] == "free_flow: supply low"


def test_a_capture_of_an_earlier_stage_is_no_speed_of_this_one() -> None:
    """What was asked for in free flow, where nobody requires it, may come late: at shutoff the motor turns slower."""
    speed = replace(SPEED, stage="shutoff")
    run, bench = begin(pump(speed, segments=8), STAND, capturing()), Bench()
    early: list[Capture] = []

    def late(b: Bench, r: Run) -> None:
        if len([e for e in b.effects if isinstance(e, CaptureWanted)]) > b.captures:
            b.captures += 1
            early.append(captured(100.0, b))
            if r.stage == "shutoff":
                b.effects += r.captured(early[0])
                assert r.stage == "shutoff"
                b.effects += r.captured(captured(70.0, b))

    bench.hook = late
    drive(run, bench, 120.0)
    assert run.outcome is not None
    found = finding(run.outcome, "speed")
    assert found.result is Result.NOT_MET
    assert found.reading is not None
    assert found.reading.value == pytest.approx(70.0, rel=0.01)


@pytest.mark.parametrize("broken", [{"role": 99}, {"rate_hz": 0}, {"counts": []}])
def test_a_capture_that_cannot_be_one_is_no_reading(broken: dict[str, object]) -> None:
    run, bench = begin(pump(SPEED, segments=8), STAND, capturing()), Bench()

    def answer(b: Bench, r: Run) -> None:
        if len([e for e in b.effects if isinstance(e, CaptureWanted)]) > b.captures:
            b.captures += 1
            b.effects += r.captured(replace(captured(100.0, b), **broken))  # type: ignore[arg-type]

    bench.hook = answer
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "speed")


def test_a_current_without_humps_gives_none_either() -> None:
    run, bench = with_captures(pump(*PUMP_NEEDS, SPEED, segments=8), 0.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "speed")
    assert notes(bench, "waveform not determined")


# The reopen check, reports, and further readings.


def test_the_second_free_flow_is_held_against_the_first() -> None:
    bench = Bench()
    carry_out(pump(), bench)
    (said,) = notes(bench, "reopen check")
    assert said.startswith("agrees")


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda b: setattr(b.unit, "free_flow", 122 * LITRES_PER_HOUR), "nothing else changed"),
        (
            lambda b: (setattr(b.unit, "free_flow", 122 * LITRES_PER_HOUR), setattr(b, "supply", 13.3)),
            "the supply changed",
        ),
    ],
    ids=["by itself", "with the supply"],
)
def test_a_difference_that_uncertainty_would_hide_is_told_with_its_reason(change, reason: str) -> None:  # type: ignore[no-untyped-def]
    bench = Bench()
    bench.hook = lambda b, r: change(b) if r.stage == "free_flow.2" else None
    outcome = carry_out(pump(), bench)
    (said,) = notes(bench, "reopen check")
    assert said.startswith("differs: -")
    assert reason in said
    assert outcome.verdict == Verdict(Word.PASS)


def test_a_report_is_read_over_the_longest_window_and_not_widened() -> None:
    report = replace(PUMP_NEEDS[1], mode=Mode.REPORT)
    decided, reported = (
        finding(carry_out(pump(need), Bench()), "free flow").reading for need in (PUMP_NEEDS[1], report)
    )
    assert decided is not None
    assert reported is not None
    assert decided.window[1] - decided.window[0] == pytest.approx(1.0, abs=0.1)
    assert reported.window[1] - reported.window[0] == pytest.approx(5.0, abs=0.1)
    assert {c.widen for c in reported.combined.components} == {1.0}
    assert max(c.widen for c in decided.combined.components) > 1.2


def test_a_report_with_a_target_ends_where_it_is_reached() -> None:
    report = replace(PUMP_NEEDS[1], mode=Mode.REPORT, target=3 * LITRES_PER_HOUR)
    reading = finding(carry_out(pump(report), Bench()), "free flow").reading
    assert reading is not None
    assert reading.combined.U < 3 * LITRES_PER_HOUR
    assert reading.window[1] - reading.window[0] < 3.1


def test_a_run_knows_power_and_efficiency_whether_asked_or_not() -> None:
    bench = Bench()
    outcome = carry_out(pump(), bench)
    told = {r.name: r for r in outcome.readings}
    assert told["free_flow.power"].value == pytest.approx(67.5, rel=0.01)
    line = PRESSURE.k_line * bench.unit.free_flow**2
    assert told["free_flow.efficiency"].value == pytest.approx(line * bench.unit.free_flow / 67.5, rel=0.05)
    assert "shutoff.efficiency" not in told
