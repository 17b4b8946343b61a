"""Channels within their span that lie: stuck ones, a shunt beside a unit that pumps, a transducer that drifts."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.judge.verdict import Verdict, Word
from daq.measure.channels import SteadyFloor
from daq.measure.convert import Column
from daq.procedure.belief import SCATTER, STILL_S
from daq.procedure.effects import Alarm
from daq.procedure.plan import Part
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Role
from tests.daq.measure.blocks import LITRES_PER_HOUR, PRESSURE
from tests.daq.procedure.bench import PUMP_NEEDS, STAND, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms

WET = pump(*PUMP_NEEDS[1:], dry_check_s=None)
ROLES = (Role.PRESSURE, Role.SHUNT, Role.SUPPLY_VOLTAGE)
NAMES = {Role.PRESSURE: "pressure", Role.SHUNT: "current", Role.SUPPLY_VOLTAGE: "voltage"}
LINE = PRESSURE.k_line * Unit().free_flow ** 2
BEYOND = {Role.SHUNT: 24.75}
"""A shunt's amplifier at its end: 20 A is the span."""
VOLTS_PER_COUNT = 5.0 / 32768 / 0.2
"""Of the sensed voltage."""


def from_stage(stage: str, change: Callable[[Bench], None], after: float = 0.5) -> Callable[[Bench, Run], None]:
    """A hook: something happens once, with power on, `after` seconds into a stage."""
    since: list[float] = []

    def hook(b: Bench, r: Run) -> None:
        if r.stage == stage and b.power:
            since.append(b.t)
            if b.t - since[0] >= after:
                change(b)

    return hook


def stick(role: Role) -> Callable[[Bench], None]:
    return lambda b: b.stuck.add(role)


def cut(levels: dict[Role, float]) -> Callable[[Bench], None]:
    return lambda b: b.silent_wires.update(levels)


def run_with(hook: Callable[[Bench, Run], None], part: Part = WET, bench: Bench | None = None) -> tuple[Verdict, Bench]:
    bench = bench or Bench()
    bench.hook = hook
    return carry_out(part, bench).verdict, bench


# What stands still.


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen"])
@pytest.mark.parametrize("role", ROLES)
def test_a_stuck_channel_is_found_out_and_fails_nobody(role: Role, stage: str) -> None:
    verdict, bench = run_with(from_stage(stage, stick(role)))
    assert verdict.word is Word.VOID
    assert f"{NAMES[role]}_faulty" in alarms(bench)
    told = next(a for a in bench.effects if isinstance(a, Alarm))
    assert "has stopped moving" in told.text


@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT])
def test_so_is_one_that_sticks_at_rest(role: Role) -> None:
    """At its zero, where it had scattered before; a current then looks like that of an open-circuit unit."""
    verdict, bench = run_with(lambda b, r: b.stuck.add(role) if r.stage == "dry_check" else None, pump())
    assert verdict.word is Word.VOID
    assert f"{NAMES[role]}_faulty" in alarms(bench)


def test_an_open_circuit_unit_scatters_about_nothing_and_fails() -> None:
    verdict, bench = run_with(lambda _b, _r: None, pump(), Bench(Unit(free_flow=0.0, shutoff=0.0, current=0.0)))
    assert verdict == Verdict(Word.FAIL, "turns")
    assert alarms(bench) == []


@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT])
def test_without_any_scatter_a_running_unit_is_not_believed(role: Role) -> None:
    """Nothing scatters from the beginning, so there is nothing to compare with but what pumps do."""
    verdict, bench = run_with(lambda _b, _r: None, WET, Bench(quiet=frozenset({role})))
    assert verdict.word is Word.VOID
    assert alarms(bench)[0] == f"{NAMES[role]}_faulty"


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff"])
@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT])
def test_a_stuck_channel_with_a_count_of_noise_is_found_out(role: Role, stage: str) -> None:
    """No count repeats itself for long, and yet nothing of the signal is left."""
    bench = Bench(flickers=True)
    verdict, _ = run_with(from_stage(stage, stick(role)), WET, bench)
    assert verdict.word is Word.VOID
    assert {f"{NAMES[role]}_faulty", "channels_disagree", "flow_ended", "zero_shift"} & set(alarms(bench))


