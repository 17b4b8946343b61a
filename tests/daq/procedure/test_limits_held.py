"""The limits that a run gives, held by the virtual device on the simulated bench: it switches off where it should."""

from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.procedure.device_limits import device_limits
from daq.procedure.guards import INRUSH_S
from daq.procedure.plan import Limits, Stand
from daq.procedure.table import sequence
from drivers.block import Trip
from drivers.link.frames import Drive
from drivers.link.frames import Limits as Frame
from simulator.design import Scenario
from simulator.firmware import Firmware
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.simulator.common import Host

FILE = Path(__file__).parents[3] / "config" / "stand-driven.toml"
STAND = load_stand(FILE).stand
PARTS = load_catalogue(FILE, STAND)
DRIVEN = load_scenario("driven")
SCAN = 0.002
SHUT, OPEN = 0, 10_000


def held(stand: Stand, unit: str = "good-pump", scenario: Scenario = DRIVEN) -> Host:
    """A host whose device has the limits of this stand for the unit's part; the unit lies in the fluid."""
    host = Host(Rig(scenario, unit, 5))
    part = PARTS.part(scenario.unit(unit).part)
    limits = device_limits(part, stand, firmware(host).identity, sequence(part.kind, dry_check=False))
    host.send(Frame(limits.blank_ms, limits.max_on_s, limits.entries))
    host.rig.bench.connect()
    host.rig.bench.immerse()
    return host


def firmware(host: Host) -> Firmware:
    assert isinstance(host.rig.firmware, Firmware)
    return host.rig.firmware


def limited(**limits: float) -> Stand:
    return replace(STAND, limits=replace(STAND.limits, **limits))


def until_trip(host: Host, valve: int = OPEN, seconds: float = 10.0) -> tuple[Trip, float, list[float]]:
    """The trip, seconds since power-on, and the true pressures of its last 20 ms (Pa); Trip.NONE where none comes."""
    begin, pressures = host.rig.time, [0.0]
    for k in range(round(seconds / SCAN)):
        if k % 100 == 0:
            host.send(Drive(True, 0, valve, 500))
        host.run(SCAN)
        pressures.append(host.rig.bench.truth().pressure)
        if firmware(host).trip is not Trip.NONE:
            assert not host.rig.bench.powered
            return firmware(host).trip, host.rig.time - begin, pressures[-10:]
    return Trip.NONE, seconds, pressures[-10:]


@pytest.mark.parametrize("unit", ["good-pump", "high-pressure", "displacement", "module", "module-return"])
@pytest.mark.parametrize("valve", [OPEN, SHUT])
def test_a_good_unit_trips_nothing(unit: str, valve: int) -> None:
    assert until_trip(held(STAND, unit), valve, 4.0)[0] is Trip.NONE


@pytest.mark.parametrize("limit", [200e3, 400e3])
def test_over_pressure(limit: float) -> None:
    """Within the transducer's errors and 10 ms of the limit; the relief valve opens far above."""
    trip, _, pressures = until_trip(held(limited(pressure=limit)), SHUT)
    assert trip is Trip.OVER_PRESSURE
    assert pressures[0] < limit + 4e3
    assert pressures[-1] > limit - 4e3


def test_over_current_once_the_inrush_is_over() -> None:
    trip, when, _ = until_trip(held(limited(current=10.0), "seized"))
    assert trip is Trip.OVER_CURRENT
    assert INRUSH_S <= when <= INRUSH_S + 0.01


def test_an_inrush_is_none() -> None:
    """The motor of a good unit draws its stall current, some 17 A, for some hundredths of a second."""
    host = held(limited(current=9.0))
    highest = 0.0
    for _ in range(50):
        host.send(Drive(True, 0, OPEN, 500))
        host.run(SCAN)
        highest = max(highest, host.rig.bench.truth().current)
    assert highest > 12.0
    assert until_trip(host, seconds=2.0)[0] is Trip.NONE


def test_fluid_too_warm() -> None:
    """The depot's fluid is at 23 °C; the sensor may err by some tenths."""
    assert until_trip(held(limited(temperature=295.15)))[0] is Trip.OTHER_LIMIT
    assert until_trip(held(limited(temperature=298.15)), seconds=2.0)[0] is Trip.NONE


@pytest.mark.parametrize(("volts", "expected"), [(15.3, Trip.NONE), (15.8, Trip.OTHER_LIMIT)])
def test_a_supply_set_too_high(volts: float, expected: Trip) -> None:
    """15 % above 13.5 V are 15.525 V at the terminals; the leads take some 0.04 V."""
    unit = DRIVEN.units["good-pump"]
    scenario = replace(DRIVEN, units={"good-pump": replace(unit, supply=replace(unit.supply, volts=volts))})
    assert until_trip(held(STAND, scenario=scenario), seconds=2.0)[0] is expected


@pytest.mark.parametrize("fault", ["pressure_open", "pressure_shorted"])
def test_a_broken_wire_of_the_transducer(fault: str) -> None:
    host = held(STAND)
    assert until_trip(host, seconds=2.0)[0] is Trip.NONE
    host.rig.bench.add_fault(fault)
    trip, when, _ = until_trip(host)
    assert (trip, when) == (Trip.OVER_PRESSURE, pytest.approx(2 * SCAN, abs=1e-6))  # two of the newest three scans


def test_a_supply_that_fails_and_comes_back_trips_nothing() -> None:
    """There is no lower limit: the contactor closes late, and a run sees it by itself."""
    host = held(STAND)
    host.rig.bench.add_fault("supply_off")
    assert until_trip(host, seconds=1.0)[0] is Trip.NONE


def test_power_on_for_longer_than_any_run_may_take() -> None:
    brief = replace(STAND, limits=Limits(stage_s=0.3, ask_s=0.1))
    trip, when, _ = until_trip(held(brief))
    assert (trip, when) == (Trip.POWER_TOO_LONG, pytest.approx(2.0, abs=2 * SCAN))  # 5 stages of 0.4 s
