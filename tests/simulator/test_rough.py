"""A stand at the rough end: how much jitter, wander, spikes and ripple its scans have, and what repeats itself."""

from dataclasses import replace

import numpy as np
import pytest

from drivers.block import Role
from simulator.bench import Bench
from simulator.plant.commutation import RIPPLE, Commutation
from simulator.plant.motor import Motor
from simulator.scenario import load_scenario
from tests.simulator.common import depot, quiet


def held(scenario: str, unit: str, seconds: float = 20.0) -> np.ndarray:
    """Counts of a unit that runs against a half shut valve, `[n, channels]`."""
    bench = Bench(load_scenario(scenario), unit)
    bench.aim_valve(0.25, 0.1)
    bench.connect()
    bench.immerse()
    bench.switch(True)
    rows = np.array([bench.scan() for _ in range(round((seconds + 2.0) * 500))])
    return rows[1000:].astype(float)


def pressure(rows: np.ndarray) -> np.ndarray:
    return (rows[:, 0] * 5.0 / 4096 - 0.5) / 4e-6


def jitter(p: np.ndarray) -> float:
    """Robust standard deviation of single samples from their neighbours, as a share."""
    return float(1.4826 * np.median(np.abs(np.diff(p))) / 2**0.5 / p.mean())


def test_pressure_jitters_as_on_real_rigs() -> None:
    """0.16 to 0.27 % of the reading with a good transmitter, measured on real rigs; a little more at the rough end."""
    assert 0.0016 < jitter(pressure(held("depot", "good-pump"))) < 0.0032  # 0.25 kPa of the converter with it
    assert 0.0022 < jitter(pressure(held("rough", "good-pump"))) < 0.0042


def test_a_pulsating_pump_shows_in_the_scans() -> None:
    """0.5 to 1.7 % of the reading, measured on real rigs with pulsating pumps."""
    p = pressure(held("depot", "displacement"))
    assert 0.005 < p.std() / p.mean() < 0.017


def test_it_wanders() -> None:
    """Means of 50 ms resemble each other by 0.2 to 0.6, as on real rigs."""
    p = pressure(held("rough", "good-pump", 40.0)).reshape(-1, 25).mean(axis=1)
    p = p - np.polyval(np.polyfit(np.arange(len(p)), p, 2), np.arange(len(p)))
    assert 0.2 < np.corrcoef(p[1:], p[:-1])[0, 1] < 0.65


def test_it_spikes() -> None:
    """0.5 to 5 of a thousand samples, measured on real rigs."""
    p = pressure(held("rough", "good-pump", 40.0))
    away = np.abs(p[1:-1] - 0.5 * (p[2:] + p[:-2])) / p.mean()
    assert 1e-3 < (away > 0.018).mean() < 6e-3


def test_a_slow_sensor_repeats_itself() -> None:
    rows = held("rough", "good-pump", 2.0)
    k = [s.role for s in load_scenario("rough").sensors].index(Role.FLUID_TEMPERATURE)
    assert np.count_nonzero(np.diff(rows[:, k])) <= 8


def test_commutation_gets_into_the_scans() -> None:
    scenario = quiet()
    shows = tuple(replace(s, ripple=0.5) if s.role == Role.SHUNT else s for s in scenario.sensors)
    spread = []
    for sensors in (scenario.sensors, shows):
        bench = Bench(replace(scenario, sensors=sensors), "good-pump")
        bench.connect()
        bench.immerse()
        bench.switch(True)
        amperes = np.array([bench.scan()[2] - 41 for _ in range(2000)])[1500:]
        spread.append((amperes.max() - amperes.min()) / amperes.mean())
    assert spread[0] < 0.02
    assert 0.5 * 0.8 * RIPPLE < spread[1] < 0.5 * 1.6 * RIPPLE + 0.02


@pytest.mark.parametrize("segments", [7, 8, 10, 11])
@pytest.mark.parametrize("bad", [1.0, 0.1])
def test_a_turn_of_the_commutator_has_the_mean_that_the_motor_says(segments: int, bad: float) -> None:
    motor = Motor(0.014, 0.8, 4e-6, 0.018, segments=segments, bad_segment=bad)
    turn = np.linspace(0.0, 2.0 * np.pi, 50_000, endpoint=False)
    shape = Commutation(motor, [1.0] * segments).shape(turn)
    assert shape.mean() == pytest.approx(1.0, abs=2e-3)
    assert np.abs(np.diff(shape)).max() < 2e-3  # no jump from hump to hump


def test_a_bad_segment_is_missing_once_a_turn() -> None:
    good, bad = (Motor(0.014, 0.8, 4e-6, 0.018, bad_segment=share) for share in (1.0, 0.1))
    turn = np.linspace(-np.pi / 8, 2.0 * np.pi - np.pi / 8, 8000, endpoint=False)
    humps = [Commutation(motor, [1.0] * 8).shape(turn).reshape(8, 1000) for motor in (good, bad)]
    assert humps[0].max(axis=1) == pytest.approx(humps[0].max(), rel=1e-3)
    assert humps[1].min(axis=1)[0] < 0.2 * humps[1].max()
    assert (humps[1].min(axis=1)[1:] > 0.8 * humps[1].max()).all()


def test_a_capture_has_the_noise_of_its_channel() -> None:
    places = (np.arange(40) + 1) / 40
    spread = []
    for scenario in (quiet(), depot()):
        bench = Bench(scenario, "good-pump")
        bench.scan()
        spread.append(float(np.std(bench.burst(Role.SHUNT, places)[0])))
    assert spread[0] == 0.0
    assert spread[1] > 0.0


def test_a_wide_shunt_is_a_channel_of_its_own() -> None:
    scenario = quiet()
    shunt = next(s for s in scenario.sensors if s.role == Role.SHUNT)
    wide = replace(shunt, name="wide_current", role=int(Role.SHUNT_WIDE))
    bench = Bench(replace(scenario, sensors=(*scenario.sensors, wide)), "good-pump")
    bench.connect()
    bench.switch(True)
    counts = [bench.scan() for _ in range(200)][-1]
    assert len(counts) == 6
    assert counts[5] == counts[2]
    samples, _ = bench.burst(Role.SHUNT_WIDE, np.linspace(0.0, 1.0, 50))
    assert max(samples) > min(samples)