def test_pressure_that_stays_although_the_valve_shuts() -> None:
    """Where the converter is too coarse for the scatter of the open line's small pressure the valve is what tells."""
    bench = Bench(quiet=frozenset({Role.PRESSURE}))
    verdict, _ = run_with(from_stage("free_flow", stick(Role.PRESSURE)), WET, bench)
    assert SCATTER[Column.PRESSURE] * LINE < 38.0  # a step of the converter, Pa
    assert verdict.word is Word.VOID
    [told] = [a for a in bench.effects if isinstance(a, Alarm) and a.code == "pressure_faulty"]
    assert told.text.startswith("stage throttle")


def test_a_quiet_converter_too_coarse_to_tell_is_left_alone() -> None:
    """Its step is wider than what counts as steady: of pressure 38 Pa, of current 0.8 mA."""
    coarse = replace(STAND.channels, floor=SteadyFloor(pressure=30.0, current=0.5e-3))
    bench = Bench(quiet=frozenset({Role.PRESSURE, Role.SHUNT, Role.SUPPLY_VOLTAGE}))
    outcome = carry_out(WET, bench, replace(STAND, channels=coarse))
    assert outcome.verdict == Verdict(Word.PASS)
    assert alarms(bench) == []


def test_voltage_that_never_scattered_is_found_out_where_power_goes_off() -> None:
    """Until then a good supply looks the same; but all readings lean on it."""
    bench = Bench(quiet=frozenset({Role.SUPPLY_VOLTAGE}))
    verdict, bench = run_with(from_stage("free_flow", stick(Role.SUPPLY_VOLTAGE)), WET, bench)
    assert verdict == Verdict(Word.VOID, "voltage faulty")
    assert alarms(bench) == ["voltage_faulty"]
    assert carry_out(WET, Bench(quiet=frozenset({Role.SUPPLY_VOLTAGE}))).verdict == Verdict(Word.PASS)


@given(leads=st.floats(0.0, 0.1), drift=st.floats(-4e-3, 4e-3), phase=st.floats(0.0, 1.0))
@settings(max_examples=12, deadline=None)
def test_a_quiet_voltage_is_not_stuck_whatever_the_leads_take_and_however_it_settles(
    leads: float, drift: float, phase: float
) -> None:
    """Before, the current's scatter in what leads of 0.1 ohm take, or a supply that settles by some counts in the first
    two seconds, made a voltage lively that scatters by less than half a count; then it had stopped moving."""
    channels = replace(STAND.channels, voltage=replace(STAND.channels.voltage, lead_resistance=leads))
    settled = 13.5 + leads * Unit().current + phase * VOLTS_PER_COUNT

    def hook(b: Bench, _run: Run) -> None:
        b.supply = settled + drift * min(b.powered_s - 2.0, 0.0)

    bench = Bench(quiet=frozenset({Role.SUPPLY_VOLTAGE}), supply=settled, hook=hook)
    assert carry_out(WET, bench, replace(STAND, channels=channels)).verdict == Verdict(Word.PASS)
    assert alarms(bench) == []


@pytest.mark.parametrize("part", [pump(), module()])
def test_sensors_that_are_read_four_times_a_second_raise_no_alarm(part: Part) -> None:
    for seed in range(3):
        bench = Bench(holds=5, zero=seed * 20.0)
        run = begin(part)
        drive(run, bench, 60.0)
        assert not {"pressure_faulty", "current_faulty", "voltage_faulty"} & set(alarms(bench))


def test_it_is_found_out_within_two_seconds() -> None:
    bench, at = Bench(), []

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "shutoff":
            b.stuck.add(Role.PRESSURE)
            at.append(b.t)

    bench.hook = hook
    run = begin(WET)
    while "pressure_faulty" not in alarms(bench):
        drive(run, bench, 0.05)
    assert bench.t - at[0] <= STILL_S + 0.1


# A current that cannot be.


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen"])
def test_no_current_beside_a_unit_that_pumps(stage: str) -> None:
    """It scatters about nothing, as a shunt does whose wire is off behind the amplifier."""
    verdict, bench = run_with(from_stage(stage, cut({Role.SHUNT: 0.0})))
    assert verdict.word is Word.VOID
    assert "current_faulty" in alarms(bench)


