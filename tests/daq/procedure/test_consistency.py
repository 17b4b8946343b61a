"""Channels that contradict each other: between two visits to the same state, alone in a jump, against a valve.

Each test breaks one channel of a bench whose unit goes on as before, or changes the unit and leaves the channels alone.
"""

from collections.abc import Callable
from dataclasses import replace

import pytest

from daq.judge.verdict import Verdict, Word
from daq.procedure.consistency import LATER, WAIT_S
from daq.procedure.effects import StageNow
from daq.procedure.plan import Part
from daq.procedure.run import Run
from drivers.block import Role
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import PUMP_NEEDS, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms

WET = pump(*PUMP_NEEDS[1:], dry_check_s=None)
OPENED = "free_flow"


def from_stage(stage: str, change: Callable[[Bench], None], after: float = 0.0) -> Callable[[Bench, Run], None]:
    """A hook: before each block from `after` seconds into a stage on."""
    since: list[float] = []

    def hook(b: Bench, r: Run) -> None:
        if since or (r.stage == stage and b.power):
            since.append(b.t)
            if b.t - since[0] >= after:
                change(b)

    return hook


def verdict_of(hook: Callable[[Bench, Run], None], part: Part = WET) -> tuple[Verdict, list[str]]:
    bench = Bench(hook=hook)
    verdict = carry_out(part, bench).verdict
    # Where the line seems to hold back more than before, a person is asked to open the valve fully first.
    return verdict, [code for code in alarms(bench) if code != "confirm_needed"]


def gain(role: Role, factor: float) -> Callable[[Bench], None]:
    return lambda b: b.gains.__setitem__(role, factor)


def disagrees(why: str) -> tuple[Verdict, list[str]]:
    return Verdict(Word.VOID, why), ["channels_disagree"]


@pytest.mark.parametrize("factor", [0.8, 0.94, 1.06, 1.2])
def test_a_pressure_gain_that_changes_while_the_valve_travels(factor: float) -> None:
    """0.8 failed a sound unit without an alarm; what is too high would hide a worn one."""
    assert verdict_of(from_stage("throttle", gain(Role.PRESSURE, factor))) == disagrees("pressure against flow")


@pytest.mark.parametrize("factor", [0.94, 1.06])
def test_a_meter_that_changes_between_the_visits(factor: float) -> None:
    def other(b: Bench) -> None:
        b.meter_gain = factor

    assert verdict_of(from_stage("shutoff", other)) == disagrees("pressure against flow")


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_a_current_that_changes_between_the_visits(factor: float) -> None:
    assert verdict_of(from_stage("throttle", gain(Role.SHUNT, factor))) == disagrees("current against load")


@pytest.mark.parametrize("factor", [0.985, 1.015])
def test_a_voltage_that_changes_between_the_visits(factor: float) -> None:
    assert verdict_of(from_stage("throttle", gain(Role.SUPPLY_VOLTAGE, factor))) == disagrees("voltage against flow")


@pytest.mark.parametrize(
    ("role", "factor", "why"),
    [
        (Role.PRESSURE, 0.95, "pressure not as before"),
        (Role.SUPPLY_VOLTAGE, 1.015, "voltage not as before"),
        (Role.SHUNT, 1.06, "current against load"),
    ],
)
def test_a_module_comes_back_to_the_shut_valve(role: Role, factor: float, why: str) -> None:
    assert verdict_of(from_stage("fill", gain(role, factor)), module()) == disagrees(why)


@pytest.mark.parametrize(
    ("role", "stage"),
    [
        (Role.PRESSURE, OPENED),
        (Role.SHUNT, OPENED),
        (Role.SUPPLY_VOLTAGE, OPENED),
    ],
)
def test_a_channel_that_jumps_alone(role: Role, stage: str) -> None:
    name = {Role.PRESSURE: "pressure", Role.SHUNT: "current", Role.SUPPLY_VOLTAGE: "voltage"}[role]
    factor = 1.015 if role is Role.SUPPLY_VOLTAGE else 1.08
    assert verdict_of(from_stage(stage, gain(role, factor), after=0.8)) == disagrees(f"{name} jumped alone")


def test_a_meter_that_jumps_alone() -> None:
    def other(b: Bench) -> None:
        b.meter_gain = 0.94

    assert verdict_of(from_stage(OPENED, other, after=1.2)) == disagrees("flow jumped alone")


def weaker(share: float) -> Callable[[Bench], None]:
    """A unit that gives less: pressure in the open line falls with its flow, current with its load."""

    def change(b: Bench) -> None:
        b.unit = Unit(free_flow=share * 125 * LITRES_PER_HOUR, shutoff=share * 500e3, current=share * 5.0)

    return change


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen"])
def test_a_unit_that_changes_contradicts_nothing(stage: str) -> None:
    """Its flow falls below the limit, and all channels agree that it does: that is the unit's fault."""
    verdict, told = verdict_of(from_stage(stage, weaker(0.8), after=1.0))
    assert verdict.word is Word.FAIL
    assert told == []


def test_a_supply_that_changes_takes_the_unit_along() -> None:
    def sag(b: Bench) -> None:
        b.supply = 13.5 * 0.985
        b.unit = Unit(free_flow=0.985 * 125 * LITRES_PER_HOUR, shutoff=0.97 * 500e3, current=0.97 * 5.0)

    assert verdict_of(from_stage("throttle", sag)) == (Verdict(Word.PASS), [])


def test_a_line_that_still_opens_is_waited_for_and_no_longer_than_that() -> None:
    """A hand that is slow at the end of its travel: the flow is read, and the line comes to rest later."""
    opened: list[float] = []

    def hook(b: Bench, r: Run) -> None:
        if r.stage in LATER:
            opened.append(b.t)
            b.extra = 3e3 * max(0.0, 1.0 - (b.t - opened[0]) / 3.0)

    bench = Bench(hook=hook)
    outcome = carry_out(WET, bench)
    [spent] = [end - begin for name, begin, end in outcome.stages if name in LATER]
    assert outcome.verdict == Verdict(Word.PASS)
    assert 3.0 < spent < 3.0 + WAIT_S


def test_a_confirmation_does_not_make_a_dead_transducer_right() -> None:
    """Pressure that stays where it was in the open line although the valve shuts failed a sound unit."""

    def dead(b: Bench) -> None:
        b.silent_wires[Role.PRESSURE] = 2e3 + 100.0 * (round(b.t / 0.05) % 2)

    verdict, told = verdict_of(from_stage("throttle", dead))
    assert verdict.word is Word.VOID
    assert told


@pytest.mark.parametrize("back", [60_000, 3_000_000])
def test_a_clock_that_goes_back_voids_the_run(back: int) -> None:
    """By a step or by more; it raised where a channel's slope was looked at."""
    bench, run = Bench(), begin(WET)
    drive(run, bench, 7.0)
    for _ in range(3):
        block = bench.block()
        run.feed(replace(block, tick=block.tick - back, last_edge=block.last_edge - back))
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "device clock went back")


def test_what_is_asked_of_people_stays_the_same() -> None:
    bench = Bench()
    carry_out(WET, bench)
    assert [e.stage for e in bench.effects if isinstance(e, StageNow) and e.asked] == ["connect", "immerse"]
