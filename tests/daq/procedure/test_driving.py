"""What a stand that drives itself does with switch and valve: step by step, without physics.

Pressure and flow stay as a test says, so that only time and the stage decide. A limit is met from both sides, a step
of 50 ms apart.
"""

import math

import pytest

from daq.judge.requirement import Quantity, Requirement
from daq.measure.flow import Flow
from daq.measure.steps import STEP_S, Step
from daq.procedure.driving import Driving, pauses_of, places_of
from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive, Kind, Part
from daq.procedure.table import Valve, sequence
from tests.daq.procedure.bench import module, pump

DRIVE = Drive(travel=2.0, obeyed=0.8)
STAGES = sequence(Kind.PUMP, dry_check=True, residual=True)
PAUSED = sequence(Kind.PUMP, dry_check=False, pauses=1)
PLACE = 250e3
NOTHING, FLOWS, HIDDEN = Flow(math.nan, 0.0, 1e-7, silent=True), Flow(3e-5, 3e-5, 3e-5), Flow(math.nan, 0.0, 1e-6)


class Driven:
    """A run's driving, fed with steps. `on_for` follows the outputs at once, unless the switch does not `obey`."""

    def __init__(self, stages: tuple[str, ...] = STAGES, part: Part | None = None, *, settable: bool = False) -> None:
        places = places_of(stages, (PLACE,)) if "rated" in stages else {}
        self.driving = Driving(DRIVE, part or pump(), stages, places, settable=settable)
        self.n, self.obeys = 0, True
        self.on_at: float | None = None
        self.told: list[Outputs | None] = []

    @property
    def t(self) -> float:
        return self.n * STEP_S

    def steps(
        self, seconds: float, stage: str, *, pressure: float = 0.0, flow: Flow = NOTHING, reading: bool = False
    ) -> "Driven":
        for _ in range(round(seconds / STEP_S)):
            self.n += 1
            step = Step(self.n, self.t, pressure, 13.5, 5.0, 295.0, 0.0, flow, None, False, 0, 0, pressure)
            on_for = None if self.on_at is None else self.t - self.on_at
            self.told.append(self.driving.step(step, stage, on_for, reading=reading))
            if self.obeys:
                self.on_at = (self.on_at or self.t) if self.driving.outputs.power else None
        return self

    @property
    def outputs(self) -> Outputs:
        return self.driving.outputs


# What is planned beforehand.


def test_a_bare_pump_pauses_as_pressure_rises_and_a_module_as_it_falls() -> None:
    rated = [Requirement(f"r{at}", Quantity.FLOW, "rated", at=at) for at in (300e3, 200e3, 300e3)]
    others = [
        Requirement("other place", Quantity.FLOW, "rated", at=5e-5, at_flow=True),
        Requirement("other stage", Quantity.FLOW, "free_flow", at=100e3),
    ]
    assert pauses_of(pump(*rated, *others)) == (200e3, 300e3)
    for kind in (Kind.MODULE, Kind.MODULE_RETURN):
        assert pauses_of(module(kind, requirements=(*rated, *others))) == (300e3, 200e3)
    assert pauses_of(pump(*others)) == ()


def test_the_places_are_those_of_the_pauses_in_order() -> None:
    stages = sequence(Kind.PUMP, dry_check=False, pauses=2)
    assert places_of(stages, (200e3, 300e3)) == {"rated": 200e3, "rated.2": 300e3}


# Power.


def test_a_run_begins_and_ends_without_power_and_with_the_valve_open() -> None:
    driven = Driven()
    assert driven.outputs == Outputs(power=False, valve=1.0)
    driven.steps(1.0, "connect")
    assert set(driven.told) == {None}
    assert not driven.driving.has_powered
    driven.steps(3.0, "throttle")
    assert driven.outputs.power
    assert driven.outputs.valve < 1.0
    assert driven.driving.end() == driven.outputs == Outputs(power=False, valve=1.0)
    assert driven.driving.has_powered
    assert driven.steps(1.0, "finish").driving.has_powered  # and stays so


