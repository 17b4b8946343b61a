"""The bench: sensors tell of the plant, units differ, everything repeats."""

import numpy as np
import pytest

from drivers.block import Role
from simulator.bench import Bench
from simulator.errors import UnknownNameError
from simulator.unit_faults import known_faults, with_fault
from tests.simulator.common import depot, quiet


def running(bench: Bench, seconds: float = 3.0) -> list[list[int]]:
    bench.connect()
    bench.immerse()
    bench.switch(True)
    return scans(bench, seconds)


def scans(bench: Bench, seconds: float) -> list[list[int]]:
    return [bench.scan() for _ in range(round(seconds * 500))]


def test_the_same_seed_gives_the_same_scans() -> None:
    first, again, other = (running(Bench(depot(), "good-pump", seed)) for seed in (4, 4, 5))
    assert first == again
    assert first != other


def test_without_noise_the_counts_tell_the_truth() -> None:
    bench = Bench(quiet(), "good-pump")
    pressure, volts, shunt, fluid, level = running(bench)[-1]
    truth, count = bench.truth(), 5.0 / 4096
    assert (pressure * count - 0.5) / 4e-6 == pytest.approx(truth.pressure, abs=160)
    assert volts * count / 0.2 == pytest.approx(truth.voltage, abs=0.004)
    assert (shunt - 41) * count / 0.2 == pytest.approx(truth.current, abs=0.004)
    assert (fluid * count - 0.5) / 0.01 + 273.15 == pytest.approx(truth.fluid, abs=0.07)
    assert level == round(0.5 / count)


def test_edges_carry_the_volume_that_flowed_back() -> None:
    bench = Bench(quiet(), "good-pump")
    running(bench)
    edges, volume = bench.meter.edges, bench.plant.delivered
    scans(bench, 30.0)
    k = bench.meter.design.k_at(bench.meter.hertz)
    assert (bench.meter.edges - edges) / k == pytest.approx(bench.plant.delivered - volume, rel=5e-4)


def test_each_unit_mounted_meets_other_sensor_errors() -> None:
    bench = Bench(depot(), "good-pump")
    before, k = bench.flaws, bench.meter.gain
    bench.mount("good-pump")
    assert all(bench.flaws[name] != before[name] for name in ("pressure", "current", "voltage", "flow"))
    assert bench.meter.gain != k
    doubts = [Bench(depot(), "good-pump", seed).flaws["pressure"].zero for seed in range(200)]
    assert np.std(doubts) == pytest.approx(600.0, rel=0.2)


def test_mounting_takes_power_and_connection_away() -> None:
    bench = Bench(depot(), "good-pump")
    running(bench)
    bench.mount("module")
    assert not bench.powered
    assert not bench.plant.connected
    assert bench.truth().pressure == 0.0


def test_an_unknown_unit() -> None:
    with pytest.raises(UnknownNameError, match="unit 'none-such'"):
        Bench(depot(), "good-pump").mount("none-such")


def test_the_valve_takes_its_time() -> None:
    bench = Bench(depot(), "good-pump")
    bench.aim_valve(0.0, 5.0)
    scans(bench, 2.5)
    assert bench.truth().travel == pytest.approx(0.5, abs=1e-6)
    assert bench.moving
    scans(bench, 2.6)
    assert bench.truth().travel == 0.0
    assert not bench.moving


@pytest.mark.parametrize("name", known_faults())
def test_a_fault_can_come_while_it_runs(name: str) -> None:
    bench = Bench(depot(), "module")
    running(bench)
    bench.add_fault(name)
    assert bench.design == with_fault(depot().unit("module"), name) != depot().unit("module")
    scans(bench, 1.0)


def test_an_unknown_fault() -> None:
    with pytest.raises(UnknownNameError, match=r"fault 'rust'.*flow_dead.*seized"):
        Bench(depot(), "good-pump").add_fault("rust")


def test_a_pump_taken_off_leaves_no_pressure() -> None:
    bench = Bench(depot(), "good-pump")
    bench.aim_valve(0.0, 0.1)
    running(bench)
    assert bench.truth().pressure > 500e3
    bench.remove()
    scans(bench, 0.1)
    assert bench.truth().pressure == 0.0
    assert not bench.powered


def test_a_burst_of_the_shunt_shows_commutation() -> None:
    bench = Bench(quiet(), "good-pump")
    running(bench)
    samples: list[int] = []
    for _ in range(250):
        bench.scan()
        samples += bench.burst(Role.SHUNT, (np.arange(40) + 1) / 40)[0]
    spectrum = np.abs(np.fft.rfft(np.asarray(samples) - np.mean(samples)))
    hertz = float(np.fft.rfftfreq(len(samples), 1 / 20_000)[int(spectrum.argmax())])
    assert hertz == pytest.approx(8 * bench.truth().speed / (2 * np.pi), abs=4.0)


def test_a_burst_of_another_channel_is_level() -> None:
    bench = Bench(quiet(), "good-pump")
    counts = running(bench)[-1]
    assert bench.burst(Role.PRESSURE, np.array([0.5, 1.0])) == ([counts[0]] * 2, False)
