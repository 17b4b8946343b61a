"""Switch, valve and inputs of the stand: what they do when told, and what keeps them from it."""

from pathlib import Path

import pytest

from drivers.block import Input
from simulator.bench import Bench
from simulator.errors import UnknownNameError
from simulator.outputs import INPUT_FAULTS, STAND_FAULTS, Actuator, Switch
from simulator.scenario import load_scenario
from tests.simulator.common import depot

DRIVEN = load_scenario("driven")


def running(unit: str = "good-pump") -> Bench:
    """A unit that runs on a driven stand."""
    bench = Bench(DRIVEN, unit)
    bench.connect()
    bench.immerse()
    bench.switch(True)
    scans(bench, 2.0)
    return bench


def scans(bench: Bench, seconds: float) -> None:
    for _ in range(round(seconds * 500)):
        bench.scan()


def test_a_switch_does_as_it_is_told() -> None:
    switch = Switch()
    assert not switch.live(stopped=False)
    for on in (True, False, True):
        switch.tell(on=on)
        assert (switch.told, switch.live(stopped=False)) == (on, on)


def test_the_stop_circuit_takes_power_whatever_the_switch_does() -> None:
    bench = running()
    bench.open_input(Input.STOP_CIRCUIT)
    bench.scan()
    truth = bench.truth()
    assert (bench.powered, truth.current) == (True, 0.0)
    bench.close_input(Input.STOP_CIRCUIT)
    bench.scan()
    assert bench.truth().current > 1.0


@pytest.mark.parametrize("which", [Input.SPLASH_GUARD, Input.FLUID_LEVEL])
def test_the_other_inputs_only_tell(which: Input) -> None:
    bench = running()
    bench.open_input(which)
    bench.scan()
    assert bench.truth().current > 1.0
    assert not bench.inputs & which


def test_a_stop_circuit_that_is_not_fitted_stops_nothing() -> None:
    bench = Bench(depot(), "good-pump")
    bench.add_fault("stop_open")
    bench.connect()
    bench.switch(True)
    scans(bench, 0.1)
    assert bench.truth().current > 1.0


def test_a_welded_contact_stays_closed_from_when_it_first_is() -> None:
    bench = Bench(DRIVEN, "good-pump")
    bench.connect()
    bench.add_fault("switch_stuck")
    bench.scan()
    assert bench.truth().voltage == 0.0
    for on in (True, False):
        bench.switch(on)
        scans(bench, 1.0)
        assert (bench.powered, bench.plant.powered) == (on, True)
    assert bench.truth().current > 1.0
    bench.open_input(Input.STOP_CIRCUIT)
    bench.scan()
    assert bench.truth().current == 0.0


def test_a_contact_that_welds_under_power_stays_closed() -> None:
    bench = running()
    bench.add_fault("switch_stuck")
    bench.switch(False)
    scans(bench, 0.5)
    assert bench.truth().current > 1.0


def test_a_supply_that_is_gone_gives_nothing_and_takes_nothing() -> None:
    """The motor that runs down is no load on it: the terminals still show its back-EMF."""
    bench = running()
    bench.add_fault("supply_off")
    bench.scan()
    truth = bench.truth()
    assert (bench.powered, truth.current) == (True, 0.0)
    assert 1.0 < truth.voltage < 12.0
    scans(bench, 3.0)
    assert bench.truth().speed == 0.0


def test_an_actuator_goes_at_its_speed_and_says_so() -> None:
    actuator = Actuator()
    actuator.turn(0.0, 0.01)
    assert actuator.moving
    for _ in range(50):
        actuator.advance()
    assert actuator.travel == pytest.approx(0.5)
    for _ in range(51):
        actuator.advance()
    assert (actuator.travel, actuator.moving) == (0.0, False)


def test_an_actuator_that_is_stuck_does_not_know_it() -> None:
    bench = Bench(DRIVEN, "good-pump")
    bench.aim_valve(0.0, 2.0)
    scans(bench, 1.0)
    bench.add_fault("valve_stuck")
    stuck_at = bench.travel
    assert stuck_at == pytest.approx(0.5)
    scans(bench, 0.9)
    assert bench.moving
    scans(bench, 0.2)
    assert (bench.travel, bench.moving) == (stuck_at, False)
    assert bench.truth().travel == bench.plant.travel == stuck_at


@pytest.mark.parametrize("name", sorted(INPUT_FAULTS))
def test_a_fault_opens_an_input_at_its_time(name: str) -> None:
    bench = Bench(DRIVEN, "good-pump")
    bench.befall(name, 0.5)
    scans(bench, 0.49)
    assert bench.inputs == DRIVEN.device.inputs_fitted
    scans(bench, 0.02)
    assert bench.inputs == DRIVEN.device.inputs_fitted & ~INPUT_FAULTS[name]


def test_another_unit_finds_the_stand_repaired() -> None:
    bench = running()
    bench.aim_valve(0.0, 1.0)
    for name in STAND_FAULTS:
        bench.add_fault(name)
    scans(bench, 1.1)
    assert bench.travel == 1.0
    bench.mount("good-pump")
    bench.connect()
    assert bench.inputs == DRIVEN.device.inputs_fitted
    bench.switch(True)
    scans(bench, 1.1)
    assert bench.truth().current > 1.0
    assert bench.travel == 0.0  # where it was told to go in the meantime
    bench.switch(False)
    bench.scan()
    assert bench.truth().current == 0.0


def test_an_input_that_somebody_opened_stays_open() -> None:
    bench = Bench(DRIVEN, "good-pump")
    bench.open_input(Input.SPLASH_GUARD)
    bench.add_fault("guard_open")
    bench.mount("module")
    assert not bench.inputs & Input.SPLASH_GUARD


def test_a_fault_of_the_stand_leaves_a_supply_that_was_set() -> None:
    bench = running()
    bench.set_supply(9000)
    bench.add_fault("guard_open")
    bench.scan()
    assert bench.truth().voltage < 9.5


def test_a_fault_that_nobody_knows() -> None:
    with pytest.raises(UnknownNameError, match="fault 'rust'"):
        Bench(DRIVEN, "good-pump").befall("rust", 1.0)


def test_faults_come_in_the_order_of_their_times() -> None:
    bench = Bench(DRIVEN, "wire-breaks")  # at 20 s
    bench.befall("seized", 0.2)
    bench.befall("guard_open", 0.1)
    scans(bench, 0.15)
    assert not bench.inputs & Input.SPLASH_GUARD
    assert not bench.design.unit.seized
    scans(bench, 0.1)
    assert bench.design.unit.seized


def test_the_page_lists_them_all() -> None:
    page = (Path(__file__).parents[2] / "simulator/README.md").read_text(encoding="utf-8")
    assert [name for name in STAND_FAULTS if f"`{name}`" not in page] == []