def test_power_comes_once_the_valve_has_been_at_its_end_for_as_long_as_it_may_take() -> None:
    driven = Driven().steps(DRIVE.obeyed, "free_flow")
    assert not driven.outputs.power
    driven.steps(2 * STEP_S, "free_flow")
    assert driven.outputs.power
    assert [t for t in driven.told if t] == [Outputs(power=True, valve=1.0)]  # what stays is not told again


def test_power_waits_for_a_valve_that_is_on_its_way_shut() -> None:
    driven = Driven().steps(DRIVE.travel + DRIVE.obeyed - STEP_S, "shutoff")
    assert driven.outputs == Outputs(power=False, valve=0.0)
    driven.steps(4 * STEP_S, "shutoff")
    assert driven.outputs.power


@pytest.mark.parametrize("stage", ["connect", "immerse", "residual", "finish"])
def test_stages_without_power_take_it_away(stage: str) -> None:
    driven = Driven().steps(2.0, "free_flow")
    assert driven.steps(STEP_S, stage).outputs.power is False


@pytest.mark.parametrize(("most", "runs"), [(None, 1.0), (2.0, 1.2), (1.5, 1.1), (1.0, 1.0)])
def test_a_dry_check_runs_as_long_as_it_is_read_and_once_only(most: float | None, runs: float) -> None:
    """Or so much shorter than the part's limit that switching off is in time; never shorter than it can be read."""
    driven = Driven(part=pump(dry_check_s=most)).steps(STEP_S, "dry_check")
    assert driven.outputs.power
    driven.steps(runs - STEP_S, "dry_check")
    assert driven.outputs.power
    driven.steps(2 * STEP_S, "dry_check")
    assert not driven.outputs.power
    assert not driven.steps(2.0, "dry_check").outputs.power


@pytest.mark.parametrize(("late", "why"), [(-1, ""), (2, "power did not come on")])
def test_a_switch_that_does_not_close(late: int, why: str) -> None:
    driven = Driven()
    driven.obeys = False
    driven.steps(1.0, "free_flow")
    assert driven.outputs.power
    since = next(k for k, told in enumerate(driven.told) if told)
    driven.steps(DRIVE.obeyed - (len(driven.told) - 1 - since) * STEP_S + late * STEP_S, "free_flow")
    assert driven.driving.disobeyed == why


@pytest.mark.parametrize(("late", "why"), [(-1, ""), (2, "power failed")])
def test_power_that_fails(late: int, why: str) -> None:
    driven = Driven().steps(3.0, "free_flow")
    assert driven.driving.disobeyed == ""
    driven.obeys, driven.on_at = False, None
    driven.steps(DRIVE.obeyed + late * STEP_S, "free_flow")
    assert driven.driving.disobeyed == why


@pytest.mark.parametrize(("late", "why"), [(-1, ""), (2, "power did not go off")])
def test_a_switch_that_does_not_open(late: int, why: str) -> None:
    """A motor that runs down is given its time; with power failed before, the next run of the unit is a new one."""
    driven = Driven().steps(3.0, "free_flow")
    driven.obeys = False
    driven.steps(0.8 + 1.0 + late * STEP_S, "finish")
    assert driven.driving.disobeyed == why


def test_after_power_off_a_switch_that_does_not_close_again_is_no_failure_of_power() -> None:
    driven = Driven().steps(3.0, "free_flow").steps(3.0, "immerse")
    driven.obeys = False
    driven.steps(3.0, "free_flow")
    assert driven.driving.disobeyed == "power did not come on"


# The supply.


def test_only_a_supply_that_can_be_set_is_set() -> None:
    assert Driving(DRIVE, pump(), STAGES, {}).outputs.supply is None
    assert Driven().outputs.supply is None
    driven = Driven(settable=True, part=pump(test_voltage=12.0))
    assert driven.outputs.supply == 12.0
    assert not driven.driving.supply_moves
    assert not Driven().steps(3.0, "free_flow").driving.supply_moves


