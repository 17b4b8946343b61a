"""Sensors: counts, ends of the converter, errors and noise."""

import numpy as np
import pytest

from simulator.plant.noise import Noise, Spikes, Wander
from simulator.plant.sensors import Channel, Converter, Flaw, Sensor, draw_flaw
from tests.simulator.common import depot

CONVERTER = Converter(12, 5.0 / 4096, 0, 0, 4095)
PRESSURE = Sensor("pressure", 1, CONVERTER, volts_at_zero=0.5, volts_per_unit=4e-6)


@pytest.mark.parametrize(("pascal", "count"), [(0.0, 410), (1e6, 3686), (5e5, 2048)])
def test_counts_of_a_ratiometric_transducer(pascal: float, count: int) -> None:
    """0.5, 4.5 and 2.5 V on 12 bits over 5 V, to the nearest count."""
    assert Channel(PRESSURE, Flaw(0.0, 0.0)).count(pascal, 0.0, 0.0) == (count, False)


def test_the_upper_end_is_overrange() -> None:
    assert Channel(PRESSURE, Flaw(0.0, 0.0)).count(2e6, 0.0, 0.0) == (4095, True)


def test_the_lower_end_is_overrange_only_where_it_is_not_zero() -> None:
    lifted = Sensor("current", 3, Converter(12, 5.0 / 4096, 41, 0, 4095), 0.0, 0.2, out_low=-5.0)
    assert Channel(PRESSURE, Flaw(0.0, 0.0)).count(-1e6, 0.0, 0.0) == (0, False)
    assert Channel(lifted, Flaw(0.0, 0.0)).count(-10.0, 0.0, 0.0) == (0, True)
    assert Channel(lifted, Flaw(0.0, 0.0)).count(0.0, 0.0, 0.0) == (41, False)


def test_the_sensor_s_own_output_ends_first() -> None:
    clipped = Sensor("pressure", 1, CONVERTER, 0.5, 4e-6, out_high=4.8)
    assert Channel(clipped, Flaw(0.0, 0.0)).count(2e6, 0.0, 0.0) == (3932, False)


def test_zero_and_gain_errors_show() -> None:
    channel = Channel(PRESSURE, Flaw(zero=10e3, gain=0.01))
    assert channel.count(5e5, 0.0, 0.0)[0] == round((0.5 + 4e-6 * (10e3 + 1.01 * 5e5)) * 4096 / 5)


def test_errors_are_drawn_from_their_standard_uncertainty() -> None:
    sensor = Sensor("pressure", 1, CONVERTER, 0.5, 4e-6, zero_doubt=600.0, gain_doubt=1e-3)
    draw = np.random.default_rng(5)
    flaws = [draw_flaw(sensor, draw) for _ in range(4000)]
    assert np.std([f.zero for f in flaws]) == pytest.approx(600.0, rel=0.05)
    assert np.std([f.gain for f in flaws]) == pytest.approx(1e-3, rel=0.05)
    assert abs(np.mean([f.zero for f in flaws])) < 30.0


def pressure_noise(spikes: Spikes | None = None) -> np.ndarray:
    """A minute of the shipped pressure sensor's readings at 600 kPa, as deviations from it."""
    known = depot()
    sensor = known.sensors[0]
    noise = Noise(np.random.default_rng(3), 5, (known.pressure_wander, Wander()), spikes or known.spikes, 500.0)
    channel = Channel(sensor, Flaw(0.0, 0.0))
    counts = []
    for _ in range(30_000):
        row = noise.row()
        counts.append(channel.count(600e3, row[5], row[0])[0])
    zero = 0.5 * 4096 / 5
    return (np.asarray(counts) - zero) / (channel.convert(600e3)[0] - zero) - 1.0


def test_pressure_noise_is_that_of_a_good_transmitter() -> None:
    """Measured on real rigs: 0.16 to 0.27 % of reading; means of 50 ms with a lag-1 autocorrelation of 0.2 to 0.6."""
    noise = pressure_noise()
    assert 0.0016 < noise.std() < 0.0027
    means = noise.reshape(-1, 25).mean(axis=1)
    centred = means - means.mean()
    assert 0.2 < float(np.dot(centred[1:], centred[:-1]) / np.dot(centred, centred)) < 0.6


def test_spikes_are_rare_single_and_large() -> None:
    noise = pressure_noise(Spikes(rate=0.002))
    hit = np.abs(noise) > 0.0095
    assert 0.001 < hit.mean() < 0.003
    assert np.abs(noise).max() < 0.051


def test_the_same_generator_gives_the_same_rows() -> None:
    a, b = (Noise(np.random.default_rng(9), 3, (Wander(0.01),), Spikes(0.1), 500.0) for _ in range(2))
    assert [a.row() for _ in range(2500)] == [b.row() for _ in range(2500)]
