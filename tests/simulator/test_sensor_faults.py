"""What happens to a sensor of the stand spoils its channel, and no other."""

import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from drivers.block import Role
from simulator.bench import Bench
from simulator.design import Scenario
from simulator.plant.sensors import Channel, Flaw
from simulator.scenario import find_scenario, load_scenario, read_scenario
from simulator.sensor_faults import ALL_CHANNELS, ANALOG, SENSOR_FAULTS
from tests.simulator.common import depot, quiet

SCAN = 0.002
DEPOT = [sensor.role for sensor in depot().sensors]


def unit_with(name: str) -> tuple[Scenario, str]:
    """A stand that has the sensor which a fault befalls, and a unit for it."""
    fitted = name not in ANALOG or ANALOG[name][0] in DEPOT
    supplied = load_scenario("referenced")
    if name in ANALOG and ANALOG[name][0] == Role.CONVERTER_SUPPLY:  # in the place of the reference voltage
        sensors = tuple(
            replace(s, role=int(Role.CONVERTER_SUPPLY)) if s.role == Role.REFERENCE_VOLTAGE else s
            for s in supplied.sensors
        )
        supplied = replace(supplied, sensors=sensors)
    return (depot(), "module") if fitted else (supplied, "good-pump")


def place_of(name: str) -> int:
    """Where its channel stands among the device's."""
    return [sensor.role for sensor in unit_with(name)[0].sensors].index(ANALOG[name][0])


def running(bench: Bench, seconds: float = 2.0) -> np.ndarray:
    """Counts of a unit that runs, `[n, channels]`."""
    bench.connect()
    bench.immerse()
    bench.switch(True)
    return scans(bench, seconds)


def scans(bench: Bench, seconds: float) -> np.ndarray:
    return np.array([bench.scan() for _ in range(round(seconds / SCAN))])


def spoiled(name: str, seconds: float = 2.0) -> tuple[Bench, np.ndarray, np.ndarray]:
    """A bench with a fault, its counts, and those of the same bench without it."""
    bad, good = Bench(*unit_with(name)), Bench(*unit_with(name))
    for bench in (bad, good):
        running(bench)
    bad.add_fault(name)
    return bad, scans(bad, seconds), scans(good, seconds)


@pytest.mark.parametrize("name", sorted(ANALOG))
def test_a_channel_fails_by_itself(name: str) -> None:
    _, found, sound = spoiled(name)
    k = place_of(name)
    others = [j for j in range(found.shape[1]) if j != k]
    assert (found[:, others] == sound[:, others]).all()
    assert (found[:, k] != sound[:, k]).mean() > 0.5


@pytest.mark.parametrize("name", [name for name in ANALOG if name.endswith("stuck")])
def test_stuck_is_without_noise(name: str) -> None:
    k = place_of(name)
    assert len(set(spoiled(name)[1][:, k])) == 1


def test_a_broken_wire_goes_to_the_rail_and_is_told_as_such() -> None:
    bench, found, _ = spoiled("pressure_open", 0.1)
    assert set(found[:, 0]) == {4095}
    assert bench.overrange & 1


def test_a_shorted_transducer_shows_no_volts() -> None:
    bench, found, _ = spoiled("pressure_shorted", 0.1)
    assert set(found[:, 0]) == {0}
    assert not bench.overrange & 1  # its zero is the converter's


def test_a_shunt_amplifier_at_its_end() -> None:
    _, found, _ = spoiled("current_saturated", 0.1)
    k = DEPOT.index(Role.SHUNT)
    assert set(found[:, k]) == {Channel(depot().sensors[k], Flaw(0.0, 0.0)).digits(4.95)[0]}


def test_a_drift_grows() -> None:
    _, found, sound = spoiled("pressure_drifting", 10.0)
    away = (found - sound)[:, 0] * 5.0 / 4096
    assert away[-1] == pytest.approx(0.1, abs=0.002)
    assert away[2500] == pytest.approx(0.05, abs=0.002)


@pytest.mark.parametrize(
    ("name", "low", "high"), [("flow_dead", 0, 0), ("flow_missing", 0.8, 0.9), ("flow_noisy", 1.05, 1.2)]
)
def test_pulses(name: str, low: float, high: float) -> None:
    """15 % are lost; 12 a second come of themselves, beside some 120."""
    counted = []
    for fault in (name, ""):
        bench = Bench(quiet(), "good-pump")
        running(bench)
        if fault:
            bench.add_fault(fault)
        before = bench.meter.edges
        scans(bench, 20.0)
        counted.append(bench.meter.edges - before)
    assert low <= counted[0] / counted[1] <= high


def test_extra_edges_come_without_flow_too() -> None:
    bench = Bench(quiet(), "good-pump")
    bench.add_fault("flow_noisy")
    seen = [(bench.meter.edges, bench.meter.last_tick, bench.tick) for _ in range(5000) if bench.scan()]
    assert seen[-1][0] == pytest.approx(120, abs=40)
    assert all(last < tick for _, last, tick in seen)


def test_the_same_seed_fails_the_same_way() -> None:
    first, again = (spoiled("flow_missing")[0].meter.edges for _ in range(2))
    assert first == again


def test_it_may_come_later() -> None:
    bench = Bench(depot(), "wire-breaks")
    before = scans(bench, 19.9)[:, 0]
    assert before.max() < 1000
    assert set(scans(bench, 1.0)[100:, 0]) == {4095}


def test_another_unit_finds_the_stand_repaired() -> None:
    bench = Bench(depot(), "wire-breaks")
    bench.add_fault("flow_dead")
    scans(bench, 21.0)
    bench.mount("good-pump")
    assert scans(bench, 0.1)[:, 0].max() < 1000
    assert bench.meter.fault is None


def test_a_fault_of_a_sensor_that_is_not_fitted_changes_nothing() -> None:
    table = tomllib.loads(find_scenario("depot").read_text())
    del table["sensors"]["level"]
    bench = Bench(read_scenario(Path("x.toml"), table), "module")
    bench.add_fault("level_stuck")
    assert running(bench).shape == (1000, 4)


@pytest.mark.parametrize("name", sorted(ALL_CHANNELS))
def test_what_all_channels_are_converted_by(name: str) -> None:
    """Each reads too much by the same share, references too."""
    bad, good = Bench(quiet(), "good-pump"), Bench(quiet(), "good-pump")
    bad.add_fault(name)
    found, sound = running(bad, 3.0)[-100:].mean(axis=0), running(good, 3.0)[-100:].mean(axis=0)
    lift = np.array([s.converter.zero_count for s in quiet().sensors])
    share = (found - lift)[:4] / (sound - lift)[:4]
    assert share == pytest.approx(ALL_CHANNELS[name], abs=2e-3)


def test_a_channel_may_be_disturbed_in_any_way() -> None:
    bad, good = Bench(quiet(), "good-pump"), Bench(quiet(), "good-pump")
    bad.readout.disturb(Role.FLUID_TEMPERATURE, lambda volts, time: volts + (0.1 if time > 1.0 else 0.0))
    away = (scans(bad, 2.0) - scans(good, 2.0))[:, DEPOT.index(Role.FLUID_TEMPERATURE)] * 5.0 / 4096
    assert set(away[:499]) == {0.0}
    assert away[505:] == pytest.approx(0.1, abs=2e-3)


def test_the_page_lists_them_all() -> None:
    page = (Path(__file__).parents[2] / "simulator/README.md").read_text()
    assert [name for name in SENSOR_FAULTS if f"`{name}`" not in page] == []