@pytest.mark.parametrize(("stage", "reading"), [("free_flow", True), ("dry_check", False)])
def test_a_supply_stays_while_something_is_read(stage: str, reading: bool) -> None:
    """The terminals are a volt and a half too high or low all the time, so it would move; a dry check is read whole."""
    low = Driven(settable=True, part=pump(test_voltage=15.0, dry_check_s=2.0)).steps(1.1, stage, reading=reading)
    assert low.outputs.power
    assert low.outputs.supply == 15.0
    moving = Driven(settable=True, part=pump(test_voltage=15.0)).steps(4.0, "free_flow")
    assert moving.outputs.supply is not None
    assert moving.outputs.supply > 15.0


# Where the valve is.


@pytest.mark.parametrize(("stage", "end"), [("shutoff", 0.0), ("throttle", 0.0), ("free_flow", 1.0), ("reopen", 1.0)])
def test_without_power_the_valve_goes_at_full_speed(stage: str, end: float) -> None:
    driven = Driven()
    driven.obeys = False
    driven.steps(1.1 * DRIVE.travel, "shutoff" if end else "free_flow")
    before = driven.outputs.valve
    driven.steps(DRIVE.travel / 2, stage)
    assert driven.outputs.valve == pytest.approx(0.5 * (before + end), abs=0.03)
    driven.steps(DRIVE.travel / 2 + 2 * STEP_S, stage)
    assert driven.outputs.valve == end


@pytest.mark.parametrize("stage", ["fill", "residual"])
def test_some_stages_leave_the_valve_alone(stage: str) -> None:
    stages = (*STAGES, "fill")
    driven = Driven(stages).steps(DRIVE.travel / 2, "shutoff")
    before = driven.outputs.valve
    assert 0.3 < before < 0.7
    assert driven.steps(1.0, stage).outputs.valve == before


def test_with_power_the_valve_closes_and_opens_and_stands_while_a_pause_is_read() -> None:
    driven = Driven(PAUSED).steps(2.0, "free_flow", pressure=10e3, flow=FLOWS)
    driven.steps(1.0, "throttle", pressure=10e3, flow=FLOWS)
    at = driven.outputs.valve
    assert 0.3 < at < 0.9
    driven.steps(1.0, "rated", pressure=10e3, flow=FLOWS, reading=True)
    assert driven.outputs.valve == at
    driven.steps(0.5, "rated", pressure=10e3, flow=FLOWS)
    assert driven.outputs.valve < at  # pressure is too low, so it goes on closing
    low = driven.outputs.valve
    driven.steps(0.5, "reopen", pressure=10e3, flow=FLOWS)
    assert driven.outputs.valve > low


@pytest.mark.parametrize("stage", ["throttle", "rated"])
def test_a_travel_has_paused_once_the_pressure_is_held(stage: str) -> None:
    driven = Driven(PAUSED).steps(2.0, "free_flow", pressure=PLACE, flow=FLOWS)
    driven.steps(0.5, stage, pressure=PLACE, flow=FLOWS)
    assert not driven.driving.paused(stage)
    driven.steps(2.0, stage, pressure=PLACE, flow=FLOWS)
    assert driven.driving.paused(stage)
    assert not driven.driving.out_of_reach
    assert not driven.driving.paused("free_flow")


def shut_at(driven: Driven, stage: str = "throttle") -> Driven:
    """The step that told the valve to be shut has just been."""
    while driven.outputs.valve > 0.0:
        driven.steps(STEP_S, stage, pressure=20e3, flow=HIDDEN)
        assert driven.t < 60.0
    return driven


@pytest.mark.parametrize(("late", "true"), [(0, False), (2, True)])
def test_a_pressure_that_the_unit_cannot_give_is_out_of_reach(late: int, true: bool) -> None:
    driven = shut_at(Driven(PAUSED).steps(2.0, "free_flow", pressure=20e3, flow=HIDDEN))
    assert driven.driving.at_end_for() == 0.0
    driven.steps(DRIVE.travel + late * STEP_S, "throttle", pressure=20e3, flow=NOTHING)
    assert driven.driving.out_of_reach is true
    assert driven.driving.paused("throttle") is true


@pytest.mark.parametrize("flow", [NOTHING, FLOWS, HIDDEN])
@pytest.mark.parametrize("late", [0, 2])
def test_a_valve_counts_as_shut_after_its_travel_where_no_flow_speaks_against_it(late: int, flow: Flow) -> None:
    driven = shut_at(Driven().steps(2.0, "free_flow"))
    driven.steps(DRIVE.travel + late * STEP_S, "throttle")
    step = Step(0, driven.t, 0.0, 13.5, 5.0, 295.0, 0.0, flow, None, False, 0, 0, 0.0)
    assert driven.driving.told_shut(step) is (late > 0 and flow.silent)