def test_an_open_circuit_unit_in_fluid_is_no_broken_channel() -> None:
    bench = Bench(Unit(free_flow=0.0, shutoff=0.0, current=0.0))
    outcome = carry_out(WET, bench)
    assert outcome.verdict == Verdict(Word.FAIL, "free flow")
    assert "current_faulty" not in alarms(bench)


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen"])
def test_a_current_beyond_its_span_on_a_unit_that_pumps(stage: str) -> None:
    verdict, bench = run_with(from_stage(stage, cut(BEYOND)))
    assert verdict == Verdict(Word.VOID, "current faulty")
    assert alarms(bench)[-1] == "over_current"  # who cannot see the current switches off


def test_a_seized_unit_that_drives_the_current_beyond_its_span_fails() -> None:
    seized = Unit(free_flow=0.0, shutoff=0.0, current=24.0)
    assert run_with(lambda _b, _r: None, pump(), Bench(seized))[0] == Verdict(Word.FAIL, "turns")
    assert run_with(lambda _b, _r: None, WET, Bench(seized))[0] == Verdict(Word.FAIL, "current, free flow")


def test_a_current_beyond_its_span_in_the_middle_of_a_dry_check() -> None:
    """Nothing can tell then what the unit does, but it had been running."""
    verdict, _ = run_with(from_stage("dry_check", cut(BEYOND)), pump())
    assert verdict == Verdict(Word.VOID, "current faulty")


def test_a_current_beyond_its_span_before_power_is_on() -> None:
    """In the air nothing else would tell it from a seized unit."""
    bench, since = Bench(leaves=frozenset({Do.DRY_CHECK})), []

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "dry_check":
            since.append(b.t)
            b.silent_wires = dict(BEYOND)
            if b.t - since[0] > 1.5:
                b.leaves = frozenset()

    verdict, _ = run_with(hook, pump(), bench)
    assert verdict == Verdict(Word.VOID, "current faulty")
    assert alarms(bench) == ["current_faulty", "over_current"]


def test_a_current_that_fails_once_all_is_read_changes_nothing() -> None:
    """And power-off is seen although the current seems to go on."""
    verdict, bench = run_with(from_stage("finish", stick(Role.SHUNT), 0.0), WET)
    assert verdict == Verdict(Word.PASS)
    assert alarms(bench) == []


# Pressure beyond its span, and pressure that drifts.


def test_a_broken_pressure_wire_is_told_as_such() -> None:
    verdict, bench = run_with(from_stage("shutoff", cut({Role.PRESSURE: 1.1e6})))
    assert verdict == Verdict(Word.VOID, "pressure out of span")
    told = [a for a in bench.effects if isinstance(a, Alarm)][-1]
    assert told.code == "over_pressure"
    assert told.do.startswith("switch off and open the valve")


def drifting(per_second: float, *stages: str) -> Callable[[Bench, Run], None]:
    def hook(b: Bench, r: Run) -> None:
        if r.stage in (stages or ("free_flow.2", "finish")):
            b.zero += per_second * 0.05

    return hook


@pytest.mark.parametrize("rate", [10e3, -10e3])
def test_a_transducer_that_does_not_come_back_voids_the_run(rate: float) -> None:
    part = pump(*PUMP_NEEDS[1:], dry_check_s=None, shutoff_limit_s=15.0)
    verdict, bench = run_with(drifting(rate, "finish"), part)
    assert verdict == Verdict(Word.VOID, "zero shifted")
    told = next(a for a in bench.effects if isinstance(a, Alarm) and a.code == "zero_shift")
    assert "since the run's beginning" in told.text


@pytest.mark.parametrize("unit", [Unit(), Unit(free_flow=100 * LITRES_PER_HOUR)])
def test_no_confirmation_settles_a_pressure_that_rises_in_the_open_line(unit: Unit) -> None:
    """The valve is open and said to be, so it is the transducer, whatever else was found on the unit."""
    verdict, bench = run_with(drifting(3e3), WET, Bench(unit))
    assert verdict == Verdict(Word.VOID, "pressure in an open line")
    assert "confirm_needed" in alarms(bench)


def test_a_weak_unit_does_not_fail_by_a_transducer_that_does_not_come_back() -> None:
    bench = Bench(Unit(free_flow=100 * LITRES_PER_HOUR))
    assert run_with(drifting(-3e3), WET, bench)[0].word is Word.VOID


def test_a_shift_that_the_line_does_not_show_is_none() -> None:
    """A pressure that changes by more than its scatter beside the same flow is a contradiction, however small."""
    assert run_with(drifting(0.05e3), WET)[0] == Verdict(Word.PASS)
