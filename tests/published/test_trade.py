"""What the trade takes for usual in in-tank fuel pumps: is the invented depot plausible?

Every figure here is common practice, no source, from memory. None of them is a limit for a real pump: that has its own
specification. They are asked of the simulator's good units and of the parts and the stand that ship.
"""

import math
from pathlib import Path

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.procedure.plan import Limits, Part
from simulator.plant.plant import Plant
from simulator.scenario import load_scenario
from tests.published.rows import rows

CONFIG = Path(__file__).parents[2] / "config"
STANDS = (CONFIG / "stand.toml", CONFIG / "stand-driven.toml")
DEPOT = load_scenario("depot")
RPM = 2 * math.pi / 60
LITRES_PER_HOUR = 1 / 3.6e6
BARE = ["good-pump", "high-pressure"]
MODULES = ["module", "module-return"]


@pytest.fixture
def parts() -> list[Part]:
    return [entry.part for entry in load_catalogue(CONFIG)]


def running(name: str, travel: float = 1.0) -> Plant:
    """A unit of the depot in fluid, its reservoir full, two seconds after power-on and two after the valve came to its
    place."""
    design = DEPOT.unit(name)
    plant = Plant(design.unit, DEPOT.line, design.supply, DEPOT.bath)
    plant.powered = plant.connected = plant.immersed = plant.return_held = True
    plant.level = 1.0
    plant.advance(2000)
    plant.set_travel(travel)
    plant.advance(2000)
    return plant


def at_pressure(name: str, pressure: float) -> Plant:
    """The same with the valve where the line has about this pressure."""
    low, high = 0.01, 1.0
    for _ in range(14):
        middle = 0.5 * (low + high)
        plant = running(name, middle)
        low, high = (middle, high) if plant.pressure > pressure else (low, middle)
    return plant


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        pytest.param("module-return", 2.5e5, 3.5e5, id="V9.1"),  # with return: about 2.5 to 3.5 bar
        pytest.param("module", 3.5e5, 4.2e5, id="V9.2"),  # returnless: about 3.5 to 4.2 bar
    ],
)
def test_regulated_pressure(name: str, low: float, high: float) -> None:
    """Common practice, no source: port injection."""
    assert low < running(name, travel=0.0).pressure < high


@rows("V9.4")
def test_pressure_for_direct_injection() -> None:
    """Common practice, no source: about 3.5 to 6 bar. The high-pressure pump delivers there."""
    for pressure in (3.5e5, 6.0e5):
        assert at_pressure("high-pressure", pressure).flow > 40 * LITRES_PER_HOUR


@rows("V9.5", "V9.15")
@pytest.mark.parametrize("name", BARE)
def test_pressure_against_a_shut_valve(name: str, parts: list[Part]) -> None:
    """Common practice, no source: 6 to 9 bar, roughly 1.5 to 2 times the regulated pressure; the relief valve opens at
    about 4.5 to 8.5 bar; and it should last a few seconds only."""
    shut = running(name, travel=0.0)
    assert 6e5 < shut.pressure < 9e5
    assert 1.5 * 3.5e5 < shut.pressure < 2 * 4.2e5
    assert 4.5e5 < DEPOT.unit(name).unit.outlet.relief < 8.5e5
    assert all(part.shutoff_limit_s <= 20 for part in parts)


@rows("V9.6")
@pytest.mark.parametrize("name", ["good-pump", *MODULES])
def test_current_at_the_regulated_pressure(name: str) -> None:
    """Common practice, no source: about 3 to 8 A at 12 to 13.5 V in a passenger car with port injection."""
    assert 3.0 < at_pressure(name, 3.3e5).current < 8.0


@rows("V9.7")
def test_current_of_a_stronger_pump() -> None:
    """Common practice, no source: high-output pumps take about 8 to 20 A; the depot has none, and its stand ends at
    20 A."""
    assert running("high-pressure", travel=0.0).current < 8.0
    assert load_stand(CONFIG).stand.limits.current <= 20.0


@rows("V9.8", "V9.9")
def test_what_faults_do_to_the_current() -> None:
    """Common practice, no source: low current with low pressure is a worn pump; a jammed rotor draws far more."""
    good, worn, seized = (running(name, travel=0.0) for name in ("good-pump", "worn", "seized"))
    assert worn.pressure < 0.8 * good.pressure
    assert worn.current < good.current
    assert seized.current > 2 * good.current


@rows("V9.10", "V9.11")
def test_test_voltages(parts: list[Part]) -> None:
    """Common practice, no source: 12.0 or 13.5 V at the terminals, also 12.5, 13.0 and 14.0 V."""
    assert {part.test_voltage for part in parts} <= {12.0, 12.5, 13.0, 13.5, 14.0}


@rows("V9.12", "V9.13")
@pytest.mark.parametrize("name", [*BARE, *MODULES, "displacement"])
def test_flow(name: str) -> None:
    """Common practice, no source: about 80 to 150 L/h in a passenger car; at the workshop at least 0.5 L in 30 s."""
    flow = running(name).flow / LITRES_PER_HOUR
    assert 80 < flow < 150
    assert flow > 60


@rows("V9.14")
@pytest.mark.parametrize("name", BARE)
def test_check_valve_holds(name: str) -> None:
    """Common practice, no source: a fall of more than about 0.35 bar in 5 min is often called a leak. Here what the
    check valve of a good unit lets back in that time at 3.5 bar."""
    outlet = DEPOT.unit(name).unit.outlet
    assert outlet.check_leak * 3.5e5 / DEPOT.line.compliance * 300 < 0.35e5


@rows("V9.16")
def test_dry_running_is_short(parts: list[Part]) -> None:
    """Common practice, no source: a few seconds at most; and a run without flow is stopped after 5 s, whether a stand's
    file names a time or not."""
    assert all(part.dry_check_s is None or part.dry_check_s <= 3.0 for part in parts)
    assert Limits().no_flow_s <= 5.0
    assert all(load_stand(stand).stand.limits.no_flow_s <= 5.0 for stand in STANDS)


@rows("V9.17")
@pytest.mark.parametrize("name", [*BARE, *MODULES])
def test_voltage_drop_in_the_leads(name: str) -> None:
    """Common practice, no source: not more than 0.5 V in all, and sensed at the terminals."""
    plant = running(name)
    assert plant.volts - plant.terminal_volts < 0.5
    assert load_stand(CONFIG).stand.channels.voltage.lead_resistance == 0.0


@rows("V9.18")
@pytest.mark.parametrize(
    ("name", "low", "high"), [*((name, 5000, 8000) for name in [*BARE, *MODULES]), ("displacement", 3000, 4500)]
)
def test_speed(name: str, low: float, high: float) -> None:
    """Common practice, no source: turbine pumps turn at about 5 000 to 8 000 rev/min under rated load, roller and
    gerotor pumps at 3 000 to 4 500."""
    assert low < at_pressure(name, 3.3e5).speed / RPM < high


@rows("V9.19")
def test_segments_of_the_commutator() -> None:
    """Common practice, no source: 8 are usual, 7 to 12 are met."""
    assert all(7 <= design.unit.motor.segments <= 12 for design in DEPOT.units.values())
    assert DEPOT.unit("good-pump").unit.motor.segments == 8


@rows("V9.21")
def test_fluid_and_temperature_are_stated(parts: list[Part]) -> None:
    """Common practice, no source: state both, since thinner fluid leaks more inside."""
    for part in parts:
        assert part.fluid
        assert part.temperature_low < 293.15 < part.temperature_high
