"""What a unit truly does, against the plant run until nothing changes."""

from dataclasses import replace
from math import isnan

import pytest

from simulator.plant.motor import Supply
from simulator.plant.plant import Bath, Plant
from simulator.plant.unit import Inlet, Unit
from simulator.truth import flow_at, steady
from tests.simulator.common import LITRES_PER_HOUR, depot

ENDLESS = Bath(temperature=296.15, heat_capacity=1e12, cooling_time=1e12)
"""A bath that never warms."""
STEEP = Supply(volts=13.5, source_resistance=0.0, lead_resistance=0.0)
UNITS = ("good-pump", "weak-pump", "high-pressure", "displacement", "module")


def cool(unit: Unit) -> Unit:
    """The same unit with a winding that stays as warm as the fluid."""
    return replace(unit, motor=replace(unit.motor, heat_capacity=1e12))


def long_run(unit: Unit, travel: float, stride: int) -> Plant:
    made = Plant(cool(unit), depot().line, STEEP, ENDLESS)
    made.connected = made.immersed = made.return_held = made.powered = True
    made.level = 1.0
    made.set_travel(travel)
    for _ in range(100):
        made.advance(40, stride)
    return made


@pytest.mark.parametrize("stride", [1, 40])
@pytest.mark.parametrize("travel", [1.0, 0.3, 0.2, 0.12, 0.0])
@pytest.mark.parametrize("name", UNITS)
def test_it_is_where_the_plant_comes_to_rest(name: str, travel: float, stride: int) -> None:
    unit = depot().unit(name).unit
    made = long_run(unit, travel, stride)
    found = steady(unit, depot().line, 13.5, travel, 296.15)
    assert found.pressure == pytest.approx(made.pressure, rel=1e-4)
    assert found.flow == pytest.approx(made.flow, rel=1e-4)
    assert found.current == pytest.approx(made.current, rel=1e-4)
    assert found.speed == pytest.approx(made.speed, rel=1e-4)


@pytest.mark.parametrize("name", UNITS)
def test_flow_at_a_pressure_is_that_of_the_valve_which_holds_it(name: str) -> None:
    unit = depot().unit(name).unit
    held = steady(unit, depot().line, 13.5, 0.3, 300.0, 320.0)
    found = flow_at(unit, held.pressure, 13.5, 300.0, 320.0)
    assert found.flow == pytest.approx(held.flow + depot().line.leak * held.pressure, rel=1e-7)
    assert (found.current, found.speed) == pytest.approx((held.current, held.speed), rel=1e-7)


def test_a_pressure_beyond_a_unit_gets_no_flow() -> None:
    assert flow_at(depot().unit("good-pump").unit, 3e6, 13.5, 296.15).flow <= 0.0


def test_a_warm_winding_makes_it_slower() -> None:
    unit, line = depot().unit("good-pump").unit, depot().line
    cold, warm = (steady(unit, line, 13.5, 1.0, 296.15, kelvin) for kelvin in (None, 340.0))
    assert warm.speed < 0.97 * cold.speed
    assert warm.flow < 0.97 * cold.flow


def test_thin_fluid_costs_a_displacement_pump_flow_at_pressure() -> None:
    unit = depot().unit("displacement").unit
    cold, warm = (flow_at(unit, 3e5, 13.5, kelvin, 300.0) for kelvin in (288.15, 308.15))
    assert (cold.flow - warm.flow) / LITRES_PER_HOUR == pytest.approx(3.5, abs=1.0)
    turbine = depot().unit("good-pump").unit
    assert flow_at(turbine, 3e5, 13.5, 288.15, 300.0) == flow_at(turbine, 3e5, 13.5, 308.15, 300.0)


def test_a_stuck_rotor_stands_and_draws_what_it_can() -> None:
    unit = depot().unit("seized").unit
    found = steady(unit, depot().line, 13.5, 1.0, 293.15)
    assert (found.speed, found.pressure, found.flow) == (0.0, 0.0, 0.0)
    assert found.current == pytest.approx(13.5 / unit.motor.resistance)


def test_too_little_voltage_turns_nothing() -> None:
    unit = depot().unit("good-pump").unit
    found = steady(unit, depot().line, 0.5, 1.0, 293.15)
    assert found.speed == 0.0
    assert found.current == pytest.approx(0.5 / unit.motor.resistance)


def test_air_is_taken_at_its_mean() -> None:
    """The plant's own flow over a hundred seconds of gulps, against the one steady state."""
    unit = cool(replace(depot().unit("displacement").unit, inlet=Inlet(air=0.1)))
    made = long_run(unit, 1.0, 1)
    before = made.delivered
    flows = [made.advance(2) for _ in range(50_000)]
    found = steady(unit, depot().line, 13.5, 1.0, 296.15)
    assert (made.delivered - before) / 100.0 == pytest.approx(found.flow, rel=2e-3)
    assert max(flows) > 1.05 * found.flow
    assert not any(isnan(flow) for flow in flows)