def test_an_open_valve_is_not_told_shut_nor_out_of_reach() -> None:
    driven = Driven().steps(6.0, "free_flow")
    step = Step(0, driven.t, 0.0, 13.5, 5.0, 295.0, 0.0, NOTHING, None, False, 0, 0, 0.0)
    assert not driven.driving.told_shut(step)
    assert not driven.driving.out_of_reach


@pytest.mark.parametrize(("late", "overdue"), [(0, False), (2, True)])
def test_a_valve_is_overdue_after_its_travel_and_a_little_more(late: int, overdue: bool) -> None:
    seconds = 2.5  # of 2.0 s by 1.1, and 0.3 s for telling
    opened = Driven().steps(seconds + late * STEP_S, "connect").driving
    assert opened.overdue is overdue
    assert opened.told_open is (True if overdue else None)
    assert opened.elsewhere(Valve.BETWEEN) is overdue
    assert opened.elsewhere(Valve.SHUT) is overdue
    assert not opened.elsewhere(Valve.OPEN)
    assert not opened.elsewhere(None)
    closed = shut_at(Driven()).steps(seconds + late * STEP_S, "throttle").driving
    assert closed.overdue is overdue
    assert closed.told_open is False
    assert closed.elsewhere(Valve.OPEN) is overdue
    assert not closed.elsewhere(Valve.SHUT)


def test_between_its_ends_a_valve_has_been_told_neither() -> None:
    driven = Driven().steps(1.0, "free_flow").steps(0.5, "shutoff")
    assert driven.driving.at_end_for() == 0.0
    assert driven.driving.told_open is False
    assert not driven.driving.elsewhere(Valve.BETWEEN)


CONTRADICTED = [
    # the valve was told, in, the signals show, a flow is known, whether that speaks against it
    (0.0, "shutoff", Valve.OPEN, True, True),
    (0.0, "shutoff", Valve.BETWEEN, True, True),
    (0.0, "shutoff", Valve.OPEN, False, False),
    (0.0, "throttle", Valve.OPEN, True, True),
    (0.0, "shutoff", None, True, False),
    (0.0, "connect", Valve.OPEN, True, False),
    (1.0, "free_flow", Valve.SHUT, False, True),
    (1.0, "free_flow", Valve.BETWEEN, True, True),
    (1.0, "free_flow", Valve.BETWEEN, False, False),
    (1.0, "free_flow", Valve.OPEN, True, False),
    (1.0, "reopen", Valve.SHUT, False, True),
]


@pytest.mark.parametrize(("end", "stage", "seen", "flowing", "astray"), CONTRADICTED)
def test_signals_that_show_the_valve_elsewhere_for_long(
    end: float, stage: str, seen: Valve | None, flowing: bool, astray: bool
) -> None:
    """For its whole way and for what a meter needs to show that nothing flows."""
    for late, told in ((-1, False), (2, astray)):
        driven = Driven() if end else shut_at(Driven())
        driven.steps(1.0, "free_flow" if end else "throttle")
        driving = driven.driving
        assert not driving.astray(None, stage, flowing=False)
        driven.steps(2.0 + 3.0 + late * STEP_S, stage if stage != "connect" else "shutoff")
        assert driving.astray(seen, stage, flowing=flowing) is told
        assert not driving.astray(None, stage, flowing=flowing)  # once they agree the time begins anew
        assert not driving.astray(seen, stage, flowing=flowing)


def test_while_the_valve_seeks_a_pressure_no_end_is_contradicted() -> None:
    driven = Driven(PAUSED).steps(1.0, "free_flow")
    assert not driven.driving.astray(None, "free_flow", flowing=False)
    driven.steps(30.0, "free_flow")
    assert not driven.driving.astray(Valve.SHUT, "throttle", flowing=True)
    assert not driven.driving.astray(Valve.SHUT, "rated", flowing=True)
