"""Spikes and the lines of a pulsation, told from noise and taken off."""

import math

import numpy as np
import pytest

from daq.measure.peak_noise import cleaned, robust_spread, without_pulsation, without_spikes
from tests.studies.common import autoregressive

HZ = 500


def noise(phi: float = 0.0, seed: int = 1) -> np.ndarray:
    return 100.0 + 0.2 * autoregressive(np.random.default_rng(seed), phi, 1, HZ)[0]


def wave(hertz: float, size: float) -> np.ndarray:
    return size * np.sin(2.0 * math.pi * hertz * np.arange(HZ) / HZ + 0.3)


@pytest.mark.parametrize("at", [0, 1, 250, 498])
@pytest.mark.parametrize("size", [-3.0, 3.0])
@pytest.mark.parametrize("wide", [1, 2])
def test_spikes_on_one_sample_or_two_are_replaced(at: int, size: float, wide: int) -> None:
    plain = noise()
    spiked = plain.copy()
    spiked[at : at + wide] += size
    clean, count = without_spikes(spiked)
    assert count == wide
    assert np.abs(clean - plain).max() < 1.0
    assert np.array_equal(np.delete(clean, range(at, at + wide)), np.delete(plain, range(at, at + wide)))


def test_what_holds_for_longer_is_no_spike() -> None:
    held = noise()
    held[200:206] += 3.0
    clean, count = without_spikes(held)
    assert count == 0
    assert np.array_equal(clean, held)


@pytest.mark.parametrize("phi", [0.0, 0.6, 0.9])
def test_noise_alone_has_hardly_a_spike_and_hardly_a_line(phi: float) -> None:
    counts, changed = 0, 0
    for seed in range(100):
        samples = noise(phi, seed)
        counts += without_spikes(samples)[1]
        changed += not np.allclose(without_pulsation(samples, HZ), samples, rtol=0.0, atol=1e-9)
    assert counts <= 15  # of 50 000 samples
    assert changed <= 3


@pytest.mark.parametrize("hertz", [13.0, 47.3, 125.0, 240.7])
def test_a_line_is_taken_off_and_the_noise_left(hertz: float) -> None:
    plain = noise(seed=2)
    clean = cleaned(plain + wave(hertz, 2.0), HZ)
    assert robust_spread(clean.samples - plain) < 0.05
    assert clean.pulsation == pytest.approx(2.0 / math.sqrt(2.0), rel=0.03)
    assert clean.spikes <= 1


def test_two_lines_are_taken_off() -> None:
    plain = noise(seed=3)
    still = without_pulsation(plain + wave(61.0, 2.0) + wave(122.0, 1.0), HZ)
    assert robust_spread(still - plain) < 0.05


def test_a_slow_wave_a_drift_and_a_rise_that_is_held_stay() -> None:
    for real in (wave(3.0, 2.0), np.linspace(0.0, 5.0, HZ), np.where(np.abs(np.arange(HZ) - 250) < 65, 1.0, 0.0)):
        samples = noise(seed=4) + real
        assert np.abs(without_pulsation(samples, HZ) - samples).max() < 0.1


def test_spikes_hidden_in_a_pulsation_are_found_once_it_is_gone() -> None:
    samples = noise(seed=5) + wave(180.0, 4.0)
    samples[100] += 3.0
    assert without_spikes(samples)[1] == 0
    assert cleaned(samples, HZ).spikes == 1


def test_a_constant_pressure_is_left_as_it_is() -> None:
    clean = cleaned(np.full(HZ, 4.2e5), HZ)
    assert (clean.samples.min(), clean.samples.max(), clean.spikes, clean.pulsation) == (4.2e5, 4.2e5, 0, 0.0)


def test_too_few_samples_for_a_line_are_left_as_they_are() -> None:
    samples = np.random.default_rng(6).standard_normal(20)
    assert np.allclose(without_pulsation(samples, 20.0), samples)
